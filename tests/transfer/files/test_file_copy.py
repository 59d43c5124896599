"""File copies: a hostile tree goes into a bag that a reader of bags we did not write accepts."""

from __future__ import annotations

import errno
import fcntl
import itertools
import os
import stat
import subprocess
import sys
import tempfile
import tracemalloc
from pathlib import Path
from typing import Any

import bagit
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.errors import BadInput, Interrupted, Refused, Unavailable
from drivecare.hardware.held_folder import HeldFolder
from drivecare.transfer.files import bag, bag_journal, file_copy
from drivecare.transfer.files.bag import BagReceipt, FileNote, ForeignBag
from drivecare.transfer.files.bag_check import check_bag
from drivecare.transfer.files.bag_journal import BagJournal
from drivecare.transfer.files.file_copy import copy_into_bag
from drivecare.transfer.files.file_system import Abilities
from drivecare.transfer.files.survey import find_misfits, survey_tree
from drivecare.transfer.medium import Progress, Watch
from tests.transfer.files.faulty import CLOCK, FILES, NOW, FaultyFiles

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
    "lines\u2028and\u2029paragraphs\x85".encode(),
    b"dot.",
    b"-rf",
    b"x" * 250,
)


def notes(result: BagReceipt | ForeignBag) -> list[FileNote]:
    """Everything that speaks against a bag."""
    return [*result.mismatched, *result.missing, *result.target_unreadable]


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
        stream.seek(12 << 20)
        stream.write(b"end")
    os.mkfifo(root / "pipe")
    (root / "plain.txt").chmod(0o640)
    os.utime(root / "plain.txt", ns=(10**18, 10**18 + 123_456_789))
    return root


def test_a_hostile_tree_makes_a_bag_that_another_reader_accepts(tree: Path, tmp_path: Path) -> None:
    """Validated by the PyPI package `bagit`, an independent reader of RFC 8493 bags."""
    target = tmp_path / "target"
    receipt = copy_into_bag(tree, target, files=FILES, clock=CLOCK)
    assert bagit.Bag(str(target)).validate()
    assert receipt.verified
    assert {note.name for note in receipt.left_out} == {"dangling", "outside", "pipe"}
    assert not receipt.mismatched


