"""`drivecare readscan`: a timed read of a surface, whole or in samples."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand, Number
from drivecare.cli.common import (
    PATH,
    allow_load_option,
    file_result,
    filing_folder,
    finish,
    job_options,
    json_option,
    machine,
)
from drivecare.cli.completion import drives_and_files
from drivecare.cli.overwriting import may_replace, overwrite_option
from drivecare.cli.terminal import notify
from drivecare.exit_codes import ExitCode

if TYPE_CHECKING:
    from drivecare.record.location import Place
    from drivecare.work.scan_surface import ScanOutcome, ScanRequest


@click.command(
    cls=HouseCommand,
    ends={
        ExitCode.DONE: "all could be read",
        ExitCode.PARTIAL: "some areas could not be read",
        ExitCode.INTERRUPTED: "stopped midway; --resume continues",
    },
    examples=["sudo drivecare readscan /dev/sdb --sample 5 --job 1042"],
)
@click.argument("drive", metavar="DRIVE|IMAGE", shell_complete=drives_and_files)
@click.option(
    "--sample",
    "percent",
    default=100.0,
    type=Number("a number above 0, up to 100", above=0, most=100),
    metavar="PCT",
    help="Read only so many per cent, spread over the whole surface. [default: all]",
)
@click.option("--resume", is_flag=True, help="Continue a scan that was stopped.")
@click.option("--picture", metavar="FILE.svg", type=PATH, help="Also draw the curve to this file.")
@overwrite_option
@allow_load_option
@job_options
@json_option
@click.pass_context
def readscan(
    ctx: click.Context,
    drive: str,
    percent: float,
    resume: bool,
    picture: Path | None,
    overwritable: tuple[str, ...],
    allow_load: str | None,
    job: str | None,
    jobs: Place | None,
    as_json: bool,
) -> None:
    """Read the surface of a drive or image and time it: unreadable areas, slow areas, speed by position.

    Nothing is written to it. A drive that is losing data is refused until it is copied: a scan puts load on it. Ctrl-C
    keeps what was found so far; --resume continues. In a job, `drivecare assess` counts the scan as evidence.
    """
    from drivecare.cli.progress import followed
    from drivecare.cli.scan_screen import save_picture, show_scan
    from drivecare.work.scan_surface import ScanRequest, identify_for_scan, scan_surface

    folder = filing_folder(job, jobs)
    request = ScanRequest(path=drive, sample_percent=percent, resume=resume, allow_load=allow_load, folder=folder)
    reading = identify_for_scan(request, machine(ctx))
    replace_result = _may_replace_result(request, overwritable)
    replace_picture = picture is not None and may_replace(picture, overwritable)
    with followed() as watch:
        outcome = scan_surface(request, machine(ctx), reading=reading, watch=watch)
    keep = [partial(_keep_result, request, outcome, replace=replace_result)]
    if picture is not None:
        keep.append(partial(save_picture, outcome.result, picture, replace=replace_picture))
    finish(
        outcome.result,
        show=lambda out: show_scan(out, outcome.result),
        as_json=as_json,
        exit_code=outcome.exit_code,
        after=folder,
        keep=keep,
        again="run the command again with --resume",
    )


def _may_replace_result(request: ScanRequest, overwritable: tuple[str, ...]) -> bool:
    """Whether the result may replace a file; asked before hours of reading, as is what an earlier scan left."""
    if request.continues:
        return True
    replace = request.folder is None and may_replace(request.result_path, overwritable)
    may_replace(request.state_path, overwritable)
    return replace


def _keep_result(request: ScanRequest, outcome: ScanOutcome, *, replace: bool) -> None:
    """Keep the result before its state goes, so that what a scan saw is always in one file at least."""
    from drivecare.work.scan_surface import keep_state, save_result

    if request.folder is not None:
        file_result(request.folder, outcome.result)
    else:
        save_result(outcome.result, request.result_path, replace=replace)
        notify(f"result: {request.result_path}")
    keep_state(outcome, request.state_path)
