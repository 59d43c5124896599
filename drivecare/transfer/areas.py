"""Areas: half-open stretches of bytes, and the little arithmetic a copy needs on them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Annotated

from msgspec import Meta

from drivecare.documents import Value

ByteCount = Annotated[int, Meta(ge=0)]
"""A number of bytes. A document that has a negative one is refused where it enters."""


class Area(Value, frozen=True, kw_only=True, order=True):
    """`length` bytes from `offset` on; both in bytes, counted from the start of the medium."""

    offset: ByteCount
    length: ByteCount

    @property
    def end(self) -> int:
        """The first byte behind the area."""
        return self.offset + self.length


def area(start: int, end: int) -> Area:
    """The area from `start` up to, not including, `end`."""
    return Area(offset=start, length=end - start)


def merge(areas: Iterable[Area]) -> tuple[Area, ...]:
    """The same bytes in the fewest areas, in order; touching and overlapping ones joined, empty ones dropped."""
    merged: list[Area] = []
    for one in sorted(each for each in areas if each.length > 0):
        if merged and one.offset <= merged[-1].end:
            merged[-1] = area(merged[-1].offset, max(merged[-1].end, one.end))
        else:
            merged.append(area(one.offset, one.end))
    return tuple(merged)


def uncovered(areas: Iterable[Area], within: Area) -> tuple[Area, ...]:
    """What `within` holds beside the areas, in order."""
    missing: list[Area] = []
    position = within.offset
    for one in merge(areas):
        if one.end <= position:
            continue
        if one.offset >= within.end:
            break
        if one.offset > position:
            missing.append(area(position, one.offset))
        position = one.end
    if position < within.end:
        missing.append(area(position, within.end))
    return tuple(missing)


def overlap(one: Area, other: Area) -> Area | None:
    """The bytes both hold; None where there are none."""
    start, end = max(one.offset, other.offset), min(one.end, other.end)
    return area(start, end) if start < end else None


def pieces(whole: Area, size: int) -> Iterator[Area]:
    """`whole` cut at every multiple of `size` counted from byte 0."""
    position = whole.offset
    while position < whole.end:
        cut = min(whole.end, (position // size + 1) * size)
        yield area(position, cut)
        position = cut


def count_pieces(whole: Area, size: int) -> int:
    """How many areas `pieces` gives, without making them."""
    return (whole.end - 1) // size - whole.offset // size + 1 if whole.length else 0


def total(areas: Iterable[Area]) -> int:
    """Bytes in all of them together."""
    return sum(one.length for one in areas)
