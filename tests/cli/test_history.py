"""`drivecare history`: one drive through all jobs."""

from __future__ import annotations

import json
from pathlib import Path

import msgspec
import pytest

from drivecare.clock import format_time
from drivecare.job.model import FiledBy
from drivecare.reading.model import Values
from drivecare.record.folder import FolderRecord
from tests.cli.test_job import drivecare
from tests.job.carried import OLD, OPENING, OTHER, assessment, filed


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
    assert done.stderr == (
        "drivecare: no job holds a reading of a drive with serial number, WWN or model X. See drivecare job list.\n"
    )


@pytest.mark.parametrize("name", ["50:C0:FF:E0 A1B20417", "kestrel kd-500", "KD-500"], ids=["WWN", "model", "word"])
def test_a_drive_goes_by_other_names_too(tmp_path: Path, name: str) -> None:
    another = msgspec.structs.replace(assessment(OTHER, "refit"), read_at="2026-11-25T11:00:00+00:00")
    filed(tmp_path, [assessment(OLD, "evacuate"), another])
    found = json.loads(drivecare("history", name, "--json", jobs=tmp_path).stdout)
    assert (found["serial"], found["model"]) == ("KX25-00417", "Kestrel KD-500")
    assert [(reading["serial"], reading["verdict"]) for reading in found["readings"]] == [("KX25-00417", "evacuate")]


def test_every_drive_of_a_model_has_its_own_changes(tmp_path: Path) -> None:
    two_jobs(tmp_path)
    other = msgspec.structs.replace(OTHER, model="Kestrel KD-500")
    between = msgspec.structs.replace(
        assessment(other, "recheck"), read_at="2026-06-01T09:00:00+00:00", values=Values(pending=7)
    )
    filed(tmp_path, [between], opening=msgspec.structs.replace(OPENING, id="1000"))
    assert drivecare("history", "KD-500", jobs=tmp_path).stdout == (
        "Kestrel KD-500   serial KX25-00417   2 readings\n"
        "\n"
        f"{format_time('2026-03-02T09:00:00+00:00')}   job 0980   refit, 17,000 hours\n"
        f"{format_time('2026-11-25T10:00:00+00:00')}   job 1042   evacuate, 21,904 hours\n"
        "    power on hours: 17,000 -> 21,904\n"
        "    pending: 0 -> 24\n"
        "\n"
        f"Kestrel KD-500   serial {OTHER.serial}   1 reading\n"
        "\n"
        f"{format_time('2026-06-01T09:00:00+00:00')}   job 1000   recheck\n"
    )
    found = json.loads(drivecare("history", "KD-500", "--json", jobs=tmp_path).stdout)
    assert (found["serial"], found["model"]) == ("KD-500", None)
    assert [reading["job"] for reading in found["readings"]] == ["0980", "1000", "1042"]


def test_where_several_benches_file_each_reading_says_which_and_who(tmp_path: Path) -> None:
    for id, bench in (("1041", "bench-1"), ("1042", "bench-2")):
        record = FolderRecord(root=tmp_path, filed_by=FiledBy(by="ann", bench=bench))
        record.create(msgspec.structs.replace(OPENING, id=id)).file(assessment(OLD, "refit"))
    lines = drivecare("history", "KX25-00417", jobs=tmp_path).stdout.splitlines()
    assert [line.partition("   job ")[2] for line in lines[2:]] == [
        "1041   refit, 21,904 hours   bench-1",
        "1042   refit, 21,904 hours   bench-2",
    ]
