"""Pages of `drivecare job list`: for a person at a terminal, never for a script that asked for none."""

from __future__ import annotations

import json
import os
from pathlib import Path

import msgspec
import pytest

from drivecare.record.folder import FolderRecord
from tests.cli.terminal import at_terminal
from tests.cli.test_job import drivecare
from tests.job.carried import OLD, OPENING, assessment, filed


@pytest.fixture
def jobs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A hundred and ten jobs."""
    with monkeypatch.context() as quick:
        quick.setattr(os, "fsync", lambda _: None)
        for number in range(110):
            FolderRecord(root=tmp_path).create(msgspec.structs.replace(OPENING, id=f"{number:04}"))
    return tmp_path


def test_a_script_gets_every_job(jobs: Path) -> None:
    assert drivecare("job", "list", jobs=jobs).stdout.count("gate shut ") >= 110
    listed = json.loads(drivecare("job", "list", "--json", jobs=jobs).stdout)
    assert (len(listed["jobs"]), listed["total"], listed["page"], listed["pages"]) == (110, 110, None, None)


def test_a_page_says_how_many_there_are_and_how_to_see_older_ones(jobs: Path) -> None:
    shown = drivecare("job", "list", "--page", "2", jobs=jobs).stdout.splitlines()
    assert shown[1].startswith("0010 ")
    assert shown[-2].startswith("0059 ")
    assert shown[-1] == "Page 2 of 3, 110 jobs in all. Older ones: the same with --page 3."
    assert drivecare("job", "list", "--page", "3", jobs=jobs).stdout.endswith("Page 3 of 3, 110 jobs in all.\n")
    assert drivecare("job", "list", "--page", "4", jobs=jobs).stdout.endswith("Page 4 of 3, 110 jobs in all.\n")
    listed = json.loads(drivecare("job", "list", "--page", "1", "--json", jobs=jobs).stdout)
    assert [listed["jobs"][0]["id"], listed["jobs"][-1]["id"]] == ["0060", "0109"]
    assert (listed["total"], listed["page"], listed["pages"]) == (110, 1, 3)


def test_no_page_is_no_page(jobs: Path) -> None:
    assert drivecare("job", "list", "--page", "0", jobs=jobs).returncode == 2


def test_at_a_terminal_the_first_page_is_shown(jobs: Path) -> None:
    code, screen = at_terminal("job", "list", "--jobs", jobs, prompt="Page", typed="", cwd=jobs)
    assert code == 0
    assert "0060 " in screen
    assert "0059 " not in screen
    assert "Page 1 of 3, 110 jobs in all. Older ones: the same with --page 2." in screen


def test_a_model_that_many_jobs_read_is_paged_like_the_jobs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as quick:
        quick.setattr(os, "fsync", lambda _: None)
        for number in range(60):
            filed(tmp_path, [assessment(OLD, "refit")], opening=msgspec.structs.replace(OPENING, id=f"{number:04}"))
    assert json.loads(drivecare("history", "KD-500", "--json", jobs=tmp_path).stdout)["total"] == 60
    shown = drivecare("history", "KD-500", "--page", "2", jobs=tmp_path).stdout.splitlines()
    assert [line.split("job ")[1][:4] for line in shown if " job 0" in line] == [f"{number:04}" for number in range(10)]
    assert shown[-1] == "Page 2 of 2, 60 jobs in all."
    code, screen = at_terminal("history", "KD-500", "--jobs", tmp_path, prompt="Older ones", typed="", cwd=tmp_path)
    assert (code, "Page 1 of 2, 60 jobs in all. Older ones: the same with --page 2." in screen) == (0, True)
    beyond = drivecare("history", "KD-500", "--page", "3", jobs=tmp_path)
    assert (beyond.returncode, beyond.stderr) == (3, "drivecare: KD-500: there is no page 3. The last one is 2.\n")
