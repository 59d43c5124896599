"""`drivecare next` on a recorded bench: every line of it, typed as shown, files its result."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivecare.cli.main import cli
from drivecare.hardware.machine import Machine
from drivecare.job.next_step import open_blanks
from drivecare.record.folder import FolderRecord
from drivecare.work.next_step import load_job
from tests.cli.recorded_bench import LASTING, bench, lay_out


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bench with the customer's drive and the new one attached, and a shop's stock list."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DRIVECARE_JOBS", str(tmp_path / "jobs"))
    lay_out(tmp_path)
    monkeypatch.setenv("DRIVECARE_STOCK", str(tmp_path / "stock.csv"))
    return tmp_path


def run(machine: Machine, *words: str) -> str:
    done = CliRunner().invoke(cli, words, obj=machine)
    assert done.exit_code in (0, 12, 20, 40), (words, done.output, done.exception)
    return done.stdout


ANSWERS = {"...": "form signed", "DRIVE": LASTING["old"]}
ENDED = ("--started", "--old-drive", "returned")  # asked at a terminal: docs/next-session.md


def test_every_next_line_typed_as_shown_files_its_result(shop: Path) -> None:
    """From the opening to the closing, by what is printed alone. Only what is open is put in by hand."""
    machine = bench(shop / "tree")
    shown = run(machine, "job", "new", "1042", "--host", "CH-2103", "--complaint", "hangs")
    typed = []
    record = FolderRecord(root=shop / "jobs")
    while "Next: " in shown:
        line = shown.rpartition("Next: ")[2].strip()
        typed.append(line)
        program, *words = [ANSWERS.get(word, word) for word in shlex.split(line)]
        assert program == "drivecare"
        assert set(open_blanks(line)) <= set(ANSWERS), line
        before = len(record.job("1042").result_files())
        shown = run(machine, *words, *(ENDED if "close" in words else ()))
        assert len(record.job("1042").result_files()) > before or words[0] == "handover", line
        assert len(typed) < 20
    assert [line.split()[1] for line in typed] == [
        "job", "assess", "plan", "assess", "copy", "job", "handover", "job",
    ]  # fmt: skip
    assert load_job(record.job("1042"), machine).closing is not None
    assert (shop / "new.img").read_bytes() == (shop / "old.img").read_bytes()


def test_devices_are_named_by_what_stays_theirs(shop: Path) -> None:
    machine = bench(shop / "tree")
    run(machine, "job", "new", "1042", "--host", "CH-2103", "--complaint", "hangs")
    run(machine, "job", "record", "1042", "consent", "--note", "signed")
    shown = run(machine, "assess", "/dev/sdx", "--job", "1042")
    assert shown.endswith("Next: drivecare plan --job 1042\n")
    shown = run(machine, "plan", "--job", "1042")
    assert shown.endswith(f"Next: drivecare assess {LASTING['new']} --as new --job 1042\n")


def test_the_document(shop: Path) -> None:
    run(bench(shop / "tree"), "job", "new", "1042", "--host", "CH-2103", "--complaint", "hangs")
    done = CliRunner().invoke(cli, ["next", "1042", "--json"], obj=bench(shop / "tree"))
    assert done.exit_code == 0
    step = json.loads(done.stdout)
    assert (step["schema"], step["job"], step["state"]) == ("drivecare/next-1", "1042", "gate-shut")
    assert step["command"] == 'drivecare job record 1042 consent --note "..."'
    assert step["missing"] == ["consent", "old-drive-read", "old-drive-identity", "verdict"]
    assert step["why"] == "consent: not recorded yet"


def test_do_without_somebody_to_answer_does_nothing(shop: Path) -> None:
    run(bench(shop / "tree"), "job", "new", "1042", "--host", "CH-2103", "--complaint", "hangs")
    done = CliRunner().invoke(cli, ["next", "1042", "--do"], obj=bench(shop / "tree"))
    assert "nobody is there to answer" in str(done.exception)
    assert len(FolderRecord(root=shop / "jobs").job("1042").result_files()) == 1


def test_the_job_of_the_environment_counts_for_every_command(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    machine = bench(shop / "tree")
    run(machine, "job", "new", "1042", "--host", "CH-2103", "--complaint", "hangs")
    monkeypatch.setenv("DRIVECARE_JOB", "1042")
    run(machine, "job", "record", "consent", "--note", "signed")
    run(machine, "assess", "/dev/sdx")
    run(machine, "plan")
    assert "\nGate SHUT   job 1042" in run(machine, "gate")
    assert run(machine, "job", "show").startswith("Job 1042 ")
    kinds = [file.kind for file in FolderRecord(root=shop / "jobs").job("1042").result_files()]
    assert kinds == ["opening", "fact", "reading", "assessment", "plan"]


def test_without_a_job_a_command_that_needs_one_asks_for_it(shop: Path) -> None:
    for words in (
        ["next"],
        ["gate"],
        ["handover"],
        ["job", "show"],
        ["plan"],
        ["verify"],
        ["job", "record", "consent"],
    ):
        done = CliRunner().invoke(cli, words, obj=bench(shop / "tree"))
        assert done.exit_code == 2, words
        assert "Which job? Name its ID, or set DRIVECARE_JOB." in done.stderr


def test_a_plan_for_no_drive_is_not_filed_over_a_better_one(shop: Path) -> None:
    machine = bench(shop / "tree")
    run(machine, "job", "new", "1042", "--host", "CH-2103", "--complaint", "hangs")
    run(machine, "plan", "--reading", "/dev/sdx", "--job", "1042")
    done = CliRunner().invoke(cli, ["plan", "--job", "1042"], obj=machine)
    assert "not filed: this plan is for no particular drive" in done.stderr
    assert [file.kind for file in FolderRecord(root=shop / "jobs").job("1042").result_files()] == ["opening", "plan"]


def test_verify_knows_the_copy_of_the_job_and_where_its_target_is_now(shop: Path) -> None:
    machine = bench(shop / "tree")
    run(machine, "job", "new", "1042", "--host", "CH-2103", "--complaint", "hangs")
    run(machine, "copy", "/dev/sdx", "/dev/sdy", "--job", "1042")
    shown = run(bench(lay_out(shop, moved=True)), "verify", "--job", "1042")
    assert shown.startswith("VERIFIED: all ")
    assert "the receipt's own target was not read" not in shown
