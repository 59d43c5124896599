"""`drivecare assess-table`: judge every row of a table of drives."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import PATH, finish, json_option
from drivecare.cli.overwriting import may_replace, overwrite_option
from drivecare.cli.spreadsheet import line_as_text
from drivecare.cli.terminal import TableStream, notify, standard_input, table_stream
from drivecare.errors import BadInput
from drivecare.exit_codes import ExitCode

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.risk.evaluation import Evaluation
    from drivecare.work.assess_table import TableSummary, WriteRow

STDIN = Path("-")


@click.command(
    cls=HouseCommand,
    ends={
        ExitCode.DONE: "every row was judged, whatever the verdicts",
        ExitCode.ERROR: "the table, or some of its lines, could not be judged",
    },
    examples=["drivecare assess-table 2016-09-30.csv --output judged.csv"],
)
@click.argument("table", metavar="CSV", type=PATH)
@click.option("--output", metavar="FILE", type=PATH, help="Write the judged table to this file.")
@overwrite_option
@click.option("--evaluate", is_flag=True, help="Measure how well the estimates fit the column `failure` (0 or 1).")
@json_option
def assess_table(
    table: Path, output: Path | None, overwritable: tuple[str, ...], evaluate: bool, as_json: bool
) -> None:
    """Judge many drives at once: each row of a CSV file with raw counters (smart_5_raw, smart_187_raw, ...).

    Adds the columns verdict, estimate, low, high, leading_signal: the chance of failing within 12 months as fractions.
    Cells are separated by commas, semicolons or tabs; capitals and headings that people write (Pending, Power On Hours)
    are understood, and lines above them are left out; what is written has commas. An empty cell or a missing column is
    a counter that the drive did not report; a cell that is not a number is one that could not be read. Faults in the
    table are listed at the end, and everything else is still judged. Without --output, --evaluate and --json the judged
    table goes to stdout. A file of any size is read row by row, gzip-compressed or not; - is stdin, a file of that name
    is ./-.

    A cell that a spreadsheet would run as a formula (it begins with = + - @) gets an apostrophe in front; numbers such
    as -1 do not. Remove the apostrophe to get the original cell.
    """
    from drivecare.work.assess_table import TableFaults, as_text, judge_table, open_table

    faults = TableFaults()
    opened = nullcontext(as_text(standard_input())) if table == STDIN else open_table(table)
    destination = _destination(output, table, overwritable, quiet=evaluate or as_json)
    with opened as source, destination as write:
        summary, measured = judge_table(
            source, origin=str(table), faults=faults, write=write, evaluate=evaluate, output=output
        )
    for sentence in faults.sentences(table):
        notify(sentence)
    code = summary.exit_code
    if measured is not None:
        evaluation = measured
        finish(evaluation, show=lambda out: _show_evaluation(out, evaluation), as_json=as_json, exit_code=code)
    if as_json or output is not None:
        finish(summary, show=lambda out: _show_summary(out, summary), as_json=as_json, exit_code=code)
    raise click.exceptions.Exit(code)


@contextmanager
def _destination(
    output: Path | None, table: Path, overwritable: tuple[str, ...], *, quiet: bool
) -> Iterator[WriteRow | None]:
    """What writes the judged rows: to stdout, nowhere where that is `quiet`, or to a file.

    The file has another name until the table is whole; a malformed table leaves nothing behind.
    """
    if output is None:
        yield None if quiet else _row_writer(table_stream())
        return
    if output.exists() and table.exists() and output.samefile(table):
        raise BadInput("is the table itself", location=str(output), hint="Name another file.")
    from drivecare.storage import new_file

    with new_file(output, replace=may_replace(output, overwritable)) as stream:
        text = io.TextIOWrapper(stream, encoding="utf-8", errors="surrogateescape", newline="")
        yield _row_writer(text)
        text.detach()  # which writes what was held back


def _row_writer(stream: TableStream) -> WriteRow:
    """Make the function that writes a line, safe for a spreadsheet, and the cells to add."""

    def write(line: str, added: str) -> None:
        stream.write(f"{line_as_text(line)},{added}\n")

    return write


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
        out.print("Failed and other rows are both needed to show how well the estimates separate them.", soft_wrap=True)
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
    out.print("Observed can match printed only where `failure` means: failed within the 12 months after this row.")
    judged_failed = sum(row.failed for row in evaluation.verdicts)
    judged_others = sum(row.rows for row in evaluation.verdicts) - judged_failed
    out.print_lines(("", "verdict     of the failed   of the others"))
    for row in evaluation.verdicts:
        caught, alarms = row.failed / max(judged_failed, 1), (row.rows - row.failed) / max(judged_others, 1)
        out.print(f"{row.verdict:10}  {caught:13.1%}   {alarms:13.2%}")
