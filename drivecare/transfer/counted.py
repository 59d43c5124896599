"""What is on a copy, counted partition by partition: no names, only numbers, so that receipts can keep it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated

from msgspec import Meta

from drivecare.documents import Value
from drivecare.format import format_count
from drivecare.transfer.areas import ByteCount


class Counted(Value, frozen=True, kw_only=True):
    """What a partition holds, as its own structures say. None where they do not say, or could not be read.

    `partition` is its number, 0 where a file system begins at the first byte, without a table. `reason`: why its files
    were not counted, or not all of them.
    """

    partition: Annotated[int, Meta(ge=0)]
    file_system: str | None = None
    encrypted: bool | None = None
    used_bytes: ByteCount | None = None
    files: Annotated[int, Meta(ge=0)] | None = None
    reason: str | None = None

    def __str__(self) -> str:
        place = f"partition {self.partition}" if self.partition else "the whole drive"
        return f"{place} ({self.file_system})" if self.file_system else place


def describe_counted(partitions: Sequence[Counted]) -> Iterator[str]:
    """Say how many files there are, and what could not be counted; nothing where nobody looked."""
    counted = [partition for partition in partitions if partition.files is not None]
    if counted:
        files = sum(partition.files or 0 for partition in counted)
        yield f"Counted on the copy: {format_count(files, 'file')} in {format_count(len(counted), 'partition')}."
    for partition in partitions:
        if partition.files is None:
            yield f"{_begin(partition)} was not counted: {partition.reason or 'it does not say'}."
        elif partition.reason:
            yield f"{_begin(partition)} was not counted in full: {partition.reason}."


def _begin(partition: Counted) -> str:
    """The partition as a sentence begins with it."""
    words = str(partition)
    return words[0].upper() + words[1:]


def total_used(partitions: Sequence[Counted]) -> int | None:
    """How much of the drive is used; None where one of its partitions does not say."""
    used = [partition.used_bytes for partition in partitions]
    return sum(size for size in used if size is not None) if used and None not in used else None
