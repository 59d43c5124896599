"""Areas: half-open stretches of bytes, and the arithmetic that a copy needs on them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Annotated, Self

from msgspec import Meta

from drivecare.documents import Value

ByteCount = Annotated[int, Meta(ge=0)]
"""A number of bytes. A document with a negative one is refused where it enters."""


class Area(Value, frozen=True, kw_only=True, order=True):
    """`length` bytes from `offset` on, counted from the start of the medium."""

    offset: ByteCount
    length: ByteCount

    @property
    def end(self) -> int:
        """The first byte after the area."""
        return self.offset + self.length

    @classmethod
    def between(cls, start: int, end: int) -> Self:
        """The area from `start` up to, not including, `end`."""
        return cls(offset=start, length=end - start)


def merge(areas: Iterable[Area]) -> tuple[Area, ...]:
    """The same bytes in the fewest areas, in order; touching and overlapping ones joined, empty ones dropped."""
    return close_gaps(areas, 1)


def close_gaps(areas: Iterable[Area], gap_bytes: int) -> tuple[Area, ...]:
    """The areas in order, joined across every gap of less than `gap_bytes`; empty ones dropped."""
    merged: list[Area] = []
    for area in sorted((area for area in areas if area.length > 0), key=lambda area: area.offset):
        if merged and area.offset < merged[-1].end + gap_bytes:
            merged[-1] = Area.between(merged[-1].offset, max(merged[-1].end, area.end))
        else:
            merged.append(Area.between(area.offset, area.end))
    return tuple(merged)


def widen(areas: Iterable[Area], unit: int, end: int) -> tuple[Area, ...]:
    """The areas out to multiples of `unit`, but not beyond `end`."""
    return merge(
        Area.between(area.offset // unit * unit, min(-(-area.end // unit) * unit, end))
        for area in areas
        if area.offset < end
    )


def uncovered(areas: Iterable[Area], within: Area) -> tuple[Area, ...]:
    """The parts of `within` that no area covers, in order."""
    gaps: list[Area] = []
    position = within.offset
    for area in merge(areas):
        if area.end <= position:
            continue
        if area.offset >= within.end:
            break
        if area.offset > position:
            gaps.append(Area.between(position, area.offset))
        position = area.end
    if position < within.end:
        gaps.append(Area.between(position, within.end))
    return tuple(gaps)


def overlap(first: Area, second: Area) -> Area | None:
    """The bytes that both share; None where there are none."""
    start, end = max(first.offset, second.offset), min(first.end, second.end)
    return Area.between(start, end) if start < end else None


def intersect(first: Sequence[Area], second: Sequence[Area]) -> Iterator[Area]:
    """The bytes that both hold, in order; each is in order, and its own areas do not overlap."""
    left = right = 0
    while left < len(first) and right < len(second):
        if (shared := overlap(first[left], second[right])) is not None:
            yield shared
        if first[left].end <= second[right].end:
            left += 1
        else:
            right += 1


def pieces(whole: Area, size: int) -> Iterator[Area]:
    """`whole` cut at every multiple of `size` counted from byte 0."""
    position = whole.offset
    while position < whole.end:
        cut = min(whole.end, (position // size + 1) * size)
        yield Area.between(position, cut)
        position = cut


def count_pieces(whole: Area, size: int) -> int:
    """The number of areas that `pieces` would give, without making them."""
    return (whole.end - 1) // size - whole.offset // size + 1 if whole.length else 0


def total(areas: Iterable[Area]) -> int:
    """The sum of their lengths, in bytes."""
    return sum(area.length for area in areas)
