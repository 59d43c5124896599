"""Answer what one partition holds: recognise it, have its reader walk it, attribute the areas that were asked about."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from drivecare.contents.assembly import without_files
from drivecare.contents.attribution import Attribution
from drivecare.contents.model import Volume, VolumeAnswer, VolumeQuestion
from drivecare.contents.readers.tree import NONSENSE, Reader
from drivecare.contents.recognise import Mark, recognise
from drivecare.contents.window import Window
from drivecare.format import format_count
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import AreaContents, Hold
from drivecare.transfer.sectors.partitions import ReadAt

OpenVolume = Callable[[Window], Reader]

_UNREADABLE = "its first structures could not be read, or make no sense"
_IN_USE = "in use, or not known to be free"
_NOT_SURE = "the record of free space was not read, or cannot be relied on"


def answer(
    question: VolumeQuestion,
    read: ReadAt,
    readers: Mapping[str, OpenVolume],
    on_names: Callable[[int], None] = lambda _: None,
) -> VolumeAnswer:
    """What a partition holds. `read` reads the medium; lost areas are never asked of it.

    `on_names` is told how many names were walked so far.
    """
    window = Window(read, question.partition, question.lost)
    mark = recognise(window.at, window.size_bytes, question.type)
    if mark.reader is None:
        return without_files(question, mark)
    try:
        reader = readers[mark.reader](window)
    except NONSENSE:
        return without_files(question, mark, _UNREADABLE)
    reader.on_names = on_names
    base = question.partition.offset
    areas = [Area(offset=area.offset - base, length=area.length) for area in question.areas]
    attribution = Attribution(areas)
    try:
        reader.open()
        reader.survey(attribution)
    except NONSENSE:
        reader.unread += 1
        reader.reason = _UNREADABLE if reader.files is None else None
    if areas:
        _claim_structures(reader, attribution)
    holds = _attributed(reader, attribution, areas)
    found = zip(question.areas, holds, strict=True)
    return VolumeAnswer(
        volume=_volume(reader, mark),
        areas=tuple(AreaContents(offset=area.offset, length=area.length, holds=items) for area, items in found),
    )


def _claim_structures(reader: Reader, attribution: Attribution) -> None:
    try:
        reader.claim_structures(attribution)
    except NONSENSE:
        reader.unread += 1


def _volume(reader: Reader, mark: Mark) -> Volume:
    reason = reader.reason
    if reader.unread and reason is None:
        reason = (
            f"{format_count(reader.unread, 'entry', 'entries')} of its structures could not be read, or make no sense"
        )
    room = reader.window.size_bytes
    sizes = [size if size is not None and size <= room else None for size in (reader.used_bytes, reader.free_bytes)]
    return Volume(
        file_system=reader.file_system or mark.file_system,
        label=(reader.label or "").encode("utf-8", "replace").decode()[:256] or None,
        encrypted=reader.encrypted,
        used_bytes=sizes[0],
        free_bytes=sizes[1],
        files=reader.files,
        folders=reader.folders,
        reason=reason,
    )


def _attributed(reader: Reader, attribution: Attribution, areas: Sequence[Area]) -> list[tuple[Hold, ...]]:
    """The holds of every area. Where one is both free and a file's, nothing of this partition counts as free."""
    free = [_free_parts(reader, area) for area in areas]
    if any(parts and attribution.disagrees(index, parts) for index, parts in enumerate(free)):
        free = [None] * len(areas)
    return [
        attribution.holds(index, parts, _NOT_SURE if parts is None else _IN_USE) for index, parts in enumerate(free)
    ]


def _free_parts(reader: Reader, area: Area) -> tuple[Area, ...] | None:
    try:
        return reader.free_parts(area)
    except NONSENSE:
        return None
