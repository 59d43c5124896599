"""`drivecare readscan`: a timed read of a surface, whole or in samples."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.common import finish, job_folder, job_options, json_option, machine
from drivecare.cli.load_guard import OPTION, OPTION_HELP, refuse_load

if TYPE_CHECKING:
    from drivecare.hardware.machine import Machine
    from drivecare.reading.model import Reading
    from drivecare.transfer.scan import ScanState, Thermometer

RESULT_SUFFIX, STATE_SUFFIX = ".readscan.json", ".readscan-state.json"


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
@click.option("--picture", type=click.Path(dir_okay=False, path_type=Path), help="Also draw the curve, as SVG.")
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
    allow_load: str | None,
    job: str | None,
    jobs: Path | None,
    as_json: bool,
) -> None:
    """Read the surface of a drive or image, timed, without writing: unreadable areas, slow ones, the speed by position.

    A drive that is losing data is refused until it is copied: a scan loads it. Ctrl-C keeps what was seen; --resume
    goes on. In a job, `drivecare assess` counts what was seen as evidence.

    Exit: 0 all readable, 20 unreadable areas found, 22 refused, 23 stopped midway.
    """
    from drivecare.cli.progress import followed
    from drivecare.cli.scan_screen import save_picture, show_scan
    from drivecare.documents import encode, load, save
    from drivecare.hardware.media import Pool, open_source
    from drivecare.hardware.person import hand_over
    from drivecare.job.times import stamp
    from drivecare.transfer.scan import Scan, ScanState, new_state

    folder = job_folder(job, jobs) if job is not None else None
    here = machine(ctx)
    reading = _reading(drive, here)
    if reading is not None:
        refuse_load(reading, "a scan", allow_load=allow_load, folder=folder)
    result_path, state_path = _places(drive, folder.path if folder else None)
    pool = Pool()
    with open_source(drive, pool) as medium, followed() as watch:

        def keep(state: ScanState) -> None:
            save(state_path, encode(state))

        going_on = resume and state_path.exists()
        state = load(ScanState, state_path) if going_on else new_state(medium, sample_percent=percent, started=stamp())
        scan = Scan(
            medium,
            pool.buffers[0],
            state,
            watch=watch,
            thermometer=_thermometer(drive, reading, here),
        )
        scan.run(on_pause=keep)
    pool.close()
    told = reading.drive if reading is not None else None
    result = scan.result(
        finished=stamp(),
        model=told.model if told else None,
        serial=told.serial if told else None,
        wwn=told.identity.wwn if told else None,
    )
    if result.complete or scan.enough:
        state_path.unlink(missing_ok=True)
    else:
        keep(scan.state())
        hand_over(state_path)
    if folder is None:
        save(result_path, encode(result))
        hand_over(result_path)
        click.echo(f"result: {result_path}", err=True)
    if picture is not None:
        save_picture(result, picture)
    code = 23 if not result.complete and not scan.enough else 20 if result.unreadable else 0
    finish(result, show=lambda out: show_scan(out, result), as_json=as_json, exit_code=code, job=job, jobs=jobs)


def _reading(drive: str, here: Machine) -> Reading | None:
    """What the drive says of itself; None for an image, and for a drive that cannot be asked."""
    from drivecare.errors import DriveCareError
    from drivecare.hardware.smart import read_drive

    if not Path(drive).is_block_device():
        return None
    try:
        return read_drive(drive, machine=here)
    except DriveCareError:
        return None


def _thermometer(drive: str, reading: Reading | None, here: Machine) -> Thermometer:
    """Asks the drive again, where it gave a temperature before."""
    from drivecare.transfer.scan import Thermometer

    if reading is None or reading.values.temperature_celsius is None:
        return Thermometer()

    def celsius() -> int | None:
        again = _reading(drive, here)
        return again.values.temperature_celsius if again else None

    return Thermometer(celsius=celsius, limit_celsius=reading.drive.temperature_limit_celsius)


def _places(drive: str, folder: Path | None) -> tuple[Path, Path]:
    """Where result and state lie: as a copy's receipt does."""
    path = Path(drive)
    where = folder if folder is not None else Path() if path.is_block_device() else path.parent
    return where / (path.name + RESULT_SUFFIX), where / (path.name + STATE_SUFFIX)
