"""One drive through several jobs."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from drivecare.errors import BadInput
from drivecare.job.history import collect_history
from drivecare.job.overview import ValueChange
from drivecare.reading.model import Drive, Reading, SelfTest, Values
from drivecare.record.folder import FolderRecord
from drivecare.risk.model import Assessment, Chance
from tests.record.test_folder import OPENING

DRIVE = Drive(serial="KX25-00417", model="Kestrel KD-500")


def assessment(read_at: str | None, values: Values, drive: Drive = DRIVE) -> Assessment:
    return Assessment(
        read_at=read_at,
        drive=drive,
        values=values,
        verdict="refit",
        headline="x",
        failure_12_months=Chance(basis="none"),
    )


def test_every_reading_across_jobs_and_what_changed(tmp_path: Path) -> None:
    spring = FolderRecord(root=tmp_path).create(msgspec.structs.replace(OPENING, id="0980"))
    autumn = FolderRecord(root=tmp_path).create(OPENING)
    failed = SelfTest(kind="extended", result="read", hours=21902, lba=7)
    # filed in the wrong order on purpose, and with another offset: the drive's clock counts
    autumn.file(assessment("2026-11-25T10:31:00+01:00", Values(power_on_hours=21904, pending=24, last_selftest=failed)))
    spring.file(assessment("2026-03-02T09:00:00+00:00", Values(power_on_hours=17000, pending=0, crc_errors=1)))
    spring.file(assessment("2026-03-02T09:00:00+00:00", Values(), Drive(serial="other")))
    told = collect_history("kx25-00417", [(job.id, job.read) for job in (spring, autumn)])
    assert [(seen.job, seen.read_at, seen.power_on_hours) for seen in told.readings] == [
        ("0980", "2026-03-02T09:00:00+00:00", 17000),
        ("1042", "2026-11-25T09:31:00+00:00", 21904),
    ]
    assert told.model == "Kestrel KD-500"
    assert told.readings[0].changes == ()
    assert told.readings[1].changes == (
        ValueChange(value="power_on_hours", before=17000, now=21904),
        ValueChange(value="pending", before=0, now=24),
        ValueChange(value="crc_errors", before=1, now=None),
        ValueChange(value="last_selftest", before=None, now="extended: read at 21,902 hours"),
    )


def test_a_reading_that_was_judged_counts_once(tmp_path: Path) -> None:
    job = FolderRecord(root=tmp_path).create(OPENING)
    at = "2026-11-25T10:31:00+00:00"
    job.file(Reading(read_at=at, drive=DRIVE))
    job.file(assessment(at, Values()))
    job.file(Reading(read_at="2026-11-25T11:00:00+00:00", drive=DRIVE))
    told = collect_history("KX25-00417", [(job.id, job.read)])
    assert [seen.verdict for seen in told.readings] == ["refit", None]


def test_a_serial_nobody_filed(tmp_path: Path) -> None:
    job = FolderRecord(root=tmp_path).create(OPENING)
    with pytest.raises(BadInput, match="no job holds a reading of a drive with serial number, WWN or model X"):
        collect_history("X", [(job.id, job.read)])
