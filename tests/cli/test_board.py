"""`drivecare job list` as a board: how each job stands, how old it is, whom it waits for, and what it is found by."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import msgspec
import pytest

from drivecare.cli.common import account_name
from drivecare.clock import parse_timestamp
from drivecare.documents import Value
from drivecare.job.job_state import load_job_state
from drivecare.job.model import FiledBy, UnfinishedCopy
from drivecare.job.overview import JobLine
from drivecare.job.timeline import JobFilter
from drivecare.job.unfinished import tell_progress
from drivecare.record.folder import FolderRecord
from drivecare.transfer.sectors.journal_file import JournalFile
from tests.cli.test_job import drivecare
from tests.job.carried import (
    NEW,
    NOW,
    OLD,
    OPENING,
    SIZE,
    assessment,
    data_route,
    device,
    fact,
    filed,
    plan,
    same_route,
)
from tests.job.test_unfinished import journal

OPENED = msgspec.structs.replace(OPENING, tool_version="0.2.0")
WAITING: dict[str, tuple[list[Value], str | None, str | None]] = {
    "nothing done": ([], "customer", "consent"),
    "agreed": ([fact("consent")], "bench", "old-drive-read"),
    "read": ([fact("consent"), assessment(OLD, "evacuate")], "bench", "plan"),
    "nothing fits": (
        [fact("consent"), assessment(OLD, "evacuate"), msgspec.structs.replace(plan(), candidates=(), chosen=None)],
        "part",
        "plan",
    ),
    "planned": (data_route()[:3], "part", "inspection"),
    "inspected": (data_route()[:4], "copy", "copy-verified"),
    "copied": (data_route()[:5], "customer", "unreadable-acknowledged"),
    "acknowledged": (data_route()[:6], "bench", "detached"),
    "gate open": (data_route(), "bench", None),
}


def board(jobs: Path, **job_filter: Any) -> tuple[JobLine, ...]:
    return FolderRecord(root=jobs, now=lambda: NOW).list_jobs(JobFilter(**job_filter)).jobs


def listed(jobs: Path, *words: str) -> list[dict[str, Any]]:
    lines: list[dict[str, Any]] = json.loads(drivecare("job", "list", *words, "--json", jobs=jobs).stdout)["jobs"]
    return lines


@pytest.mark.parametrize("name", WAITING)
def test_whom_a_job_waits_for(tmp_path: Path, name: str) -> None:
    documents, waits_for, missing = WAITING[name]
    job = filed(tmp_path, documents, opening=OPENED)
    (line,) = board(tmp_path)
    assert (line.waits_for, line.missing) == (waits_for, missing)
    lacking = [item.item for item in load_job_state(job.read(), now=NOW).gate.items if not item.holds]
    assert lacking[:1] == ([missing] if missing else [])
    assert board(tmp_path, waits_for=str(waits_for)) == (line,)
    assert board(tmp_path, waits_for="nobody") == ()


PROGRESS: dict[str, tuple[dict[str, Any], str]] = {
    "half an hour for a quarter": ({"saved_at": "2026-11-25T11:55:00+00:00"}, "25 %, 75 min left"),
    "silent for hours": ({"saved_at": "2026-11-25T08:00:00+00:00"}, "25 % 4 hours ago"),
    "nothing across": ({"saved_at": "2026-11-25T11:55:00+00:00", "bytes_copied": 0}, "0 %"),
    "all across": ({"saved_at": "2026-11-25T11:55:00+00:00", "reading_back": True}, "to be read back"),
    "no journal time": ({}, "25 %"),
    "files": ({"saved_at": "2026-11-25T11:55:00+00:00", "bytes_total": None}, "?"),
}


@pytest.mark.parametrize("name", PROGRESS)
def test_how_far_a_copy_is_and_how_long_it_takes(name: str) -> None:
    changes, words = PROGRESS[name]
    copy = UnfinishedCopy(
        kind="sectors",
        source="a",
        target="b",
        bytes_total=400,
        bytes_copied=100,
        started="2026-11-25T11:30:00+00:00",
        file="b.journal.json",
        resume="",
    )
    assert tell_progress(msgspec.structs.replace(copy, **changes), NOW) == words


def test_a_copy_half_done_is_what_a_job_waits_for(tmp_path: Path) -> None:
    job = filed(tmp_path, data_route()[:4], opening=OPENED)
    JournalFile(job.path / "sdc.journal.json").save(journal(device(NEW, "/dev/sdc")))
    (line,) = board(tmp_path)
    assert (line.waits_for, line.missing, len(line.unfinished)) == ("copy", "copy-verified", 1)
    assert re.search(r"copy: 25 %", drivecare("job", "list", jobs=tmp_path).stdout)
    JournalFile(job.path / "sdc.journal.json").save(journal(device(NEW, "/dev/sdc"), across=SIZE // 2))
    assert board(tmp_path)[0].unfinished[0].bytes_copied == SIZE // 2


def test_a_closed_job_waits_for_nobody(tmp_path: Path) -> None:
    filed(tmp_path, same_route(), opening=OPENED)
    words = ("job", "close", "1042", "--started", "--old-drive", "returned", "--anyway", "a test")
    assert drivecare(*words, jobs=tmp_path).returncode == 0
    (line,) = board(tmp_path)
    assert (line.state, line.waits_for, line.missing) == ("closed", None, None)


@pytest.mark.promise(10)
def test_no_gate_is_listed_as_open_over_an_altered_result(tmp_path: Path) -> None:
    job = filed(tmp_path, data_route(), opening=OPENED)
    assert board(tmp_path)[0].gate_open
    path = job.result_files()[1].path
    path.write_bytes(path.read_bytes().replace(b"signed sheet", b"signed SHEET"))
    (line,) = board(tmp_path)
    assert (line.gate_open, line.waits_for, line.missing) == (False, "bench", "records")
    assert board(tmp_path, gate="open") == ()


def test_what_a_person_sees(tmp_path: Path) -> None:
    filed(tmp_path, data_route()[:4], opening=OPENED)
    found_by = {"reference": "HARBOUR-7", "tags": ("fleet", "urgent")}
    filed(tmp_path, [], opening=msgspec.structs.replace(OPENED, id="1043", **found_by))
    shown = drivecare("job", "list", jobs=tmp_path).stdout
    full = drivecare("job", "list", "--full", jobs=tmp_path).stdout
    words = re.sub(r"\d+ (hours|days|weeks|months|years)", "AGE", " ".join(full.split()))
    assert words == (  # where a line breaks depends on how long the age is today
        "job age state verdict waits for unit "
        "1042 AGE gate shut evacuate copy: copy-verified marlow-mc2-r3 "
        "1043 AGE gate shut - customer: consent marlow-mc2-r3 HARBOUR-7, fleet, urgent"
    )
    lines = shown.splitlines()
    assert [line.split()[0] for line in lines] == ["job", "1042", "1043", "HARBOUR-7,"]
    assert lines[-1] == "      HARBOUR-7, fleet, urgent"
    assert max(map(len, [*lines, *full.splitlines()])) <= 80


def test_jobs_of_one_customer_are_joined_by_a_tag(tmp_path: Path) -> None:
    words = ("--host", "CH-2103", "--complaint", "hangs")
    for id, more in (
        ("1042", ("--tag", "fleet-7", "--tag", "urgent", "--tag", "fleet-7", "--reference", "Harbour 12")),
        ("1043", ("--tag", "FLEET-7")),
        ("1044", ()),
    ):
        assert drivecare("job", "new", id, *words, *more, jobs=tmp_path).returncode == 0
    assert [line["tags"] for line in listed(tmp_path)] == [["fleet-7", "urgent"], ["FLEET-7"], []]
    assert [line["id"] for line in listed(tmp_path, "--tag", "fleet-7")] == ["1042", "1043"]
    assert [line["id"] for line in listed(tmp_path, "--reference", "harbour")] == ["1042"]
    assert "Tags: fleet-7, urgent" in drivecare("job", "show", "1042", jobs=tmp_path).stdout


def test_tags_are_put_right_by_a_new_entry(tmp_path: Path) -> None:
    filed(tmp_path, [], opening=msgspec.structs.replace(OPENED, tags=("fleet",)))
    changed = drivecare("job", "change", "1042", "--tag", "school", "--tag", "urgent", jobs=tmp_path)
    assert changed.returncode == 0
    assert "tags are school, urgent" in changed.stdout
    assert listed(tmp_path)[0]["tags"] == ["school", "urgent"]
    assert drivecare("job", "change", "1042", "--reference", "H", jobs=tmp_path).returncode == 0
    assert listed(tmp_path)[0]["tags"] == ["school", "urgent"]
    assert drivecare("job", "change", "1042", "--tag", "", jobs=tmp_path).returncode == 0
    assert listed(tmp_path)[0]["tags"] == []


def test_a_job_opened_in_the_future_says_so(tmp_path: Path) -> None:
    assert parse_timestamp(OPENING.opened_at) is not None
    filed(tmp_path, [], opening=msgspec.structs.replace(OPENED, opened_at="2999-01-01T00:00:00+00:00"))
    assert "ahead of this clock" in drivecare("job", "list", jobs=tmp_path).stdout


def test_where_several_people_or_benches_file_the_board_says_who_was_last(tmp_path: Path) -> None:
    for id, bench in (("1041", "bench-1"), ("1042", "bench-2")):
        filed_by = FiledBy(by="ann", bench=bench)
        FolderRecord(root=tmp_path, filed_by=filed_by).create(msgspec.structs.replace(OPENED, id=id))
    shown = drivecare("job", "list", jobs=tmp_path).stdout.splitlines()
    assert shown[0].endswith("filed by; unit")
    assert ["bench-1; " in shown[1], "bench-2; " in shown[2]] == [True, True]
    one_bench = drivecare("job", "list", "--bench", "bench-1", jobs=tmp_path).stdout
    assert "bench-1" not in one_bench


def test_a_result_is_filed_as_of_the_person_at_the_terminal_and_the_bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DRIVECARE_BENCH", "bench-3")
    job = filed(tmp_path, [], opening=OPENED)
    assert drivecare("job", "record", "1042", "consent", jobs=tmp_path).returncode == 0
    filed_by = json.loads(job.result_files()[-1].path.read_text())["filed"]
    assert filed_by == {"by": account_name(), "bench": "bench-3"}
    shown = drivecare("job", "show", "1042", jobs=tmp_path).stdout
    assert f"{account_name()}: consent" in shown  # another than ann, who opened the job
