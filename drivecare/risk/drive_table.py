"""Many drives at once: rows with the columns of open drive statistics, judged by the same engine as one drive.

A row becomes a reading, and the reading is assessed. The rows of one day repeat themselves, so three memories stand
before that, each of which misses far less often than the one before it:

    cell of hours                   -> hours, and the step of age that they reach
    step of age, model, kind, cells -> judgement: the same counters as they are written
    state                           -> judgement: every number only as finely as a rule, ladder or step of age needs it

What is remembered is bounded, so memory does not grow with the rows.
"""

from __future__ import annotations

import csv
import io
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from operator import itemgetter
from typing import IO, Any, Protocol, TypeVar

import msgspec

from drivecare.documents import MOST_ROW_LETTERS, Value
from drivecare.errors import BadInput
from drivecare.reading.counters import HOURS_PER_YEAR
from drivecare.reading.model import Reading
from drivecare.reading.statistics_row import COUNTER_COLUMNS, HOURS_COLUMN, StatisticsColumns, cell_fault, parse_hours
from drivecare.risk.assess import assess
from drivecare.risk.model import Verdict
from drivecare.risk.rules import load_rules
from drivecare.risk.survival import find_base_rate, load_table

ADDED_COLUMNS = ("verdict", "estimate", "low", "high", "leading_signal")
MOST_REMEMBERED = 200_000  # entries of a memory; it is emptied then, which costs time and nothing else

Entry = TypeVar("Entry")


class Judgement(Value, frozen=True, kw_only=True):
    """What is added to a row, and the same as CSV cells. The fractions are None where no chance can be given."""

    verdict: Verdict
    estimate: float | None
    low: float | None
    high: float | None
    leading_signal: str | None
    cells: str
    faults: tuple[str, ...] = ()  # a sentence for each cell that says something, but not a number


class TableJudge:
    """Judge the rows of one table. Raises BadInput where the header names no counter at all.

    `last`: cells from this place on do not matter, and need not be split.
    """

    def __init__(self, header: Sequence[str]) -> None:
        self._columns = StatisticsColumns(header)
        if not self._columns.counters:
            raise BadInput(
                "has no column of raw counters",
                hint="The header needs names such as smart_5_raw, smart_187_raw, smart_197_raw.",
            )
        self._counters = itemgetter(*self._columns.counters.values())
        self.last = self._columns.last
        self._thresholds = find_thresholds()
        self._ages: dict[str, tuple[int | None, int | None, str | None]] = {}  # with what is wrong with the cell
        self._by_cells: dict[tuple[object, ...], Judgement] = {}
        self._by_state: dict[tuple[object, ...], Judgement] = {}

    def judge(self, row: Sequence[str]) -> Judgement:
        """Judge a row; a cell that is not a number counts as one that could not be read."""
        cell = "" if self._columns.hours is None else row[self._columns.hours]
        hours, age, fault = self._ages.get(cell) or self._read_age(cell)
        key = (age, self._columns.model_name(row), self._columns.kind(row), self._counters(row))
        judgement = self._by_cells.get(key)
        if judgement is None:
            judgement = _remember(self._by_cells, key, self._judge_cells(row, hours))
        return judgement if fault is None else _add_faults(judgement, (fault,))

    def _read_age(self, cell: str) -> tuple[int | None, int | None, str | None]:
        hours = parse_hours(cell)
        age = None if hours is None else bisect_right(self._thresholds["power_on_hours"], hours)
        return _remember(self._ages, cell, (hours, age, cell_fault(HOURS_COLUMN, cell)))

    def _judge_cells(self, row: Sequence[str], hours: int | None) -> Judgement:
        """Judge cells that are new; most of them amount to a state that is not."""
        reading = self._columns.reading(row, hours)
        numbers = ((getattr(reading.values, field), limits) for field, limits in self._thresholds.items())
        unread = tuple(row.id for row in reading.attributes)
        maker = find_base_rate(load_table(), reading.drive).maker
        state = (
            maker,
            reading.drive.kind,
            unread,
            *(None if n is None else bisect_right(limits, n) for n, limits in numbers),
        )
        judgement = self._by_state.get(state) or _remember(self._by_state, state, _judge(reading))
        faults = (cell_fault(name, row[place]) for name, place in self._columns.counters.items())
        return _add_faults(judgement, tuple(fault for fault in faults if fault))


