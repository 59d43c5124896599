"""A mistake as it is made and taken back at the keyboard: a wrong fact, drive, job or host, a job closed too early."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.test_job import Done, drivecare

REPORT = Path(__file__).parents[2] / "fixtures" / "reports" / "hdd-hidden-area.txt"


@pytest.fixture
def jobs(tmp_path: Path) -> Path:
    for id in ("1042", "1043"):
        drivecare("job", "new", id, "--host", "CH-2103", "--complaint", "hangs", jobs=tmp_path)
    return tmp_path


def lines(jobs: Path, *words: str) -> list[str]:
    return [line.rstrip() for line in succeed(jobs, *words).stdout.splitlines()]


def succeed(jobs: Path, *words: str) -> Done:
    done = drivecare(*words, jobs=jobs)
    assert done.returncode == 0, done.stderr
    return done


def missing(jobs: Path, id: str) -> set[str]:
    gate = json.loads(drivecare("gate", id, "--json", jobs=jobs).stdout)
    return {item["item"] for item in gate["items"] if not item["holds"]}


def test_a_wrong_fact(jobs: Path) -> None:
    succeed(jobs, "job", "record", "1042", "consent")
    assert "consent" not in missing(jobs, "1042")
    assert lines(jobs, "job", "withdraw", "1042", "2", "--note", "not signed yet") == [
        "Job 1042: 0002 withdrawn: not signed yet",
        "",
        "consent: not recorded yet",
        'Next: drivecare job record 1042 consent --note "..."',
    ]
    assert "consent" in missing(jobs, "1042")
    shown = " ".join(" ".join(lines(jobs, "job", "show", "1042", "--full")).split())
    assert "does not count, see 0003: consent: the customer agreed in writing" in shown


def test_a_wrong_drive(jobs: Path) -> None:
    drivecare("assess", str(REPORT), "--job", "1042", jobs=jobs)
    serial = json.loads(succeed(jobs, "job", "list", "--json").stdout)["jobs"][0]["serials"][0]
    succeed(jobs, "job", "withdraw", "1042", "3", "--note", "the shop's own drive")
    listed = json.loads(succeed(jobs, "job", "list", "--json").stdout)
    assert [line["serials"] for line in listed["jobs"]] == [[], []]
    assert drivecare("history", serial, jobs=jobs).returncode == 3


def test_a_wrong_job(jobs: Path) -> None:
    drivecare("assess", str(REPORT), "--job", "1042", jobs=jobs)
    assert lines(jobs, "job", "move", "1042", "0003", "1043", "--note", "typed the wrong job") == [
        "Job 1042: 0002 and 0003 moved to job 1043: typed the wrong job",
        "",
        "consent: not recorded yet",
        'Next: drivecare job record 1043 consent --note "..."',
    ]
    listed = json.loads(succeed(jobs, "job", "list", "--json").stdout)
    assert [len(line["serials"]) for line in listed["jobs"]] == [0, 1]
    assert "records" not in missing(jobs, "1042") | missing(jobs, "1043")


def test_a_wrong_host_and_a_reference(jobs: Path) -> None:
    other = json.loads(succeed(jobs, "hosts", "show", "bay-2.5-15", "--json").stdout)
    words = ("--host", other["id"], "--complaint", "slow", "--reference", "blue tag")
    changed = lines(jobs, "job", "change", "1042", *words)
    assert changed[-1] == 'Next: drivecare job record 1042 consent --note "..."'
    shown = lines(jobs, "job", "show", "1042")
    assert shown[1:4] == [
        f"{other['name']}, labelled {other['id']}",
        "Complaint: slow",
        "Reference: blue tag",
    ]
    assert json.loads(succeed(jobs, "job", "list", "--json").stdout)["jobs"][0]["host"] == other["id"]
    nothing = drivecare("job", "change", "1042", jobs=jobs)
    assert nothing.returncode == 2


def test_closed_too_early(jobs: Path) -> None:
    succeed(jobs, "job", "close", "1042", "--started", "--old-drive", "kept", "--anyway", "customer waits")
    refused = drivecare("assess", str(REPORT), "--job", "1042", jobs=jobs)
    assert refused.returncode == 22
    assert refused.stdout == ""  # said before the drive is read
    assert refused.stderr.startswith("drivecare: job 1042: is closed, by 0002-closing-")
    assert refused.stderr.endswith('Reopen it first: drivecare job reopen 1042 --note "WHY".\n')
    succeed(jobs, "job", "reopen", "1042", "--note", "does not start after all")
    assert drivecare("assess", str(REPORT), "--job", "1042", jobs=jobs).returncode != 22
    assert lines(jobs, "job", "show", "1042")[0].startswith("Job 1042   open, ")


def test_a_reason_is_asked_for(jobs: Path) -> None:
    for words in (("withdraw", "1042", "1"), ("move", "1042", "1", "1043"), ("reopen", "1042")):
        assert drivecare("job", *words, jobs=jobs).returncode == 2
