"""Solid-state wear and amounts written, from attributes that every maker names and counts in its own way.

The meaning hangs on the name: the same number means something else on another maker's drive. Names are those that the
backend's drive database gives; where it knows no name, nothing is guessed.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

from drivecare.reading.model import Attribute


def _falling_value(row: Attribute) -> int | None:
    """Normalised value counts down from 100."""
    return 100 - row.value if row.value is not None and 0 <= row.value <= 100 else None


def _from_200(row: Attribute) -> int | None:
    """Normalised value counts down from 200 to 100."""
    return 200 - row.value if row.value is not None and 0 < row.value <= 200 else None


def _rising_value(row: Attribute) -> int | None:
    """Normalised value counts up in percent used."""
    return row.value if row.value is not None and 0 < row.value <= 100 else None


def _raw_used(row: Attribute) -> int | None:
    """Raw counts percent used; the value falls with it and stops at 0, where the raw may go on."""
    if row.raw is not None and row.raw <= 255 and row.value == max(0, 100 - row.raw):
        return row.raw
    return _falling_value(row)


def _raw_left(row: Attribute) -> int | None:
    """Raw counts percent left; some keep the value at 100 all the time, others let it fall along."""
    if row.raw is not None and 0 < row.raw <= 100:
        return 100 - row.raw
    return _falling_value(row)


def _value_or_raw_left(row: Attribute) -> int | None:
    """Value counts percent left; where it stands at 100 a raw of 1 to 99 tells more."""
    return _raw_left(row) if row.value == 100 else _falling_value(row)


class WearRule(NamedTuple):
    """How one kind of row tells percent used."""

    ids: tuple[int, ...]
    name: str
    family: str
    used: Callable[[Attribute], int | None]


# First match per row. From memory of makers' tables, checked against the reports in tests/outside where one was found.
WEAR_RULES: tuple[WearRule, ...] = (
    WearRule((173,), r"^wear_level", r"apple", _from_200),  # value 165 with 1068 of 3000 cycles in its raw words
    WearRule((230,), r"^media_wearout", r"sandisk|western|wdc|wd ", _rising_value),
    WearRule((202,), r"life", r"", _raw_used),
    WearRule((231,), r"life|remain", r"", _value_or_raw_left),
    WearRule((169, 209, 245, 248), r"(life|endurance).*(remain|left)|(remain|left).*(life|endurance)", r"", _raw_left),
    WearRule((233,), r"wearout", r"", _falling_value),
    WearRule((173, 177), r"wear_?level|^av(e|g|erage)[_-](block|erase)|wear_range", r"", _falling_value),
    WearRule((), r"(perc|life|endurance).*used|used.*(life|endurance)", r"", _raw_used),
    WearRule((), r"(life|endurance).*(remain|left)|(remain|left).*(life|endurance)|life_left", r"", _value_or_raw_left),
)


def percent_used(rows: tuple[Attribute, ...], family: str) -> int | None:
    """The most pessimistic wear the rows tell, in percent of the rated endurance; None where none tells it."""
    found: list[int] = []
    for row in rows:
        for rule in WEAR_RULES:
            if (not rule.ids or row.id in rule.ids) and re.search(rule.name, row.name or "", re.I):
                if rule.family and not re.search(rule.family, family, re.I):
                    continue
                used = rule.used(row)
                if used is not None:
                    found.append(used)
                break
    return max(found, default=None)


def values_say_nothing(rows: tuple[Attribute, ...]) -> bool:
    """Whether the normalised column is a dummy: every row the same, even the temperature's."""
    return any(row.id in (190, 194) for row in rows) and len({(row.value, row.worst) for row in rows}) == 1


def spare(rows: tuple[Attribute, ...]) -> tuple[int | None, int | None]:
    """(available spare percent, its threshold) from a reserved-space row."""
    for row in rows:
        reserved = row.id in (170, 232) and re.search(r"avail.*res|spare|reserv", row.name or "", re.I)
        if reserved and row.value is not None and row.value <= 100:
            return row.value, row.threshold or None
    return None, None


_UNITS: tuple[tuple[str, int], ...] = (
    (r"32mib", 32 << 20),
    (r"_mib|_mb\b", 1 << 20),
    (r"gib", 1 << 30),
    (r"_gb\b|_gb_", 10**9),
    (r"lba|sector", 0),  # logical sectors
)
_SMALLEST_PLAUSIBLE = 1 << 30  # a solid-state drive's "sectors" under a GiB are some other unit
_LARGEST_PLAUSIBLE = 10**18  # 40 years at the full speed of SATA are less


def amount(
    rows: tuple[Attribute, ...], direction: str, *, sector_bytes: int, ssd: bool
) -> tuple[int | None, str | None]:
    """(bytes the host wrote or read, doubt). `direction` is "writ" or "read"; the doubt is why one is left out."""
    doubt: str | None = None
    for row in rows:
        name = (row.name or "").lower()
        if direction not in name or re.search(r"nand|flash|tlc|slc|mlc|error|retry|rate", name):
            continue
        unit = next((size for pattern, size in _UNITS if re.search(pattern, name)), None)
        if unit is None or row.raw is None or row.id not in (174, 175, 198, 225, 241, 242, 246, 247):
            continue
        total = row.raw * (unit or sector_bytes)
        if total > _LARGEST_PLAUSIBLE or (ssd and unit == 0 and 0 < total < _SMALLEST_PLAUSIBLE):
            doubt = f"{row.name} {row.raw_text} would be {total:,} bytes, which cannot be meant."
            continue
        return total, None
    return None, doubt
