"""Names of a customer's files lie apart from a job's receipts: they are found again, stay here, move along, and go."""

from __future__ import annotations

import stat
import subprocess
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from drivecare.documents import load
from drivecare.errors import BadInput
from drivecare.hardware.held_folder import LocalFileSystem
from drivecare.job.chain import Audit
from drivecare.job.closing import check_closing, make_closing, remove_copy
from drivecare.job.copies import CustomerCopy, copies_made
from drivecare.job.export import export_job
from drivecare.job.file_names import FileNames, as_filed, separate_names, with_names
from drivecare.job.job_state import JobState, load_job_state
from drivecare.record.folder import FolderRecord
from drivecare.record.memory import MemoryRecord
from drivecare.record.port import FiledJob
from drivecare.transfer.holds import Hold
from drivecare.transfer.sectors.receipt import Receipt, Unreadable
from drivecare.work.take_back import Author, move
from tests.job.carried import AREA, NEW, NOW, OLD, OPENING, device, receipt

OPENED = msgspec.structs.replace(OPENING, tool_version="0.2.0")
AUTHOR = Author(note="a slip", at="2026-11-25T11:50:00+00:00", by="ann")
PHOTO = Hold(kind="file", partition=1, path="/Ana/beach.jpg", file=1, file_kind="photo", size_bytes=9000, bytes=512)
FOLDER = Hold(kind="directory", partition=1, path="/Ana", file=2, bytes=512)
FREE = Hold(kind="free", partition=1, bytes=7168)


def naming(*holds: Hold, **more: object) -> Receipt:
    """A receipt whose one lost area holds these."""
    lost = Unreadable(offset=AREA.offset, length=AREA.length, holds=holds)
    return receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"), unreadable=(lost,), **more)


NAMING = naming(PHOTO, FOLDER, FREE)


def file_naming(job: FiledJob, document: Receipt = NAMING) -> Receipt:
    apart, names = separate_names(document)
    job.file(apart, names=names)
    assert isinstance(apart, Receipt)
    return apart


@pytest.fixture
def job(tmp_path: Path) -> FiledJob:
    return FolderRecord(root=tmp_path / "jobs").create(OPENED)


def state(job: FiledJob) -> JobState:
    return load_job_state(job.read(), now=NOW)


def lists_of(job: FiledJob) -> list[CustomerCopy]:
    return [copy for copy in copies_made(state(job)) if copy.kind == "names"]


def names_in(job: FiledJob) -> list[str]:
    return sorted(path.name for path in job.path.glob("names-*"))


@pytest.mark.promise(11)
@pytest.mark.parametrize("by_caller", [True, False])
def test_a_filed_receipt_has_no_name_and_the_names_lie_apart(job: FiledJob, by_caller: bool) -> None:
    if by_caller:
        file_naming(job)
    else:
        job.file(NAMING)
    filed = state(job).receipts[0].document
    assert [hold.path for area in filed.unreadable for hold in area.holds] == [None, None, None]
    (path,) = job.path.glob("names-*")
    assert path.name == "names-0002.json"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert load(FileNames, path).paths == ("/Ana/beach.jpg", "/Ana")
    others = [other for other in job.path.iterdir() if other != path]
    assert not [other for other in others if b"Ana" in other.read_bytes()]
    assert job.read().audit() == Audit()
    assert with_names(filed, job.path).unreadable == NAMING.unreadable


def test_openssl_computes_the_same_digest(job: FiledJob) -> None:
    filed = file_naming(job)
    path = job.path / "names-0002.json"
    command = [
        "openssl",
        "dgst",
        "-sha256",
        "-mac",
        "HMAC",
        "-macopt",
        f"hexkey:{load(FileNames, path).key}",
        str(path),
    ]
    printed = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    assert filed.names is not None
    assert (printed.split()[-1], path.stat().st_size) == (filed.names.digest, filed.names.length)


def test_the_same_names_have_another_digest_in_another_job() -> None:
    first, second = (separate_names(NAMING)[0] for _ in range(2))
    assert isinstance(first, Receipt)
    assert isinstance(second, Receipt)
    assert first.names != second.names


@pytest.mark.parametrize("document", [naming(FREE), naming(), OPENED], ids=["no file", "nobody looked", "no receipt"])
def test_what_names_no_file_is_filed_as_it_is(document: Receipt) -> None:
    assert separate_names(document) == (document, b"")


def _alter(path: Path) -> None:
    path.write_bytes(path.read_bytes().replace(b"beach", b"mount"))


def _link(path: Path) -> None:
    path.rename(path.parent.parent / "elsewhere")
    path.symlink_to(path.parent.parent / "elsewhere")


@pytest.mark.parametrize("change", [_alter, _link, Path.unlink, lambda path: path.write_bytes(b"{")])
def test_names_that_are_not_those_that_were_filed_are_not_shown(job: FiledJob, change: Callable[[Path], None]) -> None:
    filed = file_naming(job)
    change(job.path / "names-0002.json")
    assert with_names(filed, job.path) == filed


