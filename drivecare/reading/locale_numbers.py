"""Numbers as people's locales print them: 4,000,787,030,016 · 256.060.514.304 · 2’000’398’934’016 · 38280,029."""

from __future__ import annotations

import re

# What a thousands separator becomes on its way here: the sign itself, a space, a replacement character, or the two or
# three letters that a UTF-8 space turns into when it is read as Latin-1.
_SEPARATOR = r"(?:[,.'’ \u00a0\u202f\u2009\ufffd]|\u00e2\u20ac.|\u00e2\u0080.|\u00c2\u00a0|\u00c2 |\x92)"
# Groups of three; a last group of three after groups of two is how India writes.
_COUNT = re.compile(rf"(\d{{1,3}}(?:{_SEPARATOR}{{1,3}}\d{{2,3}})*{_SEPARATOR}{{1,3}}\d{{3}}|\d+)(?![.,]?\d)")
_DECIMAL = re.compile(rf"(-?\d{{1,3}}(?:{_SEPARATOR}\d{{3}})+(?=[.,]\d)|-?\d+)(?:[.,](\d+))?")


def leading_count(text: str) -> int | None:
    """The whole number `text` begins with, thousands separated in any way; None where it begins with none.

    Only for fields that cannot hold a fraction: "9,340" is nine thousand here.
    """
    match = _COUNT.match(text.strip())
    return int(re.sub(r"\D", "", match[1])) if match else None


def leading_decimal(text: str) -> float | None:
    """The number `text` begins with, with a decimal point or comma: 38280.029, 38280,029, 38.280,029.

    Thousands are told from a fraction only where both stand: "38.280" is thirty-eight and a bit.
    """
    match = _DECIMAL.match(text.strip())
    return float(re.sub(r"[^\d-]", "", match[1]) + "." + (match[2] or "0")) if match else None


def within(number: int | None, low: int, high: int) -> int | None:
    """`number` if it lies in low..high, else None: the range checks of this room."""
    return number if number is not None and low <= number <= high else None
