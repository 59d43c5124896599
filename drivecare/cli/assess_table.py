"""`drivecare assess-table`: judge every row of a table of drives."""

from __future__ import annotations

import csv
import gzip
import io
import zlib
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Literal

import click

from drivecare.cli.common import PATH, finish, json_option
from drivecare.cli.overwriting import may_replace, overwrite_option
from drivecare.cli.spreadsheet import line_as_text
from drivecare.cli.terminal import TableStream, notify, standard_input, table_stream
from drivecare.documents import Value
from drivecare.errors import BadInput, Unavailable
from drivecare.exit_codes import ExitCode
from drivecare.format import Excerpt

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.risk.evaluation import Evaluation

STDIN = Path("-")


class TableSummary(Value, frozen=True, kw_only=True):
    """The document of `drivecare assess-table`: how many rows got which verdict, and where the judged table lies."""

    schema: Literal["drivecare/assess-table-1"] = "drivecare/assess-table-1"
    rows: int
    verdicts: dict[str, int]
    output: str | None = None
    left_out: int = 0  # lines that could not be judged
    not_understood: int = 0  # cells that say something, but no number


@click.command(epilog="\b\nExample: drivecare assess-table 2016-09-30.csv --output judged.csv")
@click.argument("table", metavar="CSV", type=PATH)
@click.option("--output", type=PATH, help="Write the judged table here.")
@overwrite_option
@click.option("--evaluate", is_flag=True, help="Tell how well the estimates fit the column `failure` (0 or 1).")
@json_option
def assess_table(
    table: Path, output: Path | None, overwritable: tuple[str, ...], evaluate: bool, as_json: bool
) -> None:
    """Judge many drives at once: each row of a CSV file with raw counters (smart_5_raw, smart_187_raw, ...).

    Adds the columns verdict, estimate, low, high, leading_signal: the chance of failing within 12 months as fractions.
    An empty cell or a missing column is a counter that was not said, a cell that is no number one that could not be
    read. What is wrong with the table is told at the end, and the rest is judged all the same. Without --output,
    --evaluate and --json the judged table goes to stdout. A file of any size is read row by row, gzip-compressed or
    not; - is stdin, a file of that name is ./-.

    A cell that a spreadsheet would run as a formula (it begins with = + - @) gets an apostrophe in front; numbers such
    as -1 stay as they are. Without that apostrophe it is the cell that came in.

    Exit code: 0 when every row was judged, whatever the verdicts; 3 when the table or some lines of it could not be.
    """
    faults = _Faults()
    with _opened(table) as source:
        try:
            if output is not None:
                with _written(output, table, overwritable) as target:
                    summary, measured = _judge(source, target, evaluate, output, faults)
            else:
                quiet = evaluate or as_json
                summary, measured = _judge(source, None if quiet else table_stream(), evaluate, None, faults)
        except csv.Error as error:
            raise BadInput(f"is not valid CSV: {error}", location=str(table)) from error
        except BadInput as error:
            raise error if error.location else BadInput(error.problem, location=str(table), hint=error.hint) from error
    faults.tell(table)
    code = ExitCode.ERROR if faults.left_out else ExitCode.DONE
    if measured is not None:
        evaluation = measured
        finish(evaluation, show=lambda out: _show_evaluation(out, evaluation), as_json=as_json, exit_code=code)
    if as_json or output is not None:
        finish(summary, show=lambda out: _show_summary(out, summary), as_json=as_json, exit_code=code)
    raise click.exceptions.Exit(code)


class _Faults:
    """What is wrong with a table: all of it counted, the first and the last few kept."""

    def __init__(self) -> None:
        self.left_out = self.not_understood = 0
        self._kept = Excerpt[str]()

    def leave_out(self, line: int, reason: str) -> None:
        """A line cannot be judged."""
        self.left_out += 1
        self._kept.add(f"line {line:,} is left out: {reason}")

    def doubt(self, line: int, reason: str) -> None:
        """A cell cannot be understood."""
        self.not_understood += 1
        self._kept.add(f"line {line:,}: {reason}")

    def tell(self, table: Path) -> None:
        """Say it on stderr, each in one line."""
        for sentence in self._kept.lines(lambda fault: f"{table}: {fault}.", "faults"):
            notify(sentence)


