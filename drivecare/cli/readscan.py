"""`drivecare readscan`: a timed read of a surface, whole or in samples."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.common import finish, job_folder, job_options, json_option, machine
from drivecare.cli.load_guard import OPTION, OPTION_HELP, refuse_load

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from drivecare.hardware.machine import Machine
    from drivecare.reading.model import Reading
    from drivecare.reading.surface import SurfaceScan
    from drivecare.transfer.scan import ScanState, Thermometer

RESULT_SUFFIX, STATE_SUFFIX = ".readscan.json", ".readscan-state.json"
_COLUMNS = 64
_STYLE = "<style>:root{--ink:#22303c;--rule:#b9c4cc;--accent:#2b6f8f;--alarm:#b3261e;--slow:#a8680a}</style>"


@click.command(epilog="Example: sudo drivecare readscan /dev/sdb --sample 5 --job 1042")
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
    from drivecare.cli.copy import stop_when_asked
    from drivecare.cli.progress import ByteBars
    from drivecare.documents import encode, load, save
    from drivecare.hardware.media import Pool, open_source
    from drivecare.hardware.person import hand_over
    from drivecare.job.times import stamp
    from drivecare.transfer.port import Progress, Watch
    from drivecare.transfer.scan import Scan, ScanState, new_state

    folder = job_folder(job, jobs) if job is not None else None
    here = machine(ctx)
    reading = _reading(drive, here)
    if reading is not None:
        refuse_load(reading, "a scan", allow_load=allow_load, folder=folder)
    result_path, state_path = _places(drive, folder.path if folder else None)
    pool = Pool()
    with open_source(drive, pool) as medium, ByteBars() as bars, stop_when_asked() as stop:

        def tell(progress: Progress) -> None:
            bars(progress.phase, progress.done, progress.total)

        def keep(state: ScanState) -> None:
            save(state_path, encode(state))

        going_on = resume and state_path.exists()
        state = load(ScanState, state_path) if going_on else new_state(medium, sample_percent=percent, started=stamp())
        scan = Scan(
            medium,
            pool.buffers[0],
            state,
            watch=Watch(tell=tell, stop=stop),
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
        _draw(result, picture)
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


def show_scan(out: Console, scan: SurfaceScan) -> None:
    """A scan for people: what it means, the curve with the areas marked below it, then the areas."""
    from drivecare.cli.words import several, size

    share = "" if scan.sample_percent >= 100 else f", a sample of {scan.sample_percent:g} %"
    named = "   ".join(part for part in (scan.model, scan.serial and f"serial {scan.serial}") if part)
    lines = [f"{named or scan.path}   {size(scan.bytes_read)} of {size(scan.bytes_total)} read{share}"]
    if scan.unreadable:
        lost = sum(area.length for area in scan.unreadable)
        lines.append(f"UNREADABLE   {several(len(scan.unreadable), 'unreadable area')}, {lost:,} bytes: copy it now.")
    elif not scan.complete:
        lines.append("NOT FINISHED   nothing unreadable so far.")
    else:
        what = "Everything" if scan.sample_percent >= 100 else "Every place looked at"
        lines.append(f"READABLE   {what} could be read.")
    if scan.stopped_because:
        lines.append(f"Stopped: {scan.stopped_because}.")
    lines += _curve(scan)
    for area in scan.unreadable[:12]:
        lines.append(f"  unreadable: {area.length:,} bytes at byte {area.offset:,}, LBA {area.offset // 512:,}")
    for slow in scan.slow[:12]:
        lines.append(
            f"  slow: byte {slow.offset:,}: {slow.milliseconds:,.0f} ms, around it {slow.expected_milliseconds:,.1f} ms"
        )
    more = max(0, len(scan.unreadable) - 12) + max(0, len(scan.slow) - 12)
    if more:
        lines.append(f"  and {more:,} more, all in the result")
    took = scan.latency
    if took.p50 is not None:
        lines.append(
            f"One read took {took.p50:g} ms at the median, {took.p99:g} ms at 99 %, {took.longest:g} ms at most."
        )
    out.print("\n".join(lines), soft_wrap=True)


def _curve(scan: SurfaceScan) -> list[str]:
    """The speed by position as a row of bars, and under it X unreadable, s slow."""
    if not scan.curve:
        return []
    columns: list[list[float]] = [[] for _ in range(_COLUMNS)]
    for point in scan.curve:
        columns[_column(point.offset, scan)].append(point.mb_per_s)
    top = max(point.mb_per_s for point in scan.curve) or 1.0
    known = 0.0  # a column without a point of its own shows the one before it
    heights = [known := sum(column) / len(column) if column else known for column in columns]
    bars = "".join(" ▁▂▃▄▅▆▇█"[round(8 * height / top)] for height in heights)
    marks = [" "] * _COLUMNS
    for letter, offsets in (("s", _offsets(scan.slow)), ("X", _offsets(scan.unreadable))):
        for offset in offsets:
            marks[_column(offset, scan)] = letter
    lines = ["", f"  {top:6.0f} MB/s |{bars}|"]
    if any(mark != " " for mark in marks):
        lines.append(f"  {'':11} |{''.join(marks)}|")
    legend = "X unreadable, s slow" if any(mark != " " for mark in marks) else ""
    return [*lines, f"  {'':11}  start{legend:^{_COLUMNS - 8}}end", ""]


def _offsets(areas: Sequence[object]) -> list[int]:
    return [int(getattr(area, "offset")) for area in areas]  # noqa: B009  both kinds of area have one


def _column(offset: int, scan: SurfaceScan) -> int:
    return min(_COLUMNS - 1, offset * _COLUMNS // max(1, scan.bytes_total))


def _draw(scan: SurfaceScan, path: Path) -> None:
    from drivecare.documents import save
    from drivecare.job.plots import surface

    drawn = surface(scan)
    if drawn is None:
        click.echo("nothing was read, so there is no curve to draw", err=True)
        return
    head, _, rest = drawn.svg.partition(">")
    save(path, f'{head} xmlns="http://www.w3.org/2000/svg">{_STYLE}{rest}'.encode())
    click.echo(f"picture: {path}", err=True)
