"""From a partition table to a question about each partition, and from the answers to one document."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import msgspec

from drivecare.contents.model import Contents, Partition, Volume, VolumeAnswer, VolumeQuestion, VolumeUsage, unknown
from drivecare.contents.recognise import Mark
from drivecare.transfer.areas import Area, intersect, merge, overlap, total, uncovered
from drivecare.transfer.holds import AreaContents, Hold, most_important_first
from drivecare.transfer.sectors.partitions import PartitionTable, holds_logical
from drivecare.transfer.sectors.worth import UsedSpace

_GPT_ENTRIES_BYTES = 128 * 128  # UEFI 2.10, section 5.3.1: at least so much is kept for the entries
_TABLE_LOST = "the partition table did not come across"


def partitions_of(table: PartitionTable, size_bytes: int) -> tuple[Partition, ...]:
    """The partitions to look at: those of the table that hold no others, else the whole as one."""
    entries = [entry for entry in table.partitions if not holds_logical(entry) and entry.offset < size_bytes]
    if not entries:
        return (Partition(number=0, offset=0, length=size_bytes),)
    return tuple(
        Partition(
            number=entry.number,
            offset=entry.offset,
            length=min(entry.length, size_bytes - entry.offset),
            name=(entry.name or "").encode("utf-8", "replace").decode() or None,
        )
        for entry in entries
    )


def question_about(
    partition: Partition, table: PartitionTable, areas: Sequence[Area], lost: Sequence[Area]
) -> VolumeQuestion:
    """What to ask about a partition: the parts of the areas that lie in it, each once."""
    room = Area(offset=partition.offset, length=partition.length)
    types = {entry.offset: entry.type for entry in table.partitions}
    return VolumeQuestion(
        partition=room,
        areas=tuple(part for area in areas for part in [overlap(area, room)] if part is not None),
        lost=tuple(part for area in merge(lost) for part in [overlap(area, room)] if part is not None),
        type=types.get(partition.offset),
    )


def without_files(question: VolumeQuestion, mark: Mark, reason: str | None = None) -> VolumeAnswer:
    """What is known of a partition whose files nothing reads: its mark, and why; or else this reason."""
    reason = reason or mark.reason or ""
    volume = Volume(file_system=mark.file_system or None, encrypted=mark.encrypted, reason=reason)
    return VolumeAnswer(volume=volume, areas=tuple(unknown(area, reason) for area in question.areas))


def without_answer(question: VolumeQuestion, reason: str) -> VolumeAnswer:
    """What is known of a partition when its reader failed: nothing, for this reason."""
    areas = tuple(unknown(area, reason) for area in question.areas)
    return VolumeAnswer(volume=Volume(reason=reason), areas=areas)


def assemble(
    path: str,
    size_bytes: int,
    table: PartitionTable,
    areas: Sequence[Area],
    answers: Sequence[tuple[Partition, VolumeAnswer]],
) -> Contents:
    """The document. What lies in no partition is the partition table itself, or outside."""
    table_lost = not table.partitions and any(area.offset < 512 for area in areas)
    partitions = []
    for partition, answer in answers:
        known = msgspec.structs.asdict(answer.volume)
        if partition.number == 0 and table_lost and not known["file_system"]:
            known["reason"] = _TABLE_LOST
        partitions.append(msgspec.structs.replace(partition, **known))
    inside = [
        (partition, {(part.offset, part.length): part.holds for part in answer.areas}) for partition, answer in answers
    ]
    structures = tuple(_table_areas(table))
    return Contents(
        path=path,
        size_bytes=size_bytes,
        partitions=tuple(partitions),
        areas=tuple(
            AreaContents(
                offset=area.offset,
                length=area.length,
                holds=most_important_first([*_inside(area, inside), *_outside(area, structures, partitions)]),
            )
            for area in areas
        ),
        notes=tuple(sorted({answer.not_in_force for _, answer in answers if answer.not_in_force})),
    )


def _inside(
    area: Area, inside: Sequence[tuple[Partition, Mapping[tuple[int, int], tuple[Hold, ...]]]]
) -> Iterator[Hold]:
    for partition, holds in inside:
        part = overlap(area, Area(offset=partition.offset, length=partition.length))
        for hold in holds.get((part.offset, part.length), ()) if part is not None else ():
            yield msgspec.structs.replace(hold, partition=partition.number)


def _outside(area: Area, structures: Sequence[Area], partitions: Sequence[Partition]) -> Iterator[Hold]:
    outside = uncovered((Area(offset=entry.offset, length=entry.length) for entry in partitions), area)
    of_table = [part for gap in outside for place in structures for part in [overlap(gap, place)] if part is not None]
    if of_table:
        yield Hold(kind="structure", structure="partition table", bytes=total(merge(of_table)))
    if left := total(outside) - total(merge(of_table)):
        yield Hold(kind="outside", bytes=left)


def _table_areas(table: PartitionTable) -> Iterator[Area]:
    """Where the table itself lies: of MBR every block of its chain, of GPT both copies."""
    sector = table.sector_bytes or 512
    yield Area(offset=0, length=sector)
    for entry in table.partitions:
        if holds_logical(entry):
            yield Area(offset=entry.offset, length=sector)
    if table.kind == "gpt":
        yield Area(offset=sector, length=sector + _GPT_ENTRIES_BYTES)
        if table.backup_lba is not None:
            end = (table.backup_lba + 1) * sector
            yield Area.between(max(0, end - sector - _GPT_ENTRIES_BYTES), end)


def used_space(table: PartitionTable, answers: Sequence[tuple[Partition, VolumeAnswer]]) -> UsedSpace | None:
    """The ranks of a drive; None where no file system told anything. All of a partition that tells nothing is used."""
    structures, used, doubtful = [*_table_areas(table)], list[Area](), list[Area]()
    for partition, answer in answers:
        room = Area(offset=partition.offset, length=partition.length)
        usage = answer.usage or VolumeUsage()
        free = merge(intersect(merge(usage.free), (room,)))
        structures += intersect(merge(usage.structures), (room,))
        used += uncovered(free, room)
        doubtful += () if usage.clean else free
    if not any(answer.usage is not None and answer.usage.free for _, answer in answers):
        return None
    return UsedSpace(structures=tuple(structures), used=tuple(used), doubtful=tuple(doubtful))
