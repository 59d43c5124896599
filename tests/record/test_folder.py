"""The job folder: names, order, nothing overwritten, two terminals at once."""

from __future__ import annotations

import errno
import fcntl
import json
import multiprocessing
import os
import re
import shutil
import stat
from datetime import UTC, datetime
from pathlib import Path
from unittest import mock

import pytest

from drivecare.errors import BadInput, Unavailable
from drivecare.job.chain import CHAIN, Audit
from drivecare.job.contents import newest_of
from drivecare.job.model import Fact, Opening
from drivecare.job.result_files import serial_of
from drivecare.reading.model import Drive, Reading
from drivecare.record.folder import FolderRecord
from drivecare.record.job_folder import LOCK, JobFolder
from drivecare.record.location import jobs_place

OPENING = Opening(
    id="1042",
    opened_at="2026-11-25T10:00:00+00:00",
    host="marlow-mc2-r3",
    label="MC2 rev 3",
    complaint="hangs at start",
)


def reading(serial: str | None = "KX25-00417") -> Reading:
    return Reading(drive=Drive(serial=serial, model="Kestrel KD-500"))


@pytest.fixture
def job(tmp_path: Path) -> JobFolder:
    return FolderRecord(root=tmp_path / "jobs").create(OPENING)


def test_a_result_is_named_by_number_kind_serial_and_time(job: JobFolder) -> None:
    timed = JobFolder(path=job.path, now=lambda: datetime(2026, 11, 25, 10, 31, tzinfo=UTC))
    assert timed.file(reading()).name == "0002-reading-KX25-00417-20261125T103100Z.json"
    assert timed.file(Fact(fact="consent", at="x")).name == "0003-fact-20261125T103100Z.json"


def test_results_come_back_in_the_order_of_filing(job: JobFolder) -> None:
    for serial in ("B", "A", "C"):
        job.file(reading(serial))
    assert [one.document.drive.serial for one in job.results(Reading)] == ["B", "A", "C"]
    newest = newest_of(job.results(Reading))
    assert newest is not None
    assert newest.file.number == 4
    assert newest_of(job.results(Fact)) is None
    assert job.read().opening() == OPENING


def test_a_result_is_plain_json_that_needs_no_tool(job: JobFolder) -> None:
    assert json.loads(job.file(reading()).read_text())["drive"]["serial"] == "KX25-00417"


def test_the_tenth_thousand_still_sorts(job: JobFolder) -> None:
    (job.path / CHAIN).unlink()  # as in a job of 0.1.0; a chain would not let a number be skipped
    (job.path / "9999-fact-20261125T103100Z.json").write_bytes(b"{}")
    assert job.file(reading()).name.startswith("10000-reading-")
    assert [entry.number for entry in job.result_files()] == [1, 9999, 10000]


@pytest.mark.parametrize(
    ("serial", "part"),
    [
        ("../../etc/passwd", "etc_passwd"),
        ("<b>&\x00", "b"),
        ("WD 1/2", "WD_1_2"),
        ("x" * 200, "x" * 40),
        ("---", None),
        (None, None),
        ("S-1-20261125T103100Z", "S-1-20261125T103100Z"),
    ],
)
def test_no_serial_number_escapes_into_a_path(job: JobFolder, serial: str | None, part: str | None) -> None:
    path = job.file(reading(serial))
    assert path.parent == job.path
    assert job.result_files()[-1].serial == part
    assert job.result_files()[-1].kind == "reading"


def test_the_serial_is_the_drives_else_the_targets_else_the_sources() -> None:
    assert serial_of({"drive": {"serial": "A"}, "target": {"serial": "B"}}) == "A"
    assert serial_of({"source": {"serial": "C"}, "target": {"serial": "B"}}) == "B"
    assert serial_of({"source": {"serial": "C"}, "target": {"serial": None}}) == "C"
    assert serial_of({"source": None}) is None


def test_other_files_in_the_folder_are_left_alone(job: JobFolder) -> None:
    for name in ("notes.txt", ".0002-reading-20261125T103100Z.json.77.part", "0002-reading.json"):
        (job.path / name).write_text("x")
    assert [entry.number for entry in job.result_files()] == [1]
    assert job.file(reading()).name.startswith("0002-")


def _file_many(path: Path) -> None:
    for _ in range(25):
        JobFolder(path=path).file(reading())


@pytest.mark.promise(10)
def test_two_terminals_at_once_lose_nothing_and_share_no_number(job: JobFolder) -> None:
    context = multiprocessing.get_context("spawn")
    terminals = [context.Process(target=_file_many, args=(job.path,)) for _ in range(2)]
    for terminal in terminals:
        terminal.start()
    for terminal in terminals:
        terminal.join(60)
    assert [terminal.exitcode for terminal in terminals] == [0, 0]
    assert [entry.number for entry in job.result_files()] == list(range(1, 52))
    assert len(job.results(Reading)) == 50


