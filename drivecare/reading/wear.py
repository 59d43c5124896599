"""Solid-state wear and amounts written, from attributes that every maker names and counts in its own way.

Which row counts which way stands in `profiles/wear.toml`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache
from typing import Literal, NamedTuple

from drivecare.documents import Strict, decode_shipped
from drivecare.reading.families import Sureness
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
    """Raw counts percent left; some keep the value at 100 all the time, others let it fall along.

    A raw of 0 is the end where the value stands at 100; where the value moves, it may be something else.
    """
    if row.raw is not None and (0 < row.raw <= 100 or (row.raw == 0 and row.value in (None, 100))):
        return 100 - row.raw
    return _falling_value(row)


def _value_or_raw_left(row: Attribute) -> int | None:
    """Value counts percent left; where it stands at 100 a raw of 1 to 99 tells more."""
    return _raw_left(row) if row.value == 100 and row.raw else _falling_value(row)


# How a rule's `used` is read from a row.
_PERCENT_USED: dict[str, Callable[[Attribute], int | None]] = {
    "value-left": _falling_value,
    "value-from-200": _from_200,
    "value-used": _rising_value,
    "raw-used": _raw_used,
    "raw-left": _raw_left,
    "value-or-raw-left": _value_or_raw_left,
}


_NEEDS_VALUE = frozenset({"value-left", "value-from-200", "value-used"})
_TELLS_LIFE_LEFT = frozenset({"raw-left", "value-or-raw-left"})
_DISPUTED = 20  # percent points between two rows of one drive: our judgement, far beyond rounding and wear in between


class WearRule(Strict, frozen=True, kw_only=True):
    """How one kind of row tells percent used, how sure that is and by which source.

    `rated`: a pattern of the name of the row that holds the specified erase count, for `cycles`.
    """

    ids: tuple[int, ...] = ()
    name: str
    family: str = ""
    used: Literal["value-left", "value-from-200", "value-used", "raw-used", "raw-left", "value-or-raw-left", "cycles"]
    rated: str = ""
    sure: Sureness
    source: str

    def matches(self, row: Attribute, label: str) -> bool:
        """Whether a row is of this kind, by its number and name and by whose drive it is."""
        named = re.search(self.name, row.name or "", re.I) and re.search(self.family, label, re.I)
        return named is not None and (not self.ids or row.id in self.ids)


class _WearFile(Strict, frozen=True, kw_only=True):
    wear: tuple[WearRule, ...]


@lru_cache(maxsize=1)
def load_wear_rules() -> tuple[WearRule, ...]:
    """The rules that are shipped, read once."""
    return decode_shipped(_WearFile, "wear.toml").wear


def ids_of_wear() -> set[int]:
    """The attribute numbers under which some maker tells wear."""
    return {number for rule in load_wear_rules() for number in rule.ids}


class WearTold(NamedTuple):
    """Percent used by the worst row, and why it may not be so: rows that contradict each other, or say nothing."""

    percent_used: int | None = None
    doubt: str | None = None


def read_percent_used(rows: tuple[Attribute, ...], label: str) -> WearTold:
    """The most pessimistic wear the rows tell, in percent of the rated endurance; None where none tells it.

    A normalised column that the maker leaves empty (dummies, or 000/000/000 in rows of any kind) says nothing, nor does
    a row that is zero in every column.
    """
    dummy, empty = has_dummy_values(rows), [row for row in rows if (row.value, row.worst, row.threshold) == (0, 0, 0)]
    told: dict[int, int] = {}
    doubt: str | None = None
    for row in rows:
        rule = next((rule for rule in load_wear_rules() if rule.matches(row, label)), None)
        if rule is None:
            continue
        raw_tells = rule.used == "raw-used" and row.raw and row.raw >= 100
        if row in empty and (len(empty) > 1 or not row.raw) and not raw_tells:
            if rule.used in _TELLS_LIFE_LEFT or len(empty) == 1:
                doubt = f"Row {row.id} reads 000 in every column: nothing is left, or it is not counted."
            if rule.used != "cycles":
                continue
        if (percent := _percent_used(row, rule, rows, dummy=dummy)) is not None:
            told[row.id] = percent
        elif dummy and rule.used == "raw-used" and row.raw is not None and row.raw <= 100:
            doubt = f"Row {row.id} reads {row.raw}: that many percent of the rated endurance are used, or are left."
    if told and (worst := max(told.values())) - (best := min(told.values())) > _DISPUTED:
        doubt = f"One row says that {worst} % of the rated endurance is used, another {best} %."
    elif told and worst > 100 - _DISPUTED:
        doubt = None  # a row that may mean "nothing left" does not contradict one that says so
    return WearTold(max(told.values(), default=None), doubt)


def _percent_used(row: Attribute, rule: WearRule, rows: tuple[Attribute, ...], *, dummy: bool) -> int | None:
    """Percent used by one row; in a column of dummies by its raw value alone."""
    if rule.used == "cycles":
        rated = next((other.raw for other in rows if re.search(rule.rated, other.name or "", re.I)), None)
        return None if not rated or row.raw is None else min(255, 100 * row.raw // rated)
    if dummy and rule.used == "raw-used":
        named = re.search("used", row.name or "", re.I)
        return row.raw if row.raw is not None and (0 if named else 101) <= row.raw <= 255 else None
    if dummy and (rule.used in _NEEDS_VALUE or row.raw is None or row.raw > 100):
        return None
    return _PERCENT_USED[rule.used](row)


def has_dummy_values(rows: tuple[Attribute, ...]) -> bool:
    """Whether the normalised column is a dummy: every row the same, even the temperature's."""
    return any(row.id in (190, 194) for row in rows) and len({(row.value, row.worst) for row in rows}) == 1


