"""The ATA attribute table: both printed layouts, thresholds, and tables that cannot be true."""

from __future__ import annotations

import re

from drivecare.reading.draft import Said
from drivecare.reading.health import defect_ids
from drivecare.reading.model import Attribute, ThresholdState
from drivecare.reading.raw_values import main_number

_NUMBER = r"(0x[0-9a-f]{2}|\d{1,3}|-{1,3})"
_LONG = re.compile(
    rf"^\s*(0x[0-9a-f]{{2}}|\d{{1,3}})\s+(\S+?)\s*(0x[0-9a-f]{{4}})\s+{_NUMBER}\s+{_NUMBER}\s+{_NUMBER}"
    r"\s+(Pre-fail|Old_age)\s+(Always|Offline)\s+(-|FAILING_NOW|In_the_past)(?:\s+(.*))?$",
    re.I,
)
_BRIEF = re.compile(
    rf"^\s*(0x[0-9a-f]{{2}}|\d{{1,3}})\s+(\S+?)\s*([P-][O-][S-][R-][C-][K-]\+?)\s+{_NUMBER}\s+{_NUMBER}\s+{_NUMBER}"
    r"\s+(-|NOW|Past)(?:\s+(.*))?$",
    re.I,
)
_ALMOST = re.compile(r"^\s*(\d{1,3})\s+[A-Za-z][A-Za-z0-9]*[_-][\w/-]+\s+(0x[0-9a-f]{3,4}|[POSRCK-]{6})", re.I)
_COLUMN: dict[str, ThresholdState] = {"failing_now": "now", "now": "now", "in_the_past": "past", "past": "past"}

# The rows a drive's health rests on; a table without any of them says nothing either way.
_CORE = frozenset({5, 177, 187, 196, 197, 198, 202, 231, 233})


def _integer(text: str) -> int | None:
    if text.startswith("-"):
        return None
    return int(text, 16) if text.lower().startswith("0x") else int(text)


def _state(value: int | None, worst: int | None, threshold: int | None, column: str) -> ThresholdState | None:
    """Exceeded when value <= threshold (Fujitsu MPC3 manual p. 116); a threshold of 0 never fails, FEh is not valid
    (Maxtor D540X manual, table 6-12). The printed column counts only where a number is missing."""
    if value is None or worst is None or threshold is None:
        return _COLUMN.get(column.lower())
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
    columns = [_integer(cell) for cell in (value, worst, threshold)]
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
        raw=main_number(number, name, raw_text, packed_rates=packed_rates),
        state=_state(columns[0], columns[1], columns[2], failed),
    )
    return attribute, swapped


def read_table(lines: list[str], said: Said, *, packed_rates: bool) -> None:
    """Fill `said.attributes` from every row found, wherever it stands; note damaged, repeated and impossible rows."""
    rows: list[Attribute] = []
    for line in lines:
        parsed = parse_row(line, packed_rates=packed_rates)
        if parsed is None:
            if damaged := _ALMOST.match(line):
                said.miss("row-damaged", f"This row is damaged: {' '.join(line.split())[:60]}")
                if int(damaged[1]) in defect_ids():
                    said.miss("count-unread", f"Attribute {damaged[1]}, a defect count, did not come through.")
            continue
        attribute, swapped = parsed
        if attribute not in rows:
            rows.append(attribute)
        if swapped:
            said.miss("flags-swapped", "The attribute flags have their two bytes swapped.")
    last = next((line for line in reversed(lines) if line.strip()), "")
    said.ends_in_table = bool(rows) and re.match(r"\s*(0x[0-9a-f]{2}|\d{1,3})(\s+[A-Z][a-z]|\s*$)", last) is not None
    identifiers = [row.id for row in rows]
    for identifier in sorted({i for i in identifiers if identifiers.count(i) > 1}):
        said.miss("repeated-row", f"Attribute {identifier} stands in the table more than once, with different numbers.")
    said.attributes = tuple(rows)
    reason = junk(said.attributes)
    said.table_trusted = reason is None
    if reason:
        said.miss("table-junk", f"The attribute table cannot be true: {reason}.")
    elif _CORE & set(identifiers) or any(re.search("life|wear", row.name or "", re.I) for row in rows):
        said.health = True


def junk(rows: tuple[Attribute, ...]) -> str | None:
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
        return "every counter is zero, also hours and power cycles"
    return None
