"""`drivecare shop report` and `job record ID came-back`: the shop's own outcomes, for the shop alone."""

from __future__ import annotations

import json
import re
from pathlib import Path

import msgspec
import pytest

from drivecare.job.job_state import load_job_state
from drivecare.job.sheet import render_sheet
from drivecare.record.job_folder import JobFolder
from tests.cli.test_job import drivecare
from tests.job.carried import NOW, OPENING, data_route, fact, filed, same_route
from tests.record.test_taking_back import CLOSING

OPENED = msgspec.structs.replace(OPENING, tool_version="0.2.0")


@pytest.fixture
def closed(tmp_path: Path) -> JobFolder:
    """A job closed on 25 November 2026."""
    return filed(tmp_path, [*data_route(), CLOSING], opening=OPENED)


def test_only_a_closed_job_can_have_come_back(tmp_path: Path, closed: JobFolder) -> None:
    filed(tmp_path, same_route(), opening=msgspec.structs.replace(OPENED, id="1043"))
    early = drivecare("job", "record", "1043", "came-back", "drive-failed", jobs=tmp_path)
    assert early.returncode == 22
    assert "job 1043: is not closed, so its unit has not left yet" in early.stderr
    wrong = drivecare("job", "record", "1042", "came-back", "broken", jobs=tmp_path)
    assert wrong.returncode == 3
    assert "'broken' is not a cause. Choose one of: drive-failed, other-cause, not-known." in wrong.stderr
    done = drivecare("job", "record", "1042", "came-back", "drive-failed", "--note", "clicks", jobs=tmp_path)
    assert done.returncode == 0
    assert closed.read().closing() is not None
    assert drivecare("job", "record", "1042", "consent", jobs=tmp_path).returncode == 22


def test_a_return_recorded_by_mistake_is_taken_back_without_reopening(tmp_path: Path, closed: JobFolder) -> None:
    drivecare("job", "record", "1042", "came-back", "drive-failed", jobs=tmp_path)
    number = closed.result_files()[-1].number
    done = drivecare("job", "withdraw", "1042", str(number), "--note", "another unit", jobs=tmp_path)
    assert done.returncode == 0
    assert json.loads(drivecare("shop", "report", "--json", jobs=tmp_path).stdout)["came_back"] == []
    assert closed.read().closing() is not None
    assert drivecare("job", "withdraw", "1042", "2", "--note", "x", jobs=tmp_path).returncode == 22


def test_no_sheet_says_that_a_unit_came_back(closed: JobFolder) -> None:
    def sheet() -> str:
        """All of it but how many results the job had and how their chain ends, by which a page knows that it is old."""
        return re.sub(
            r"<meta [^>]*>|; line .*? of its chain has .*?</code>",
            "",
            render_sheet(load_job_state(closed.read(), now=NOW)),
        )

    before = sheet()
    closed.file(fact("came-back", "drive-failed", note="clicks again"))
    assert sheet() == before


def test_what_a_person_sees(tmp_path: Path, closed: JobFolder) -> None:
    closed.file(fact("came-back", "drive-failed"))
    filed(tmp_path, same_route(), opening=msgspec.structs.replace(OPENED, id="1043"))
    shown = drivecare("shop", "report", jobs=tmp_path)
    assert shown.returncode == 0
    assert shown.stdout == (
        "2 jobs, 1 closed\n"
        "old drives    evacuate 1, refit 1\n"
        "copies        1 made, 1 with losses (8.19 kB unreadable in all): job 1042\n"
        "days per job  half within 0.1, 9 in 10 within 0.1, all within 0.1 (1 job)\n"
        "\n"
        "came back  days after  cause         left with\n"
        "1042       0           drive failed  Petrel PM-500 PM6-311842\n"
        "\n"
        "No unit left more than 12 months ago, too early to compare (1 unit left since).\n"
    )
    since = json.loads(drivecare("shop", "report", "--since", "2026-11-26", "--json", jobs=tmp_path).stdout)
    assert (since["schema"], since["jobs"]) == ("drivecare/shop-report-1", 0)
