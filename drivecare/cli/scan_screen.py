"""A read scan for people: what it means, the curve with its areas, and the same as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivecare.cli.terminal import notify
from drivecare.format import format_bytes, format_count

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from drivecare.cli.screen import Screen
    from drivecare.reading.surface import SurfaceScan

_COLUMNS = 64
_STYLE = "<style>:root{--ink:#22303c;--rule:#b9c4cc;--accent:#2b6f8f;--alarm:#b3261e;--slow:#a8680a}</style>"


def show_scan(out: Screen, scan: SurfaceScan) -> None:
    """A scan for people: what it means, the curve with the areas marked below it, then the areas."""
    share = "" if scan.sample_percent >= 100 else f", a sample of {scan.sample_percent:g} %"
    named = "   ".join(part for part in (scan.model, scan.serial and f"serial {scan.serial}") if part)
    lines = [f"{named or scan.path}   {format_bytes(scan.bytes_read)} of {format_bytes(scan.bytes_total)} read{share}"]
    if scan.unreadable:
        lost = sum(area.length for area in scan.unreadable)
        lines.append(
            f"UNREADABLE   {format_count(len(scan.unreadable), 'unreadable area')}, {lost:,} bytes: copy it now."
        )
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
    out.print_lines(lines)


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


def save_picture(scan: SurfaceScan, path: Path, *, replace: bool) -> None:
    """Draw the curve into an SVG file that stands alone."""
    from drivecare.job.plots import draw_surface
    from drivecare.storage import write_file

    drawn = draw_surface(scan)
    if drawn is None:
        notify("nothing was read, so there is no curve to draw")
        return
    head, _, rest = drawn.svg.partition(">")
    write_file(path, f'{head} xmlns="http://www.w3.org/2000/svg">{_STYLE}{rest}'.encode(), replace=replace)
    notify(f"picture: {path}")
