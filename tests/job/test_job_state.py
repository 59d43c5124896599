"""A command reads a job's folder once and judges its gate once, whatever it prints."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib import resources
from pathlib import Path

import pytest

from drivecare.job.job_state import load_job_state
from drivecare.record.job_folder import JobFolder
from tests.job.carried import NOW, data_route, filed
from tests.job.rich_case import scan

# Runs a command in a Python that counts, by its own audit events, what the command opens, and how often it judges.
COUNTING = """
import collections, json, os, sys
from pathlib import Path
from drivecare.cli.main import main
from drivecare.job.gate import CHECKS

folder, opened, judged = Path(sys.argv[1]), collections.Counter(), collections.Counter()

def count_open(event, arguments):
    if event == "open" and isinstance(arguments[0], str) and Path(arguments[0]).parent == folder:
        opened[Path(arguments[0]).name] += 1
    if event == "os.listdir" and isinstance(arguments[0], int):
        opened["the folder"] += os.readlink(f"/proc/self/fd/{arguments[0]}") == str(folder)

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


def count(job: Path, *command: str | Path) -> tuple[dict[str, int], dict[str, int]]:
    """How often a command lists a job's folder and opens each file in it, and how often it judges each of its items."""
    done = subprocess.run(
        [sys.executable, "-c", COUNTING, job, *command, "--jobs", job.parent],
        capture_output=True,
        text=True,
        cwd=job.parent,
    )
    opened, judged = json.loads(done.stderr.splitlines()[-1])
    return opened, judged


# Before it files anything, a command that does lists the folder again, to find the next number.
@pytest.mark.parametrize(
    ("command", "listings"),
    [
        (("gate", "1042"), 1),
        (("job", "show", "1042"), 1),
        (("job", "list"), 2),  # once to put the jobs in order
        (("handover", "1042", "--output", "sheet.html"), 1),
        (("job", "close", "1042", "--started", "--old-drive", "kept", "--anyway", "a test"), 2),
    ],
    ids=lambda value: " ".join(value[:2]) if isinstance(value, tuple) else "",
)
def test_a_command_reads_each_result_once_and_judges_each_item_once(
    tmp_path: Path, command: tuple[str, ...], listings: int
) -> None:
    folder = filed(tmp_path, data_route()).path
    results = {path.name for path in folder.glob("0*.json")}
    opened, judged = count(folder, *command)
    assert {name: opened[name] for name in results} == dict.fromkeys(results, 1)
    assert opened["the folder"] == listings
    assert set(judged.values()) == {1}
    assert len(judged) == 12


def test_a_reading_judged_in_a_job_reads_what_was_filed_once(tmp_path: Path) -> None:
    folder = filed(tmp_path, [*data_route(), scan()]).path
    report = tmp_path / "report.txt"
    report.write_text(resources.files("drivecare.demo_data").joinpath("failing-drive.txt").read_text("utf-8"))
    count(folder, "assess", report, "--job", "1042")
    opened, _ = count(folder, "assess", report, "--explain", "--json", "--job", "1042")
    results = {name[:4]: times for name, times in opened.items() if name.endswith("Z.json")}
    # As a document, which has no next step: that would read the job once more, with what was filed in it.
    # the copy's receipt, the scan and the earlier reading, to judge by; what was read and judged now, once it is filed
    assert results == {"0006": 1, "0009": 1, "0010": 1, "0012": 1, "0013": 1}
    assert opened["the folder"] == 4  # to see that it is open, to read it, to file the reading and the assessment


def test_what_follows_from_a_job_is_worked_out_once(tmp_path: Path) -> None:
    job = load_job_state(filed(tmp_path, data_route()).read(), now=NOW)
    assert job.proof is job.proof
    assert job.gate is job.gate
    assert job.gate.open


def test_a_link_in_place_of_a_result_is_not_followed(tmp_path: Path) -> None:
    """It is named as a fault; what it leads to says nothing about this job."""
    folder = filed(tmp_path, data_route())
    consent = next(file.path for file in folder.result_files() if file.kind == "fact")
    consent.rename(tmp_path / "elsewhere.json")
    consent.symlink_to(tmp_path / "elsewhere.json")
    job = load_job_state(JobFolder(path=folder.path).read(), now=NOW)
    assert job.audit.sentences == (f"{consent.name} is a link, not a file",)
    assert job.newest_fact("consent") is None
