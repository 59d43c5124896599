"""A drive that is read is looked for in all jobs: it says so, and what it showed there counts for the verdict."""

from __future__ import annotations

import json
from pathlib import Path

import msgspec
import pytest

from drivecare.job.contents import newest_of
from drivecare.reading.model import Reading
from drivecare.record.folder import FolderRecord
from drivecare.risk.model import Assessment
from tests.benchmarks.table import ROOT
from tests.cli.test_job import drivecare
from tests.job.carried import OPENING

REPORT = (ROOT / "fixtures/reports/hdd-nothing-against-it.txt").read_text("utf-8")
AUGUST = REPORT.replace("Tue Nov 24 10:31:00 2026", "Fri Aug 14 10:31:00 2026")
REPLACED = REPORT.replace("140    Pre-fail  Always       -       0", "140    Pre-fail  Always       -       16")
ANOTHER = AUGUST.replace("KX25-00417", "KX25-00418").replace("000000417", "000000418")
SEEN = "Seen in job 2072 on 14 August 2026: clean; since then sectors replaced by spares 0, now 16."


def assessed(jobs: Path, report: str, *words: str) -> dict[str, object]:
    """The document of an assessment, made of a report that was saved."""
    path = jobs.parent / "report.txt"
    path.write_text(report)
    done = drivecare("assess", str(path), "--json", *words, jobs=jobs)
    assert done.returncode < 20, done.stderr
    document: dict[str, object] = json.loads(done.stdout)
    return document


@pytest.fixture
def jobs(tmp_path: Path) -> Path:
    """A shop with the drive in job 2072, another drive in 2073, and 1042 just opened."""
    root = tmp_path / "jobs"
    for id in ("2072", "2073", "1042"):
        FolderRecord(root=root).create(msgspec.structs.replace(OPENING, id=id, tool_version="0.2.0"))
    assert AUGUST.count("KX25-00417") == 1
    assert AUGUST != REPORT != REPLACED
    assert ANOTHER != AUGUST
    assert assessed(root, AUGUST, "--job", "2072")["verdict"] == "refit"
    assessed(root, ANOTHER, "--job", "2073")
    return root


@pytest.mark.parametrize("words", [("--job", "1042"), ("--job", "2073"), ()], ids=["its job", "a wrong job", "no job"])
def test_a_drive_is_known_whatever_job_was_typed(jobs: Path, words: tuple[str, ...]) -> None:
    document = assessed(jobs, REPLACED, *words)
    assert document["sightings"] == [
        {
            "job": "2072",
            "read_at": "2026-08-14T10:31:00+00:00",
            "verdict": "refit",
            "power_on_hours": 21904,
            "growth": [{"value": "reallocated", "before": 0, "now": 16}],
            "text": SEEN,
        }
    ]


def test_what_grew_since_the_other_job_counts_for_the_verdict(jobs: Path, tmp_path: Path) -> None:
    alone = assessed(tmp_path / "none", REPLACED)
    document = assessed(jobs, REPLACED)
    assert {finding["signal"] for finding in document["findings"]} >= {"reallocated_growth"}  # type: ignore[attr-defined]
    assert alone["verdict"] == "recheck"
    assert document["verdict"] == "replace"
    assert alone["sightings"] == []


def test_the_screen_says_it_and_the_explanation_counts_it(jobs: Path, tmp_path: Path) -> None:
    (tmp_path / "report.txt").write_text(REPLACED)
    done = drivecare("assess", str(tmp_path / "report.txt"), "--explain", jobs=jobs)
    assert SEEN in " ".join(done.stdout.split())
    assert "reallocated 0, now 16" in " ".join(done.stdout.split())


def test_a_drive_that_nothing_happened_to_says_so(jobs: Path) -> None:
    document = assessed(jobs, REPORT)
    sentences = [sighting["text"] for sighting in document["sightings"]]  # type: ignore[attr-defined]
    assert sentences == ["Seen in job 2072 on 14 August 2026: clean; nothing has grown since."]
    assert document["verdict"] == "refit"


def test_the_same_report_a_later_reading_and_another_drive_are_no_sightings(jobs: Path) -> None:
    assert assessed(jobs, AUGUST)["sightings"] == []
    assert assessed(jobs, AUGUST.replace("Aug 14", "Aug 13"))["sightings"] == []
    assert (
        assessed(jobs, REPORT.replace("KX25-00417", "KX25-00419").replace("000000417", "000000419"))["sightings"] == []
    )


def test_of_each_job_the_last_reading_is_told_and_the_oldest_count_is_compared(jobs: Path) -> None:
    spring = AUGUST.replace("Fri Aug 14", "Mon Mar  2")
    assessed(jobs, spring, "--job", "2073")
    assessed(jobs, AUGUST.replace("14 10:31", "14 11:31"), "--job", "2072")
    sightings = assessed(jobs, REPLACED)["sightings"]
    assert [(sighting["job"], sighting["read_at"][:16]) for sighting in sightings] == [  # type: ignore[attr-defined]
        ("2073", "2026-03-02T10:31"),
        ("2072", "2026-08-14T11:31"),
    ]


def test_several_drives_are_each_looked_for(jobs: Path, tmp_path: Path) -> None:
    for name, report in (("a.txt", REPLACED), ("b.txt", ANOTHER.replace("Aug 14", "Aug 15"))):
        (tmp_path / name).write_text(report)
    done = drivecare("assess", str(tmp_path / "a.txt"), str(tmp_path / "b.txt"), "--json", jobs=jobs)
    entries = json.loads(done.stdout)["assessments"]
    assert [[sighting["job"] for sighting in entry["assessment"]["sightings"]] for entry in entries] == [
        ["2072"],
        ["2073"],
    ]


def test_what_is_filed_says_where_the_drive_was_seen(jobs: Path) -> None:
    assessed(jobs, REPLACED, "--job", "1042")
    filed = newest_of(FolderRecord(root=jobs).job("1042").results(Assessment))
    assert filed is not None
    assert [sighting.job for sighting in filed.document.sightings] == ["2072"]
    assert len(FolderRecord(root=jobs).job("1042").results(Reading)) == 1  # the other job's stays there


def test_a_job_that_cannot_be_read_is_named_and_spoils_nothing(jobs: Path, tmp_path: Path) -> None:
    (next((jobs / "2073").glob("*-reading-*"))).write_text("{")
    (tmp_path / "report.txt").write_text(REPLACED)
    done = drivecare("assess", str(tmp_path / "report.txt"), jobs=jobs)
    assert done.returncode == 11
    assert "Seen in job 2072" in done.stdout
    assert "job 2073 was not searched for earlier readings: " in done.stderr


def test_a_folder_of_jobs_that_cannot_be_searched_does_not_keep_a_drive_from_being_judged(tmp_path: Path) -> None:
    (tmp_path / "jobs").write_text("a file")
    (tmp_path / "report.txt").write_text(REPLACED)
    done = drivecare("assess", str(tmp_path / "report.txt"), jobs=tmp_path / "jobs")
    assert done.returncode == 10
    assert "earlier jobs were not searched: " in done.stderr