def test_a_later_verification_tells_of_the_same_names(job: FiledJob) -> None:
    filed = file_naming(job)
    job.file(msgspec.structs.replace(filed, finished="2026-11-25T11:20:00+00:00"))
    assert names_in(job) == ["names-0002.json"]
    assert [with_names(result.document, job.path).unreadable for result in state(job).receipts] == [
        NAMING.unreadable,
        NAMING.unreadable,
    ]
    assert [copy.path for copy in lists_of(job)] == [job.path / "names-0002.json"]


def test_a_receipt_that_tells_where_its_names_are_keeps_that_word(job: FiledJob) -> None:
    """Even in a job that has filed none of its names: that of another job."""
    filed = file_naming(job)
    assert as_filed(filed, []) == filed


def test_a_store_that_cannot_keep_them_files_the_receipt() -> None:
    notices: list[str] = []
    record = MemoryRecord(notify=notices.append)
    record.create(OPENED)
    filed = file_naming(record.job("1042"))
    assert [result.document for result in record.job("1042").results(Receipt)] == [filed]
    assert [notice[:40] for notice in notices] == ["the names of the files are not kept: mem"]


@pytest.mark.promise(11)
@pytest.mark.parametrize("names", [False, True])
def test_an_export_leaves_them_out_unless_they_are_asked_for(job: FiledJob, tmp_path: Path, names: bool) -> None:
    file_naming(job)
    archive = export_job(job.read(), tmp_path / "1042.tar.gz", images=True, names=names)
    left_out = [(left.file, left.reason) for left in archive.left_out]
    assert left_out == ([] if names else [("names-0002.json", "names of the customer's files")])
    assert ("names-0002.json" in archive.files, archive.with_names) == (names, names)


def test_closing_keeps_or_forgets_them_and_says_which(job: FiledJob) -> None:
    file_naming(job)
    now, files = state(job), LocalFileSystem()
    (names,) = copies = copies_made(now)
    assert (names.path, names.noun, names.contents) == (
        job.path / "names-0002.json",
        "list of file names",
        "of 2 files",
    )
    check_closing(now, copies, files, anyway="x", forget=False, fates={})
    kept = make_closing(now, copies, unit_started=True, old_drive="kept", fates={}, anyway="x", at=AUTHOR.at)
    assert [(image.path, image.fate, image.kind) for image in kept.images] == [(str(names.path), "kept", "names")]
    check_closing(now, copies, files, anyway="x", forget=True, fates={})
    remove_copy(names, files)
    closing = make_closing(
        now, copies, unit_started=True, old_drive="kept", fates={}, removed=(names.path,), anyway="x", at=AUTHOR.at
    )
    job.file(closing)
    assert [(image.path, image.fate, image.kind) for image in closing.images] == [(str(names.path), "removed", "names")]
    assert names_in(job) == []
    assert job.read().audit() == Audit()
    job.reopen(note="it came back", at=AUTHOR.at, by="ann")
    again = make_closing(state(job), lists_of(job), unit_started=True, old_drive="kept", fates={}, at=AUTHOR.at)
    assert [image.fate for image in again.images] == ["removed"]


def test_what_took_their_place_is_not_removed(job: FiledJob) -> None:
    file_naming(job)
    _alter(job.path / "names-0002.json")
    (names,) = lists_of(job)
    with pytest.raises(BadInput, match="does not hold the names that were filed there"):
        check_closing(state(job), (names,), LocalFileSystem(), anyway="x", forget=True, fates={})


def test_they_move_with_their_receipt(job: FiledJob, tmp_path: Path) -> None:
    file_naming(job)
    other = FolderRecord(root=tmp_path / "jobs").create(msgspec.structs.replace(OPENED, id="1043"))
    other.file(receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc")))
    move(job, 2, other, AUTHOR)
    assert (names_in(job), names_in(other)) == ([], ["names-0003.json"])
    assert with_names(state(other).receipts[-1].document, other.path).unreadable == NAMING.unreadable
    assert (lists_of(job), [copy.path for copy in lists_of(other)]) == ([], [other.path / "names-0003.json"])
    assert (job.read().audit(), other.read().audit()) == (Audit(), Audit())


def test_they_stay_where_another_result_tells_of_them(job: FiledJob, tmp_path: Path) -> None:
    filed = file_naming(job)
    job.file(msgspec.structs.replace(filed, finished="2026-11-25T11:20:00+00:00"))
    other = FolderRecord(root=tmp_path / "jobs").create(msgspec.structs.replace(OPENED, id="1043"))
    move(job, 3, other, AUTHOR)
    assert (names_in(job), names_in(other)) == (["names-0002.json"], ["names-0002.json"])
