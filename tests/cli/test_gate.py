"""`drivecare gate`: the answer, its exit code, and one command for each thing that is missing."""

from __future__ import annotations

import json
from pathlib import Path

from drivecare.documents import encode
from drivecare.job.bench import Bench
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import load_job_state
from tests.cli.test_job import drivecare
from tests.job.carried import NOW, data_route, empty_route, filed, same_route


def test_an_open_gate(tmp_path: Path) -> None:
    filed(tmp_path, same_route())
    done = drivecare("gate", "1042", jobs=tmp_path)
    assert done.returncode == 0
    lines = [line.rstrip() for line in done.stdout.splitlines()]
    assert "Gate OPEN   job 1042, the same drive goes back" in lines[-3:]
    assert "MISSING" not in done.stdout
    assert "To open it:" not in lines


def test_a_shut_gate_names_one_command_for_each_missing_thing(tmp_path: Path) -> None:
    filed(tmp_path, data_route()[1:3])
    done = drivecare("gate", "1042", "--full", jobs=tmp_path)
    assert done.returncode == 40
    lines = [line.rstrip() for line in done.stdout.splitlines()]
    assert lines[-2] == "Gate SHUT   job 1042, a new drive with the data, 8 of 12 missing"
    assert lines[lines.index("To open it:") + 1 : -3] == [
        '  drivecare job record 1042 consent --note "..."',
        "  drivecare assess NEW_DRIVE --as new --job 1042",
        "  drivecare copy DRIVE NEW_DRIVE --job 1042",
        '  drivecare job record 1042 detached --note "..."',
    ]
    table = lines[: lines.index("To open it:")]
    assert max(map(len, table)) <= 80
    assert "Kestrel KD-500 KX25-00417" in " ".join(" ".join(table).split())


def test_the_document(tmp_path: Path) -> None:
    job = filed(tmp_path, data_route()[1:3])
    done = drivecare("gate", "1042", "--json", jobs=tmp_path)
    assert done.returncode == 40
    told = json.loads(done.stdout)
    assert (told["schema"], told["job"], told["route"], told["open"]) == (
        "drivecare/gate-1",
        "1042",
        "new-drive-data",
        False,
    )
    same = json.loads(encode(judge_gate(load_job_state(job.read(), now=NOW, bench=Bench()))))
    assert [(item["item"], item["holds"], item["next"]) for item in told["items"]] == [
        (item["item"], item["holds"], item["next"]) for item in same["items"]
    ]


def test_another_route_can_be_asked_about(tmp_path: Path) -> None:
    filed(tmp_path, empty_route())
    assert json.loads(drivecare("gate", "1042", "--json", jobs=tmp_path).stdout)["route"] == "new-drive-empty"
    asked = drivecare("gate", "1042", "--route", "same-drive", "--json", jobs=tmp_path)
    assert asked.returncode == 40
    assert json.loads(asked.stdout)["route"] == "same-drive"


def test_the_folder_of_jobs_is_named_in_commands_where_it_was_typed(tmp_path: Path) -> None:
    filed(tmp_path / "my jobs", [])
    done = drivecare("gate", "1042", "--full", "--jobs", str(tmp_path / "my jobs"), jobs=Path("/nonexistent"))
    assert f"  drivecare assess DRIVE --job 1042 --jobs '{tmp_path / 'my jobs'}'\n" in done.stdout
