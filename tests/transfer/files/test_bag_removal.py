"""Removing a bag: what its copy made and nothing else, and never through a link."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from drivecare.documents import load
from drivecare.errors import BadInput
from drivecare.transfer.files.bag import BAG_RECEIPT, ENTRY_LIST, PAYLOAD_MANIFEST, BagReceipt
from drivecare.transfer.files.bag_removal import remove_bag, why_another_bag
from drivecare.transfer.files.file_copy import copy_into_bag
from tests.transfer.files.faulty import CLOCK, FILES


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    """A bag of a tree with folders, a link to a file, one to a folder and a name no manifest can hold."""
    tree = tmp_path / "tree"
    (tree / "a" / "b").mkdir(parents=True)
    (tree / "empty").mkdir()
    (tree / "a" / "b" / "letter.txt").write_text("dear")
    (tree / "line\nbreak%.txt").write_text("x")
    (tree / "to-file").symlink_to("a/b/letter.txt")
    (tree / "to-folder").symlink_to("a")
    copy_into_bag(tree, tmp_path / "bag", files=FILES, clock=CLOCK)
    return tmp_path / "bag"


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    """A folder that looks as a part of the bag does, and is somebody else's."""
    folder = tmp_path / "outside"
    (folder / "b").mkdir(parents=True)
    (folder / "b" / "letter.txt").write_text("not yours")
    return folder


def receipt(bag: Path) -> BagReceipt:
    return load(BagReceipt, bag / BAG_RECEIPT)


def test_a_bag_is_removed_whole(bag: Path) -> None:
    assert why_another_bag(FILES, bag, receipt(bag)) is None
    assert remove_bag(FILES, bag) == ()
    assert not bag.exists()


def test_files_put_into_a_bag_later_stay_and_are_named(bag: Path, outside: Path) -> None:
    (bag / "data" / "a" / "mine.txt").write_text("put there afterwards")
    (bag / "data" / "mine").mkdir()
    (bag / "data" / "mine-too").symlink_to(outside)
    assert remove_bag(FILES, bag) == ("data/a/mine.txt", "data/mine-too")
    assert (bag / "data" / "a" / "mine.txt").read_text() == "put there afterwards"
    assert (bag / "data" / "mine").is_dir()
    assert sorted(path.name for path in bag.rglob("*")) == ["a", "data", "mine", "mine-too", "mine.txt"]
    assert (outside / "b" / "letter.txt").exists()


@pytest.mark.parametrize("part", ["data", "data/a", "data/a/b"])
def test_no_link_in_a_bag_is_followed(bag: Path, outside: Path, part: str) -> None:
    """A folder of the bag was replaced by a link to where a file of the same name lies."""
    (bag / part).rename(bag.parent / "kept")
    goal = {"data": bag.parent / "goal", "data/a": outside, "data/a/b": outside / "b"}[part]
    if part == "data":
        goal.mkdir()
        outside.rename(goal / "a")
        outside = goal / "a"
    (bag / part).symlink_to(goal)
    left = remove_bag(FILES, bag)
    assert (outside / "b" / "letter.txt").read_text() == "not yours"
    assert left[0].startswith(part)  # the link, and what could not be reached behind it


def test_a_write_protected_folder_of_the_customer_s_goes_too(tmp_path: Path) -> None:
    tree = tmp_path / "tree"
    (tree / "a").mkdir(parents=True)
    (tree / "a" / "letter.txt").write_text("dear")
    (tree / "a").chmod(0o555)
    copy_into_bag(tree, tmp_path / "bag", files=FILES, clock=CLOCK)
    assert (tmp_path / "bag" / "data" / "a").stat().st_mode & 0o222 == 0
    assert remove_bag(FILES, tmp_path / "bag") == ()
    assert not (tmp_path / "bag").exists()


@pytest.mark.parametrize("name", ["data/to-file", "data/to-folder", "bag-info.txt", ENTRY_LIST, PAYLOAD_MANIFEST])
def test_a_removal_cut_short_can_be_done_again(bag: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    unlink = os.unlink

    def cut_short(path: bytes, *, dir_fd: int) -> None:
        if os.fsdecode(path) == name.rpartition("/")[2]:
            raise KeyboardInterrupt
        unlink(path, dir_fd=dir_fd)

    own = receipt(bag)
    monkeypatch.setattr(os, "unlink", cut_short)
    with pytest.raises(KeyboardInterrupt):
        remove_bag(FILES, bag)
    assert (bag / name).is_symlink() or (bag / name).exists()
    monkeypatch.undo()
    assert why_another_bag(FILES, bag, own) is None
    assert remove_bag(FILES, bag) == ()
    assert not bag.exists()


def _link_it(bag: Path) -> None:
    bag.rename(bag.with_name("moved"))
    bag.symlink_to("moved")


def _link_manifest(bag: Path) -> None:
    (bag / PAYLOAD_MANIFEST).rename(bag.parent / "manifest")
    (bag / PAYLOAD_MANIFEST).symlink_to(bag.parent / "manifest")


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (_link_it, "is not a folder"),
        (lambda bag: (bag / BAG_RECEIPT).unlink(), "holds no bag of drivecare any more"),
        (_link_manifest, "holds no bag of drivecare any more"),
        (
            lambda bag: (bag / PAYLOAD_MANIFEST).write_bytes(
                (bag / PAYLOAD_MANIFEST).read_bytes() + b"0" * 64 + b"  data/x\n"
            ),
            "holds another bag than the one this job made",
        ),
    ],
    ids=["link", "no receipt", "linked manifest", "other manifest"],
)
def test_another_bag_is_distinguished_from_this_one(bag: Path, change: Callable[[Path], None], why: str) -> None:
    own = receipt(bag)
    change(bag)
    assert why_another_bag(FILES, bag, own) == why


def test_a_bag_of_another_time_is_another(bag: Path) -> None:
    other = msgspec.structs.replace(receipt(bag), started="2026-11-24T10:00:00+00:00")
    assert why_another_bag(FILES, bag, other) == "holds another bag than the one this job made"


@pytest.mark.parametrize(
    "line",
    [b"{", b"[]", b'{"stored": "../../outside", "shape": "folder"}', b'{"shape": "file"}'],
    ids=["cut", "list", "outside", "no name"],
)
def test_a_damaged_list_of_entries_stops_before_anything_goes(bag: Path, line: bytes) -> None:
    (bag / ENTRY_LIST).write_bytes((bag / ENTRY_LIST).read_bytes() + line + b"\n")
    before = sorted(bag.rglob("*"))
    with pytest.raises(BadInput, match="line 8"):
        remove_bag(FILES, bag)
    assert sorted(bag.rglob("*")) == before


def test_folders_that_only_an_earlier_session_saw_go_too(bag: Path) -> None:
    """What a failing drive no longer shows stays in the bag's manifest, without a line among its entries."""
    lines = (bag / ENTRY_LIST).read_bytes().splitlines(keepends=True)
    (bag / ENTRY_LIST).write_bytes(b"".join(line for line in lines if b'"stored": "a' not in line))
    assert remove_bag(FILES, bag) == ()
    assert not bag.exists()
