"""Judge every row of a table of drives in constant memory. What `drivecare assess-table` does."""

from __future__ import annotations

import codecs
import csv
import gzip
import io
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from itertools import islice
from pathlib import Path
from typing import IO, Final, Literal, cast

from drivecare.documents import Value
from drivecare.errors import BadInput, Unavailable
from drivecare.exit_codes import ExitCode
from drivecare.format import Excerpt
from drivecare.hardware.device_path import is_device
from drivecare.reading.statistics_row import COUNTER_COLUMNS, canonical_header
from drivecare.reading.typed_text import find_separator
from drivecare.risk.drive_table import ADDED_COLUMNS, TableJudge, judge_lines, read_lines, split_cells, with_commas
from drivecare.risk.evaluation import Evaluation, OutcomeCounter

_MOST_TITLE_LINES: Final = 10  # above the headings

# Takes a line of the table and the cells to add to it.
WriteRow = Callable[[str, str], None]


class TableSummary(Value, frozen=True, kw_only=True):
    """The document of `drivecare assess-table`: how many rows got which verdict, and where the judged table lies."""

    schema: Literal["drivecare/assess-table-1"] = "drivecare/assess-table-1"
    rows: int
    verdicts: dict[str, int]
    output: str | None = None
    left_out: int = 0  # lines that could not be judged
    not_understood: int = 0  # cells that say something, but no number

    @property
    def exit_code(self) -> ExitCode:
        """Whether every line could be judged, whatever the verdicts."""
        return ExitCode.ERROR if self.left_out else ExitCode.DONE


class TableFaults:
    """What is wrong with a table: all of it counted, the first and the last few kept."""

    def __init__(self) -> None:
        self.left_out = self.not_understood = 0
        self._excerpt = Excerpt[str]()

    def leave_out(self, line: int, reason: str) -> None:
        """Note a line that cannot be judged."""
        self.left_out += 1
        self._excerpt.add(f"line {line:,} is left out: {reason}")

    def doubt(self, line: int, reason: str) -> None:
        """Note a cell that cannot be understood."""
        self.not_understood += 1
        self._excerpt.add(f"line {line:,}: {reason}")

    def sentences(self, table: Path) -> Iterator[str]:
        """Yield one sentence for each fault kept."""
        return self._excerpt.lines(lambda fault: f"{table}: {fault}.", "faults")


def judge_table(
    source: IO[str],
    *,
    origin: str,
    faults: TableFaults,
    write: WriteRow | None = None,
    evaluate: bool = False,
    output: Path | None = None,
) -> tuple[TableSummary, Evaluation | None]:
    """Judge every row of the table named `origin`, count, and `write` each line with the cells to add, header first.

    With `evaluate` the estimates are measured against the column `failure`. Raises BadInput where it is not a table.
    """
    try:
        return _judge_rows(source, faults, write, evaluate, output)
    except csv.Error as error:
        raise BadInput(f"is not valid CSV: {error}", location=origin) from error
    except BadInput as error:
        raise error if error.location else BadInput(error.problem, location=origin, hint=error.hint) from error


def _judge_rows(
    source: IO[str],
    faults: TableFaults,
    write: WriteRow | None,
    evaluate: bool,
    output: Path | None,
) -> tuple[TableSummary, Evaluation | None]:
    lines = read_lines(source)
    first, head = _find_header(lines)
    separator = find_separator(head)
    head, lines = next(with_commas([head], separator)) or "", with_commas(lines, separator)
    header = _headings(head)
    if taken := [name for name in ADDED_COLUMNS if name in header]:
        raise BadInput(f"has a column {taken[0]} already", hint="Give the table as it was before it was judged.")
    judge = TableJudge(header)
    failure = _failure_column(header) if evaluate else None
    if write is not None:
        write(head, ",".join(ADDED_COLUMNS))
    verdicts: Counter[str] = Counter()
    tally = OutcomeCounter()
    for number, line, row, judgement in judge_lines(lines, judge, len(header), faults, first=first + 1):
        verdicts[judgement.verdict] += 1
        if write is not None:
            write(line, judgement.cells)
        if failure is not None:
            tally.add(judgement, failed=_outcome(row[failure], number, faults))
    summary = TableSummary(
        rows=verdicts.total(),
        verdicts=dict(verdicts.most_common()),
        output=str(output) if output else None,
        left_out=faults.left_out,
        not_understood=faults.not_understood,
    )
    return summary, tally.result() if failure is not None else None


