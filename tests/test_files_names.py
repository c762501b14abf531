# SPDX-License-Identifier: GPL-3.0-or-later
"""File names that every system takes. Source of the rules: those that Windows publishes for naming files."""

from __future__ import annotations

import re
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from addon.files.file_names import MOST_BYTES, safe_name, safe_names

ANY_TEXT = st.text(st.characters(exclude_categories=()), max_size=300)
DEVICES = re.compile(r"(CON|PRN|AUX|NUL|CONIN\$|CONOUT\$|(COM|LPT)[0-9¹²³])\s*(\..*)?", re.IGNORECASE | re.DOTALL)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("End cap 1 in × 1/8 in", "End cap 1 in × 1-8 in"),
        ("../../etc/passwd", "etc-passwd"),
        ("C:\\caps", "C--caps"),
        ("con", "_con"),
        ("NUL.tar", "_NUL.tar"),
        ("lpt²", "_lpt²"),
        ("conin$", "_conin$"),
        ("console", "console"),
        ("cap. . ", "cap"),
        ("-rf", "rf"),
        ("", "fitting"),
        ("...", "fitting"),
        ("\u202egnp.cap", "gnp.cap"),
        ("a\tb\nc\x00", "a b c"),
        ("e\u0301", "é"),
        ("角鋼 😀", "角鋼 😀"),
        ("\ud800x", "x"),
        ("می\u200cشود", "می\u200cشود"),
    ],
)
def test_known_names(text, name):
    assert safe_name(text) == name


@given(ANY_TEXT)
def test_every_text_gives_a_safe_name(tmp_path_factory, text):
    name = safe_name(text)
    assert 0 < len(name.encode()) <= MOST_BYTES
    assert not re.search(r'[<>:"/\\|?*\x00-\x1f\x7f]', name)
    assert name == name.strip(" .") and not name.startswith("-")
    assert not DEVICES.fullmatch(name)
    assert unicodedata.is_normalized("NFC", name)
    assert safe_name(name) == name
    path = tmp_path_factory.getbasetemp() / f"{name}_mm.stl"
    path.write_bytes(b"x")
    assert path.read_bytes() == b"x"


@given(
    st.lists(st.one_of(st.sampled_from(["cap", "CAP", "Cap 2", "cap 3", "ß", "SS", "x" * 200]), ANY_TEXT), max_size=30)
)
def test_no_two_names_are_alike_where_capitals_do_not_count(texts):
    names = safe_names(texts)
    assert len(names) == len(texts)
    assert len({name.lower() for name in names}) == len({name.upper() for name in names}) == len(names)
    assert all(len(name.encode()) <= MOST_BYTES and name == safe_name(name) for name in names)


def test_names_that_are_free_stay():
    assert safe_names(["Cap", "foot", "cap", "Cap"]) == ["Cap", "foot", "cap 2", "Cap 3"]


def test_ten_thousand_alike():
    assert len(set(safe_names(["cap"] * 10_000))) == 10_000
