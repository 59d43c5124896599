"""The console that screens are drawn on: text is made visible first, our own styles and line breaks come afterwards.

Lines are broken between words only, so that a serial number or a path stays whole: where one is wider than the screen,
its line is too, and the terminal deals with it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.table import Column, Table
from rich.text import Text

from drivecare.format import clip_text
from drivecare.visible import visible, visible_lines

WIDEST = 100  # longer lines read badly
_GAP = 2
_LEAST = 12  # a wrapped column narrower than this goes below its row
_BELOW = 6  # the indent it has there


class Screen(Console):
    """A rich console for text that is not ours: no markup, no links, and nothing in it steers the terminal.

    What is printed is one line. Several are printed one by one, or with `print_lines`, so that a line feed inside a
    name cannot begin a line of its own.
    """

    def print(self, *objects: Any, **options: Any) -> None:
        """Print one line; a text in it is shown with everything escaped that does not show itself."""
        super().print(*(visible(item) if isinstance(item, str) else item for item in objects), **options)

    def print_lines(self, lines: Iterable[str], *, style: str | None = None) -> None:
        """Print every line as it is, unbroken."""
        for line in lines:
            self.print(line, style=style, soft_wrap=True)

    def print_parts(self, *parts: tuple[str, str], end: str = "\n") -> None:
        """Print (text, style) pairs as one line."""
        super().print(Text.assemble(*((visible(text), style) for text, style in parts)), soft_wrap=True, end=end)

    def print_wrapped(
        self, text: str, *, first: str = "", first_style: str = "", indent: int | None = None, style: str = ""
    ) -> None:
        """Print a paragraph behind `first`, its further lines indented, by default to stand below the text."""
        indent = cell_len(first) if indent is None else indent
        room = self.readable - max(indent, cell_len(first))
        words = Text(visible_lines(text).replace("\n", " "), overflow="ignore")  # a word too long is not broken
        start = Text(visible(first))
        start.stylize(first_style, 0, len(start.plain.rstrip()))
        for line in words.wrap(self, max(room, 1)):
            line.rstrip()
            self.print(Text.assemble(start, line, style=style), soft_wrap=True)
            start = Text(" " * indent)

    def print_table(
        self,
        rows: Sequence[Sequence[str]],
        *,
        heading: bool = False,
        clip: bool = False,
        notes: Sequence[str] | None = None,
    ) -> None:
        """Print rows of equally many cells; the first row is bold with `heading`. `notes`: what stands below each row.

        Every column but the last is as wide as its longest cell. The last one is broken between words and at line
        feeds, or cut to one line with `clip`. On a narrow screen it stands below its row, and so do as many before it
        as have no room beside the first.
        """
        columns = [[visible(cell) for cell in column] for column in list(zip(*rows, strict=True))[:-1]]
        last = [visible_lines(row[-1]) for row in rows]
        widths = [max(map(cell_len, column)) + _GAP for column in columns]
        if clip:
            last = [clip_text(cell.replace("\n", " "), max(self.readable - sum(widths), _LEAST)) for cell in last]
        longest = max((cell_len(word) for cell in last for word in cell.split()), default=0)
        below = self.readable - sum(widths) < max(_LEAST, longest)
        while below and sum(widths) > self.readable and len(columns) > 1:
            del widths[-1]
            last = [f"{cell}  {text}" for cell, text in zip(columns.pop(), last, strict=True)]
        for number, cells in enumerate(zip(*columns, *([] if below else [last]), strict=True)):
            style = "bold" if heading and not number else ""
            grid = Table.grid(*(Column(no_wrap=True, width=width - _GAP) for width in widths), padding=(0, _GAP, 0, 0))
            grid.add_row(*map(Text, cells), style=style)
            for line in self._draw(grid, max(sum(widths), self.readable)):
                self.print(line, soft_wrap=True)
            texts = last[number].split("\n") if below else []
            for text in filter(None, (*texts, notes[number] if notes else "")):
                self.print_wrapped(text, first=" " * _BELOW, style=style)

    def print_row(self, *cells: str, widths: Sequence[int], indent: str = "") -> None:
        """Print cells in columns; the first is wrapped and gives way on a narrow screen, those between stand right."""
        first, *between, last = widths
        room = self.readable - cell_len(indent) - sum(width + _GAP for width in (*between, last))
        grid = Table.grid(padding=(0, _GAP, 0, 0))
        grid.add_column(width=max(_LEAST, min(first, room)))
        for width in between:
            grid.add_column(width=width, justify="right")
        grid.add_column(width=last)
        grid.add_row(*(Text(visible(cell)) for cell in cells))
        for line in self._draw(grid, sum(widths) + _GAP * len(widths)):
            self.print(Text.assemble(indent, line), soft_wrap=True)

    @property
    def readable(self) -> int:
        """How wide a line may be."""
        return min(self.width, WIDEST)

    def _draw(self, grid: Table, width: int) -> list[Text]:
        """Draw a table without blanks at the ends of its lines."""
        lines = self.render_lines(grid, self.options.update_width(width), pad=False)
        drawn = [Text.assemble(*((segment.text, segment.style or "") for segment in line)) for line in lines]
        for line in drawn:
            line.rstrip()
        return drawn

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Render anything else that rich can draw, its text made visible as well."""
        for segment in super().render(renderable, options):
            yield segment if segment.control else Segment(visible_lines(segment.text), segment.style)
