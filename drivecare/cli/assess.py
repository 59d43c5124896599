"""`drivecare assess`: judge one or several drives from their own reports."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import (
    PATH,
    all_jobs,
    file_result,
    filing_folder,
    finish,
    full_option,
    job_options,
    json_option,
    machine,
)
from drivecare.cli.completion import drives_and_files
from drivecare.cli.overwriting import may_replace, overwrite_option
from drivecare.cli.terminal import notify, read_pasted
from drivecare.errors import DriveCareError
from drivecare.exit_codes import ExitCode

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.reading.model import Reading
    from drivecare.record.location import Place
    from drivecare.record.port import FiledJob
    from drivecare.work.assess import AssessedReading, AssessOutcome, AssessRequest


@click.command(
    cls=HouseCommand,
    ends={
        ExitCode.DONE: "refit",
        ExitCode.RECHECK: "recheck",
        ExitCode.REPLACE: "replace",
        ExitCode.EVACUATE: "evacuate",
        ExitCode.UNPROVEN: "unproven",
        ExitCode.ERROR: "no drive could be read",
    },
    examples=["sudo drivecare assess /dev/sdb --job 1042", "drivecare assess report.txt --as new"],
)
@click.argument("sources", metavar="DRIVE|FILE...", nargs=-1, required=True, shell_complete=drives_and_files)
@click.option(
    "--as",
    "sale",
    type=click.Choice(["used", "new"]),
    default="used",
    show_default=True,
    help="What the drive was sold as.",
)
@click.option(
    "--transport", metavar="TYPE", help="How to reach an attached drive: sat, nvme, scsi, ... [default: detected]"
)
@click.option("--save", metavar="FILE", type=PATH, help="Save the reading to this file.")
@overwrite_option
@full_option
@click.option("--explain", is_flag=True, help="Show how the verdict was reached, with every source.")
@job_options
@json_option
@click.pass_context
def assess(
    ctx: click.Context,
    sources: tuple[str, ...],
    sale: str,
    transport: str | None,
    save: Path | None,
    overwritable: tuple[str, ...],
    full: bool,
    explain: bool,
    job: str | None,
    jobs: Place | None,
    as_json: bool,
) -> None:
    """Judge drives: may each go back in, or must it be checked again, replaced, or copied at once?

    DRIVE is an attached drive (needs root, changes nothing on it). FILE is a saved reading or the text report of a
    drive; - is one that is piped in or pasted. Several are read in parallel. In a job, earlier readings and
    scans of the drive count too.
    """
    if save is not None and len(sources) > 1:
        raise click.UsageError("--save keeps one reading: give one drive.")
    from drivecare.documents import MOST_BYTES
    from drivecare.work.assess import AssessRequest, assess_sources, document_of
    from drivecare.work.read_sources import PASTED, is_attached

    bench = machine(ctx)
    if transport is not None and not any(map(is_attached, sources)):
        raise click.UsageError("--transport is for an attached drive; a file was read already.")
    folder = filing_folder(job, jobs)
    replace = save is not None and may_replace(save, overwritable)
    pasted = read_pasted("the report of a drive", limit_bytes=MOST_BYTES) if PASTED in sources else b""
    request = AssessRequest(
        sources=sources,
        as_new=sale == "new",
        transport=transport,
        folder=folder,
        pasted=pasted,
        record=all_jobs(jobs),
    )
    outcomes = assess_sources(request, bench)
    document = document_of(request, outcomes)
    keep = _list_what_to_keep(outcomes, save, folder, replace=replace)
    show = partial(_show_outcomes, request=request, outcomes=outcomes, full=full, explained=explain)
    finish(document, show=show, as_json=as_json, exit_code=document.exit_code, keep=tuple(keep), after=folder)


def _list_what_to_keep(
    outcomes: Sequence[AssessOutcome], save: Path | None, folder: FiledJob | None, *, replace: bool
) -> Iterator[Callable[[], object]]:
    """Yield what saves and files each drive that could be read."""
    from drivecare.work.assess import AssessedReading

    for outcome in outcomes:
        if not isinstance(outcome, AssessedReading):
            continue
        if save is not None:
            yield partial(_save_reading, outcome.reading, save, replace=replace)
        if folder is not None:
            yield partial(folder.file, outcome.reading)
            yield partial(file_result, folder, outcome.assessment)


def _show_outcomes(
    out: Screen, *, request: AssessRequest, outcomes: Sequence[AssessOutcome], full: bool, explained: bool
) -> None:
    """One drive on a screen; several as a table, in full one after the other."""
    from drivecare.cli.assessment_screen import show_many
    from drivecare.work.assess import list_sources

    if len(outcomes) > 1 and not (full or explained):
        show_many(out, list_sources(request, outcomes))
        return
    for index, outcome in enumerate(outcomes):
        if index:
            out.print_lines(("", "-" * 80, ""))
        _show_outcome(out, outcome, full=full or explained, explained=explained, in_job=request.folder is not None)


def _show_outcome(
    out: Screen, outcome: AssessedReading | DriveCareError, *, full: bool, explained: bool, in_job: bool
) -> None:
    from drivecare.cli.assessment_screen import show_assessment
    from drivecare.risk.explain import explain

    if isinstance(outcome, DriveCareError):
        out.print_wrapped(outcome.message(), first="NOT READ  ")
        return
    show_assessment(out, outcome.assessment, full=full, in_job=in_job)
    if explained:
        out.print_lines(("", "How this came about"))
        as_new = outcome.assessment.sale == "new"
        for line in explain(outcome.reading, as_new=as_new, history=outcome.history, scan=outcome.scan):
            out.print(line, soft_wrap=True)


def _save_reading(reading: Reading, path: Path, *, replace: bool) -> None:
    from drivecare.documents import encode
    from drivecare.storage import write_file

    write_file(path, encode(reading), replace=replace)
    notify(f"reading kept in {path}")
