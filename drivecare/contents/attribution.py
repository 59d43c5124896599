"""Which area belongs to what: claims on areas are collected, and what nobody claims is free only where all agree."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate

from drivecare.transfer.areas import Area, merge, overlap, total, uncovered
from drivecare.transfer.file_kinds import kind_of_file
from drivecare.transfer.holds import Hold, HoldKind, most_important_first

MOST_HOLDS = 20_000  # of one partition; what is beyond is only counted


@dataclass(frozen=True, slots=True)
class Owner:
    """Who claims an area. `identity` is the same for all names of a file."""

    kind: HoldKind
    path: str | None = None
    size_bytes: int | None = None
    structure: str | None = None
    identity: int | None = None


class Attribution:
    """The areas that were asked about, and who claims them. Most extents of a drive touch none, which is found fast."""

    def __init__(self, areas: Sequence[Area]) -> None:
        order = sorted(range(len(areas)), key=lambda index: areas[index])
        self._place_of = {index: place for place, index in enumerate(order)}
        self._areas = [areas[index] for index in order]
        self._starts = [area.offset for area in self._areas]
        self._furthest = list(accumulate((area.end for area in self._areas), max))
        self._hits: list[dict[tuple[HoldKind, object], tuple[Owner, list[Area]]]] = [{} for _ in areas]
        self._claimed: list[list[tuple[HoldKind, Area]]] = [[] for _ in areas]
        self._deleted: list[list[tuple[Owner, Area]]] = [[] for _ in areas]
        self._count = 0

    def __bool__(self) -> bool:
        return bool(self._areas)

    def _touched(self, extent: Area) -> Iterator[int]:
        index = bisect_right(self._starts, extent.end - 1) - 1
        while index >= 0 and self._furthest[index] > extent.offset:
            if self._areas[index].end > extent.offset:
                yield index
            index -= 1

    def touches(self, extent: Area) -> bool:
        """Whether an extent touches an area that was asked about."""
        return next(self._touched(extent), None) is not None

    def claim(self, owner: Owner, extent: Area, content_bytes: int | None = None) -> None:
        """Note that an extent belongs to someone. Its content may end before it does, after `content_bytes`."""
        length = extent.length if content_bytes is None else min(content_bytes, extent.length)
        content = Area(offset=extent.offset, length=length)
        for index in self._touched(extent):
            self._claimed[index].append((owner.kind, extent))
            self._note(index, owner, overlap(content, self._areas[index]))

    def claim_deleted(self, owner: Owner, extent: Area) -> None:
        """Note that an extent was a deleted file's. It counts only where nobody else claims it and it is free."""
        for index in self._touched(extent):
            self._count += 1
            if self._count <= MOST_HOLDS:
                self._deleted[index].append((owner, extent))

    def _note(self, index: int, owner: Owner, hit: Area | None) -> None:
        name = owner.identity if owner.identity is not None else owner.path or owner.structure
        key = (owner.kind, name)
        if key not in self._hits[index]:
            self._count += 1
            if self._count > MOST_HOLDS:
                owner, key = Owner(owner.kind, structure="more than can be listed"), (owner.kind, None)
        _, hits = self._hits[index].setdefault(key, (owner, []))
        if hit is not None:
            hits.append(hit)

    def holds(self, index: int, free: Sequence[Area] | None, reason: str) -> tuple[Hold, ...]:
        """All that area `index`, as it was asked for, holds.

        `free`: what the file system's own record says is free in it; None where that cannot be relied on, for `reason`.
        """
        place = self._place_of[index]
        area = self._areas[place]
        holds = [
            Hold(
                kind=owner.kind,
                path=owner.path,
                file_kind=kind_of_file(owner.path) if owner.kind == "file" and owner.path else None,
                size_bytes=owner.size_bytes,
                structure=owner.structure,
                bytes=total(merge(hits)),  # a file with two names claims its extents twice
            )
            for owner, hits in self._hits[place].values()
        ]
        unclaimed = uncovered((extent for _, extent in self._claimed[place]), area)
        proven = [part for gap in unclaimed for part in _within(free or (), gap)]
        holds += self._free_or_deleted(place, proven)
        if unknown := total(unclaimed) - total(merge(proven)):
            holds.append(Hold(kind="unknown", bytes=unknown, structure=reason))
        return most_important_first(holds)

    def _free_or_deleted(self, place: int, free: Sequence[Area]) -> Iterator[Hold]:
        """What is free, and in it what deleted files left: each byte once, for the first that had it."""
        left = merge(free)
        for owner, extent in self._deleted[place]:
            if hit := tuple(_within(left, extent)):
                kind = kind_of_file(owner.path) if owner.path else None
                size = owner.size_bytes
                yield Hold(kind="deleted", path=owner.path, file_kind=kind, size_bytes=size, bytes=total(hit))
                left = tuple(part for piece in left for part in uncovered([extent], piece))
        if left:
            yield Hold(kind="free", bytes=total(left))

    def claimed(self) -> tuple[Area, ...]:
        """All that anybody claims."""
        return merge(extent for claims in self._claimed for _, extent in claims)

    def disagrees(self, index: int, free: Sequence[Area]) -> bool:
        """Whether a file or directory claims what the file system's own record says is free."""
        claimed = [extent for kind, extent in self._claimed[self._place_of[index]] if kind != "structure"]
        return any(overlap(part, extent) is not None for part in free for extent in claimed)


def _within(parts: Sequence[Area], whole: Area) -> Iterator[Area]:
    for part in parts:
        if (shared := overlap(part, whole)) is not None:
            yield shared
