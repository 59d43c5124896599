"""Numbers as people write them on labels and in spreadsheets, and back.

A labelled size ("500 GB") and a counted one (500,107,862,016 bytes, 976,773,168 sectors) are different facts: the label
promises no sector count, so it is kept apart.
"""

from __future__ import annotations

import re
from typing import Final

from drivecare.documents import Value
from drivecare.reading.locale_numbers import parse_number

SECTOR_BYTES: Final = 512
_QUANTITY: Final = re.compile(r"([0-9][0-9.,\s'’_]*)([^0-9.,\s'’_]*)")
_LABEL_UNITS: Final = {"gb": 1, "go": 1, "g": 1, "tb": 1000, "to": 1000, "t": 1000}
_EXACT_UNITS: Final = {"": 1, "b": 1, "byte": 1, "bytes": 1, "sector": SECTOR_BYTES, "sectors": SECTOR_BYTES,
                       "lba": SECTOR_BYTES, "lbas": SECTOR_BYTES}  # fmt: skip
_BINARY_UNITS: Final = {"mib": 1 << 20, "gib": 1 << 30, "tib": 1 << 40}
# Thousands are separated in one way; decimals are one or two digits behind another sign, or a dash for none.
_PRICE: Final = re.compile(r"(\d{1,3}(?P<sign>[.,'’ ])\d{3}(?:(?P=sign)\d{3})*|\d+)(?:[.,](\d{1,2}|-{1,2}))?")
_LEAST_WHOLE_GIB: Final = 7451  # SFF-8447: drives above 8,000 GB hold whole GiB; any smaller GiB figure is rounded
_LEAST_COUNTED: Final = 10**6  # a bare number below this cannot be a byte count of a drive: a unit was forgotten


class DriveSize(Value, frozen=True, kw_only=True):
    """A drive's size: counted in bytes, or as on its label in GB of 10^9 bytes; one of the two is set."""

    counted_bytes: int | None = None
    labelled_gb: int | None = None


def parse_quantity(text: str, units: dict[str, float]) -> float:
    """Parse a number with one of `units` (lower case, "" where it may be left out) and apply the unit's factor."""
    number, unit = _split_quantity(text)
    if unit not in units:
        names = ", ".join(name for name in units if name)
        raise ValueError(f"{text!r} has no unit of these: {names}" if not unit else f"{unit!r} is none of: {names}")
    return parse_number(number) * units[unit]


def _split_quantity(text: str) -> tuple[str, str]:
    match = _QUANTITY.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text!r} is not a number with a unit")
    return match[1].strip(), match[2].lower()


def parse_size(text: str) -> DriveSize:
    """Parse "500 GB", "1TB", "500107862016", "976,773,168 sectors". Raises ValueError with the reason.

    >>> parse_size("1,5 TB").labelled_gb
    1500
    """
    units: dict[str, float] = {**dict.fromkeys(_LABEL_UNITS, 1.0), **_EXACT_UNITS, **_BINARY_UNITS}
    parse_quantity(text, units)
    digits, unit = _split_quantity(text)
    if unit in ("gb", "go") and re.fullmatch(r"[1-9]\d?[.,]\d{3}", digits):
        digits = digits.replace(",", "").replace(".", "")  # 1,000 GB: no label has thousandths of a GB
    number = parse_number(digits)
    if unit in _BINARY_UNITS:
        gibibytes = number * _BINARY_UNITS[unit] / _BINARY_UNITS["gib"]
        if gibibytes != int(gibibytes) or gibibytes < _LEAST_WHOLE_GIB:
            raise ValueError(f"{text!r} is rounded, sectors cannot be counted from it; give the label's GB, or bytes")
    if unit in _LABEL_UNITS:
        gigabytes = number * _LABEL_UNITS[unit]
        if not gigabytes or gigabytes != int(gigabytes):
            raise ValueError(f"{text!r} is not a size that drives are sold in; give bytes or sectors")
        return DriveSize(labelled_gb=int(gigabytes))
    counted = int(number * (_EXACT_UNITS | _BINARY_UNITS)[unit])
    if counted < _LEAST_COUNTED:
        raise ValueError(f"{text!r} is too small for a drive; say GB, TB, bytes or sectors")
    return DriveSize(counted_bytes=counted)


def parse_amount(text: str) -> int:
    """Parse an amount of data into bytes, where GB simply means 10^9 of them: used space, rated terabytes."""
    units = {"gb": 1e9, "go": 1e9, "tb": 1e12, "to": 1e12, "mb": 1e6, "": 1.0, "b": 1.0, "bytes": 1.0, **_BINARY_UNITS}
    return round(parse_quantity(text, units))


def parse_price(text: str) -> float:
    """Parse a price in any currency: "39.00", "1.234,50 EUR", "$1,234.50", "39,-". Raises ValueError.

    "1.234" is refused: it is a thousand in one country and little more than one in another.
    """
    match = re.fullmatch(r"[^\d,.-]*(\d[\d.,'’ ]*?(?:[.,]-{1,2})?)[^\d]*", text.strip())
    price = None if match is None else _PRICE.fullmatch(match[1].strip())
    if price is None:
        raise ValueError(f"{text!r} is not a price")
    whole, sign, decimals = price[1], price["sign"], (price[3] or "0").strip("-")
    if sign in (".", ",") and price[3] is None and whole.count(sign) == 1:
        digits = whole.replace(sign, "")
        raise ValueError(
            f"{text!r} may be {digits} or {whole.replace(sign, '.')}; write one of them without separators"
        )
    return parse_number(f"{re.sub(r'[^0-9]', '', whole)}.{decimals or 0}")