def _find_header(lines: Iterator[str | None]) -> tuple[int, str]:
    """The line of headings and its number: the first that names a counter, since a title may stand above it.

    Where none does it is the first line of all; whoever judges by it says what it lacks.
    """
    top: list[str] = []
    for line in islice(lines, _MOST_TITLE_LINES + 1):
        top.append("\0" if line is None else line.rstrip("\r\n"))
        with suppress(csv.Error):
            if COUNTER_COLUMNS.keys() & set(_headings(next(with_commas(top[-1:], find_separator(top[-1]))) or "")):
                return len(top), top[-1]
    if not any(top):
        raise BadInput("is empty", hint="A header line and one line per drive are needed.")
    if not _in_letters(top[0]).replace("\t", " ").isprintable():
        raise BadInput("does not begin with a line of text", hint="A table begins with the names of its columns.")
    return 1, top[0]


def _headings(head: str) -> list[str]:
    return canonical_header(split_cells(_in_letters(head)))


def _in_letters(line: str) -> str:
    """A line whose bytes are not UTF-8, as some desktops mean it; the judged table gets its bytes unchanged."""
    if not any("\ud800" <= letter <= "\udfff" for letter in line):
        return line
    return line.encode("utf-8", "surrogateescape").decode("cp1252", "replace")


def _failure_column(header: list[str]) -> int:
    if "failure" not in header:
        raise BadInput("has no column failure", hint="--evaluate needs it: 1 where the drive failed, 0 where not.")
    return header.index("failure")


def _outcome(cell: str, number: int, faults: TableFaults) -> bool | None:
    """Whether the drive of a row failed; None where that is not known."""
    outcome = cell.strip()
    if outcome in ("0", "1", "0.0", "1.0"):
        return outcome[0] == "1"
    if outcome:
        faults.doubt(number, f"column failure holds {cell[:40]!r}, 0 or 1 is needed; taken as not known")
    return None


def as_text(stream: IO[bytes]) -> IO[str]:
    """A table as text: UTF-16 by its byte order mark, else UTF-8, with other bytes in its cells unchanged."""
    buffered = io.BufferedReader(cast(io.RawIOBase, stream))
    if buffered.peek(2)[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        return io.TextIOWrapper(buffered, "utf-16", errors="replace", newline="")
    return io.TextIOWrapper(buffered, "utf-8-sig", errors="surrogateescape", newline="")


@contextmanager
def open_table(table: Path) -> Iterator[IO[str]]:
    """The table as text, unpacked where it is compressed with gzip. Raises BadInput, Unavailable."""
    if is_device(table):  # one may give bytes without end
        raise BadInput("is a device, a table is needed", location=str(table), hint="For one drive: drivecare assess.")
    try:
        with table.open("rb") as start:
            packed = start.read(2) == b"\x1f\x8b"
        stream = cast(IO[bytes], gzip.open(table) if packed else table.open("rb"))  # noqa: SIM115  closed below
    except FileNotFoundError as error:
        raise BadInput("there is no such file", location=str(table), hint="Check the path.") from error
    except IsADirectoryError as error:
        raise BadInput("is a folder, not a file", location=str(table)) from error
    except OSError as error:
        raise Unavailable(f"cannot be read: {error.strerror}", location=str(table)) from error
    with stream:
        try:
            yield as_text(stream)
        except (EOFError, zlib.error, gzip.BadGzipFile) as error:
            raise BadInput("is a damaged gzip file", location=str(table), hint="Fetch it again.") from error
