"""Many drives at once: rows with the columns of open drive statistics, judged by the same engine as one drive.

A row becomes a reading and the reading is assessed. Rows of a day say the same few things, so two memories stand before
that: of the cells as they are written, and of the state they say, every number only as finely as a rule, a ladder or
the table of base rates looks at it. Memory does not grow with the rows.
"""

from __future__ import annotations

import csv
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from operator import itemgetter
from typing import IO, Any, Protocol

import msgspec

from drivecare.documents import MOST_ROW_LETTERS, Value
from drivecare.errors import BadInput
from drivecare.reading.counters import HOURS_PER_YEAR
from drivecare.reading.model import Reading
from drivecare.reading.statistics_row import COUNTER_COLUMNS, HOURS_COLUMN, StatisticsColumns, cell_fault, parse_hours
from drivecare.risk.assess import assess
from drivecare.risk.model import Verdict
from drivecare.risk.rules import load_rules
from drivecare.risk.survival import load_table

ADDED_COLUMNS = ("verdict", "estimate", "low", "high", "leading_signal")
MOST_REMEMBERED = 200_000  # states; the memory is emptied then, which costs time and nothing else


class Judgement(Value, frozen=True, kw_only=True):
    """What is added to a row, and the same as CSV cells. The fractions are None where no chance can be given."""

    verdict: Verdict
    estimate: float | None
    low: float | None
    high: float | None
    leading_signal: str | None
    cells: str
    not_understood: tuple[str, ...] = ()  # a sentence for each cell that says something, but no number


class TableJudge:
    """Judges the rows of one table. Raises BadInput where the header names no counter at all.

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
        self._steps = find_thresholds()
        # By cell: hours, which step they reach, and what is wrong with the cell.
        self._ages: dict[str, tuple[int | None, int | None, str | None]] = {}
        self._remembered: dict[tuple[object, ...], Judgement] = {}
        self._states: dict[tuple[object, ...], Judgement] = {}

    def judge(self, row: Sequence[str]) -> Judgement:
        """The judgement of a row; a cell that is not a number counts as one that could not be read."""
        cell = "" if self._columns.hours is None else row[self._columns.hours]
        hours, age, fault = self._ages.get(cell) or self._age(cell)
        key = (age, self._columns.kind(row), self._counters(row))
        known = self._remembered.get(key)
        if known is None:
            _bounded(self._remembered)
            known = self._remembered[key] = self._judge_anew(row, hours)
        return known if fault is None else _with_faults(known, (fault,))

    def _age(self, cell: str) -> tuple[int | None, int | None, str | None]:
        hours = parse_hours(cell)
        age = None if hours is None else bisect_right(self._steps["power_on_hours"], hours)
        _bounded(self._ages)
        self._ages[cell] = hours, age, cell_fault(HOURS_COLUMN, cell)
        return self._ages[cell]

    def _judge_anew(self, row: Sequence[str], hours: int | None) -> Judgement:
        """The judgement of cells not met before: most of them say a state that was met."""
        reading = self._columns.reading(row, hours)
        numbers = ((getattr(reading.values, field), limits) for field, limits in self._steps.items())
        unread = tuple(row.id for row in reading.attributes)
        state = (reading.drive.kind, unread, *(None if n is None else bisect_right(limits, n) for n, limits in numbers))
        known = self._states.get(state)
        if known is None:
            known = self._states[state] = self._assess(reading)
        faults = (cell_fault(name, row[place]) for name, place in self._columns.counters.items())
        return _with_faults(known, tuple(fault for fault in faults if fault))

    def _assess(self, reading: Reading) -> Judgement:
        found = assess(reading)
        chance = found.failure_12_months
        added = (found.verdict, chance.estimate, chance.low, chance.high, found.leading_signal)
        return Judgement(
            **dict(zip(ADDED_COLUMNS, added, strict=True)),  # type: ignore[arg-type]
            cells=",".join("" if cell is None else str(cell) for cell in added),
        )


def find_thresholds() -> dict[str, list[int]]:
    """By field, the numbers at which a rule, a ladder or a base rate changes; in between they make no difference."""
    found: dict[str, set[int]] = {field: set() for field, _ in COUNTER_COLUMNS.values()}
    found["power_on_hours"] = {row.from_years * HOURS_PER_YEAR for row in load_table().base_rates}
    for ladder in load_table().ladders:
        for field in ladder.values:
            found[field] |= {rung.start for rung in ladder.rungs}
    for field in found:
        for rule in load_rules().by_signal.get(field, ()):
            for level in rule.levels:
                ((_, limit),) = level.tests()
                found[field] |= set() if isinstance(limit, bool | str) else {int(limit), int(limit) + 1}
    return {field: sorted(numbers) for field, numbers in found.items()}


def _bounded(memory: dict[Any, Any]) -> None:
    """Forget all where one more would be too many."""
    if len(memory) >= MOST_REMEMBERED:
        memory.clear()


def _with_faults(judgement: Judgement, faults: tuple[str, ...]) -> Judgement:
    if not faults:
        return judgement
    return msgspec.structs.replace(judgement, not_understood=(*judgement.not_understood, *faults))


def split_cells(line: str) -> list[str]:
    """The cells of one line of CSV. Lines with a quotation mark take the slow way."""
    return next(csv.reader((line,), strict=True)) if '"' in line else line.split(",")


class FaultListener(Protocol):
    """Who is told what is wrong with a table, while its other rows are judged."""

    def leave_out(self, line: int, reason: str) -> None:
        """A line cannot be judged."""

    def doubt(self, line: int, reason: str) -> None:
        """A cell cannot be understood; its row is judged without it."""


def judge_lines(
    lines: Iterable[str | None], judge: TableJudge, width: int, faults: FaultListener
) -> Iterator[tuple[int, str, list[str], Judgement]]:
    """Each line's number, its text without its end, its cells as far as they matter, its judgement.

    The header is line 1. None stands for a line that is too long to be one.
    """
    for number, text in enumerate(lines, start=2):
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
            found = len(row)
        else:
            row = line.split(",", judge.last)
            found = len(row) + row[-1].count(",")
        if found != width:
            faults.leave_out(number, f"it has {found:,} cells, the header has {width:,}")
            continue
        judgement = judge.judge(row)
        for reason in judgement.not_understood:
            faults.doubt(number, reason)
        yield number, line, row, judgement


def read_lines(source: IO[str]) -> Iterator[str | None]:
    """The lines of a table; None for one of more than MOST_ROW_LETTERS, of which no more than that is ever held."""
    while line := source.readline(MOST_ROW_LETTERS):
        if len(line) == MOST_ROW_LETTERS and not line.endswith("\n"):
            while (line := source.readline(MOST_ROW_LETTERS)) and not line.endswith("\n"):
                pass
            yield None
        else:
            yield line