def read_spare(rows: tuple[Attribute, ...]) -> tuple[int | None, int | None]:
    """(available spare percent, its threshold) from a reserved-space row."""
    for row in rows:
        reserved = row.id in (170, 232) and re.search(r"avail.*res|spare|reserv", row.name or "", re.I)
        if reserved and row.value is not None and row.value <= 100:
            return row.value, row.threshold or None
    return None, None


_WRITTEN_UNITS: tuple[tuple[str, int], ...] = (
    (r"32mib", 32 << 20),
    (r"_mib|_mb\b", 1 << 20),
    (r"gib", 1 << 30),
    (r"_gb\b|_gb_", 10**9),
    (r"lba|sector", 0),  # logical sectors
)
_SMALLEST_PLAUSIBLE = 1 << 30  # a solid-state drive's "sectors" under a GiB are some other unit
LARGEST_PLAUSIBLE = 10**18  # 40 years at the full speed of SATA are less


def read_host_bytes(
    rows: tuple[Attribute, ...], direction: str, *, sector_bytes: int, ssd: bool
) -> tuple[int | None, str | None]:
    """(bytes the host wrote or read, doubt). `direction` is "writ" or "read"; the doubt is why one is left out."""
    doubt: str | None = None
    for row in rows:
        name = (row.name or "").lower()
        if direction not in name or re.search(r"nand|flash|tlc|slc|mlc|error|retry|rate", name):
            continue
        unit = next((size for pattern, size in _WRITTEN_UNITS if re.search(pattern, name)), None)
        if unit is None or row.raw is None or row.id not in (174, 175, 198, 225, 241, 242, 246, 247):
            continue
        total = row.raw * (unit or sector_bytes)
        if total > LARGEST_PLAUSIBLE or (ssd and unit == 0 and 0 < total < _SMALLEST_PLAUSIBLE):
            doubt = f"{row.name} {row.raw_text} would be {total:,} bytes, which cannot be right."
            continue
        return total, None
    return None, doubt
