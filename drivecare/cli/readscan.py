"""`drivecare readscan`: a timed read of a surface, whole or in samples."""

from __future__ import annotations

from pathlib import Path

import click

from drivecare.cli.common import PATH, file_result, finish, job_folder, job_options, json_option, machine
from drivecare.cli.overwriting import may_replace, overwrite_option
from drivecare.cli.terminal import notify
from drivecare.work.load_guard import OPTION, OPTION_HELP, refuse_load


@click.command(epilog="\b\nExample: sudo drivecare readscan /dev/sdb --sample 5 --job 1042")
@click.argument("drive", metavar="DRIVE|IMAGE")
@click.option(
    "--sample",
    "percent",
    default=100.0,
    type=click.FloatRange(0, 100, min_open=True),
    metavar="PCT",
    help="Read so much of it, spread over the whole surface. [default: all]",
)
@click.option("--resume", is_flag=True, help="Go on with a scan that was stopped.")
@click.option("--picture", type=PATH, help="Also draw the curve, as SVG.")
@overwrite_option
@click.option(OPTION, metavar="SERIAL", help=OPTION_HELP)
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
    jobs: Path | None,
    as_json: bool,
) -> None:
    """Read the surface of a drive or image, timed, without writing: unreadable areas, slow ones, the speed by position.

    A drive that is losing data is refused until it is copied: a scan loads it. Ctrl-C keeps what was seen; --resume
    goes on. In a job, `drivecare assess` counts what was seen as evidence.

    Exit code: 0 all readable, 20 unreadable areas found, 22 refused, 23 stopped midway.
    """
    from drivecare.cli.progress import followed
    from drivecare.cli.scan_screen import save_picture, show_scan
    from drivecare.work.scan_surface import keep_state, places, said_by, save_result, scan

    folder = job_folder(job, jobs) if job is not None else None
    here = machine(ctx)
    reading = said_by(drive, here)
    if reading is not None:
        refuse_load(reading, "a scan", allow_load=allow_load, folder=folder)
    result_path, state_path = places(drive, folder.path if folder else None)
    going_on = resume and state_path.exists()
    replace_result = going_on or (folder is None and may_replace(result_path, overwritable))
    if not going_on:
        may_replace(state_path, overwritable)
    replace_picture = picture is not None and may_replace(picture, overwritable)
    with followed() as watch:
        scanned = scan(
            drive,
            reading=reading,
            machine=here,
            state_path=state_path,
            resume=resume,
            sample_percent=percent,
            watch=watch,
        )
    result = scanned.result

    def keep_result() -> None:
        if folder is not None:
            file_result(folder, result)
        else:
            save_result(result, result_path, replace=replace_result)
            notify(f"result: {result_path}")
        keep_state(scanned, state_path)  # in this order: what a scan saw is never in neither file

    def keep_picture() -> None:
        if picture is not None:
            save_picture(result, picture, replace=replace_picture)

    finish(
        result,
        show=lambda out: show_scan(out, result),
        as_json=as_json,
        exit_code=scanned.exit_code,
        keep=(keep_result, keep_picture),
        again="run the command again with --resume",
    )
