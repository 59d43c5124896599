"""The console that screens are drawn on: text is made visible first, our own styles go on afterwards."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from drivecare.visible import visible, visible_lines


class Screen(Console):
    """A rich console for text that is not ours: no markup, no links, and nothing in it steers the terminal.

    What is printed is one line. Several are printed one by one, or with `print_lines`, so that a line feed inside a
    name cannot begin a line of its own.
    """

    def print(self, *objects: Any, **options: Any) -> None:
        """Print one line; a text in it is shown with everything escaped that does not show itself."""
        super().print(*(visible(one) if isinstance(one, str) else one for one in objects), **options)

    def print_lines(self, lines: Iterable[str], *, style: str | None = None) -> None:
        """Print every line as it is, unbroken."""
        for line in lines:
            self.print(line, style=style, soft_wrap=True)

    def print_parts(self, *parts: tuple[str, str], end: str = "\n") -> None:
        """Print (text, style) pairs as one line."""
        super().print(Text.assemble(*((visible(text), style) for text, style in parts)), soft_wrap=True, end=end)

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Render anything else that rich can draw, its text made visible as well."""
        for segment in super().render(renderable, options):
            yield segment if segment.control else Segment(visible_lines(segment.text), segment.style)
