"""Which row of an ATA attribute table fills which value, and up to which number it can be true.

The rows stand in `profiles/attributes.toml`. The decoder fills values by them; rules and tables of many drives speak of
the same rows.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache

from drivecare.documents import Strict, decode_shipped
from drivecare.reading.families import Trait, has_trait
from drivecare.reading.model import Attribute, Drive, Reading, Values

# The counters that grow with sectors that were lost.
DEFECT_COUNTS = ("reallocated", "reported_uncorrectable", "pending", "offline_uncorrectable")
HOURS_PER_YEAR = 8766
MOST_HOURS = 300_000  # 34 years: SMART itself is hardly older


class Counter(Strict, frozen=True, kw_only=True):
    """Rows that fill one field of `Values`: their numbers, a pattern of their names, the largest possible count.

    `noted`: whether an impossible count is a gap; where many makers pack the row, it is none. `trait`: of the families
    whose rows mean this.
    """

    value: str
    ids: tuple[int, ...]
    name: str
    unnamed: bool = True
    noted: bool = True
    trait: Trait | None = None
    limit: int

    def concerns(self, drive: Drive) -> bool:
        """Whether the rows mean this with the drive's maker."""
        return self.trait is None or has_trait(drive.maker_label, self.trait)

    def matches(self, row: Attribute) -> bool:
        """Whether the row is one of these, by its number and by its name, which may contradict the number."""
        if row.id not in self.ids:
            return False
        name = row.name or "unknown"
        unnamed = name.lower().startswith("unknown")
        return (self.unnamed and unnamed) or (bool(row.name) and re.search(self.name, name, re.I) is not None)


class Composed(Strict, frozen=True, kw_only=True):
    """A field of `Values` that takes more than a row's number to tell, and the rows by which people ask for it."""

    value: str
    ids: tuple[int, ...]


class AttributeRows(Strict, frozen=True, kw_only=True):
    """The meaning of attribute rows, as `profiles/attributes.toml` tells it."""

    counter: tuple[Counter, ...]
    composed: tuple[Composed, ...]

    @property
    def limits(self) -> dict[str, int]:
        """By value, the largest number that can be true."""
        return {counter.value: counter.limit for counter in self.counter}

    @property
    def unnoted(self) -> set[str]:
        """The values of which an impossible number is left out without a word."""
        return {counter.value for counter in self.counter if not counter.noted}

    @property
    def values_by_id(self) -> dict[int, str]:
        """By attribute number, the value that its row is about."""
        counted = {number: counter.value for counter in self.counter for number in counter.ids}
        return counted | {number: composed.value for composed in self.composed for number in composed.ids}


@lru_cache(maxsize=1)
def attribute_rows() -> AttributeRows:
    """The table that is shipped, read once."""
    return decode_shipped(AttributeRows, "attributes.toml")


def defect_ids() -> set[int]:
    """The attribute numbers that mean a defect counter, whatever the row's name."""
    return {
        number
        for counter in attribute_rows().counter
        if counter.value in DEFECT_COUNTS and counter.unnamed
        for number in counter.ids
    }


def unread_counts(reading: Reading) -> list[Attribute]:
    """Rows of defect counters that hold something that is not a possible number: unknown, and not zero."""
    return [
        row
        for counter in attribute_rows().counter
        if counter.value in DEFECT_COUNTS and getattr(reading.values, counter.value) is None
        for row in reading.attributes
        if counter.matches(row)
    ]


# Of one life, in the table and in the standard statistics, with how many times more the statistics may count before
# they contradict the table: they count logical sectors, up to eight to a physical one.
_COUNTED_TWICE = {"reallocated": 8, "reported_uncorrectable": 1}


def contradicting_counts(
    rows: Iterable[Attribute], values: Values, statistics: dict[str, int]
) -> dict[str, tuple[int, int]]:
    """The counts that a drive's statistics put higher than its table: (in the table, in the statistics)."""
    rows, contradicting = tuple(rows), {}
    for name, times in _COUNTED_TWICE.items():
        counters = [counter for counter in attribute_rows().counter if counter.value == name]
        raws = [row.raw for row in rows for counter in counters if row.raw is not None and counter.matches(row)]
        table = max(raws) if raws else getattr(values, name)
        statistic = statistics.get(name)
        if table is not None and statistic is not None and statistic > times * table:
            contradicting[name] = (table, statistic)
    return contradicting
