"""What a folder's file system can keep is tried out, and nothing is left of the trial."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.hardware.file_abilities import try_abilities


@pytest.mark.parametrize(
    ("file_system", "largest"), [("vfat", (1 << 32) - 1), ("msdos", (1 << 32) - 1), ("ext4", None)]
)
def test_a_file_system_of_32_bit_sizes_is_known_by_name(tmp_path: Path, file_system: str, largest: int | None) -> None:
    """FAT's directory entry has four bytes for a file's size (ECMA-107, clause 11)."""
    abilities = try_abilities(tmp_path, {"\0", "ß"}, file_system=file_system)
    assert abilities.largest_file_bytes == largest
    assert abilities.unable == {"\0"}  # no name can hold it, and asking must not fail
    assert list(tmp_path.iterdir()) == []
