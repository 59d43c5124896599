"""What every store promises: each test runs on the folder store, on the one in memory and on PostgreSQL."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import msgspec
import pytest

from drivecare.documents import encode
from drivecare.errors import BadInput
from drivecare.job.chain import CHAIN, Audit
from drivecare.job.export import export_job
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import load_job_state
from drivecare.job.model import Fact, FiledBy
from drivecare.job.timeline import JobFilter, build_timeline
from drivecare.reading.identity import DriveId, Identity
from drivecare.reading.model import Reading
from drivecare.record.folder import FolderRecord
from drivecare.record.job_folder import JobFolder
from drivecare.record.location import open_record
from drivecare.record.memory import MemoryRecord
from drivecare.record.port import FiledJob, Record
from drivecare.work import Machine
from drivecare.work.copy_paperwork import CopyRequest
from drivecare.work.copy_sectors import copy_sectors
from drivecare.work.drive_history import drive_history
from drivecare.work.seen_before import FiledElsewhere, find_in_other_jobs
from drivecare.work.verify_copy import VerifyRequest, verify_copy
from tests.job.carried import NEW, NOW, OLD, OPENING, OTHER, READ_AT, assessment, data_route, fact, same_route
from tests.record.test_taking_back import CLOSING

OPENED_NOW = msgspec.structs.replace(OPENING, tool_version="0.2.0")
STORES: dict[str, Callable[[Path], Record]] = {
    "folder": lambda path: FolderRecord(root=path / "jobs"),
    "memory": lambda _path: MemoryRecord(),
}


@pytest.fixture(params=[*STORES, pytest.param("shared", marks=pytest.mark.server)])
def record(request: pytest.FixtureRequest, tmp_path: Path) -> Record:
    if request.param == "shared":
        return open_record(request.getfixturevalue("cluster").empty_record())
    return STORES[request.param](tmp_path)


def carried(record: Record, id: str = "1042") -> FiledJob:
    job = record.create(msgspec.structs.replace(OPENED_NOW, id=id))
    for document in data_route():
        job.file(document)
    return job


def test_results_come_back_as_they_were_filed_numbered_in_order(record: Record) -> None:
    job = record.create(OPENED_NOW)
    paths = [job.file(document) for document in (fact("consent"), assessment(OLD, "refit"), fact("detached"))]
    assert [path.name[:4] for path in paths] == ["0002", "0003", "0004"]
    assert [path.name for path in paths] == [file.path.name for file in job.result_files()[1:]]
    assert [filed.document for filed in record.job("1042").results(Fact)] == [fact("consent"), fact("detached")]
    assert job.read().opening() == OPENED_NOW


def test_every_result_says_who_filed_it_and_where(record: Record) -> None:
    ann = FiledBy(by="ann", bench="bench-2")
    at_bench = replace(record, filed_by=ann)
    job = carried(at_bench)
    job.file(CLOSING)
    job.reopen(note="too early", at="2026-11-25T12:00:00+00:00", by="ann")
    contents = at_bench.job("1042").read()
    assert {contents.filed_by(file) for file in contents.files} == {ann}
    assert contents.audit() == Audit()
    assert contents.opening() == OPENED_NOW
    (line,) = record.list_jobs(JobFilter(bench="bench-2")).jobs
    assert (line.by, line.bench) == ("ann", "bench-2")
    assert record.list_jobs(JobFilter(bench="bench-1")).jobs == ()


def test_a_result_moved_to_another_job_still_says_who_filed_it(record: Record) -> None:
    job = replace(record, filed_by=FiledBy(by="ann", bench="bench-1")).create(OPENED_NOW)
    job.file(fact("note", note="x"))
    other = replace(record, filed_by=FiledBy(by="ben", bench="bench-2")).create(
        msgspec.structs.replace(OPENED_NOW, id="1043")
    )
    other.file_bytes(job.read().data(job.result_files()[-1]), "fact")
    contents = other.read()
    assert contents.filed_by(contents.files[-1]) == FiledBy(by="ann", bench="bench-1")


def test_before_there_were_benches_a_fact_named_its_author(record: Record) -> None:
    job = record.create(OPENED_NOW)
    job.file(fact("consent"))
    job.file(assessment(OLD, "refit"))
    contents = job.read()
    assert [contents.filed_by(file) for file in contents.files[1:]] == [FiledBy(by="ann"), None]


@pytest.mark.parametrize(("since", "ids"), [("2026-11-25T09:00:00+00:00", ["1042"]), ("2026-11-26T00:00:00+00:00", [])])
def test_jobs_are_listed_since_a_day(record: Record, since: str, ids: list[str]) -> None:
    carried(record)
    record.create(msgspec.structs.replace(OPENED_NOW, id="1041", opened_at="2026-11-20T10:00:00+00:00"))
    listed = record.list_jobs(JobFilter(since=datetime.fromisoformat(since)))
    assert [line.id for line in listed.jobs] == ids


def test_every_result_has_its_line_in_the_chain(record: Record) -> None:
    contents = carried(record).read()
    assert contents.audit() == Audit()
    assert contents.chain is not None
    assert [link.file for link in contents.chain.links] == [file.path.name for file in contents.files]


def test_the_gate_and_the_timeline_do_not_depend_on_the_store(record: Record, tmp_path: Path) -> None:
    state = load_job_state(carried(record).read(), now=NOW)
    other = load_job_state(carried(FolderRecord(root=tmp_path / "other")).read(), now=NOW)
    assert encode(judge_gate(state)) == encode(judge_gate(other))
    assert judge_gate(state).open
    assert [entry.says for entry in build_timeline(state).story] == [
        entry.says for entry in build_timeline(other).story
    ]


def test_an_export_holds_the_same_from_every_store(record: Record, tmp_path: Path) -> None:
    job = carried(record)
    archive = export_job(job.read(), tmp_path / "1042.tar.gz")
    assert archive.files == (CHAIN, *(file.path.name for file in job.result_files()))
    subprocess.run(["tar", "-xzf", archive.path, "-C", tmp_path], check=True)
    contents = JobFolder(path=tmp_path / "1042").read()
    assert contents.audit() == Audit()
    assert [contents.data(file) for file in contents.files] == [job.read().data(file) for file in job.result_files()]


def test_a_job_is_made_once_and_found_by_its_id(record: Record) -> None:
    record.create(OPENED_NOW)
    with pytest.raises(BadInput, match=r"1042: already exists\. Choose another ID\."):
        record.create(OPENED_NOW)
    assert record.job("1042").id == "1042"
    with pytest.raises(BadInput, match="there is no job 1043"):
        record.job("1043")
    with pytest.raises(BadInput, match="cannot name a job"):
        record.create(msgspec.structs.replace(OPENED_NOW, id="../x"))


def test_the_jobs_are_listed_with_what_their_results_mean(record: Record) -> None:
    carried(record)
    job = record.create(msgspec.structs.replace(OPENED_NOW, id="1043"))
    job.file(assessment(OTHER, "refit"))
    lines = {line.id: (line.state, line.verdict, line.serials) for line in record.list_jobs(JobFilter()).jobs}
    assert lines == {
        "1042": ("open", "evacuate", (OLD.serial, NEW.serial)),
        "1043": ("open", "refit", (OTHER.serial,)),
    }
    assert [line.id for line in record.list_jobs(JobFilter(verdict="refit")).jobs] == ["1043"]
    assert [line.id for line in record.list_jobs(JobFilter(serial=NEW.serial)).jobs] == ["1042"]
    job.file(assessment(OTHER, "evacuate", read_at="2026-11-25T11:00:00+00:00"))
    assert [line.id for line in record.list_jobs(JobFilter(verdict="refit")).jobs] == []


@pytest.mark.parametrize(
    ("names", "ids"),
    [
        (DriveId(serial=" kx25-00417 "), ["1041", "1042"]),
        (DriveId(identity=Identity(wwn=OLD.identity.wwn, strength="strong")), ["1041", "1042"]),
        (DriveId(serial=NEW.serial), ["1042"]),
        (DriveId(serial="KX25"), []),
        (DriveId(), []),
    ],
    ids=["typed", "worldwide name", "new drive", "part of a number", "no name"],
)
def test_a_drive_is_found_by_any_of_its_names(record: Record, names: DriveId, ids: list[str]) -> None:
    first = record.create(msgspec.structs.replace(OPENED_NOW, id="1041"))
    for document in same_route():
        first.file(document)
    carried(record)
    record.create(msgspec.structs.replace(OPENED_NOW, id="1043")).file(assessment(OTHER, "refit"))
    assert [job.id for job in record.jobs_with_drive(names)] == ids


def test_a_result_is_read_by_the_path_that_names_it(record: Record, tmp_path: Path) -> None:
    job = record.create(OPENED_NOW)
    path = job.file(fact("consent"))
    assert record.job("1042").result_at(path) == encode(fact("consent"))
    assert job.result_at(tmp_path / path.name) is None
    assert job.result_at(path.with_name("0003" + path.name[4:])) is None


def test_a_copy_is_verified_by_a_receipt_of_any_store(record: Record, tmp_path: Path) -> None:
    source, target = tmp_path / "old.img", tmp_path / "new.img"
    source.write_bytes(bytes(range(256)) * 4096)
    machine = Machine()
    made = copy_sectors(CopyRequest(source=str(source), target=str(target)), machine)
    job = record.create(OPENED_NOW)
    path = job.file(made)
    again = verify_copy(VerifyRequest(receipt=path, folder=job), machine)
    assert again.verified
    assert again.target.path == str(target)


def test_the_ids_of_all_jobs(record: Record) -> None:
    assert record.ids() == ()
    for id in ("1042", "1041"):
        record.create(msgspec.structs.replace(OPENED_NOW, id=id))
    assert sorted(record.ids()) == ["1041", "1042"]


def test_several_drives_are_looked_up_at_once(record: Record) -> None:
    for id, drive in (("1041", OLD), ("1042", NEW), ("1043", OTHER)):
        record.create(msgspec.structs.replace(OPENED_NOW, id=id)).file(assessment(drive, "refit"))
    assert [job.id for job in record.jobs_with_drive(OTHER, OLD)] == ["1041", "1043"]
    assert [job.id for job in record.jobs_with_drive(OTHER, OLD, but="1041")] == ["1043"]
    assert record.jobs_with_drive() == ()


def test_what_other_jobs_read_of_a_drive_is_found_in_any_store(record: Record) -> None:
    reading = Reading(drive=OLD, read_at=READ_AT)
    for id in ("1041", "1042"):
        job = record.create(msgspec.structs.replace(OPENED_NOW, id=id))
        job.file(reading)
        job.file(assessment(OLD, "recheck"))
    record.create(msgspec.structs.replace(OPENED_NOW, id="1043")).file(Reading(drive=OTHER, read_at=READ_AT))
    assert find_in_other_jobs(record, [OLD], but="1042") == (
        FiledElsewhere(job="1041", reading=reading, verdict="recheck"),
    )


def test_the_history_of_a_drive_runs_through_its_jobs(record: Record) -> None:
    carried(record, "1041")
    carried(record)
    assert OLD.serial is not None
    assert [reading.job for reading in drive_history(OLD.serial, record).readings] == ["1041", "1042"]
