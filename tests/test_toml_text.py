# SPDX-License-Identifier: GPL-3.0-or-later
"""TOML text that keeps what its user wrote beside the values. Outside source: ``tomllib``, which reads it."""

from __future__ import annotations

import tomllib
from datetime import UTC

import pytest
from hypothesis import given
from hypothesis import strategies as st
from random_cases import examples

from addon.bench.toml_text import toml_text

SCALARS = (
    st.text()
    | st.integers()
    | st.floats(allow_nan=False)
    | st.booleans()
    | st.datetimes(timezones=st.none() | st.just(UTC))
    | st.dates()
    | st.times()
)
KEYS = st.sampled_from(["a", "b", "name", "two words", "ä"])
VALUES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3), max_leaves=9
)
TABLES = st.dictionaries(KEYS, VALUES | st.lists(st.dictionaries(KEYS, SCALARS), max_size=4), max_size=5)


@examples(150)
@given(TABLES, TABLES)
def test_whatever_was_there_before_the_values_are_the_new_ones(before, data):
    assert tomllib.loads(toml_text(data)) == data
    assert tomllib.loads(toml_text(data, toml_text(before))) == data


@pytest.mark.parametrize("before", ["", "no = toml = at all", "a = 1\na = 2\n", "[[b]]\nname = 1\n[c]\n[[b]]\nn = 3\n"])
def test_what_cannot_be_revised_is_written_anew(before):
    assert tomllib.loads(toml_text({"a": 1, "b": [{"name": 2}]}, before)) == {"a": 1, "b": [{"name": 2}]}


BEFORE = """\
# top
[tube]
# as read
wall_mm = 3.0  # by hand
lost = 1

# the first
[[cap]]
name = "A" # one

# the second
[[cap]]
name = "B"

# the third
[[cap]]
name = "C"
"""
AFTER = """\
# top
[tube]
# as read
wall_mm = 3.5  # by hand
seam_mm = 1

# the first
[[cap]]
name = "A" # one
rise_mm = 4

# the second

# the third
[[cap]]
name = "C"

[[cap]]
name = "D"
"""


def test_comments_stay_where_the_keys_stay():
    caps = [{"name": "A", "rise_mm": 4}, {"name": "C"}, {"name": "D"}]
    assert toml_text({"tube": {"wall_mm": 3.5, "seam_mm": 1}, "cap": caps}, BEFORE) == AFTER


def test_none_is_left_out_and_what_has_no_form_is_replaced_or_refused():
    assert tomllib.loads(toml_text({"d": "x\ud800y", "e": None})) == {"d": "x?y"}
    with pytest.raises(TypeError, match="complex"):
        toml_text({"a": 1j})
