"""The index: derived, never asked about a result, and never wrong for long, whatever is done to it or to the jobs."""

from __future__ import annotations

import errno
import hashlib
import multiprocessing
import os
import shutil
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pytest

from drivecare.job.chain import Audit
from drivecare.job.overview import JobLine
from drivecare.job.timeline import JobFilter, summarise_job
from drivecare.reading.identity import DriveId, compare, search_names, shown_alike
from drivecare.record import index, reconcile
from drivecare.record.folder import FolderRecord
from drivecare.record.index import INDEX
from drivecare.record.line_origin import line_origin
from drivecare.storage import write_file
from tests.job.carried import NEW, NOW, OLD, OPENING, assessment, data_route, fact, same_route
from tests.reading.drive_pairs import PAIRS

EVERY = JobFilter()
LONG_AGO = datetime(2026, 1, 2, tzinfo=UTC).timestamp()


@pytest.fixture
def record(tmp_path: Path) -> FolderRecord:
    """Three jobs that were last touched long ago, and their index."""
    record = FolderRecord(root=tmp_path / "jobs", now=lambda: NOW)
    for id, documents in (("1041", same_route()), ("1042", data_route()), ("1043", [fact("consent")])):
        job = record.create(msgspec.structs.replace(OPENING, id=id, tool_version="0.2.0"))
        for document in documents:
            job.file(document)
        touch_long_ago(job.path)
    record.list_jobs(EVERY)
    return record


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The jobs that were read to be summarised."""
    read: list[str] = []

    def summarise(id: str, *rest: Callable[[], object], **options: datetime) -> object:
        read.append(id)
        return summarise_job(id, *rest, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(reconcile, "summarise_job", summarise)
    return read


def touch_long_ago(folder: Path) -> None:
    for path in (*folder.iterdir(), folder):
        os.utime(path, (LONG_AGO, LONG_AGO), follow_symlinks=False)


def lines(record: FolderRecord, **options: int) -> tuple[JobLine, ...]:
    return record.list_jobs(EVERY, **options).jobs


def anew(record: FolderRecord) -> tuple[JobLine, ...]:
    """The lines without any index."""
    return tuple(summarise_job(job.id, job.read, now=record.now()).line for job in record.jobs())


def result(record: FolderRecord, id: str, number: int) -> Path:
    return next(file.path for file in record.job(id).result_files() if file.number == number)


# --- what it saves ----------------------------------------------------------------------------------------------------


def test_a_list_of_jobs_that_did_not_change_reads_none(record: FolderRecord, read: list[str]) -> None:
    assert [line.id for line in lines(record)] == ["1041", "1042", "1043"]
    assert record.list_jobs(JobFilter(verdict="evacuate")).total == 1
    assert [job.id for job in record.jobs_with_drive(DriveId(serial=OLD.serial))] == ["1041", "1042"]
    assert read == []


def test_the_index_says_what_the_jobs_say(record: FolderRecord) -> None:
    assert lines(record) == anew(record)
    assert {line.gate_open for line in lines(record)} == {True, False}


def test_only_a_job_that_changed_is_read_again(record: FolderRecord, read: list[str]) -> None:
    record.job("1043").file(assessment(NEW, "recheck"))
    assert lines(record)[2].verdict == "recheck"
    assert read == ["1043"]
    assert [job.id for job in record.jobs_with_drive(NEW)] == ["1042", "1043"]


@pytest.mark.promise(11)
def test_the_index_is_its_owners_alone(record: FolderRecord) -> None:
    assert (record.root / INDEX).stat().st_mode & 0o777 == 0o600


def test_under_sudo_the_index_is_the_invoking_users(record: FolderRecord, monkeypatch: pytest.MonkeyPatch) -> None:
    if os.geteuid() != 0:
        pytest.skip("needs root")
    monkeypatch.setenv("SUDO_UID", "1")  # `daemon` on every Debian
    monkeypatch.setenv("SUDO_GID", "1")
    (record.root / INDEX).unlink()
    lines(record)
    info = (record.root / INDEX).stat()
    assert (info.st_uid, info.st_gid) == (1, 1)


# --- what is done to the jobs -----------------------------------------------------------------------------------------


def _file(record: FolderRecord) -> None:
    record.job("1043").file(assessment(OLD, "evacuate"))


def _remove_result(record: FolderRecord) -> None:
    result(record, "1041", 3).unlink()


def _alter_in_place(record: FolderRecord) -> None:
    path = result(record, "1041", 3)
    path.write_bytes(path.read_bytes().replace(b'"refit"', b'"recheck"'))


def _alter_and_set_the_times_back(record: FolderRecord) -> None:
    path = result(record, "1041", 3)
    before = path.stat()
    path.write_bytes(path.read_bytes().replace(b'"verdict": "refit"', b'"verdict":"unread"'))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def _cut_the_chain(record: FolderRecord) -> None:
    os.truncate(record.root / "1042" / "chain", 100)


def _spoil(record: FolderRecord) -> None:
    result(record, "1042", 1).write_text("{")


def _remove_job(record: FolderRecord) -> None:
    shutil.rmtree(record.root / "1042")


def _put_a_link_there(record: FolderRecord) -> None:
    shutil.move(record.root / "1042", record.root.parent / "away")
    (record.root / "1042").symlink_to(record.root.parent / "away")


def _exchange_jobs(record: FolderRecord) -> None:
    (record.root / "1041").rename(record.root / "x")
    (record.root / "1042").rename(record.root / "1041")
    (record.root / "x").rename(record.root / "1042")


def _copy_all(record: FolderRecord) -> None:
    """As from a backup that keeps the times."""
    shutil.copytree(record.root, record.root.parent / "copy")
    shutil.rmtree(record.root)
    (record.root.parent / "copy").rename(record.root)


@pytest.mark.promise(10)
@pytest.mark.parametrize(
    "change",
    [
        _file,
        _remove_result,
        _alter_in_place,
        _alter_and_set_the_times_back,
        _cut_the_chain,
        _spoil,
        _remove_job,
        _put_a_link_there,
        _exchange_jobs,
        _copy_all,
    ],
    ids=lambda change: change.__name__.strip("_"),
)
def test_whatever_is_done_to_a_job_shows_in_the_next_list(
    record: FolderRecord, change: Callable[[FolderRecord], None]
) -> None:
    before = lines(record)
    change(record)
    assert lines(record) == anew(record)
    assert lines(record, page=1) == anew(record)
    if change is not _copy_all:
        assert lines(record) != before


def test_two_filings_within_one_tick_of_the_clock_are_both_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, read: list[str]
) -> None:
    """A share may count in steps of two seconds. Here the clock of the file system stands still."""
    for module in (index, reconcile):
        monkeypatch.setattr(module, "times_of", lambda _: "1 1")
    record = FolderRecord(root=tmp_path / "jobs")
    job = record.create(OPENING)
    for drive in (OLD, NEW):
        job.file(assessment(drive, "refit"))
        assert lines(record)[0] == anew(record)[0]
        assert lines(record)[0].serials[-1] == drive.serial
    assert read == ["1042", "1042"]


def test_a_job_is_settled_a_minute_after_it_was_touched(tmp_path: Path, read: list[str]) -> None:
    clock = [datetime.now(UTC)]
    record = FolderRecord(root=tmp_path / "jobs", now=lambda: clock[0])
    record.create(OPENING)
    lines(record)
    assert not index.JobIndex(record.root).entries()["1042"].stamp.settled
    clock[0] += timedelta(minutes=2)
    lines(record)
    assert index.JobIndex(record.root).entries()["1042"].stamp.settled
    assert read == ["1042"]


@pytest.mark.parametrize("later", [timedelta(minutes=-10), timedelta(), timedelta(hours=20), timedelta(days=2)])
def test_a_proof_grows_old_although_nothing_is_filed(record: FolderRecord, later: timedelta) -> None:
    """Filed only once: the gate of 1042 is open for a day after the copy was read back, and no longer."""
    without_vouching = record.create(msgspec.structs.replace(OPENING, id="1044", tool_version="0.2.0"))
    for document in data_route():
        if getattr(document, "fact", None) != "unchanged":
            without_vouching.file(document)
    touch_long_ago(without_vouching.path)
    lines(record)
    then = FolderRecord(root=record.root, now=lambda: NOW + later)
    assert lines(then) == anew(then)


# --- what is done to the index ----------------------------------------------------------------------------------------


def _cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def _flip(path: Path) -> None:
    data = bytearray(path.read_bytes())
    place = data.index(b"evacuate")
    data[place : place + 8] = b"replaced"
    path.write_bytes(data)


def _link(path: Path) -> None:
    path.rename(path.with_name(".kept"))
    path.symlink_to(".kept")


def _pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def _other_tables(path: Path) -> None:
    database = sqlite3.connect(":memory:")
    database.execute("CREATE TABLE about (format TEXT)")
    database.execute("INSERT INTO about VALUES (?)", (line_origin(),))
    database.commit()
    data = database.serialize()
    path.write_bytes(data + hashlib.sha256(data).digest())


@pytest.mark.parametrize(
    "damage",
    [
        Path.unlink,
        _cut,
        _flip,
        lambda path: path.write_bytes(b""),
        lambda path: path.write_bytes(os.urandom(20_000)),
        _link,
        _pipe,
        _other_tables,
    ],
    ids=["deleted", "cut", "flipped", "empty", "junk", "link", "pipe", "other tables"],
)
def test_a_damaged_index_costs_a_moment_and_never_a_result(
    record: FolderRecord, read: list[str], damage: Callable[[Path], None]
) -> None:
    results = {path: path.read_bytes() for path in record.root.glob("*/*.json")}
    before = lines(record)
    damage(record.root / INDEX)
    assert lines(record) == before
    assert sorted(read) == ["1041", "1042", "1043"]
    assert lines(record) == before
    assert len(read) == 3  # it is there again, as a file of its own
    assert not (record.root / INDEX).is_symlink()
    assert {path: path.read_bytes() for path in record.root.glob("*/*.json")} == results


def test_an_index_of_another_drivecare_is_made_anew(
    record: FolderRecord, read: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may judge a gate otherwise."""
    monkeypatch.setattr(index, "line_origin", lambda: "of another")
    lines(record)
    assert len(read) == 3


