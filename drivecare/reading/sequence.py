"""Which of two readings of one drive came later."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cmp_to_key

from drivecare.clock import parse_timestamp
from drivecare.reading.model import Reading


def is_later(reading: Reading, other: Reading) -> bool | None:
    """Whether it came after the other: by their times, else by the drive's hours; None where nothing tells.

    Times of an unknown zone tell only against others of that zone. A time against none tells nothing: the hours of a
    drive may have been set back in between.
    """
    now, then = parse_timestamp(reading.read_at), parse_timestamp(other.read_at)
    if now and then and now != then:
        return now > then
    if (now is None) != (then is None):
        return None
    clock, before = (str(entry.zoneless_time).partition(" ") for entry in (reading, other))
    if clock != before and clock[2] == before[2] and reading.zoneless_time and other.zoneless_time:
        return clock > before
    hours, earlier_hours = reading.values.power_on_hours, other.values.power_on_hours
    if hours is None or earlier_hours is None or hours == earlier_hours:
        return None
    return hours > earlier_hours


def in_order(readings: Iterable[Reading]) -> tuple[Reading, ...]:
    """Readings of one drive, oldest first; where nothing tells, as they stand."""

    def order(reading: Reading, other: Reading) -> int:
        later = is_later(reading, other)
        return 0 if later is None else 1 if later else -1

    return tuple(sorted(readings, key=cmp_to_key(order)))