def _judge(reading: Reading) -> Judgement:
    assessment = assess(reading)
    chance = assessment.failure_12_months
    added = (assessment.verdict, chance.estimate, chance.low, chance.high, assessment.leading_signal)
    return Judgement(
        **dict(zip(ADDED_COLUMNS, added, strict=True)),  # type: ignore[arg-type]
        cells=",".join("" if cell is None else str(cell) for cell in added),
    )


def find_thresholds() -> dict[str, list[int]]:
    """Find, by field, the numbers at which a rule, a ladder or an age step changes; in between they are all alike."""
    thresholds: dict[str, set[int]] = {field: set() for field, _ in COUNTER_COLUMNS.values()}
    thresholds["power_on_hours"] = {step.from_years * HOURS_PER_YEAR for step in load_table().ages}
    for ladder in load_table().ladders:
        for field in ladder.values:
            thresholds[field] |= {rung.start for rung in ladder.rungs}
    for field, numbers in thresholds.items():
        for rule in load_rules().by_signal.get(field, ()):
            for level in rule.levels:
                _, limit = level.test
                numbers |= set() if isinstance(limit, bool | str) else {int(limit), int(limit) + 1}
    return {field: sorted(numbers) for field, numbers in thresholds.items()}


def _remember(memory: dict[Any, Entry], key: object, entry: Entry) -> Entry:
    if len(memory) >= MOST_REMEMBERED:
        memory.clear()
    memory[key] = entry
    return entry


def _add_faults(judgement: Judgement, faults: tuple[str, ...]) -> Judgement:
    return msgspec.structs.replace(judgement, faults=(*judgement.faults, *faults)) if faults else judgement


def split_cells(line: str) -> list[str]:
    """Split one line of CSV into cells; only lines with a quotation mark take the slow way."""
    return next(csv.reader((line,), strict=True)) if '"' in line else line.split(",")


class FaultListener(Protocol):
    """Is told what is wrong with a table, while its other rows are judged."""

    def leave_out(self, line: int, reason: str) -> None:
        """A line cannot be judged."""

    def doubt(self, line: int, reason: str) -> None:
        """A cell cannot be understood; its row is judged without it."""


def with_commas(lines: Iterable[str | None], separator: str) -> Iterator[str | None]:
    """Put commas between the cells of every line; one that is not valid CSV is left as it is, to be named."""
    if separator == ",":
        return iter(lines)
    return (None if line is None else _with_commas(line, separator) for line in lines)


def _with_commas(line: str, separator: str) -> str:
    try:
        row = next(csv.reader((line.rstrip("\r\n"),), delimiter=separator, strict=True), [])
    except csv.Error:
        return line
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(row)
    return out.getvalue()


def judge_lines(
    lines: Iterable[str | None], judge: TableJudge, width: int, faults: FaultListener, *, first: int = 2
) -> Iterator[tuple[int, str, list[str], Judgement]]:
    """Yield each line's number, its text without its end, its cells as far as they matter, and its judgement.

    `first`: the number of the first of them. None stands for a line that is too long to be one.
    """
    for number, text in enumerate(lines, start=first):
        if text is None:
            faults.leave_out(number, f"it has more than {MOST_ROW_LETTERS:,} letters")
            continue
        line = text.rstrip("\r\n")
        if not line:
            continue
        if '"' in line:
            try:
                row = split_cells(line)
            except csv.Error as error:
                faults.leave_out(number, f"it is not valid CSV: {error}")
                continue
            count = len(row)
        else:
            row = line.split(",", judge.last)
            count = len(row) + row[-1].count(",")
        if count != width:
            faults.leave_out(number, f"it has {count:,} cells, the header has {width:,}")
            continue
        judgement = judge.judge(row)
        for reason in judgement.faults:
            faults.doubt(number, reason)
        yield number, line, row, judgement


def read_lines(source: IO[str]) -> Iterator[str | None]:
    """Yield the lines of a table; None for one of more than MOST_ROW_LETTERS, which is never held whole."""
    while line := source.readline(MOST_ROW_LETTERS):
        if len(line) == MOST_ROW_LETTERS and not line.endswith("\n"):
            while (line := source.readline(MOST_ROW_LETTERS)) and not line.endswith("\n"):
                pass
            yield None
        else:
            yield line