def test_a_malformed_result_is_named(job: JobFolder) -> None:
    path = job.file(reading())
    path.write_text('{"schema": "drivecare/reading-1", "drive": {"serial": 7}}')
    with pytest.raises(BadInput, match=re.escape(f"{path}: Expected `str | null`, got `int` at drive.serial")):
        job.results(Reading)


def test_a_job_is_made_once(tmp_path: Path, job: JobFolder) -> None:
    with pytest.raises(BadInput, match=r"1042: already exists\. Choose another ID\."):
        FolderRecord(root=tmp_path / "jobs").create(OPENING)
    assert FolderRecord(root=tmp_path / "jobs").job("1042").path == job.path
    with pytest.raises(BadInput, match=r"there is no job 1043"):
        FolderRecord(root=tmp_path / "jobs").job("1043")


def test_a_customers_job_is_nobody_elses_business(job: JobFolder) -> None:
    assert job.path.stat().st_mode & 0o077 == 0
    assert job.images.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("id", ["", "..", "a/b", "-x", ".hidden", "a b", "x" * 65, "a\n"])
def test_an_id_that_cannot_name_a_folder_is_refused(tmp_path: Path, id: str) -> None:
    with pytest.raises(BadInput, match="cannot name a job"):
        FolderRecord(root=tmp_path).job(id)


def test_where_the_jobs_lie(tmp_path: Path) -> None:
    environ = {"DRIVECARE_JOBS": "/a/jobs", "XDG_DATA_HOME": "/b"}
    assert jobs_place(str(tmp_path), environ=environ) == tmp_path
    assert jobs_place(None, environ=environ) == Path("/a/jobs")
    del environ["DRIVECARE_JOBS"]
    assert jobs_place(None, environ=environ) == Path("/b/drivecare/jobs")
    environ = {"HOME": "/home/ann", "XDG_DATA_HOME": "relative"}
    assert jobs_place(None, environ=environ) == Path("/home/ann/.local/share/drivecare/jobs")


def test_a_folder_of_jobs_lists_only_jobs(tmp_path: Path, job: JobFolder) -> None:
    (job.path.parent / "lost+found").mkdir()
    (job.path.parent / "notes.txt").write_text("x")
    assert [one.id for one in FolderRecord(root=job.path.parent).jobs()] == ["1042"]
    assert FolderRecord(root=tmp_path / "none").jobs() == ()


def test_jobs_where_a_file_is(tmp_path: Path) -> None:
    file = tmp_path / "jobs"
    file.write_text("x")
    for use in (
        lambda: FolderRecord(root=file).create(OPENING),
        lambda: FolderRecord(root=file).job("1042"),
        lambda: FolderRecord(root=file).jobs(),
    ):
        with pytest.raises(BadInput, match=r"jobs: is a file; jobs are kept in a folder\. Give --jobs FOLDER\."):
            use()


def test_a_folder_that_vanished_is_said_in_one_line(job: JobFolder) -> None:
    shutil.rmtree(job.path)
    with pytest.raises(Unavailable, match="cannot be opened"):
        job.file(reading())


def _file_without_locks_of_folders(path: Path, count: int) -> None:
    flock = fcntl.flock

    def of_files_only(descriptor: int, how: int) -> None:
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        flock(descriptor, how)

    with mock.patch.object(fcntl, "flock", of_files_only):
        for _ in range(count):
            JobFolder(path=path).file(Fact(fact="consent", at="x"))


def test_two_benches_file_at_once_where_a_folder_cannot_be_locked(job: JobFolder) -> None:
    """As on a share. The lock is a file in the job's folder, which is not a result and nobody else's."""
    context = multiprocessing.get_context("spawn")
    benches = [context.Process(target=_file_without_locks_of_folders, args=(job.path, 20)) for _ in range(2)]
    for bench in benches:
        bench.start()
    for bench in benches:
        bench.join(60)
    assert [bench.exitcode for bench in benches] == [0, 0]
    assert [file.number for file in job.result_files()] == list(range(1, 42))
    assert job.read().audit() == Audit()
    assert (job.path / LOCK).stat().st_mode & 0o777 == 0o600


def test_no_link_leads_the_lock_elsewhere(job: JobFolder, tmp_path: Path) -> None:
    (job.path / LOCK).unlink()
    (job.path / LOCK).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(Unavailable, match="cannot be locked"):
        job.file(Fact(fact="consent", at="x"))
    assert not (tmp_path / "elsewhere").exists()
    assert job.read().opening() == OPENING


def test_a_job_from_before_there_were_lock_files_is_read_as_it_is_and_gets_one_with_its_next_result(
    job: JobFolder,
) -> None:
    (job.path / LOCK).unlink()
    assert job.read().opening() == OPENING
    assert not (job.path / LOCK).exists()
    job.file(Fact(fact="consent", at="x"))
    assert (job.path / LOCK).exists()