def test_everything_is_kept(tree: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"
    copy_into_bag(tree, target, files=FILES, clock=CLOCK)
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
    assert sparse.st_size == (12 << 20) + 3
    assert sparse.st_blocks * 512 < 3 << 20


def test_a_bag_takes_memory_for_what_it_holds_and_not_for_what_it_might(tree: Path, tmp_path: Path) -> None:
    """A manifest may have 4 GiB, which a small bench machine has not."""
    copy_into_bag(tree, tmp_path / "target", files=FILES, clock=CLOCK)
    tracemalloc.start()
    try:
        assert check_bag(FILES, tmp_path / "target", at=NOW).verified
        assert tracemalloc.get_traced_memory()[1] < 64 << 20
    finally:
        tracemalloc.stop()


def test_a_flipped_byte_is_named(tree: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"
    copy_into_bag(tree, target, files=FILES, clock=CLOCK)
    assert check_bag(FILES, target, at=NOW).verified
    victim = target / "data" / "sparse"
    with victim.open("r+b") as stream:
        stream.seek(1 << 20)
        stream.write(b"\1")
    receipt = check_bag(FILES, target, at=NOW)
    assert [note.name for note in receipt.mismatched] == ["data/sparse"]
    assert isinstance(receipt, BagReceipt)
    assert not receipt.verified
    assert receipt.verification is None


def test_a_bag_may_lie_in_folders_that_do_not_exist_yet(tmp_path: Path) -> None:
    (tmp_path / "source").mkdir()
    (tmp_path / "source" / "letter").write_bytes(b"Dear")
    assert copy_into_bag(tmp_path / "source", tmp_path / "one" / "two" / "bag", files=FILES, clock=CLOCK).verified
    assert (tmp_path / "one" / "two" / "bag" / "data" / "letter").read_bytes() == b"Dear"


def test_a_bag_beside_its_source_warns_that_both_are_lost_together(tmp_path: Path) -> None:
    (tmp_path / "source").mkdir()
    (tmp_path / "source" / "letter").write_bytes(b"Dear")
    notice = "source and target are on one file system: if that drive fails, both are lost"
    assert notice in copy_into_bag(tmp_path / "source", tmp_path / "bag", files=FILES, clock=CLOCK).notices
    memory = Path("/dev/shm")
    if not memory.is_dir() or memory.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("needs a second file system (/dev/shm)")
    with tempfile.TemporaryDirectory(dir=memory) as elsewhere:
        assert (
            notice not in copy_into_bag(tmp_path / "source", Path(elsewhere) / "bag", files=FILES, clock=CLOCK).notices
        )


@pytest.mark.skipif(os.geteuid() != 0, reason="gives files to another user: needs root")
@pytest.mark.parametrize("owners", [(0, 0), (0, 1000), (1000, 1000)], ids=str)
def test_a_bag_that_keeps_no_owners_says_where_they_are_recorded(tmp_path: Path, owners: tuple[int, int]) -> None:
    """In the bag of the person at the terminal, whatever root may do."""
    source, target = tmp_path / "source", tmp_path / "bag"
    source.mkdir()
    target.mkdir()
    for name, owner in zip(("a", "b"), owners, strict=True):
        (source / name).write_bytes(b"Dear")
        os.chown(source / name, owner, owner)
    os.chown(target, 1000, 1000)
    notices = [
        notice
        for notice in copy_into_bag(source, target, files=FILES, clock=CLOCK).notices
        if "belongs to the bag's owner" in notice
    ]
    assert bool(notices) is (owners != (1000, 1000))


def test_a_link_through_a_former_folder_is_named(tmp_path: Path) -> None:
    (tmp_path / "source" / "folder").mkdir(parents=True)
    (tmp_path / "source" / "folder" / "letter").write_bytes(b"Dear")
    (tmp_path / "source" / "link").symlink_to("folder/letter")
    target = tmp_path / "bag"
    assert copy_into_bag(tmp_path / "source", target, files=FILES, clock=CLOCK).verified
    (target / "data" / "folder" / "letter").unlink()
    (target / "data" / "folder").rmdir()
    (target / "data" / "folder").write_bytes(b"Dear")
    named = str(check_bag(FILES, target, at=NOW))
    assert not check_bag(FILES, target, at=NOW).verified
    assert "data/link" in named
    assert "data/folder/letter" in named


@pytest.mark.parametrize(("count", "more"), [(8, None), (9, " and 1 more"), (20, " and 12 more")])
def test_the_first_eight_misfits_are_listed_and_the_others_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, count: int, more: str | None
) -> None:
    (tmp_path / "source").mkdir()
    (tmp_path / "source" / "letter").write_bytes(b"Dear")
    monkeypatch.setattr(
        file_copy, "find_misfits", lambda tree, abilities: (f"misfit {number}" for number in range(count))
    )
    with pytest.raises(Refused) as caught:
        copy_into_bag(tmp_path / "source", tmp_path / "bag", files=FILES, clock=CLOCK)
    listed = "; ".join(f"misfit {number}" for number in range(8))
    assert caught.value.problem == f"the target cannot hold what the source has: {listed}{more or ''}"


@pytest.mark.parametrize("cached", ["a", "b"])
def test_a_bag_of_which_one_file_was_read_through_the_cache_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cached: str
) -> None:
    """Some file systems refuse direct reads of some files: the method named is the weaker one."""
    source = tmp_path / "source"
    source.mkdir()
    for name in ("a", "b"):
        (source / name).write_bytes(name.encode() * 5000)
    true_read = os.preadv

    def refusing(descriptor: int, buffers: list[Any], offset: int, *flags: int) -> int:
        name = Path(os.readlink(f"/proc/self/fd/{descriptor}")).name
        if name == cached and fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_DIRECT:
            raise OSError(errno.EINVAL, "Invalid argument")
        return true_read(descriptor, buffers, offset, *flags)

    monkeypatch.setattr(os, "preadv", refusing)
    verification = copy_into_bag(source, tmp_path / "bag", files=FILES, clock=CLOCK).verification
    assert verification is not None
    assert verification.method == "cache-dropped"


@pytest.mark.parametrize("damage", ["missing", "extra", "manifest", "tag"])
def test_a_bag_is_checked_whole(tree: Path, tmp_path: Path, damage: str) -> None:
    target = tmp_path / "target"
    copy_into_bag(tree, target, files=FILES, clock=CLOCK)
    if damage == "missing":
        (target / "data" / "-rf").unlink()
        expected = {"data/-rf"}
    elif damage == "extra":
        (target / "data" / "stray").write_bytes(b"")
        expected = {"data/stray"}
    elif damage == "manifest":
        lines = (target / bag.PAYLOAD_MANIFEST).read_bytes().splitlines(keepends=True)
        gone = lines[0].split(b"  ", 1)[1].strip().decode()
        (target / bag.PAYLOAD_MANIFEST).write_bytes(b"".join(lines[1:]))
        expected = {gone, bag.PAYLOAD_MANIFEST}
    else:
        with (target / "bag-info.txt").open("ab") as stream:
            stream.write(b"External-Description: altered\n")
        expected = {"bag-info.txt"}
    assert {note.name for note in notes(check_bag(FILES, target, at=NOW))} == expected