def _judge(
    source: IO[str], target: TableStream | None, evaluate: bool, output: Path | None, faults: _Faults
) -> tuple[TableSummary, Evaluation | None]:
    """Judge every row, write it where there is a target, count."""
    from drivecare.risk.drive_table import ADDED_COLUMNS, TableJudge, judge_lines, read_lines, split_cells
    from drivecare.risk.evaluation import OutcomeCounter

    lines = read_lines(source)
    head = next(lines, "")
    if head is None or any("\ud800" <= letter <= "\udfff" for letter in head):  # bytes that are no UTF-8
        raise BadInput("does not begin with a line of UTF-8 text", hint="A table begins with the names of its columns.")
    head = head.rstrip("\r\n")
    header = [name.strip() for name in split_cells(head)]
    if not head:
        raise BadInput("is empty", hint="A header line and one line per drive are needed.")
    if taken := [name for name in ADDED_COLUMNS if name in header]:
        raise BadInput(f"has a column {taken[0]} already", hint="Give the table as it was before it was judged.")
    judge = TableJudge(header)
    failure = _failure_column(header) if evaluate else None
    if target is not None:
        target.write(f"{line_as_text(head)},{','.join(ADDED_COLUMNS)}\n")
    verdicts: Counter[str] = Counter()
    tally = OutcomeCounter()
    for number, line, row, judgement in judge_lines(lines, judge, len(header), faults):
        verdicts[judgement.verdict] += 1
        if target is not None:
            target.write(f"{line_as_text(line)},{judgement.cells}\n")
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


def _failure_column(header: list[str]) -> int:
    if "failure" not in header:
        raise BadInput("has no column failure", hint="--evaluate needs it: 1 where the drive failed, 0 where not.")
    return header.index("failure")


def _outcome(cell: str, number: int, faults: _Faults) -> bool | None:
    """Whether the drive of a row failed; None where that is not known."""
    outcome = cell.strip()
    if outcome in ("0", "1", "0.0", "1.0"):
        return outcome[0] == "1"
    if outcome:
        faults.doubt(number, f"column failure holds {cell[:40]!r}, 0 or 1 is needed; taken as not known")
    return None


@contextmanager
def _opened(table: Path) -> Iterator[IO[str]]:
    """The table as text, or stdin."""
    if table == STDIN:
        yield standard_input()
        return
    from drivecare.hardware.device_path import is_device

    if is_device(table):  # one may give bytes without end
        raise BadInput("is a device, a table is needed", location=str(table), hint="For one drive: drivecare assess.")
    try:
        with table.open("rb") as start:
            packed = start.read(2) == b"\x1f\x8b"
        opened = gzip.open if packed else open
        stream = opened(table, "rt", encoding="utf-8-sig", errors="surrogateescape", newline="")
    except FileNotFoundError as error:
        raise BadInput("there is no such file", location=str(table), hint="Check the path.") from error
    except IsADirectoryError as error:
        raise BadInput("is a directory, a file is needed", location=str(table)) from error
    except OSError as error:
        raise Unavailable(f"cannot be read: {error.strerror}", location=str(table)) from error
    with stream:
        try:
            yield stream
        except (EOFError, zlib.error, gzip.BadGzipFile) as error:
            raise BadInput("is a damaged gzip file", location=str(table), hint="Fetch it again.") from error


@contextmanager
def _written(output: Path, table: Path, overwritable: tuple[str, ...]) -> Iterator[IO[str]]:
    """The judged table under another name until it is whole; a malformed table leaves nothing behind."""
    if output.exists() and table.exists() and output.samefile(table):
        raise BadInput("is the table itself", location=str(output), hint="Name another file.")
    from drivecare.storage import new_file

    with new_file(output, replace=may_replace(output, overwritable)) as stream:
        text = io.TextIOWrapper(stream, encoding="utf-8", errors="surrogateescape", newline="")
        yield text
        text.detach()  # which writes what was held back


def _show_summary(out: Screen, summary: TableSummary) -> None:
    counted = ", ".join(f"{verdict} {number:,}" for verdict, number in summary.verdicts.items())
    out.print(f"{summary.rows:,} rows judged: {counted or 'none'}", soft_wrap=True)
    if summary.output:
        out.print(f"written to {summary.output}", soft_wrap=True)


def _show_evaluation(out: Screen, evaluation: Evaluation) -> None:
    left_out = f", {evaluation.unscored:,} without an estimate left out" if evaluation.unscored else ""
    left_out += f", {evaluation.unmarked:,} without an outcome left out" if evaluation.unmarked else ""
    out.print(f"{evaluation.rows:,} rows, {evaluation.failed:,} marked as failed{left_out}", soft_wrap=True)
    if evaluation.auc is None:
        out.print("Failed and other rows are both needed to tell how well the estimates part them.", soft_wrap=True)
    else:
        out.print(f"AUC {evaluation.auc:.4f}")
        out.print(f"caught at 1 % false alarms  {evaluation.caught_at_1_percent:6.1%}")
        out.print(f"caught at 5 % false alarms  {evaluation.caught_at_5_percent:6.1%}")
    out.print_lines(("", "    rows   failed   observed   printed   (low to high)"))
    for band in evaluation.bands:
        out.print(
            f"{band.rows:8,} {band.failed:8,}   {band.observed:8.1%}  {band.estimate:8.1%}   "
            f"({band.low:.1%} to {band.high:.1%})"
        )
    out.print("Observed fits printed only where `failure` means: failed within the 12 months after this row.")
