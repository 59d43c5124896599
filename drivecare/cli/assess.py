"""`drivecare assess`: judge one or several drives from their own reports."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from drivecare.cli.common import PATH, file_result, finish, job_folder, job_options, json_option, machine
from drivecare.cli.overwriting import may_replace, overwrite_option
from drivecare.cli.terminal import notify
from drivecare.documents import Value
from drivecare.errors import DriveCareError
from drivecare.exit_codes import ExitCode, worst
from drivecare.risk.model import Assessment, Verdict

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.hardware.machine import Machine
    from drivecare.job.folder import JobFolder
    from drivecare.reading.model import Reading
    from drivecare.reading.surface import SurfaceScan


class Judged(Value, frozen=True, kw_only=True):
    """One of several drives: its assessment, or the error that kept it from being read."""

    path: str
    verdict: Verdict | None = None
    error: str | None = None
    assessment: Assessment | None = None


class Assessments(Value, frozen=True, kw_only=True):
    """The document of `drivecare assess` for several drives, in the order given."""

    schema: Literal["drivecare/assessments-1"] = "drivecare/assessments-1"
    assessments: tuple[Judged, ...]


@click.command(
    epilog="\b\nExample: sudo drivecare assess /dev/sdb --job 1042\nExample: drivecare assess report.txt --as new"
)
@click.argument("sources", metavar="DRIVE|FILE...", nargs=-1, required=True)
@click.option("--as", "sale", type=click.Choice(["used", "new"]), default="used", show_default=True, help="Sold as.")
@click.option(
    "--transport", metavar="TYPE", help="How to reach a live drive: sat, sntjmicron, ... [default: found out]"
)
@click.option("--save", type=PATH, help="Keep the reading in this file.")
@overwrite_option
@click.option("--explain", is_flag=True, help="Show how the verdict came about, with every source.")
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
    explain: bool,
    job: str | None,
    jobs: Path | None,
    as_json: bool,
) -> None:
    """Judge drives: may each go back in, or must it be checked again, replaced, or copied at once?

    DRIVE is an attached drive (needs root, changes nothing on it). FILE is a saved reading or the text report of a
    drive. Several are read at the same time. In a job, earlier readings and scans of the drive count too.

    Exit code: 0 refit, 10 recheck, 11 replace, 12 evacuate, 13 unproven, 3 nothing could be read.
    """
    if save is not None and len(sources) > 1:
        raise click.UsageError("--save keeps one reading: give one drive.")
    folder = job_folder(job, jobs) if job is not None else None
    replace = save is not None and may_replace(save, overwritable)
    readings = _read(sources, transport, machine(ctx))
    judged = [
        _judge(source, reading, _others(reading, readings, folder), folder, as_new=sale == "new")
        for source, reading in zip(sources, readings, strict=True)
    ]

    def show(out: Screen) -> None:
        for index, (one, reading) in enumerate(zip(judged, readings, strict=True)):
            if index:
                out.print_lines(("", "-" * 80, ""))
            _show(out, one, reading)

    def _show(out: Screen, one: Judged, reading: Reading | DriveCareError) -> None:
        from drivecare.cli.assessment_screen import show_assessment
        from drivecare.risk.explain import explain as lines_of_proof

        if one.assessment is None or isinstance(reading, DriveCareError):
            out.print(f"NOT READ  {one.error}", soft_wrap=True)
            return
        show_assessment(out, one.assessment)
        if explain:
            out.print_lines(("", "How this came about"))
            scan = _scan(folder, reading)
            others = _others(reading, readings, folder)
            for line in lines_of_proof(reading, as_new=sale == "new", history=others, scan=scan):
                out.print(line, soft_wrap=True)

    def keep() -> Iterator[Callable[[], object]]:
        for one, reading in zip(judged, readings, strict=True):
            if one.assessment is None or isinstance(reading, DriveCareError):
                continue
            if save is not None:
                yield partial(_save, reading, save, replace=replace)
            if folder is not None:
                yield partial(folder.file, reading)
                yield partial(file_result, folder, one.assessment)

    if len(judged) == 1 and isinstance(readings[0], DriveCareError):
        raise readings[0]
    if len(judged) == 1 and judged[0].assessment is not None:
        code = judged[0].assessment.exit_code
        finish(judged[0].assessment, show=show, as_json=as_json, exit_code=code, keep=tuple(keep()))
    codes = {one.assessment.exit_code if one.assessment is not None else ExitCode.ERROR for one in judged}
    finish(
        Assessments(assessments=tuple(judged)), show=show, as_json=as_json, exit_code=worst(codes), keep=tuple(keep())
    )


def _read(sources: Sequence[str], transport: str | None, machine: Machine) -> tuple[Reading | DriveCareError, ...]:
    """Every reading or the error in its place, in the order given; live drives are read at the same time."""
    from drivecare.hardware.device_path import is_device
    from drivecare.reading.reading_files import load_reading

    live = [source for source in sources if is_device(source)]
    if transport is not None and not live:
        raise click.UsageError("--transport is for an attached drive; a file was read already.")
    found: dict[str, Reading | DriveCareError] = {}
    if live:
        from drivecare.hardware.smart import read_drives

        found |= zip(live, read_drives(live, transport=transport, machine=machine), strict=True)
    for source in sources:
        if source not in found:
            try:
                found[source] = load_reading(Path(source))
            except DriveCareError as error:
                found[source] = error
    return tuple(found[source] for source in sources)


def _save(reading: Reading, path: Path, *, replace: bool) -> None:
    from drivecare.documents import encode
    from drivecare.storage import write_file

    write_file(path, encode(reading), replace=replace)
    notify(f"reading kept in {path}")


def _judge(
    source: str,
    reading: Reading | DriveCareError,
    others: Sequence[Reading],
    folder: JobFolder | None,
    *,
    as_new: bool,
) -> Judged:
    """Judge one reading, by what the job's folder has of the drive as well."""
    if isinstance(reading, DriveCareError):
        return Judged(path=source, error=reading.message())
    from drivecare.risk.assess import assess as judge

    found = judge(reading, as_new=as_new, history=others, scan=_scan(folder, reading))
    return Judged(path=source, verdict=found.verdict, assessment=found)


def _others(
    reading: Reading | DriveCareError, given: Sequence[Reading | DriveCareError], folder: JobFolder | None
) -> tuple[Reading, ...]:
    """Other readings of the same drive: those given with it and those filed in the job."""
    if isinstance(reading, DriveCareError):
        return ()
    from drivecare.reading.identity import compare
    from drivecare.reading.model import Reading

    filed = [one.document for one in folder.results(Reading)] if folder is not None else []
    candidates = [*filed, *(other for other in given if not isinstance(other, DriveCareError))]
    now = reading.read_at
    return tuple(
        other
        for other in candidates
        if other.raw != reading.raw and compare(other.drive, reading.drive) == "yes" and not _later(other.read_at, now)
    )


def _later(one: str | None, other: str | None) -> bool:
    from drivecare.risk.trend import parse_moment

    first, second = parse_moment(one), parse_moment(other)
    return first is not None and second is not None and first > second


def _scan(folder: JobFolder | None, reading: Reading) -> SurfaceScan | None:
    """The newest surface scan of this drive in the job."""
    if folder is None:
        return None
    from drivecare.reading.surface import SurfaceScan

    scans = [filed.document for filed in folder.results(SurfaceScan) if filed.document.may_be_of(reading.drive)]
    return scans[-1] if scans else None
