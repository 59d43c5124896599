"""The sheet's pictures, as SVG to stand inside a page: no font, no address, colours from the page's own style.

Every colour is a variable of the page's style, so that one picture reads in dark, in light and on paper, and its
letters are the page's. No text of a drive or a customer goes into a picture.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import drawsvg

from drivecare.format import format_count
from drivecare.reading.model import Values
from drivecare.reading.surface import SurfaceScan

INK, SOFT, GOOD, BAD, SLOW = (f"var(--{name})" for name in ("ink", "rule", "accent", "alarm", "slow"))
_WIDTH, _LETTERS = 330.0, 8.5  # of a picture that the page gives its size, and the height of its letters

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
    columns, across, down = 25, 18.0, 15.5
    drawing = _drawing(columns * across, 4 * down + 2)
    for number in range(100):
        x, y = (number % columns + 0.5) * across, (number // columns + 0.5) * down
        dot = {"fill": BAD} if number < filled else {"fill": "none", "stroke": INK, "stroke_width": 0.9}
        drawing.append(drawsvg.Circle(x, y, 4, **dot))
    words = f"A hundred dots, {filled} of them filled"
    if baseline is not None:
        words += f"; for drives without such signs it would be about {baseline}"
    return Picture(_svg(drawing), words + ".")


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
    largest = max(max(row[1], row[2]) for row in rows)
    ticks = [0, *(10**power for power in range(len(str(largest)) + 1) if 10**power <= largest * 10)]
    left, base = 140.0, 15.0 * len(rows) + 3
    drawing = _drawing(_WIDTH, base + 16)

    def place(count: int) -> float:  # in step up to 1, then by powers of ten
        return left + (_WIDTH - 24 - left) * _power(count) / _power(ticks[-1])

    for number, (label, old_count, new_count) in enumerate(rows):
        y = 15.0 * number + 9
        drawing.append(
            drawsvg.Text(label, _LETTERS, left - 12, y, text_anchor="end", dominant_baseline="central", fill=INK)
        )
        drawing.append(drawsvg.Line(place(new_count), y, place(old_count), y, stroke=SOFT, stroke_width=1.2))
        drawing.append(drawsvg.Circle(place(old_count), y, 3, fill=BAD))
        drawing.append(_mark(place(new_count), y, ((0, -3.6), (3.6, 0), (0, 3.6), (-3.6, 0)), GOOD))
    _draw_scale(drawing, [(place(tick), f"{tick:,}") for tick in ticks], left - 6, base)
    counts = "; ".join(f"{label}: {old_count:,} before, {new_count:,} now" for label, old_count, new_count in rows)
    return Picture(_svg(drawing), f"Error counts of the old drive (round) and the new one (diamond): {counts}.")


def draw_surface(scan: SurfaceScan) -> Picture | None:
    """Draw reading speed by position, unreadable areas above it and slow ones below. None without a curve."""
    if len(scan.curve) < 2:
        return None
    giga = 10**9 if scan.bytes_total >= 10**10 else 10**6
    points = sorted(scan.curve, key=lambda point: point.offset)
    speeds = [point.mb_per_s for point in points]
    top = max(speeds) * 1.18 or 1
    left, right, base = 40.0, _WIDTH - 12, 60.0
    drawing = _drawing(_WIDTH, 88)

    def place(offset: float, speed: float) -> tuple[float, float]:
        return left + (right - left) * offset / scan.bytes_total, base - (base - 3) * speed / top

    for speed in _even_steps(top, 3):
        _, y = place(0, speed)
        drawing.append(drawsvg.Line(left - 3, y, left, y, stroke=SOFT, stroke_width=0.8))
        drawing.append(_label(f"{speed:g}", left - 5, y))
    drawing.append(drawsvg.Line(left, 3, left, base, stroke=SOFT, stroke_width=0.8))
    unit = "GB" if giga == 10**9 else "MB"
    steps = _even_steps(scan.bytes_total / giga, 6)
    _draw_scale(drawing, [(place(step * giga, 0)[0], f"{step:,g}") for step in steps], left, base)
    drawing.append(drawsvg.Text(f"position, {unit}", _LETTERS, (left + right) / 2, 85, text_anchor="middle", fill=INK))
    drawing.append(
        drawsvg.Text(
            "MB/s", _LETTERS, 10, base / 2, text_anchor="middle", fill=INK, transform=f"rotate(-90 10 {base / 2})"
        )
    )
    curve = [coordinate for point in points for coordinate in place(point.offset, point.mb_per_s)]
    drawing.append(drawsvg.Lines(*curve, fill="none", stroke=GOOD, stroke_width=1.1, stroke_linejoin="round"))
    for slow in scan.slow:
        drawing.append(_mark(*place(slow.offset, top * 0.04), ((0, -2.6), (2.6, 2.2), (-2.6, 2.2)), SLOW))
    for lost in scan.unreadable:
        drawing.append(_mark(*place(lost.offset, top * 0.95), ((0, 2.6), (2.6, -2.2), (-2.6, -2.2)), BAD))
    words = (
        f"Reading speed from {min(speeds):,.0f} to {max(speeds):,.0f} MB/s along the surface;"
        f" {format_count(len(scan.unreadable), 'unreadable area')} marked above, {len(scan.slow):,} slow ones below."
    )
    return Picture(_svg(drawing), words)


def _drawing(width: float, height: float) -> drawsvg.Drawing:
    return drawsvg.Drawing(width, height, aria_hidden="true")


def _power(count: int) -> float:
    return float(count) if count <= 1 else 1 + math.log10(count)


def _even_steps(end: float, most: int) -> list[float]:
    """At most so many even steps above 0 in round numbers, and 0."""
    rounds = (base * 10.0**power for power in range(-3, 19) for base in (1, 2, 5))
    step = next(step for step in rounds if end / step <= most)
    return [number * step for number in range(int(end / step) + 1)]


def _draw_scale(drawing: drawsvg.Drawing, ticks: Sequence[tuple[float, str]], left: float, y: float) -> None:
    """Draw the axis below a picture."""
    drawing.append(drawsvg.Line(left, y, _WIDTH - 12, y, stroke=SOFT, stroke_width=0.8))
    for x, words in ticks:
        drawing.append(drawsvg.Line(x, y, x, y + 3, stroke=SOFT, stroke_width=0.8))
        drawing.append(drawsvg.Text(words, _LETTERS, x, y + 12, text_anchor="middle", fill=INK))


def _label(words: str, x: float, y: float) -> drawsvg.Text:
    """Words that end at a place."""
    return drawsvg.Text(words, _LETTERS, x, y, text_anchor="end", dominant_baseline="central", fill=INK)


def _mark(x: float, y: float, corners: Sequence[tuple[float, float]], color: str) -> drawsvg.Lines:
    """A small shape around a place."""
    return drawsvg.Lines(*(near for dx, dy in corners for near in (x + dx, y + dy)), close=True, fill=color)


def _svg(drawing: drawsvg.Drawing) -> str:
    """Write a drawing as an element of a page, which gives it its size."""
    text: str = drawing.as_svg(header="").replace("<defs>\n</defs>\n", "")
    return re.sub(r'\s(?:xmlns(?::\w+)?|width|height)="[^"]*"(?=[^>]*viewBox)', "", text)
