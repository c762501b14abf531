# SPDX-License-Identifier: GPL-3.0-or-later
"""Lengths as people write them, and millimetres.

The inch is 25.4 mm exactly (international yard and pound agreement, 1959; NIST SP 811, appendix B).
"""

from __future__ import annotations

import math
import re
import reprlib
from fractions import Fraction

MM_PER_INCH = 25.4
INCH_MM = 0.004
"""A length this close to a fraction of an inch stands for it; 50 mm is not 1 31/32 in."""
NOISE_MM = 1e-5
"""About what single precision leaves of a length of some 100 mm, which mesh files have."""
SUITS = 0.06
"""A length may differ by this share from the one that it stands for where inches are wanted."""
NO_BREAK = "\N{NO-BREAK SPACE}"
MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH}

_MOST_LETTERS = 100
"""More in a length is a mistake, and could be a number that is too large for a float."""

_BEFORE_UNIT = re.compile(r"(?<=\d) (?=\d+/\d|(mm|mm²|in²|cm²|cm³|in³|m|g|kg|ml|h|min|s|°C)\b|%)")
_LENGTH = re.compile(
    r"""^\s*(?P<sign>[+-]?)\s*
    (?:(?P<whole>\d+)[\s-]+(?P<top>\d+)\s*/\s*(?P<bottom>\d+)
      |(?P<top_only>\d+)\s*/\s*(?P<bottom_only>\d+)
      |(?P<decimal>\d+(?:\.\d*)?|\.\d+))
    \s*(?P<unit>mm|cm|m|in|inch|inches|")?\s*$""",
    re.VERBOSE,
)


def parse_length(value: float | int | str) -> float:
    """A length in millimetres from a number (already millimetres) or from text.

    Text is a decimal, of millimetres where it has no unit, or a fraction with a unit: ``"1 in"``, ``"1 1/2 in"``,
    ``"0.5in"``, ``"8 mm"``.
    Raises ``ValueError`` that names the text and what was expected.
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ValueError(f"{value!r} is not a length; write millimetres such as 8, or text such as '1/8 in'")
    if not isinstance(value, str):
        if not abs(value) < 1e300:
            raise ValueError(f"{value!r} is not a length; it has to be a finite number of millimetres")
        return float(value)
    match = _LENGTH.match(value) if len(value) <= _MOST_LETTERS else None
    if not match:
        shown = reprlib.repr(value)
        raise ValueError(f"{shown} is not a length; write millimetres such as 8, or text such as '1/8 in' or '8 mm'")
    try:
        if match["decimal"]:
            number = Fraction(match["decimal"])
        else:
            number = Fraction(int(match["top"] or match["top_only"]), int(match["bottom"] or match["bottom_only"]))
            number += int(match["whole"] or 0)
    except ZeroDivisionError:
        raise ValueError(f"{value!r} divides by zero; write a fraction such as '1/8 in'") from None
    if not match["unit"] and not match["decimal"]:
        raise ValueError(f"{value!r} has no unit; write '{value.strip()} in', or millimetres as a decimal number")
    unit = match["unit"] or "mm"
    scale = {"mm": Fraction(1), "cm": Fraction(10), "m": Fraction(1000)}.get(unit, Fraction(254, 10))
    return float(-number * scale if match["sign"] == "-" else number * scale)


def say_mm(mm: float) -> str:
    """Millimetres as a fabricator writes them: at most two decimals, no trailing zeros (``"25.4 mm"``)."""
    return f"{bare_mm(mm)} mm"


def bare_mm(mm: float) -> str:
    """The number that ``say_mm`` says, where the unit stands beside it or once for several (``"25.4"``)."""
    # Halves go up, as on paper: 3.175 is 3.18, whatever its binary form, in a file of single precision too.
    text = f"{mm + math.copysign(NOISE_MM, mm):.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def say_inches(mm: float, smallest: int = 64) -> str | None:
    """The length as a whole or fraction of an inch (``"1 1/2 in"``), or None if it is neither."""
    parts = round(mm / MM_PER_INCH * smallest)
    if parts <= 0 or abs(parts * MM_PER_INCH / smallest - mm) > INCH_MM:
        return None
    whole, rest = divmod(Fraction(parts, smallest), 1)
    return " ".join(str(part) for part in (whole, rest) if part) + " in"


def round_in_inches(mm: float) -> float:
    """The plainest length in inches beside this one, in mm: a fraction that is not off by more than ``SUITS``, else one
    digit of a decimal."""
    inches = abs(mm) / MM_PER_INCH
    for parts in (1, 2, 4, 8, 16, 32, 64):
        fraction = round(inches * parts) / parts
        if abs(fraction - inches) <= SUITS * inches:
            return math.copysign(fraction * MM_PER_INCH, mm)
    return float(f"{mm / MM_PER_INCH:.1g}") * MM_PER_INCH


def inches_beside(mm: float) -> str | None:
    """The fraction of an inch that a length stands for: of 1/32 and 1/64 only where it is no tenth of a millimetre, as
    25 mm is not 63/64 in."""
    metric = abs(mm - round(mm, 1)) < INCH_MM
    return say_inches(mm, 16 if metric else 64)


def say_on_rule(mm: float) -> str:
    """A length to measure with a rule in inches, to its 64th: ``"16 1/64 in (406.91 mm)"``."""
    parts = round(abs(mm) / MM_PER_INCH * 64)
    return f"{say_inches(parts * MM_PER_INCH / 64) or '0 in'} ({say_mm(mm)})"


def say_both(mm: float) -> str:
    """``"25.4 mm (1 in)"`` where the length stands for a fraction of an inch, else ``"25 mm"``."""
    inches = inches_beside(mm)
    return f"{say_mm(mm)} ({inches})" if inches else say_mm(mm)


def say_three(number: float) -> str:
    """A number to three digits that count, never with an exponent: ``"1930"``, ``"0.0123"``."""
    return f"{float(f'{number:.3g}') + 0.0:.12f}".rstrip("0").rstrip(".")


def with_units_kept(text: str) -> str:
    """Text whose numbers stay on one line with their fractions and units, wherever it is wrapped; but not with "in",
    which most often is no unit."""
    return _BEFORE_UNIT.sub(NO_BREAK, text)
