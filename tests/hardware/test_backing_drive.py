"""The drive below a folder: through partitions and layers, by the drive's own word only."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from drivecare.hardware.backing_drive import drive_below, end_of
from drivecare.hardware.in_use import Mount, parse_mount
from tests.hardware.sysfs import Tree
from tests.hardware.test_blockdev import sata, usb

WWN = "5000c5a0b1c2d3e4"


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


def mounted(tree: Tree) -> Mount:
    """The mount made last."""
    mount = parse_mount(tree.mounts[-1])
    assert mount is not None
    return mount


def test_a_partition_of_a_drive(tree: Tree) -> None:
    tree.mount(tree.partition(sata(tree), 1), "/mnt/old")
    identity = drive_below(mounted(tree), root=tree.root)
    assert identity is not None
    assert (identity.wwn, identity.strength) == (WWN, "strong")


def test_a_whole_drive_and_one_under_encryption(tree: Tree) -> None:
    drive = sata(tree)
    tree.mount(drive, "/mnt/old")
    whole = drive_below(mounted(tree), root=tree.root)
    tree.mount(tree.stack("dm-0", tree.partition(drive, 2), mapper="secret"), "/mnt/secret")
    layered = drive_below(mounted(tree), root=tree.root)
    assert whole == layered
    assert whole is not None


def test_a_file_system_with_a_number_of_its_own(tree: Tree) -> None:
    partition = tree.partition(sata(tree), 1)
    tree.mount("0:43", "/mnt/old", type="btrfs", source=f"/dev/{partition.name}")
    identity = drive_below(mounted(tree), root=tree.root)
    assert identity is not None
    assert identity.wwn == WWN


def test_a_folder_lies_on_the_nearest_mount_of_the_machine_that_was_asked(tree: Tree, tmp_path: Path) -> None:
    folder = tmp_path / "old" / "photos"
    folder.mkdir(parents=True)
    tree.mount("0:50", "/", type="overlay")
    tree.mount(tree.partition(sata(tree), 1), str(tmp_path / "old"), type="vfat")
    end = end_of(folder / "not" / "yet", root=tree.root)
    assert end.file_system == "vfat"
    assert end.identity is not None
    assert end.identity.wwn == WWN
    assert end_of(Path("/"), root=tree.root).file_system == "overlay"


def test_what_says_nothing_sure_is_left_to_a_person(tree: Tree) -> None:
    dock = usb(tree)
    tree.mount(tree.partition(dock, 1), "/mnt/dock")
    assert drive_below(mounted(tree), root=tree.root) is None
    tree.mount(tree.stack("md0", dock, sata(tree)), "/mnt/two")
    assert drive_below(mounted(tree), root=tree.root) is None
    tree.mount("0:50", "/mnt/memory", type="tmpfs")
    assert drive_below(mounted(tree), root=tree.root) is None


def test_the_file_system_is_the_one_that_findmnt_names(tmp_path: Path) -> None:
    """findmnt of util-linux; it names none where the mount below a folder is not shown to us, as in a bare chroot."""
    for folder in (Path("/proc"), tmp_path):
        command = ["findmnt", "--noheadings", "--output", "FSTYPE", "--target", str(folder)]
        shown = subprocess.run(command, capture_output=True, check=False, text=True).stdout.split()
        for place in (folder, folder / "not" / "yet"):
            assert end_of(place).file_system == (shown[0] if shown else None)
    assert end_of(Path("/proc")).file_system == "proc"