def test_a_read_only_folder_has_none_which_is_said_once(record: FolderRecord, monkeypatch: pytest.MonkeyPatch) -> None:
    """Root may write everywhere, so the refusal of the file system is handed in."""
    notices: list[str] = []
    reader = FolderRecord(root=record.root, now=record.now, notify=notices.append)
    (record.root / INDEX).unlink()

    def open_to_read(path: str, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if flags & os.O_CREAT:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return opened(path, flags, mode, dir_fd=dir_fd)

    opened = os.open
    with monkeypatch.context() as patch:
        patch.setattr(os, "open", open_to_read)
        assert lines(reader) == anew(record)
    assert notices == [
        f"no index can be kept there, so lists and searches take longer: {record.root / INDEX}: cannot be written: "
        "Read-only file system. Choose another place, or check the folder and its permissions."
    ]
    assert not (record.root / INDEX).exists()


# --- pages ------------------------------------------------------------------------------------------------------------


def test_page_one_holds_the_newest_jobs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", lambda _: None)
    record = FolderRecord(root=tmp_path / "jobs")
    ids = [f"{number:04}" for number in range(120)]
    for id in ids:
        record.create(msgspec.structs.replace(OPENING, id=id, host="even" if int(id) % 2 == 0 else "odd"))
    pages = [record.list_jobs(EVERY, page=page) for page in (1, 2, 3, 4)]
    assert [[line.id for line in page.jobs] for page in pages] == [ids[70:], ids[20:70], ids[:20], []]
    assert {(page.total, page.pages) for page in pages} == {(120, 3)}
    odd = record.list_jobs(JobFilter(host="odd"), page=2)
    assert ([line.id for line in odd.jobs], odd.total, odd.pages) == (ids[1:20:2], 60, 2)


def test_a_job_that_no_longer_matches_makes_room_on_its_page(record: FolderRecord) -> None:
    _alter_in_place(record)  # unseen by the folder's times
    assert [line.id for line in record.list_jobs(JobFilter(verdict="refit"), page=1).jobs] == []


# --- names ------------------------------------------------------------------------------------------------------------


def test_drives_that_may_be_the_same_share_a_name_to_be_found_by() -> None:
    same = [
        pair
        for pair in PAIRS
        if compare(pair.first, pair.second, labels=pair.labels) == "yes" or shown_alike(pair.first, pair.second)
    ]
    assert len(same) > 5
    apart = [pair.why for pair in same if search_names(pair.first).isdisjoint(search_names(pair.second))]
    assert apart == []


# --- two at once ------------------------------------------------------------------------------------------------------


def test_a_job_that_is_being_opened_is_not_listed_before_it_is(
    record: FolderRecord, monkeypatch: pytest.MonkeyPatch
) -> None:
    ids_meanwhile: list[tuple[str | None, ...]] = []

    def write_and_list(path: Path, data: bytes) -> None:
        another_bench = FolderRecord(root=record.root)
        ids_meanwhile.append(another_bench.ids())
        assert {line.error for line in another_bench.list_jobs(EVERY).jobs} == {None}
        write_file(path, data)

    monkeypatch.setattr("drivecare.record.job_folder.write_file", write_and_list)
    before = record.ids()
    record.create(msgspec.structs.replace(OPENING, id="2001"))
    assert ids_meanwhile == [before]
    assert record.ids() == (*before, "2001")


def test_what_a_power_cut_leaves_of_an_opening_is_no_job(record: FolderRecord, monkeypatch: pytest.MonkeyPatch) -> None:
    def cut(*_: object) -> None:
        raise KeyboardInterrupt

    before = record.ids()
    monkeypatch.setattr("drivecare.record.job_folder.write_file", cut)
    monkeypatch.setattr("shutil.rmtree", lambda *_, **__: None)
    with pytest.raises(KeyboardInterrupt):
        record.create(msgspec.structs.replace(OPENING, id="2001"))
    assert len(list(record.root.glob(".*.part"))) == 1
    assert record.ids() == before
    monkeypatch.undo()
    record.create(msgspec.structs.replace(OPENING, id="2001"))
    assert record.ids() == (*before, "2001")


def _bench(root: Path, name: str) -> None:
    """Open jobs of its own, file into one that the other files into, too, and list all the time."""
    record = FolderRecord(root=root)
    for number in range(8):
        record.create(msgspec.structs.replace(OPENING, id=f"{name}{number}")).file(assessment(OLD, "refit"))
        record.job("1041").file(fact("detached", note=name))
        assert {line.error for line in record.list_jobs(EVERY).jobs} == {None}
        assert "1041" in {job.id for job in record.jobs_with_drive(DriveId(serial=OLD.serial))}


@pytest.mark.promise(10)
def test_two_benches_file_and_list_in_one_folder(record: FolderRecord) -> None:
    context = multiprocessing.get_context("spawn")
    benches = [context.Process(target=_bench, args=(record.root, name)) for name in ("a", "b")]
    for bench in benches:
        bench.start()
    for bench in benches:
        bench.join(120)
    assert [bench.exitcode for bench in benches] == [0, 0]
    assert lines(record) == anew(record)
    assert len(lines(record)) == 3 + 16
    assert record.job("1041").read().audit() == Audit()
    assert len(record.job("1041").result_files()) == 3 + 16
    assert list(record.root.glob(".*.part")) == []


def _open_the_same(root: Path) -> None:
    made = 0
    for number in range(20):
        try:
            FolderRecord(root=root).create(msgspec.structs.replace(OPENING, id=f"2{number:03}"))
            made += 1
        except Exception as error:
            assert "already exists" in str(error)  # noqa: PT017  in a process of its own
    os._exit(made)


def test_a_job_opened_on_two_benches_at_once_is_opened_on_one(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    benches = [context.Process(target=_open_the_same, args=(tmp_path,)) for _ in range(2)]
    for bench in benches:
        bench.start()
    for bench in benches:
        bench.join(60)
    assert sum(bench.exitcode or 0 for bench in benches) == 20
