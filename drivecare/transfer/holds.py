"""What an area holds, as documents record it: a file, a structure of the file system, free space, or nobody knows."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Literal

from msgspec import Meta

from drivecare.documents import Value
from drivecare.transfer.areas import Area, ByteCount

HoldKind = Literal["file", "directory", "structure", "free", "deleted", "outside", "unknown"]
FileKind = Literal["photo", "video", "sound", "document", "mail", "archive", "program"]


class Hold(Value, frozen=True, kw_only=True):
    """One thing that an area holds, and how many bytes of it lie there.

    `partition` is its number. `path` begins with "/" at the root of the partition; None where the thing has none, or
    where the names are kept apart. `file` is its number in a receipt, the same in every area that it touches;
    `file_kind` is what a customer would call it, `size_bytes` the size of the whole file. `structure` names the
    structure of a file system, and says of "unknown" why nothing is known. A file with 0 `bytes` owns the place, but
    its content ends before it.
    """

    kind: HoldKind
    partition: int | None = None
    path: str | None = None
    file: Annotated[int, Meta(ge=1)] | None = None
    file_kind: FileKind | None = None
    size_bytes: ByteCount | None = None
    bytes: ByteCount
    structure: str | None = None


class AreaContents(Area, frozen=True, kw_only=True):
    """An area and all that it holds, as the file systems there say, the most important first; nothing where nobody
    looked.
    """

    holds: tuple[Hold, ...] = ()


def not_looked_at(areas: Iterable[Area]) -> tuple[AreaContents, ...]:
    """Areas of which nobody has looked yet what they hold."""
    return tuple(AreaContents.between(area.offset, area.end) for area in areas)


_IMPORTANCE: tuple[HoldKind, ...] = ("file", "directory", "structure", "unknown", "deleted", "free", "outside")


def most_important_first(holds: Iterable[Hold]) -> tuple[Hold, ...]:
    """What a customer would miss first comes first, and of one kind the one with most bytes."""
    return tuple(sorted(holds, key=lambda hold: (_IMPORTANCE.index(hold.kind), -hold.bytes)))


def hits_nothing(area: Area, holds: Iterable[Hold]) -> bool:
    """Whether no file that existed was hit: all of the area is free space, or lies outside any partition.

    Deleted files may have been there; some customers come for those. Where one is known, they are asked.
    """
    holds = tuple(holds)
    return {hold.kind for hold in holds} <= {"free", "outside"} and sum(hold.bytes for hold in holds) == area.length
