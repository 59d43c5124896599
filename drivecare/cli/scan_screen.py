"""A read scan for people: what it means, the curve with its areas, and the same as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivecare.cli.terminal import notify
from drivecare.format import Excerpt, format_bytes, format_count

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from drivecare.cli.screen import Screen
    from drivecare.reading.surface import SlowArea, SurfaceScan, UnreadableArea

_BARS = " ▁▂▃▄▅▆▇█"
_OTHERS = "unreadable areas, all in the result"
_MOST_COLUMNS = 64
_AXIS = 15  # the width of the scale and the frame beside the bars
_COLORS = "--ink:#22303c;--rule:#b9c4cc;--accent:#2b6f8f;--alarm:#b3261e;--slow:#a8680a"
_STYLE = f"<style>:root{{{_COLORS}}}text{{font-family:sans-serif}}</style>"


def show_scan(out: Screen, scan: SurfaceScan) -> None:
    """Print what a scan means, its curve with the areas marked below, then the areas."""
    for line in _summary_lines(scan):
        out.print_wrapped(line)
    out.print_lines(_curve_lines(scan, max(1, min(_MOST_COLUMNS, out.width - _AXIS - 1))))
    sector_bytes = scan.logical_sector_bytes or 512
    unreadable = Excerpt(scan.unreadable)
    out.print_lines(unreadable.lines(lambda area: _describe_unreadable_span(area, sector_bytes), _OTHERS))
    out.print_lines(Excerpt(scan.slow).lines(_describe_slow, "slow areas, all in the result"))
    latency = scan.latency
    if latency.p50 is not None:
        middle = f"Half of the reads took up to {latency.p50:g} ms, 99 in 100 up to {latency.p99:g} ms"
        out.print_wrapped(f"{middle}, the longest {latency.longest:g} ms.")


def _summary_lines(scan: SurfaceScan) -> Iterator[str]:
    sampled = scan.sample_percent < 100
    share = f", a sample of {scan.sample_percent:g} %" if sampled else ""
    drive = "   ".join(part for part in (scan.model, scan.serial and f"serial {scan.serial}") if part)
    yield f"{drive or scan.path}   {format_bytes(scan.bytes_read)} of {format_bytes(scan.bytes_total)} read{share}"
    if scan.unreadable:
        lost = sum(area.length for area in scan.unreadable)
        areas = format_count(len(scan.unreadable), "unreadable area")
        yield f"UNREADABLE   {areas}, {lost:,} bytes: copy it now."
    elif scan.complete:
        yield f"READABLE   {'Every sample' if sampled else 'Everything'} could be read."
    else:
        yield "NOT FINISHED   nothing unreadable so far."
    if scan.stopped_because:
        yield f"Stopped: {scan.stopped_because}."


def _curve_lines(scan: SurfaceScan, columns: int) -> list[str]:
    """The speed by position as a row of bars, and below it ^ where something could not be read, ~ where it was slow."""
    if not scan.curve:
        return []

    def column_of(offset: int) -> int:
        return min(columns - 1, offset * columns // max(1, scan.bytes_total))

    speeds: list[list[float]] = [[] for _ in range(columns)]
    for point in scan.curve:
        speeds[column_of(point.offset)].append(point.mb_per_s)
    top = max(point.mb_per_s for point in scan.curve) or 1.0
    height = 0.0  # a column without a point of its own shows the one before it
    heights = [height := sum(column) / len(column) if column else height for column in speeds]
    bars = "".join(_BARS[round((len(_BARS) - 1) * height / top)] for height in heights)
    lines = ["", f"  {top:6,.0f} MB/s |{bars}|"]
    marks = [" "] * columns
    areas: tuple[tuple[str, Iterable[UnreadableArea | SlowArea]], ...] = (("~", scan.slow), ("^", scan.unreadable))
    for mark, marked in areas:
        for area in marked:
            marks[column_of(area.offset)] = mark
    legend = ""
    if scan.slow or scan.unreadable:
        lines.append(f"  {'':11} |{''.join(marks)}|")
        legend = "^ unreadable, ~ slow"
    return [*lines, f"  {'':11}  start{legend:^{max(0, columns - 8)}}end", ""]


def _describe_unreadable_span(area: UnreadableArea, sector_bytes: int) -> str:
    return f"  unreadable: {area.length:,} bytes at byte {area.offset:,}, LBA {area.offset // sector_bytes:,}"


def _describe_slow(area: SlowArea) -> str:
    return f"  slow: byte {area.offset:,}: {area.milliseconds:,.0f} ms, around it {area.expected_milliseconds:,.1f} ms"


def save_picture(scan: SurfaceScan, path: Path, *, replace: bool) -> None:
    """Draw the curve into an SVG file that needs no other."""
    from drivecare.job.plots import draw_surface
    from drivecare.storage import write_file

    picture = draw_surface(scan)
    if picture is None:
        notify("nothing was read, so there is no curve to draw")
        return
    tag, _, content = picture.svg.partition(">")
    write_file(path, f'{tag} xmlns="http://www.w3.org/2000/svg">{_STYLE}{content}'.encode(), replace=replace)
    notify(f"picture: {path}")
