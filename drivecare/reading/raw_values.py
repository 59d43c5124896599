"""Raw attribute values: makers pack several numbers into six bytes, and reports print them in many ways.

Every function returns None where the text defies decoding; nothing is guessed. Worked values and their sources are in
tests/outside/test_raw_values.py.
"""

from __future__ import annotations

import re

from drivecare.reading.locale_numbers import leading_decimal

_LEADING = re.compile(r"(\d+)(?![\d/])(?:\s*\(.*|\s*)$")
# Not the full stop: a raw value of 38.5 is a temperature.
_RAW_IN_GROUPS = re.compile(r"\d{1,3}(?:[,'\u2019\u00a0\u202f]\d{3})+$")
_GROUPED_BY_STOPS = re.compile(r"\d{1,3}(?:\.\d{3})+$")
_WORDS = re.compile(r"\d{1,5}(?: +\d{1,5}){2}$")
_HEX = re.compile(r"0x([0-9a-f]{1,16})\b", re.I)
_CLOCK = re.compile(r"(\d+)\s*h(?:\+(\d+)\s*m)?(?:\+([\d.,]+)\s*s)?", re.I)

_ERROR_COUNTS = frozenset({5, 184, 187, 196, 197, 198, 199})
_TEMPERATURES = frozenset({190, 194})


def parse_raw(text: str) -> int | None:
    """The 48-bit number a raw column shows, or its first part: `0 (2000, 0)` is 0, `5 6 6` its three words."""
    text = text.strip()
    if match := _HEX.match(text):
        return int(match[1], 16)
    if _WORDS.match(text):
        high, middle, low = (int(word) for word in text.split())
        return None if max(high, middle, low) > 0xFFFF else high << 32 | middle << 16 | low
    if _RAW_IN_GROUPS.match(text):
        return int(re.sub(r"\D", "", text))
    match = _LEADING.match(text)
    return int(match[1]) if match else None


def parse_error_count(text: str) -> int | None:
    """Counts of bad events: the low 32 bits; some makers keep other things above them. None is a fraction: `2.544`."""
    raw = int(text.strip().replace(".", "")) if _GROUPED_BY_STOPS.match(text.strip()) else parse_raw(text)
    return None if raw is None else raw & 0xFFFFFFFF


def parse_command_timeouts(text: str) -> int | None:
    """Attribute 188: up to three 16-bit words, the lowest (printed last) is the total, the others are the slow ones."""
    raw = parse_raw(text)
    return None if raw is None else raw & 0xFFFF


def parse_celsius(text: str) -> int | None:
    """Attributes 190 and 194: the lowest byte; lowest and highest temperatures are packed above it.

    `33 (Min/Max 17/49)`, `31 (0 22 0 0 0)`, `38.5` or one big number.
    """
    raw = parse_raw(text)
    if raw is None:
        degrees = leading_decimal(text)
        return None if degrees is None else round(degrees)
    low = raw & 0xFF
    return low - 256 if low >= 0xD8 else low  # a signed byte: down to -40


def unpack_rate(raw: int) -> tuple[int, int]:
    """(errors, operations) of a seek or read error rate where the maker packs both: 16 bits over 32 bits."""
    return raw >> 32, raw & 0xFFFFFFFF


def parse_power_on_hours(text: str, name: str | None = None) -> int | None:
    """Attribute 9 in whole hours; the name tells minutes, half-minutes and seconds from hours."""
    if match := _CLOCK.match(text.strip()):
        return int(match[1])
    raw = parse_raw(text)
    if raw is None:
        return None
    lower = (name or "").lower()
    if "half" in lower and "min" in lower:
        return raw // 120
    if "min" in lower:
        return raw // 60
    if "sec" in lower and "msec" not in lower:
        return raw // 3600
    return raw


def parse_head_flying_hours(text: str) -> int | None:
    """Attribute 240: hours in the low 32 bits, or printed as h+m+s."""
    if match := _CLOCK.match(text.strip()):
        return int(match[1])
    raw = parse_raw(text)
    return None if raw is None else raw & 0xFFFFFFFF


def parse_main_number(identifier: int, name: str | None, text: str, *, packed_rates: bool = False) -> int | None:
    """The one number of a row that a technician means: a count, hours, degrees Celsius.

    `packed_rates`: the maker packs errors above operations in attributes 1 and 7; the number is then the errors.
    """
    lower = (name or "").lower()
    if identifier == 9 or "power_on" in lower:
        return parse_power_on_hours(text, name)
    if identifier in _TEMPERATURES or lower.startswith("temperature"):
        return parse_celsius(text)
    if identifier == 188:
        return parse_command_timeouts(text)
    if identifier == 240 and "fly" in lower:
        return parse_head_flying_hours(text)
    if identifier in _ERROR_COUNTS:
        return parse_error_count(text)
    raw = parse_raw(text)
    if raw is not None and identifier in (1, 7) and packed_rates:
        return unpack_rate(raw)[0]
    return raw
