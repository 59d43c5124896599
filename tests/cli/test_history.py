"""`drivecare history`: one drive through all jobs."""

from __future__ import annotations

import json
from pathlib import Path

import msgspec

from drivecare.clock import format_time
from drivecare.reading.model import Values
from tests.cli.test_job import drivecare
from tests.job.carried import OLD, OPENING, assessment, filed


def two_jobs(jobs: Path) -> None:
    spring = msgspec.structs.replace(
        assessment(OLD, "refit"), read_at="2026-03-02T09:00:00+00:00", values=Values(power_on_hours=17000, pending=0)
    )
    autumn = msgspec.structs.replace(assessment(OLD, "evacuate"), values=Values(power_on_hours=21904, pending=24))
    filed(jobs, [spring], opening=msgspec.structs.replace(OPENING, id="0980"))
    filed(jobs, [autumn])


def test_what_a_person_sees(tmp_path: Path) -> None:
    two_jobs(tmp_path)
    done = drivecare("history", "KX25-00417", jobs=tmp_path)
    assert done.returncode == 0
    assert done.stdout == (
        "Kestrel KD-500   serial KX25-00417   2 readings\n"
        "\n"
        f"{format_time('2026-03-02T09:00:00+00:00')}   job 0980   refit, 17,000 hours\n"
        f"{format_time('2026-11-25T10:00:00+00:00')}   job 1042   evacuate, 21,904 hours\n"
        "    power on hours: 17,000 -> 21,904\n"
        "    pending: 0 -> 24\n"
    )


def test_the_document(tmp_path: Path) -> None:
    two_jobs(tmp_path)
    told = json.loads(drivecare("history", "kx25-00417", "--json", jobs=tmp_path).stdout)
    assert told["schema"] == "drivecare/history-1"
    assert [(seen["job"], seen["verdict"]) for seen in told["readings"]] == [("0980", "refit"), ("1042", "evacuate")]
    assert told["readings"][1]["changes"] == [
        {"value": "power_on_hours", "before": 17000, "now": 21904},
        {"value": "pending", "before": 0, "now": 24},
    ]


def test_a_drive_nobody_read(tmp_path: Path) -> None:
    done = drivecare("history", "X", jobs=tmp_path)
    assert done.returncode == 3
    assert done.stderr == "drivecare: no job holds a reading of a drive with serial number X. See drivecare job list.\n"
