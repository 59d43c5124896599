"""File copies: a hostile tree goes into a bag that a reader of bags we did not write accepts."""

from __future__ import annotations

import itertools
import os
import stat
from pathlib import Path
from typing import Any

import bagit
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.errors import BadInput, Interrupted, Refused
from drivecare.transfer import bag, files
from drivecare.transfer.bag_check import check_bag
from drivecare.transfer.files import copy_files
from drivecare.transfer.port import Watch
from drivecare.transfer.tree import Abilities, cannot_hold, survey

HOSTILE = (
    b"plain.txt",
    b"100% done.txt",
    b"line\nbreak\nand\nmore",
    b"carriage\rreturn",
    b"latin-\xe9.txt",
    b" leading and trailing ",
    b"$HOME",
    b"~root",
    b"=41",
    "composed \u00e9".encode(),
    "decomposed e\u0301".encode(),
    "ends in a narrow space\u202f".encode(),
    b"-rf",
    b"x" * 250,
)


def now() -> str:
    return "2026-11-25T11:00:00+00:00"


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A folder with every awkward thing in it that this machine can hold."""
    root = tmp_path / "source"
    (root / "sub dir" / "empty").mkdir(parents=True)
    for number, name in enumerate(HOSTILE):
        with open(os.path.join(os.fsencode(root), name), "wb") as stream:
            stream.write(name * number)
    (root / "sub dir" / "hard").hardlink_to(root / "plain.txt")
    (root / "to-file").symlink_to("sub dir/hard")
    (root / "to-folder").symlink_to("sub dir")
    (root / "dangling").symlink_to("nowhere")
    (root / "outside").symlink_to("/etc/hostname")
    with (root / "sparse").open("wb") as stream:
        stream.seek(32 << 20)
        stream.write(b"end")
    os.mkfifo(root / "pipe")
    (root / "plain.txt").chmod(0o640)
    os.utime(root / "plain.txt", ns=(10**18, 10**18 + 123_456_789))
    return root


def test_a_hostile_tree_makes_a_bag_that_another_reader_accepts(tree: Path, tmp_path: Path) -> None:
    """Validated by the PyPI package `bagit`, an independent reader of RFC 8493 bags."""
    target = tmp_path / "target"
    receipt = copy_files(tree, target, now=now)
    assert bagit.Bag(str(target)).validate()
    assert receipt.verified
    assert {note.name for note in receipt.left_out} == {"dangling", "outside", "pipe"}
    assert not receipt.mismatched


def test_everything_is_kept(tree: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"
    copy_files(tree, target, now=now)
    data = os.fsencode(target / "data")
    for name in HOSTILE:
        stored = os.path.join(data, bag.stored_name(name))
        with open(os.path.join(os.fsencode(tree), name), "rb") as one, open(stored, "rb") as other:
            assert one.read() == other.read()
    plain = (target / "data" / "plain.txt").stat()
    assert (stat.S_IMODE(plain.st_mode), plain.st_mtime_ns) == (0o640, 10**18 + 123_456_789)
    assert plain.st_ino == (target / "data" / "sub dir" / "hard").stat().st_ino
    assert (target / "data" / "sub dir" / "empty").is_dir()
    assert (target / "data" / "to-file").read_bytes() == (tree / "plain.txt").read_bytes()
    sparse = (target / "data" / "sparse").stat()
    assert sparse.st_size == (32 << 20) + 3
    assert sparse.st_blocks * 512 < 8 << 20


def test_a_flipped_byte_is_named(tree: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"
    copy_files(tree, target, now=now)
    receipt, wrong = check_bag(target, at=now())
    assert not wrong
    assert receipt is not None
    victim = target / "data" / "sparse"
    with victim.open("r+b") as stream:
        stream.seek(1 << 20)
        stream.write(b"\1")
    receipt, wrong = check_bag(target, at=now())
    assert [note.name for note in wrong] == ["data/sparse"]
    assert receipt is not None
    assert not receipt.verified
    assert receipt.verification is None


@pytest.mark.parametrize("damage", ["missing", "extra", "manifest", "tag"])
def test_a_bag_is_checked_whole(tree: Path, tmp_path: Path, damage: str) -> None:
    target = tmp_path / "target"
    copy_files(tree, target, now=now)
    if damage == "missing":
        (target / "data" / "-rf").unlink()
        expected = {"data/-rf"}
    elif damage == "extra":
        (target / "data" / "stray").write_bytes(b"")
        expected = {"data/stray"}
    elif damage == "manifest":
        lines = (target / bag.MANIFEST).read_bytes().splitlines(keepends=True)
        gone = lines[0].split(b"  ", 1)[1].strip().decode()
        (target / bag.MANIFEST).write_bytes(b"".join(lines[1:]))
        expected = {gone, bag.MANIFEST}
    else:
        with (target / "bag-info.txt").open("ab") as stream:
            stream.write(b"External-Description: altered\n")
        expected = {"bag-info.txt"}
    _, wrong = check_bag(target, at=now())
    assert {note.name for note in wrong} == expected


def test_an_interrupted_copy_is_gone_on_with(tree: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "target"
    monkeypatch.setattr(files, "_BATCH_FILES", 3)
    calls = itertools.count()

    watch = Watch(stop=lambda: "stopped by SIGTERM" if next(calls) == 9 else None)
    with pytest.raises(Interrupted, match="SIGTERM"):
        copy_files(tree, target, now=now, watch=watch)
    assert not (target / "bagit.txt").exists()
    (target / "data" / "half of something").write_bytes(b"left by a crash")
    with pytest.raises(Refused, match="not empty"):
        copy_files(tree, target, now=now)
    copied: list[str] = []
    original = files._copy_file

    def note(run: Any, entry: Any, path: Any) -> Any:
        copied.append(path)
        return original(run, entry, path)

    monkeypatch.setattr(files, "_copy_file", note)
    receipt = copy_files(tree, target, now=now, resume=True)
    assert receipt.verified
    assert 0 < len(copied) < len(HOSTILE)
    assert bagit.Bag(str(target)).validate()


def test_a_torn_journal_line_is_forgotten_and_damage_is_refused(tree: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"
    target.mkdir()
    head = b'{"schema": "drivecare/bag-journal-1", "source": "%s"}\n' % os.fsencode(tree)
    (target / bag.JOURNAL).write_bytes(head + b'{"path": "torn')
    assert copy_files(tree, target, now=now, resume=True).verified
    other = tmp_path / "other"
    other.mkdir()
    (other / bag.JOURNAL).write_bytes(head + b"\xff\n{}\n")
    with pytest.raises(BadInput, match="damaged"):
        copy_files(tree, other, now=now, resume=True)


def test_a_file_that_changes_is_left_out_and_the_rest_is_valid(tree: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"

    def meddle(*_: object) -> None:
        with (tree / "sparse").open("ab") as stream:
            stream.write(b"more")

    receipt = copy_files(tree, target, now=now, watch=Watch(tell=meddle))
    assert "sparse" in {note.name for note in receipt.left_out if "changed" in note.reason}
    assert bagit.Bag(str(target)).validate()


def test_a_file_with_an_unreadable_part_is_left_out(
    tree: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    inode = (tree / "sparse").stat().st_ino
    real = os.pread

    def pread(descriptor: int, count: int, offset: int) -> bytes:
        if os.fstat(descriptor).st_ino == inode and offset >= 16 << 20:
            raise OSError(5, "Input/output error")
        return real(descriptor, count, offset)

    monkeypatch.setattr(os, "pread", pread)
    receipt = copy_files(tree, tmp_path / "target", now=now)
    monkeypatch.undo()
    assert ("sparse", "a part of it could not be read") in [(note.name, note.reason) for note in receipt.left_out]
    assert bagit.Bag(str(tmp_path / "target")).validate()


def test_a_full_target_says_how_to_go_on(tree: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "pwrite", full)
    with pytest.raises(Interrupted, match=r"the target is full.*--resume"):
        copy_files(tree, tmp_path / "target", now=now)


def test_source_and_target_inside_each_other_are_refused(tree: Path) -> None:
    with pytest.raises(Refused, match="inside each other"):
        copy_files(tree, tree / "sub dir" / "bag", now=now)


POOR = Abilities(
    symlinks=False,
    hard_links=False,
    modes=False,
    sparse=False,
    case_sensitive=False,
    longest_name_bytes=240,
    largest_file_bytes=(4 << 30) - 1,
    free_bytes=1 << 20,
    free_entries=5,
    unable=frozenset(":"),
)


def test_what_the_target_cannot_hold_is_found_beforehand(tmp_path: Path) -> None:
    root = tmp_path / "s"
    root.mkdir()
    for name in ("Readme", "README", "a:b", "y" * 241):
        (root / name).touch()
    with (root / "film").open("wb") as stream:
        stream.truncate(4 << 30)
    lines = "\n".join(cannot_hold(survey(root), POOR))
    for said in (
        "Readme: differs from README in letter case only",
        "a:b: the target cannot hold ':' in a name",
        "its name takes 241 bytes, the target holds 240",
        "film: 4,294,967,296 bytes, the target's largest file is 4,294,967,295",
        "4,294,967,296 bytes are needed, 1,048,576 are free",
        "5 entries are needed, 5 are free",
    ):
        assert said in lines


@given(st.binary(min_size=1, max_size=40).filter(lambda name: b"/" not in name))
def test_spelling_a_name_can_be_undone(name: bytes) -> None:
    stored = bag.stored_name(name)
    assert bag.true_name(stored) == name
    text = stored.decode("utf-8")
    assert text.strip() == text
    assert "%" not in text


@given(st.binary(min_size=1, max_size=12), st.binary(min_size=1, max_size=12))
def test_two_names_never_share_a_spelling(one: bytes, other: bytes) -> None:
    assert (bag.stored_name(one) == bag.stored_name(other)) == (one == other)


def test_manifests_of_others_are_read() -> None:
    """RFC 8493 section 2.1.3: either case of hex, tabs or blanks, LF, CR and % percent-encoded, any line end."""
    digest = "E3B0C44298FC1C149AFBF4C8996FB92427AE41E4649B934CA495991B7852B855"
    text = f"{digest}\tdata/a%0Ab%25c\r\n{digest.lower()}  data/plain\r{digest}   data/%41\n"
    pairs = list(bag.parse_manifest(text.encode(), origin="m"))
    assert pairs == [("data/a\nb%c", digest.lower()), ("data/plain", digest.lower()), ("data/%41", digest.lower())]
    with pytest.raises(BadInput, match="line 1 names a path outside the bag"):
        list(bag.parse_manifest(f"{digest}  data/../../etc/x\n".encode(), origin="m"))
    with pytest.raises(BadInput, match="line 2 is no SHA-256 manifest line"):
        list(bag.parse_manifest(f"{digest}  data/x\nshort  data/y\n".encode(), origin="m"))
