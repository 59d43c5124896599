"""Amounts and lists as people read them: bytes, counts, minutes, and what is too long to print whole.

This module imports nothing of ours.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Generic, TypeVar

FIRST, LAST = 9, 3

Item = TypeVar("Item")


def format_bytes(count: int | None) -> str:
    """Format a byte count as a label would, in three digits and powers of ten: 500,107,862,016 is "500 GB"."""
    if count is None:
        return "size unknown"
    value, unit = float(count), "bytes"
    for larger in ("kB", "MB", "GB", "TB", "PB", "EB"):
        if value < 999.5:
            break
        value, unit = value / 1000, larger
    return f"{value:.3g} {unit}"


def format_count(count: int, noun: str, plural: str | None = None) -> str:
    """Format a number of things: "1 file", "1,204 files", "2 copies"."""
    return f"{count:,} {noun if count == 1 else plural or noun + 's'}"


def format_minutes(minutes: float) -> str:
    """Format a duration: "28 min", from two hours on "2.5 h", then "70 days", from two years on "7.1 years"."""
    hours, days = minutes / 60, minutes / 1440
    if hours < 72:
        return f"{minutes:.0f} min" if minutes < 120 else f"{hours:.1f} h"
    return f"{days:,.0f} days" if days < 730 else f"{days / 365.25:,.1f} years"


def format_value(value: object, *, absent: str = "-") -> str:
    """Format a value for a table: thousands separated, at most two decimals; absent and zero differ."""
    if value is None:
        return absent
    if isinstance(value, float):
        return f"{value:,.2f}".rstrip("0").rstrip(".")
    return f"{value:,}" if isinstance(value, int) else str(value)


def spell_protocol(protocol: str) -> str:
    """Spell a protocol as people write it: "nvme" is "NVMe", "sas" is "SAS"."""
    return {"nvme": "NVMe", "emmc": "eMMC"}.get(protocol, protocol.upper())


def join_and(words: Sequence[str]) -> str:
    """Join words as a sentence lists them: "a", "a and b", "a, b and c"."""
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def join_some(words: Sequence[str], most: int, separator: str = ", ") -> str:
    """Join at most so many words and count the others: "a, b, c and 4 more"."""
    others = len(words) - most
    return separator.join(words[:most]) + (f" and {others:,} more" if others > 0 else "")


def clip_text(text: str, length: int) -> str:
    """Cut a text to this length, with an ellipsis in place of what is missing."""
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"


class Excerpt(Generic[Item]):
    """The first and the last few of any number of items; what stands between them is only counted."""

    def __init__(self, items: Iterable[Item] = ()) -> None:
        self.count = 0
        self._first: list[Item] = []
        self._last: deque[Item] = deque(maxlen=LAST)
        for item in items:
            self.add(item)

    def add(self, item: Item) -> None:
        """Add an item at the end."""
        self.count += 1
        if len(self._first) < FIRST:
            self._first.append(item)
        else:
            self._last.append(item)

    def lines(self, describe: Callable[[Item], str], others: str) -> Iterator[str]:
        """Yield a line for each item kept and one for those between: "... 488 more areas, all in the receipt"."""
        yield from map(describe, self._first)
        between = self.count - len(self._first) - len(self._last)
        if between:
            yield f"... {between:,} more {others}"
        yield from map(describe, self._last)
