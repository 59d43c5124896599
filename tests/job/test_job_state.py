"""A command reads a job's folder once and judges its gate once, whatever it prints."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from drivecare.job.folder import JobFolder
from drivecare.job.job_state import load_job_state
from tests.job.carried import NOW, data_route, filed

# Runs a command in a Python that counts, by its own audit events, what the command opens, and how often it judges.
COUNTING = """
import collections, json, sys
from pathlib import Path
from drivecare.cli.main import main
from drivecare.job.gate import CHECKS

folder, opened, judged = Path(sys.argv[1]), collections.Counter(), collections.Counter()

def count_open(event, arguments):
    if event == "open" and isinstance(arguments[0], str) and Path(arguments[0]).parent == folder:
        opened[Path(arguments[0]).name] += 1

def counted(name, check):
    def count_check(job):
        judged[name] += 1
        return check(job)
    return count_check

CHECKS.update({name: counted(name, check) for name, check in CHECKS.items()})
sys.addaudithook(count_open)
sys.argv = ["drivecare", *sys.argv[2:]]
try:
    main()
finally:
    sys.stdout.flush()
    print(json.dumps([opened, judged]), file=sys.stderr)
"""


@pytest.mark.parametrize(
    "command",
    [
        ("gate", "1042"),
        ("job", "show", "1042"),
        ("job", "list"),
        ("handover", "1042", "--output", "sheet.html"),
        ("job", "close", "1042", "--started", "--old-drive", "kept", "--anyway", "a test"),
    ],
    ids=" ".join,
)
def test_a_command_reads_each_result_once_and_judges_each_item_once(tmp_path: Path, command: tuple[str, ...]) -> None:
    folder = filed(tmp_path, data_route()).path
    results = {path.name for path in folder.glob("0*.json")}
    done = subprocess.run(
        [sys.executable, "-c", COUNTING, folder, *command, "--jobs", folder.parent],
        capture_output=True,
        text=True,
        cwd=tmp_path,
    )
    opened, judged = json.loads(done.stderr.splitlines()[-1])
    assert {name: opened[name] for name in results} == dict.fromkeys(results, 1)
    assert set(judged.values()) == {1}
    assert len(judged) == 12


def test_what_follows_from_a_job_is_worked_out_once(tmp_path: Path) -> None:
    job = load_job_state(filed(tmp_path, data_route()), now=NOW)
    assert job.proof is job.proof
    assert job.gate is job.gate
    assert job.gate.open


def test_a_link_in_place_of_a_result_is_not_followed(tmp_path: Path) -> None:
    """It is named as a fault; what it leads to says nothing about this job."""
    folder = filed(tmp_path, data_route())
    consent = next(file.path for file in folder.result_files() if file.kind == "fact")
    consent.rename(tmp_path / "elsewhere.json")
    consent.symlink_to(tmp_path / "elsewhere.json")
    job = load_job_state(JobFolder(path=folder.path), now=NOW)
    assert job.audit.sentences == (f"{consent.name} is a link, not a file",)
    assert job.newest_fact("consent") is None
