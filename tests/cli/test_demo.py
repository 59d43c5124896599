"""The demo: a whole job through the commands themselves, twice, with nothing but files."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivecare.cli.demo import BAD_LENGTH, BAD_OFFSET, JOB
from drivecare.cli.main import cli
from drivecare.errors import BadInput


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The folder and the story of a demo that ran twice."""
    folder = tmp_path_factory.mktemp("demo") / "here"
    for _ in range(2):
        result = CliRunner().invoke(cli, ["demo", str(folder)])
        assert result.exit_code == 0, result.output
    return folder, result.output


def test_the_gate_is_shut_first_and_open_at_the_end(told: tuple[Path, str]) -> None:
    _, story = told
    assert 0 < story.index("Gate SHUT") < story.index("Gate OPEN")


def test_the_copy_holds_the_source_but_for_the_bad_area(told: tuple[Path, str]) -> None:
    folder, _ = told
    receipt = json.loads((folder / "new-drive.img.receipt.json").read_bytes())
    source, target = (folder / "old-drive.img").read_bytes(), (folder / "new-drive.img").read_bytes()
    assert receipt["unreadable"][0]["offset"] == BAD_OFFSET
    assert receipt["unreadable"][0]["length"] == BAD_LENGTH
    end = BAD_OFFSET + BAD_LENGTH
    assert (source[:BAD_OFFSET], source[end:]) == (target[:BAD_OFFSET], target[end:])
    assert source[BAD_OFFSET:end] != target[BAD_OFFSET:end]
    assert receipt["digest"]["whole"] == hashlib.sha256(target).hexdigest()
    assert receipt["verified"] is True


def test_most_candidates_do_not_fit_each_for_its_own_reason(told: tuple[Path, str]) -> None:
    folder, _ = told
    (path,) = (folder / "jobs" / JOB).glob("*-plan-*.json")
    candidates = json.loads(path.read_bytes())["candidates"]
    blocks = [
        tuple(check["check"] for check in one["checks"] if check["result"] == "block")
        for one in candidates
        if one["fits"] == "no"
    ]
    assert len(blocks) > len(candidates) / 2
    assert len(set(blocks)) == len(blocks)


def test_it_says_where_everything_lies(told: tuple[Path, str]) -> None:
    folder, story = told
    ending = story[story.index("Everything lies in") :]
    named = [line.strip() for line in ending.splitlines() if line.strip().startswith(str(folder))]
    assert len(named) >= 5
    assert all(Path(name).exists() for name in named)
    assert "KX25-00417" in (folder / "handover.html").read_text("utf-8")


def test_a_folder_that_is_not_the_demos_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "photo").write_bytes(b"kept")
    result = CliRunner().invoke(cli, ["demo", str(tmp_path)], standalone_mode=False)
    assert isinstance(result.exception, BadInput)
    assert [path.name for path in tmp_path.iterdir()] == ["photo"]


def test_no_line_ends_with_a_blank_and_none_breaks_a_word(told: tuple[Path, str]) -> None:
    folder, story = told
    lines = story.splitlines()
    assert [line for line in lines if line != line.rstrip()] == []
    long = [line for line in lines if len(line) > 80 and str(folder) not in line and "drivecare" not in line]
    assert [line for line in long if len(line.split()) > 3] == []  # but for commands and paths, it fits 80 columns
