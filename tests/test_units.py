# SPDX-License-Identifier: GPL-3.0-or-later
"""Lengths against pint, a general-purpose units library."""

import struct
import textwrap
from decimal import ROUND_HALF_UP, Decimal

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from addon.geometry.units import MM_PER_UNIT, parse_length, say_both, say_inches, say_mm, say_three, with_units_kept

ureg = pint.get_application_registry()


@pytest.mark.parametrize("unit", sorted(MM_PER_UNIT))
def test_units_agree_with_pint(unit):
    assert MM_PER_UNIT[unit] == pytest.approx((1 * ureg(unit)).to("mm").magnitude, rel=1e-15)


@given(st.fractions(0, 1000, max_denominator=64), st.sampled_from(sorted(MM_PER_UNIT)))
def test_fractions_and_units_agree_with_pint(number, unit):
    whole, rest = divmod(number, 1)
    text = " ".join([str(whole)] + ([str(rest)] if rest else [])) + f" {unit}"
    assert parse_length(text) == pytest.approx((float(number) * ureg(unit)).to("mm").magnitude, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("1 in", 25.4),
        ("1/8 in", 3.175),
        ("0.5in", 12.7),
        ("8 mm", 8),
        ("8", 8),
        (".5 cm", 5),
        ("1-1/2 in", 38.1),
        (8, 8),
        ('3"', 76.2),
    ],
)
def test_lengths_as_people_write_them(text, mm):
    assert parse_length(text) == mm


@pytest.mark.parametrize(
    "wrong",
    [
        "",
        "in",
        "eight",
        "8 miles",
        "1/0 in",
        "1/16",
        "1//8",
        "1e9999",
        True,
        None,
        [8],
        float("nan"),
        float("inf"),
        10**400,
        400 * "9" + " mm",
        5000 * "9",
    ],
)
def test_what_is_no_length_is_refused_by_name(wrong):
    with pytest.raises(ValueError, match=r"not a length|divides by zero|has no unit"):
        parse_length(wrong)


def test_lengths_as_a_fabricator_says_them():
    assert say_mm(25.399998) == "25.4 mm"
    assert say_both(25.399998) == "25.4 mm (1 in)"
    assert say_both(38.1) == "38.1 mm (1 1/2 in)"
    assert say_both(3.175) == "3.18 mm (1/8 in)"
    assert say_both(8) == "8 mm"
    assert say_both(25) == "25 mm"  # 63/64 in is 25.003 mm
    assert say_both(17 / 64 * 25.4) == "6.75 mm (17/64 in)"
    assert say_both(50) == "50 mm"  # 1 31/32 in is 50.006 mm
    assert say_inches(0) is None
    assert say_mm(-0.001) == "0 mm"


def test_halves_go_up_from_files_of_single_precision_in_inches():
    """Against the decimal module's ROUND_HALF_UP."""
    for thousandths in range(5, 100_000, 10):
        exact = Decimal(thousandths) / 1000
        (inches,) = struct.unpack("f", struct.pack("f", thousandths / 25_400))
        said = Decimal(say_mm(inches * 25.4).removesuffix(" mm"))
        assert said == exact.quantize(Decimal("0.01"), ROUND_HALF_UP)
    assert say_mm(3.1749) == "3.17 mm"


def test_three_digits_as_a_fabricator_says_them():
    said = [say_three(number) for number in (1930.4, 123456.0, 22.5, 2.0, 0.01234, -0.0)]
    assert said == ["1930", "123000", "22.5", "2", "0.0123", "0"]


@given(st.floats(1e-6, 1e15))
def test_three_digits_are_no_further_off_than_half_the_last_and_without_exponent(number):
    assert "e" not in say_three(number)
    assert float(say_three(number)) == pytest.approx(number, rel=0.0051)


def test_numbers_stay_with_their_units_where_text_is_wrapped():
    said = "230 g in all, 12 mm² of 3 plates, 11 h, 100 % of 2 more"
    assert textwrap.wrap(with_units_kept(said), 8) == [
        "230\xa0g in", "all,", "12\xa0mm²", "of 3", "plates,", "11\xa0h,", "100\xa0% of", "2 more",
    ]  # fmt: skip
    assert textwrap.wrap(with_units_kept("about 4 1/2 h"), 8) == ["about", "4\xa01/2\xa0h"]
