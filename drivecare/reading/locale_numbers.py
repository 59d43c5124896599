"""Numbers as people's locales write them. Three readers, for what a lone separator means depends on where it stands.

| text       | `leading_count`, a field | `leading_decimal`, a field  | `parse_number`, typed by a person |
|            | of whole numbers         | that may hold a fraction    |                                   |
|------------|--------------------------|-----------------------------|-----------------------------------|
| 9,340      | 9340                     | 9.34                        | 9.34                              |
| 1,234,567  | 1234567                  | 1234567                     | 1234567                           |
| 38.280,029 | None                     | 38280.029                   | refused                           |
| 12 GB      | 12                       | 12.0                        | refused                           |
"""

from __future__ import annotations

import re
from typing import Final

# What a thousands separator becomes on its way here: the sign itself, a space, a replacement character, or the two or
# three letters that a UTF-8 space turns into when it is read as Latin-1.
_SEPARATOR: Final = r"(?:[,.'’_ \u00a0\u202f\u2009\ufffd]|\u00e2\u20ac.|\u00e2\u0080.|\u00c2\u00a0|\u00c2 |\x92)"
# Groups of three; a last group of three after groups of two is how India writes.
_COUNT: Final = re.compile(rf"(\d{{1,3}}(?:{_SEPARATOR}{{1,3}}\d{{2,3}})*{_SEPARATOR}{{1,3}}\d{{3}}|\d+)(?![.,]?\d)")
# A sign that is repeated cannot be the decimal sign.
_THOUSANDS: Final = re.compile(rf"\d{{1,3}}({_SEPARATOR})\d{{3}}(?:\1\d{{3}})+(?![.,]?\d)")
_DECIMAL: Final = re.compile(rf"(\d{{1,3}}(?:{_SEPARATOR}\d{{3}})+(?=[.,]\d)|\d+)(?:[.,](\d+))?")
_PLAIN: Final = re.compile(r"\d+(?:[.,]\d+)?")
_MOST: Final = 10**15  # a million drives' bytes; what is more does not go into a document


def leading_count(text: str) -> int | None:
    """The whole number `text` begins with, thousands separated in any way; None where it begins with none.

    Only for fields that cannot hold a fraction: "9,340" is nine thousand here.
    """
    match = _COUNT.match(text.strip())
    return int(_digits(match[1])) if match else None


def leading_decimal(text: str) -> float | None:
    """The number `text` begins with, with a decimal point or comma: 38280.029, 38280,029, 38.280,029.

    One separator alone is a decimal sign: "38.280" is thirty-eight and a bit.
    """
    text = text.strip()
    sign, text = (-1, text[1:]) if text.startswith("-") else (1, text)
    if thousands := _THOUSANDS.match(text):
        return float(sign * int(_digits(thousands[0])))
    match = _DECIMAL.match(text)
    return sign * float(_digits(match[1]) + "." + (match[2] or "0")) if match else None


def parse_number(text: str) -> float:
    """A number that a person typed, and nothing else beside it: "9,5" is 9.5. Raises ValueError."""
    plain = text.strip()
    if not _THOUSANDS.fullmatch(plain) and not _PLAIN.fullmatch(plain):
        raise ValueError(f"{text!r} is not a number")
    number = leading_decimal(plain) or 0.0
    if number > _MOST:
        raise ValueError(f"{text!r} is more than anything about a drive")
    return number


def _digits(text: str) -> str:
    return re.sub(r"\D", "", text)


def within(number: int | None, low: int, high: int) -> int | None:
    """`number` if it lies in low..high, else None: the range checks of this room."""
    return number if number is not None and low <= number <= high else None