@pytest.mark.promise(6)
def test_an_interrupted_copy_is_continued(tree: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "target"
    monkeypatch.setattr(bag_journal, "_BATCH_FILES", 3)
    calls = itertools.count()

    watch = Watch(stop_reason=lambda: "stopped by SIGTERM" if next(calls) == 9 else None)
    with pytest.raises(Interrupted, match="SIGTERM"):
        copy_into_bag(tree, target, files=FILES, clock=CLOCK, watch=watch)
    assert not (target / "bagit.txt").exists()
    (target / "data" / "half of something").write_bytes(b"not of this copy")
    with pytest.raises(Refused, match="not empty"):
        copy_into_bag(tree, target, files=FILES, clock=CLOCK)
    with pytest.raises(Refused, match=r"data/half of something \(a file\).*Nothing was changed"):
        copy_into_bag(tree, target, files=FILES, clock=CLOCK, resume=True)
    assert (target / "data" / "half of something").read_bytes() == b"not of this copy"
    (target / "data" / "half of something").unlink()
    files = FaultyFiles()
    receipt = copy_into_bag(tree, target, files=files, clock=CLOCK, resume=True)
    assert receipt.verified
    assert 0 < sum(path.startswith(b"data/") for path in files.created) < len(HOSTILE)
    assert bagit.Bag(str(target)).validate()


def test_a_torn_journal_line_is_forgotten_and_damage_is_refused(tree: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"
    target.mkdir()
    head = b'{"schema": "drivecare/bag-journal-1", "source": "%s"}\n' % os.fsencode(tree)
    (target / bag.BAG_JOURNAL).write_bytes(head + b'{"path": "torn')
    assert copy_into_bag(tree, target, files=FILES, clock=CLOCK, resume=True).verified
    other = tmp_path / "other"
    other.mkdir()
    (other / bag.BAG_JOURNAL).write_bytes(head + b"\xff\n{}\n")
    with pytest.raises(BadInput, match="damaged"):
        copy_into_bag(tree, other, files=FILES, clock=CLOCK, resume=True)


def test_a_file_that_changes_is_left_out_and_the_rest_is_valid(tree: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"

    def meddle(*_: object) -> None:
        with (tree / "sparse").open("ab") as stream:
            stream.write(b"more")

    receipt = copy_into_bag(tree, target, files=FILES, clock=CLOCK, watch=Watch(on_progress=meddle))
    assert "sparse" in {note.name for note in receipt.left_out if "changed" in note.reason}
    assert bagit.Bag(str(target)).validate()


def test_a_file_with_an_unreadable_part_is_left_out(
    tree: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    inode = (tree / "sparse").stat().st_ino
    real = os.pread

    def pread(descriptor: int, count: int, offset: int) -> bytes:
        if os.fstat(descriptor).st_ino == inode and offset >= 8 << 20:
            raise OSError(5, "Input/output error")
        return real(descriptor, count, offset)

    monkeypatch.setattr(os, "pread", pread)
    receipt = copy_into_bag(tree, tmp_path / "target", files=FILES, clock=CLOCK)
    monkeypatch.undo()
    assert ("sparse", "a part of it could not be read") in [(note.name, note.reason) for note in receipt.left_out]
    assert receipt.kinds_left_out == ""
    assert bagit.Bag(str(tmp_path / "target")).validate()


def test_a_full_target_says_how_to_continue(tree: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "pwrite", full)
    with pytest.raises(Interrupted, match=r"the target is full.*--resume"):
        copy_into_bag(tree, tmp_path / "target", files=FILES, clock=CLOCK)


def test_a_refusal_leaves_nothing_behind(tree: Path, tmp_path: Path) -> None:
    target, poor = tmp_path / "target", FaultyFiles(abilities=POOR)
    with pytest.raises(Refused, match="the target cannot hold"):
        copy_into_bag(tree, target, files=poor, clock=CLOCK)
    assert not target.exists()
    target.mkdir()
    with pytest.raises(Refused, match="the target cannot hold"):
        copy_into_bag(tree, target, files=poor, clock=CLOCK, resume=True)
    assert not list(target.iterdir())
    assert copy_into_bag(tree, target, files=FILES, clock=CLOCK).verified


@pytest.mark.parametrize("place", ["a file", "a file/below", "/proc/none", "/dev/null"])
def test_where_no_folder_can_be(tree: Path, tmp_path: Path, place: str) -> None:
    (tmp_path / "a file").touch()
    with pytest.raises(Unavailable, match="cannot be written to"):
        copy_into_bag(tree, tmp_path / place, files=FILES, clock=CLOCK)


@pytest.mark.timeout(20)
def test_a_file_that_became_a_pipe_is_waited_for_by_nobody(tmp_path: Path) -> None:
    root = tmp_path / "s"
    root.mkdir()
    (root / "a").write_bytes(b"first")
    (root / "b").write_bytes(b"second")

    def meddle(*_: object) -> None:
        if not (root / "b").is_fifo():
            (root / "b").unlink()
            os.mkfifo(root / "b")

    receipt = copy_into_bag(root, tmp_path / "target", files=FILES, clock=CLOCK, watch=Watch(on_progress=meddle))
    assert [note.name for note in receipt.left_out] == ["b"]
    assert bagit.Bag(str(tmp_path / "target")).validate()


def test_links_to_links_are_kept_and_no_link_leaves_the_bag(tmp_path: Path) -> None:
    root = tmp_path / "s"
    (root / "sub").mkdir(parents=True)
    (root / "sub" / "file").write_bytes(b"content")
    (root / "a").symlink_to("z")
    (root / "z").symlink_to("folder/file")
    (root / "folder").symlink_to("sub")
    (root / "up").symlink_to("..")
    (root / "around").symlink_to("../s/sub/file")
    (root / "circle").symlink_to("circle")
    (tmp_path / "beside").write_bytes(b"not ours")
    (root / "beside").symlink_to("../beside")
    target = tmp_path / "target"
    receipt = copy_into_bag(root, target, files=FILES, clock=CLOCK)
    assert {note.name for note in receipt.left_out} == {"up", "circle", "beside"}
    for name in ("a", "z", "folder/file", "around"):
        assert (target / "data" / name).read_bytes() == b"content"
    assert bagit.Bag(str(target)).validate()
    assert check_bag(FILES, target, at=NOW).verified


def test_a_left_out_name_takes_no_other_with_it(tmp_path: Path) -> None:
    """A byte that is no UTF-8 and the four characters it is shown as."""
    root = tmp_path / "s"
    root.mkdir()
    (root / "\\xe9").write_bytes(b"plain")
    with open(os.path.join(os.fsencode(root), b"\xe9"), "wb"):
        pass
    os.unlink(os.path.join(os.fsencode(root), b"\xe9"))
    os.mkfifo(os.path.join(os.fsencode(root), b"\xe9"))
    receipt = copy_into_bag(root, tmp_path / "target", files=FILES, clock=CLOCK)
    assert (receipt.files, len(receipt.left_out)) == (1, 1)
    assert (tmp_path / "target" / "data" / "\\xe9").read_bytes() == b"plain"


def test_a_file_that_changed_before_a_resume_is_not_written_through_its_old_link(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root, target = tmp_path / "s", tmp_path / "target"
    root.mkdir()
    (root / "a").write_bytes(b"one file")
    (root / "b").hardlink_to(root / "a")
    (root / "c").write_bytes(b"last")
    monkeypatch.setattr(bag_journal, "_BATCH_FILES", 1)
    calls = itertools.count()
    with pytest.raises(Interrupted):
        copy_into_bag(
            root,
            target,
            files=FILES,
            clock=CLOCK,
            watch=Watch(stop_reason=lambda: "stopped" if next(calls) == 2 else None),
        )
    (root / "b").unlink()
    (root / "b").write_bytes(b"another file now")
    assert copy_into_bag(root, target, files=FILES, clock=CLOCK, resume=True).verified
    assert (target / "data" / "a").read_bytes() == b"one file"
    assert (target / "data" / "b").read_bytes() == b"another file now"


def test_what_reads_back_wrong_is_copied_again_by_a_resume(tree: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"

    def meddle(progress: Progress) -> None:
        if progress.phase == "reading back":
            (target / "data" / "sparse").write_bytes(b"turned")

    receipt = copy_into_bag(tree, target, files=FILES, clock=CLOCK, watch=Watch(on_progress=meddle))
    assert (receipt.exit_code, [note.name for note in receipt.mismatched]) == (21, ["data/sparse"])
    assert [notice for notice in receipt.notices if "copy again with --resume" in notice]
    again = copy_into_bag(tree, target, files=FILES, clock=CLOCK, resume=True)
    assert again.verified
    assert [notice for notice in again.notices if "copy again with --resume" in notice] == []
    assert bagit.Bag(str(target)).validate()
    assert not (target / bag.BAG_JOURNAL).exists()


def test_a_copy_with_a_write_protected_folder_can_be_continued(tmp_path: Path) -> None:
    root, target = tmp_path / "s", tmp_path / "target"
    modes: list[int] = []
    (root / "kept").mkdir(parents=True)
    (root / "kept" / "letter").write_bytes(b"dear shop")
    (root / "kept").chmod(0o555)

    def look(_: Progress) -> None:
        modes.append(stat.S_IMODE((target / "data" / "kept").stat().st_mode))

    with pytest.raises(Interrupted):
        copy_into_bag(root, target, files=FILES, clock=CLOCK, watch=Watch(stop_reason=lambda: "stopped"))
    (target / "data" / "kept").chmod(0o555)  # as it stands once everything was copied
    assert copy_into_bag(root, target, files=FILES, clock=CLOCK, resume=True, watch=Watch(on_progress=look)).verified
    assert 0o700 in modes
    copy, original = (target / "data" / "kept").stat(), (root / "kept").stat()
    assert (stat.S_IMODE(copy.st_mode), copy.st_mtime_ns) == (0o555, original.st_mtime_ns)


def test_two_copies_do_not_share_a_target(tree: Path, tmp_path: Path) -> None:
    target = tmp_path / "target"
    target.mkdir()
    folder = HeldFolder.hold(target)
    journal = BagJournal.start(folder, os.fsencode(tree))
    try:
        with pytest.raises(Refused, match="another copy writes to it"):
            copy_into_bag(tree, target, files=FILES, clock=CLOCK, resume=True)
    finally:
        journal.close()
        folder.close()


def test_who_writes_to_a_bag_is_told(tree: Path, tmp_path: Path) -> None:
    """Another process, which locks the bag's journal as a copy does; it is no child of ours."""
    target = tmp_path / "target"
    target.mkdir()
    folder = HeldFolder.hold(target)
    BagJournal.start(folder, os.fsencode(tree)).close()
    folder.close()
    (journal,) = (path for path in target.iterdir() if path.is_file())
    program = "import fcntl, sys; f = open(sys.argv[1], 'a'); fcntl.flock(f, fcntl.LOCK_EX); print(flush=True); input()"
    words = ["sh", "-c", '"$@"; :', "sh", sys.executable, "-c", program, str(journal)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        holder.stdout.readline()
        with pytest.raises(Refused, match=r"python3?.* \(process \d+, running since .*\) writes to it"):
            copy_into_bag(tree, target, files=FILES, clock=CLOCK, resume=True)
        holder.communicate(b"\n")


@pytest.mark.parametrize("row", [b'{"path": "a", "sha256": "00"}', b"[]", b'{"path": 3}'])
def test_a_line_without_its_keys_is_damage(tree: Path, tmp_path: Path, row: bytes) -> None:
    target = tmp_path / "target"
    target.mkdir()
    with HeldFolder.hold(target) as folder:
        BagJournal.start(folder, os.fsencode(tree)).close()
    with (target / bag.BAG_JOURNAL).open("ab") as stream:
        stream.write(row + b"\n")
    with pytest.raises(BadInput, match="damaged"):
        copy_into_bag(tree, target, files=FILES, clock=CLOCK, resume=True)


def test_extended_attributes_are_copied_and_refused_ones_are_listed(tree: Path, tmp_path: Path) -> None:
    try:
        os.setxattr(tree / "plain.txt", "user.note", b"kept")
    except OSError:
        pytest.skip("this file system keeps no extended attributes")
    copy_into_bag(tree, tmp_path / "target", files=FILES, clock=CLOCK)
    assert os.getxattr(tmp_path / "target" / "data" / "plain.txt", "user.note") == b"kept"
    receipt = copy_into_bag(tree, tmp_path / "other", files=FaultyFiles(keeps_attributes=False), clock=CLOCK)
    assert ("plain.txt", "extended attributes") in [(note.name, note.reason) for note in receipt.not_kept]


def test_a_source_that_is_pulled_stops_the_copy_instead_of_being_left_out_file_by_file(
    tree: Path, tmp_path: Path
) -> None:
    with pytest.raises(Interrupted, match="the drive of the source is no longer there"):
        copy_into_bag(tree, tmp_path / "target", files=FaultyFiles(pulled=True), clock=CLOCK)
    assert copy_into_bag(tree, tmp_path / "target", files=FILES, clock=CLOCK, resume=True).verified


def test_a_folder_named_in_another_way_is_the_same_source(
    tree: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls = itertools.count()
    watch = Watch(stop_reason=lambda: "stopped" if next(calls) == 3 else None)
    with pytest.raises(Interrupted):
        copy_into_bag(tree, tmp_path / "t", files=FILES, clock=CLOCK, watch=watch)
    monkeypatch.chdir(tree)
    assert copy_into_bag(Path("../source"), tmp_path / "t", files=FILES, clock=CLOCK, resume=True).verified


@pytest.mark.promise(5)
def test_source_and_target_inside_each_other_are_refused(tree: Path) -> None:
    with pytest.raises(Refused, match="inside each other"):
        copy_into_bag(tree, tree / "sub dir" / "bag", files=FILES, clock=CLOCK)


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
    dot_at_end=False,
    block_bytes=32 << 10,
)


def test_what_the_target_cannot_hold_is_found_beforehand(tmp_path: Path) -> None:
    root = tmp_path / "s"
    root.mkdir()
    for name in ("Readme", "README", "a:b", "y" * 241, "etc."):
        (root / name).write_bytes(b"x")
    with (root / "film").open("wb") as stream:
        stream.truncate(4 << 30)
    with HeldFolder.hold(root) as folder:
        lines = "\n".join(find_misfits(survey_tree(folder), POOR))
    for line in (
        "Readme: differs from README in letter case only",
        "a:b: the target cannot hold ':' in a name",
        "its name takes 241 bytes, the target holds 240",
        "film: 4,294,967,296 bytes, the target's largest file is 4,294,967,295",
        "etc.: the target drops the dot at the end of its name",
        f"{(4 << 30) + 5 * (32 << 10):,} bytes are needed, 1,048,576 are free",
        "6 entries are needed, 5 are free",
    ):
        assert line in lines


@given(st.binary(min_size=1, max_size=40).filter(lambda name: b"/" not in name))
def test_spelling_a_name_can_be_undone(name: bytes) -> None:
    stored = bag.stored_name(name)
    assert bag.true_name(stored) == name
    text = stored.decode("utf-8")
    assert text.strip() == text
    assert "%" not in text


@given(st.binary(min_size=1, max_size=12), st.binary(min_size=1, max_size=12))
def test_two_names_never_share_a_spelling(first: bytes, second: bytes) -> None:
    assert (bag.stored_name(first) == bag.stored_name(second)) == (first == second)


def test_manifests_of_others_are_read() -> None:
    """RFC 8493 section 2.1.3: either case of hex, tabs or blanks, LF, CR and % percent-encoded, any line end."""
    digest = "E3B0C44298FC1C149AFBF4C8996FB92427AE41E4649B934CA495991B7852B855"
    text = f"{digest}\tdata/a%0Ab%25c\r\n{digest.lower()}  data/plain\r{digest}   data/%41\n"
    pairs = bag.parse_payload_manifest(text.encode(), origin="m")
    assert list(pairs.items()) == [
        ("data/a\nb%c", digest.lower()),
        ("data/plain", digest.lower()),
        ("data/%41", digest.lower()),
    ]
    with pytest.raises(BadInput, match="line 1 names a path outside the bag"):
        bag.parse_manifest(f"{digest}  data/../../etc/x\n".encode(), origin="m")
    with pytest.raises(BadInput, match="line 2 is not a SHA-256 manifest line"):
        bag.parse_manifest(f"{digest}  data/x\nshort  data/y\n".encode(), origin="m")


def test_the_kinds_of_files_left_out_are_counted(tmp_path: Path) -> None:
    source = tmp_path / "source"
    source.mkdir()
    (source / "kept.txt").write_text("dear")
    for name in ("a.jpg", "b.JPEG", "c"):
        (source / name).symlink_to("/nowhere")
    receipt = copy_into_bag(source, tmp_path / "bag", files=FILES, clock=CLOCK)
    assert [note.file_kind for note in receipt.left_out] == ["photo", "photo", None]
    assert receipt.kinds_left_out == "2 photos and 1 other file"
