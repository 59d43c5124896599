"""`drivecare copy-files` as a user runs it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivecare.cli.main import cli


@pytest.fixture
def source(tmp_path: Path) -> Path:
    folder = tmp_path / "old drive"
    (folder / "films").mkdir(parents=True)
    (folder / "films" / "one").write_bytes(b"a" * 100_000)
    (folder / "list.txt").write_bytes(b"abc")
    return folder


def test_screen_and_exit_code(source: Path, tmp_path: Path) -> None:
    target = tmp_path / "bag"
    result = CliRunner().invoke(cli, ["copy-files", str(source), str(target)])
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0] == f"2 files, 100,003 bytes   {source} -> {target}"
    assert lines[1] == "VERIFIED   every file was read back past this machine's cache and agrees"


def test_json_and_left_out_files(source: Path, tmp_path: Path) -> None:
    (source / "gone").symlink_to("nowhere")
    result = CliRunner().invoke(cli, ["copy-files", str(source), str(tmp_path / "bag"), "--json"])
    document = json.loads(result.stdout)
    assert result.exit_code == 20
    assert document["schema"] == "drivecare/bag-1"
    assert document["verified"] is True
    assert [note["name"] for note in document["left_out"]] == ["gone"]
    screen = CliRunner().invoke(cli, ["copy-files", str(source), str(tmp_path / "other")]).stdout
    assert screen.splitlines()[1].startswith("VERIFIED, except for 1 left out   ")


def test_a_target_that_holds_something_is_refused(source: Path, tmp_path: Path) -> None:
    target = tmp_path / "bag"
    target.mkdir()
    (target / "photo").write_bytes(b"kept")
    result = CliRunner().invoke(cli, ["copy-files", str(source), str(target)], standalone_mode=False)
    assert "the target folder is not empty" in str(result.exception)
    assert [path.name for path in target.iterdir()] == ["photo"]
