"""What was counted on a copy, in words."""

from __future__ import annotations

import pytest

from drivecare.transfer.counted import Counted, describe_counted, total_used

SYSTEM = Counted(partition=1, file_system="FAT32", used_bytes=1000, files=211)
DATA = Counted(partition=2, file_system="NTFS", used_bytes=5000, files=48_000, reason="1 entry could not be read")
LOCKED = Counted(partition=3, file_system="LUKS", encrypted=True, reason="it is encrypted")


@pytest.mark.promise(4)
def test_what_could_not_be_counted_is_said_beside_what_was() -> None:
    assert list(describe_counted((SYSTEM, DATA, LOCKED))) == [
        "Counted on the copy: 48,211 files in 2 partitions.",
        "Partition 2 (NTFS) was not counted in full: 1 entry could not be read.",
        "Partition 3 (LUKS) was not counted: it is encrypted.",
    ]


def test_a_drive_without_a_table_is_the_whole_and_nothing_is_said_where_nobody_looked() -> None:
    whole = Counted(partition=0, reason="no file system that drivecare knows begins here")
    assert list(describe_counted((whole,))) == [
        "The whole drive was not counted: no file system that drivecare knows begins here."
    ]
    assert list(describe_counted(())) == []


@pytest.mark.parametrize(("partitions", "used"), [((SYSTEM, DATA), 6000), ((SYSTEM, LOCKED), None), ((), None)])
def test_what_is_used_is_known_only_where_every_partition_says(
    partitions: tuple[Counted, ...], used: int | None
) -> None:
    assert total_used(partitions) == used
