"""Text and tables for the screen and the pipe: broken between words only, so that a serial number stays whole."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from drivecare.visible import visible, visible_lines

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen

WIDEST = 100  # longer lines read badly
_GAP = 2
_LEAST = 12  # a last column narrower than this goes below its row


def wrapped(out: Screen, text: str, *, first: str = "", rest: int = 0, style: str | None = None) -> None:
    """Print text that begins with `first`, its further lines indented by `rest`."""
    lines = textwrap.wrap(
        visible_lines(text),
        width=min(out.width, WIDEST),
        initial_indent=first,
        subsequent_indent=" " * rest,
        break_long_words=False,
        break_on_hyphens=False,
    )
    out.print_lines(lines, style=style)


def table(out: Screen, rows: Sequence[Sequence[str]], *, heading: bool = False) -> None:
    """Print rows of equally many cells; the first row is bold with `heading`.

    Every column but the last is as wide as its longest cell. The last one is broken between words (and at line ends),
    or stands below its row where there is no room for it: at 80 columns nothing is ever cut.
    """
    rows = [(*map(visible, row[:-1]), visible_lines(row[-1])) for row in rows]
    widths = [max(len(row[index]) for row in rows) for index in range(len(rows[0]) - 1)]
    indent = sum(widths) + _GAP * len(widths)
    room = min(out.width, WIDEST) - indent
    below = room < max(_LEAST, *(len(word) for row in rows for word in row[-1].split()))
    for number, row in enumerate(rows):
        style = "bold" if heading and not number else None
        for line in _lines(row, widths, indent, room, below=below):
            out.print(line.rstrip(), soft_wrap=True, style=style)


def _lines(row: Sequence[str], widths: Sequence[int], indent: int, room: int, *, below: bool) -> Iterator[str]:
    start = (" " * _GAP).join(cell.ljust(width) for cell, width in zip(row, widths, strict=False)) + " " * _GAP
    if below:
        yield start
        indent, room = 6, room + indent - 6
    last = [piece for line in row[-1].split("\n") for piece in _pieces(line, room)] or [""]
    for number, piece in enumerate(last):
        yield (" " * indent if number or below else start) + piece


def _pieces(line: str, room: int) -> list[str]:
    return textwrap.wrap(line, max(room, 1), break_long_words=False, break_on_hyphens=False)
