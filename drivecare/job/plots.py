"""The sheet's pictures, as SVG to stand inside a page: no font, no address, colours from the page's own style.

matplotlib draws with stand-in colours; each is replaced by the style variable it stands for, so that one picture reads
in dark, in light and on paper. No text of a drive or a customer goes into a picture.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from drivecare.format import format_count
from drivecare.reading.model import Values
from drivecare.reading.surface import SurfaceScan

# Stand-in colour -> the page's variable.
INK, SOFT, GOOD, BAD, SLOW = "#010203", "#020304", "#030405", "#040506", "#050607"
_VARIABLES = {INK: "--ink", SOFT: "--rule", GOOD: "--accent", BAD: "--alarm", SLOW: "--slow"}

# Error counts as the shop calls them, in the order of their weight: in the picture and in the sheet's table.
COUNT_LABELS: dict[str, str] = {
    "pending": "waiting to be remapped",
    "reallocated": "replaced by spares",
    "offline_uncorrectable": "unreadable in the background",
    "reported_uncorrectable": "read errors reported",
    "media_errors": "media errors",
    "grown_defects": "grown defects",
    "uncorrected_reads": "uncorrected reads",
    "crc_errors": "link errors",
}


@dataclass(frozen=True)
class Picture:
    """SVG text, and what it shows in words."""

    svg: str
    words: str


def draw_odds(filled: int, baseline: int | None) -> Picture:
    """Draw a hundred drives, with `filled` that fail within a year. `baseline` is for drives without such signs."""
    figure, axes = _figure(6.4, 0.92)
    columns = 25
    places = [(number % columns, -(number // columns)) for number in range(100)]
    axes.scatter(*zip(*places[:filled], strict=True), s=64, color=BAD, linewidths=0)
    if filled < 100:
        axes.scatter(*zip(*places[filled:], strict=True), s=58, facecolors="none", edgecolors=INK, linewidths=0.9)
    axes.set_xlim(-0.6, columns - 0.4)
    axes.set_ylim(-3.6, 0.6)
    axes.axis("off")
    words = f"A hundred dots, {filled} of them filled"
    if baseline is not None:
        words += f"; for drives without such signs it would be about {baseline}"
    return Picture(_svg(figure, "dots"), words + ".")


def draw_counts(old_values: Values, new_values: Values) -> Picture | None:
    """Draw the error counts of the old and the new drive. None if neither reports any or all are zero."""
    rows = [
        (label, old_count, new_count)
        for name, label in COUNT_LABELS.items()
        if isinstance(old_count := getattr(old_values, name), int)
        and isinstance(new_count := getattr(new_values, name), int)
    ]
    rows = [row for row in rows if row[1] or row[2]][:6]
    if not rows:
        return None
    figure, axes = _figure(4.6, 0.42 + 0.2 * len(rows))
    for position, (label, old_count, new_count) in enumerate(rows):
        axes.plot([new_count, old_count], [-position, -position], color=SOFT, linewidth=1.2, zorder=1)
        axes.text(-0.28, -position, label, ha="right", va="center", fontsize=8, color=INK)
    places = range(0, -len(rows), -1)
    axes.scatter([row[1] for row in rows], places, s=34, color=BAD, zorder=2, linewidths=0)
    axes.scatter([row[2] for row in rows], places, s=30, marker="D", color=GOOD, zorder=3, linewidths=0)
    axes.set_xscale("symlog", linthresh=1)
    largest = max(max(row[1], row[2]) for row in rows)
    ticks = [0, *(10**power for power in range(len(str(largest)) + 1) if 10**power <= largest * 10)]
    axes.set_xticks(ticks, [f"{tick:,}" for tick in ticks])
    axes.minorticks_off()
    axes.set_xlim(-0.15, ticks[-1])
    axes.set_ylim(-len(rows) + 0.4, 0.6)
    axes.set_yticks([])
    _bare(axes)
    counts = "; ".join(f"{label}: {old_count:,} before, {new_count:,} now" for label, old_count, new_count in rows)
    return Picture(
        _svg(figure, "counts"), f"Error counts of the old drive (round) and the new one (diamond): {counts}."
    )


def draw_surface(scan: SurfaceScan) -> Picture | None:
    """Draw reading speed by position, unreadable areas above it and slow ones below. None without a curve."""
    if len(scan.curve) < 2:
        return None
    giga = 10**9 if scan.bytes_total >= 10**10 else 10**6
    figure, axes = _figure(4.6, 1.25)
    points = sorted(scan.curve, key=lambda point: point.offset)
    axes.plot([p.offset / giga for p in points], [p.mb_per_s for p in points], color=GOOD, linewidth=1.1)
    top = max(point.mb_per_s for point in points) * 1.18 or 1
    marks: tuple[tuple[Sequence[Any], str, float, str], ...] = (
        (scan.unreadable, BAD, top * 0.95, "v"),
        (scan.slow, SLOW, top * 0.04, "^"),
    )
    for areas, color, height, marker in marks:
        if areas:
            axes.scatter(
                [a.offset / giga for a in areas], [height] * len(areas), marker=marker, s=22, color=color, linewidths=0
            )
    axes.set_xlim(0, scan.bytes_total / giga)
    axes.set_ylim(0, top)
    axes.set_xlabel("position, GB" if giga == 10**9 else "position, MB", fontsize=8, color=INK)
    axes.set_ylabel("MB/s", fontsize=8, color=INK)
    _bare(axes)
    axes.spines["left"].set_visible(True)
    axes.spines["left"].set_color(SOFT)
    speeds = [point.mb_per_s for point in points]
    words = (
        f"Reading speed from {min(speeds):,.0f} to {max(speeds):,.0f} MB/s along the surface;"
        f" {format_count(len(scan.unreadable), 'unreadable area')} marked above, {len(scan.slow):,} slow ones below."
    )
    return Picture(_svg(figure, "surface"), words)


def _figure(width: float, height: float) -> tuple[Any, Any]:
    """Make a figure in inches without a background, drawn without a display."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    figure.patch.set_alpha(0)
    axes = figure.add_subplot()
    axes.patch.set_alpha(0)
    return figure, axes


def _bare(axes: Any) -> None:
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(SOFT)
    axes.tick_params(colors=INK, labelsize=8, length=3, width=0.6, which="both")


def _svg(figure: Any, name: str) -> str:
    """Write the figure as an SVG element: colours by variable, its parts named for it, nothing looked up elsewhere."""
    import matplotlib

    stream = io.StringIO()
    with matplotlib.rc_context({"svg.fonttype": "path", "svg.hashsalt": name, "text.parse_math": False}):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", text)
    text = re.sub(r"<style[^>]*>.*?</style>", "<g stroke-linejoin='round'></g>", text, flags=re.DOTALL)
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r'(?:xlink:)?href="#', f'href="#{name}-', text)  # plain href (SVG 2) needs no namespace
    text = text.replace("url(#", f"url(#{name}-")
    text = re.sub(r'<svg ([^>]*?)width="[^"]*" height="[^"]*"', r"<svg \1", text)
    text = re.sub(r'<svg ([^>]*?)height="[^"]*"([^>]*?)width="[^"]*"', r"<svg \1\2", text)
    for color, variable in _VARIABLES.items():
        text = text.replace(color, f"var({variable})")
    return text.replace("<svg ", '<svg aria-hidden="true" ', 1)
