"""The documents of a drive's contents, and what the parser's process is asked and answers."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

from drivecare.documents import PlainPath, Value
from drivecare.transfer.areas import Area, ByteCount
from drivecare.transfer.holds import AreaContents, Hold

Label = Annotated[str, Meta(max_length=256)]
Count = Annotated[int, Meta(ge=0)]


class Volume(Value, frozen=True, kw_only=True):
    """What a partition holds, as its own structures say. None where they do not say, or could not be read.

    `reason`: why its files are not known, or not all of them. `files` and `folders` count names, so a file with two
    names counts twice.
    """

    file_system: str | None = None
    label: Label | None = None
    encrypted: bool | None = None
    used_bytes: ByteCount | None = None
    free_bytes: ByteCount | None = None
    files: Count | None = None
    folders: Count | None = None
    reason: str | None = None


class Partition(Volume, frozen=True, kw_only=True):
    """A partition and what it holds. `number` is 0 where a file system begins at the first byte, without a table."""

    number: Count
    offset: ByteCount
    length: ByteCount
    name: Label | None = None


class Contents(Value, frozen=True, kw_only=True):
    """What is on a drive or image: its partitions, and what lies in every area that was asked about."""

    schema: Literal["drivecare/contents-1"] = "drivecare/contents-1"
    path: PlainPath
    size_bytes: ByteCount
    partitions: tuple[Partition, ...] = ()
    areas: tuple[AreaContents, ...] = ()
    notes: tuple[str, ...] = ()


class VolumeQuestion(Value, frozen=True, kw_only=True):
    """What the parser's process is to look at: one partition, and areas of it, all counted from the medium's start.

    `lost`: areas whose bytes are not what the drive held. They are never read. `type`: the entry's type in the table.
    `usage`: no file is looked at, and where its structures and its free space lie is asked instead.
    """

    partition: Area
    areas: tuple[Area, ...] = ()
    lost: tuple[Area, ...] = ()
    type: str | None = None
    usage: bool = False


class VolumeUsage(Value, frozen=True, kw_only=True):
    """Where the structures and the free space of a partition lie, counted from the medium's start.

    `clean`: whether its record of free space can be relied on.
    """

    structures: tuple[Area, ...] = ()
    free: tuple[Area, ...] = ()
    clean: bool = False


class VolumeAnswer(Value, frozen=True, kw_only=True):
    """What the parser's process answers. `areas` are those asked about, clipped to the partition.

    `usage` is told where it was asked for; `lacking` are the lost areas that it would have had to read for it.
    """

    volume: Volume
    areas: tuple[AreaContents, ...] = ()
    usage: VolumeUsage | None = None
    lacking: tuple[Area, ...] = ()
    not_in_force: str = ""  # the measure that this machine's kernel or libraries lack; "" where it was confined in full


def unknown(area: Area, reason: str) -> AreaContents:
    """An area of which nothing is known, and why."""
    hold = Hold(kind="unknown", bytes=area.length, structure=reason)
    return AreaContents(offset=area.offset, length=area.length, holds=(hold,))


def contradiction_in(answer: VolumeAnswer, question: VolumeQuestion) -> str:
    """Why an answer cannot be one to this question; "" where it can be."""
    asked = [(area.offset, area.length) for area in question.areas]
    if [(area.offset, area.length) for area in answer.areas] != asked:
        return "it answers for other areas than were asked about"
    if any(hold.bytes > area.length for area in answer.areas for hold in area.holds):
        return "more bytes are hit than the area has"
    room = question.partition.length
    if any(count is not None and count > room for count in (answer.volume.used_bytes, answer.volume.free_bytes)):
        return "more bytes are used or free than the partition has"
    return ""
