"""The ATA attribute table: both printed layouts, thresholds, and tables that cannot be true."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from drivecare.reading.families import has_trait
from drivecare.reading.gaps import GapNotes
from drivecare.reading.model import Attribute, Drive, ThresholdState
from drivecare.reading.raw_values import parse_main_number
from drivecare.reading.report_text import Report

_CELL = r"(0x[0-9a-f]{2}|\d{1,3}|-{1,3})"
_LONG = re.compile(
    rf"^\s*(0x[0-9a-f]{{2}}|\d{{1,3}})\s+(\S+?)\s*(0x[0-9a-f]{{4}})\s+{_CELL}\s+{_CELL}\s+{_CELL}"
    r"\s+(Pre-fail|Old_age)\s+(Always|Offline)\s+(-|FAILING_NOW|In_the_past)(?:\s+(.*))?$",
    re.I,
)
_BRIEF = re.compile(
    rf"^\s*(0x[0-9a-f]{{2}}|\d{{1,3}})\s+(\S+?)\s*([P-][O-][S-][R-][C-][K-]\+?)\s+{_CELL}\s+{_CELL}\s+{_CELL}"
    r"\s+(-|NOW|Past)(?:\s+(.*))?$",
    re.I,
)
# Also with blanks where the name had underscores.
_ALMOST = re.compile(r"^\s*(\d{1,3})\s+[A-Za-z][A-Za-z0-9]*[_ -][\w/ -]*\s(0x[0-9a-f]{3,4}|[POSRCK-]{6})", re.I)
_PACKED_RATES = frozenset({1, 7, 195})  # read errors, seek errors, corrected errors
_PRINTED_STATES: dict[str, ThresholdState] = {
    "failing_now": "now",
    "now": "now",
    "in_the_past": "past",
    "past": "past",
}


def _column_number(text: str) -> int | None:
    if text.startswith("-"):
        return None
    return int(text, 16) if text.lower().startswith("0x") else int(text)


def _threshold_state(value: int | None, worst: int | None, threshold: int | None, column: str) -> ThresholdState | None:
    """Exceeded when value <= threshold (Fujitsu MPC3 manual p. 116); a threshold of 0 never fails, FEh is not valid
    (Maxtor D540X manual, table 6-12). The printed column counts only where a number is missing."""
    if value is None or worst is None or threshold is None:
        return _PRINTED_STATES.get(column.lower())
    if threshold in (0, 0xFE):
        return None
    if value <= threshold:
        return "now"
    return "past" if worst <= threshold else None


def parse_row(line: str, *, packed_rates: bool = False) -> tuple[Attribute, bool] | None:
    """A table row as an attribute, and whether its flags had their bytes swapped; None where the line is no row."""
    swapped = False
    if match := _LONG.match(line):
        identifier, name, flags, value, worst, threshold, kind, _, failed, raw = match.groups()
        bits = int(flags, 16)
        swapped = bits & 0xFF == 0 and bits != 0
        prefail = bool(bits >> 8 & 1) if swapped else kind.lower() == "pre-fail"
    elif match := _BRIEF.match(line):
        identifier, name, flags, value, worst, threshold, failed, raw = match.groups()
        prefail = flags[0].upper() == "P"
    else:
        return None
    number = int(identifier, 16) if identifier.lower().startswith("0x") else int(identifier)
    columns = [_column_number(cell) for cell in (value, worst, threshold)]
    if not 1 <= number <= 255 or any(cell is not None and cell > 255 for cell in columns):
        return None
    raw_text = (raw or "").strip()
    attribute = Attribute(
        id=number,
        name=name,
        prefail=prefail,
        value=columns[0],
        worst=columns[1],
        threshold=columns[2],
        raw_text=raw_text,
        raw=parse_main_number(number, name, raw_text, packed_rates=packed_rates),
        state=_threshold_state(columns[0], columns[1], columns[2], failed),
        packed=packed_rates and number in _PACKED_RATES,
    )
    return attribute, swapped


_BEGINNING = re.compile(
    r"\s*(?:0x[0-9a-f]{2}|\d{1,3})\s+[A-Za-z][\w/-]*\s*(?:0x[0-9a-f]{4}|[P-][O-][S-][R-][C-][K-])", re.I
)


def begins_row(line: str) -> bool:
    """Whether a line is a row of the table, or the beginning of one."""
    return _BEGINNING.match(line) is not None


def is_whole_row(line: str) -> bool:
    """Whether a line is a row of the table up to its raw value, with every bracket closed."""
    parsed = parse_row(line)
    return parsed is not None and bool(parsed[0].raw_text) and line.count("(") == line.count(")")


@dataclass(frozen=True, kw_only=True)
class AttributeTable:
    """The rows of a table. `untrue`: why it cannot be a drive's. `damaged`: the numbers of rows that cannot be read.

    `ends_report`: nothing follows its last row, so further rows may have been cut off.
    """

    rows: tuple[Attribute, ...] = ()
    untrue: str | None = None
    damaged: tuple[int, ...] = ()
    ends_report: bool = False


def read_attribute_table(report: Report, drive: Drive, gaps: GapNotes) -> AttributeTable:
    """Read every row, wherever it stands; note damaged, repeated and impossible ones."""
    packed_rates = has_trait(drive.maker_label, "packed-rates")
    rows: list[Attribute] = []
    damaged_ids: list[int] = []
    for line in report.lines:
        parsed = parse_row(line, packed_rates=packed_rates)
        if parsed is None:
            if damaged := _ALMOST.match(line):
                gaps.note("row-damaged", f"This row is damaged: {' '.join(line.split())[:60]}.")
                damaged_ids.append(int(damaged[1]))
            continue
        attribute, swapped = parsed
        if attribute not in rows:
            rows.append(attribute)
        if swapped:
            gaps.note("flags-swapped", "The attribute flags have their two bytes swapped.")
    identifiers = [row.id for row in rows]
    for identifier in sorted({i for i in identifiers if identifiers.count(i) > 1}):
        gaps.note("repeated-row", f"Attribute {identifier} appears more than once, with different numbers.")
    untrue = _why_untrue(rows)
    if len(damaged_ids) > len(rows) or (len(rows) >= 3 and not any(row.raw_text for row in rows)):
        untrue = "its rows are broken"
        gaps.note("table-broken", "The rows of the attribute table are broken: they do not show their raw values.")
    elif untrue:
        gaps.note("table-junk", f"The attribute table cannot be true: {untrue}.")
    last = next((line for line in reversed(report.lines) if line), "")
    return AttributeTable(
        rows=tuple(rows), untrue=untrue, damaged=tuple(damaged_ids), ends_report=parse_row(last) is not None
    )


def _why_untrue(rows: Sequence[Attribute]) -> str | None:
    """Why this table cannot be a drive's, or None. A bridge that invents one repeats itself or leaves it hollow."""
    if len(rows) < 3:
        return None
    distinct = {row.id for row in rows}
    if len(distinct) > 30:
        return "it has more than the 30 attributes that fit a drive's table"  # 30 entries of 12 bytes: Fujitsu MHW2
    if len(rows) > 2 * len(distinct):
        return "it repeats the same attributes over and over"
    raws = {row.raw_text for row in rows}
    if len(raws) == 1 and len(rows) >= 8:  # fewer may be what is left of a cut report
        return f"every raw value is {raws.pop() or 'empty'}"
    columns = {(row.value, row.worst) for row in rows}
    if columns <= {(0, 0), (255, 255), (None, None)} and len(columns) == 1:
        return "its values are all empty"
    counters = [row.raw for row in rows if row.id in (4, 9, 12) and row.raw is not None]
    if counters and not any(counters) and not any(row.raw for row in rows if row.id not in (190, 194, 231)):
        return "every counter is zero, even hours and power cycles"
    return None
