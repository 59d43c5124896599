"""A row with the columns of open drive statistics (model, smart_5_raw, ...) as a reading of an ATA drive."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence

from drivecare.reading import raw_values
from drivecare.reading.counters import MOST_HOURS, attribute_rows
from drivecare.reading.model import Attribute, Drive, Kind, Reading, Values
from drivecare.reading.typed_text import MODEL_HEADINGS, match_headings

# Column -> (field of Values, how its raw number is read); a later column fills a field that an earlier one left open.
COUNTER_COLUMNS: dict[str, tuple[str, Callable[[str], int | None]]] = {
    "smart_5_raw": ("reallocated", raw_values.parse_error_count),
    "smart_10_raw": ("spin_retries", raw_values.parse_error_count),
    "smart_184_raw": ("end_to_end_errors", raw_values.parse_error_count),
    "smart_187_raw": ("reported_uncorrectable", raw_values.parse_error_count),
    "smart_188_raw": ("command_timeouts", raw_values.parse_command_timeouts),
    "smart_194_raw": ("temperature_celsius", raw_values.parse_celsius),
    "smart_190_raw": ("temperature_celsius", raw_values.parse_celsius),
    "smart_196_raw": ("reallocation_events", raw_values.parse_error_count),
    "smart_197_raw": ("pending", raw_values.parse_error_count),
    "smart_198_raw": ("offline_uncorrectable", raw_values.parse_error_count),
    "smart_199_raw": ("crc_errors", raw_values.parse_error_count),
}
HOURS_COLUMN = "smart_9_raw"
# Columns that matter, each with what else people and programs write above it (in the spelling of `spell_heading`).
HEADINGS: dict[str, tuple[str, ...]] = {
    "model": MODEL_HEADINGS,
    "failure": ("failed",),
    "smart_5_raw": ("reallocated", "reallocated_sectors", "reallocated_sector_count", "reallocated_sector_ct"),
    "smart_9_raw": ("power_on_hours", "hours", "poh"),
    "smart_10_raw": ("spin_retries", "spin_retry_count"),
    "smart_187_raw": ("reported_uncorrectable", "reported_uncorrect", "reported_uncorrectable_errors"),
    "smart_188_raw": ("command_timeouts", "command_timeout"),
    "smart_194_raw": ("temperature", "temperature_celsius"),
    "smart_197_raw": ("pending", "pending_sectors", "current_pending_sector", "current_pending_sectors"),
    "smart_198_raw": ("offline_uncorrectable",),
    "smart_199_raw": ("crc_errors", "udma_crc_error_count"),
}
SPINNING = ("smart_3_raw", "smart_10_raw")  # spin-up time, spin retries: only a drive that spins counts them
WEARING = ("smart_173_raw", "smart_177_raw", "smart_230_raw", "smart_231_raw", "smart_232_raw", "smart_233_raw")
_MOST_RAW = (1 << 48) - 1  # a raw value has six bytes
# How people and other programs write an empty cell.
_EMPTY = frozenset({"", "-", "?", "n/a", "na", "nan", "null", "none", "unknown"})


def canonical_header(headings: Iterable[str]) -> list[str]:
    """The headings of a table as open drive statistics spell them: "SMART 5 raw" and "Pending" have names there."""
    return match_headings(headings, HEADINGS)


class StatisticsColumns:
    """The places of the columns in one table, by its header; `counters` may be empty.

    `last`: cells from this place on do not matter, and need not be split.
    """

    def __init__(self, header: Sequence[str]) -> None:
        self.counters = {name: header.index(name) for name in COUNTER_COLUMNS if name in header}
        self.model = header.index("model") if "model" in header else None
        self.hours = header.index(HOURS_COLUMN) if HOURS_COLUMN in header else None
        self.spinning = tuple(header.index(name) for name in SPINNING if name in header)
        self.wearing = tuple(header.index(name) for name in WEARING if name in header)
        matter = [*self.counters.values(), *self.spinning, self.model or 0, self.hours or 0]
        self.last = 1 + max(*matter, header.index("failure") if "failure" in header else 0)
        self._limits = attribute_rows().limits | {"temperature_celsius": 120}

    def model_name(self, row: Sequence[str]) -> str | None:
        """The model that the row names."""
        return None if self.model is None else row[self.model].strip() or None

    def kind(self, row: Sequence[str]) -> Kind:
        """Solid state by name, or where wear is counted and nothing that spins; else a hard drive."""
        if self.model is not None and "SSD" in row[self.model].upper():
            return "ssd"
        for place in self.spinning:
            if row[place] and not is_empty(row[place]):
                return "hdd"
        whole = [*row[:-1], *row[-1].split(",")]  # the last cell may hold all that needed no splitting
        return "ssd" if any(not is_empty(whole[place]) for place in self.wearing) else "hdd"

    def reading(self, row: Sequence[str], hours: int | None) -> Reading:
        """The row as a reading of an ATA drive; an empty cell is a counter the drive did not tell."""
        values: dict[str, int | None] = {"power_on_hours": hours}
        unread: list[Attribute] = []
        for name, place in self.counters.items():
            field, read = COUNTER_COLUMNS[name]
            if row[place] and values.get(field) is None:
                values[field] = _cell_number(row[place], read, self._limits[field])
                if values[field] is None and not is_empty(row[place]):
                    unread.append(Attribute(id=int(name.split("_")[1]), raw_text=row[place].strip()[:40]))
        return Reading(
            drive=Drive(model=self.model_name(row), kind=self.kind(row), protocol="ata"),
            values=Values(**values),  # type: ignore[arg-type]
            attributes=tuple(unread),
        )


def parse_hours(cell: str) -> int | None:
    """Power-on hours in a cell; None where it says nothing or nothing possible."""
    return _cell_number(cell, int, MOST_HOURS)


def cell_fault(column: str, cell: str) -> str | None:
    """What is wrong with a cell of counters: that it says something, but no whole number."""
    plain = cell.strip()
    if (plain.isascii() and plain.isdigit()) or is_empty(plain) or _whole_digits(plain):
        return None
    return f"column {column} holds {cell[:40]!r}, a whole number or an empty cell is needed; taken as unreadable"


def is_empty(cell: str) -> bool:
    """Whether a cell says nothing, however an empty one is written."""
    return cell.strip().lower() in _EMPTY


def _cell_number(text: str, read: Callable[[str], int | None], limit: int) -> int | None:
    """A cell as a number; None where it says nothing, no number, or more than can be, as in a report of the drive.

    Tables that went through other programs write 12 as 12.0, and 4295032833 as 4.295032833e9.
    """
    plain = text.strip()
    if not (plain.isascii() and plain.isdigit()):
        if is_empty(plain):
            return None
        plain = _whole_digits(plain)
        if not plain:
            return None
    number = read(plain) if len(plain) <= 15 and int(plain) <= _MOST_RAW else None
    return number if number is not None and number <= limit else None


def _whole_digits(text: str) -> str:
    """The digits of a whole number that is written as a fraction, such as 12.0 or 12,0; empty where it is none."""
    text = re.sub(r",(?=0{1,2}$)", ".", text)  # three digits behind a comma may be thousands
    try:
        number = float(text)
    except ValueError:
        return ""
    return str(int(number)) if number >= 0 and number.is_integer() else ""
