"""`drivecare copy-files` as a user runs it."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivecare.cli.main import cli
from drivecare.errors import Interrupted
from drivecare.hardware.machine import Machine
from drivecare.record.folder import FolderRecord
from drivecare.transfer.medium import Watch
from drivecare.work.bags import copy_files_to_bag


class StopAfter:
    """Asks to stop once it was asked this often."""

    def __init__(self, times: int) -> None:
        self.left = times

    def __call__(self) -> str | None:
        self.left -= 1
        return None if self.left > 0 else "stopped"


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


def test_a_copy_of_a_job_is_noted_while_it_is_not_finished(source: Path, tmp_path: Path) -> None:
    folder = tmp_path / "jobs" / "1042"
    assert (
        CliRunner()
        .invoke(cli, ["job", "new", "1042", "--host", "CH-2103", "--complaint", "x", "--jobs", str(folder.parent)])
        .exit_code
        == 0
    )

    def run(target: str, *options: str) -> int:
        words = ["copy-files", str(source), str(tmp_path / target), "--job", "1042", "--jobs", str(folder.parent)]
        return CliRunner().invoke(cli, [*words, *options]).exit_code

    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "photo").touch()
    assert run("taken") != 0
    assert list(folder.glob("*.bag-begun.json")) == []  # nothing was begun there
    for number in range(300):
        (source / f"{number:03}").write_bytes(b"%d" % number)
    job = FolderRecord(root=folder.parent).job("1042")
    with pytest.raises(Interrupted):
        copy_files_to_bag(source, tmp_path / "bag", Machine(), watch=Watch(stop_reason=StopAfter(280)), folder=job)
    shown = json.loads(CliRunner().invoke(cli, ["job", "show", "1042", "--jobs", str(folder.parent), "--json"]).stdout)
    (half_done,) = shown["unfinished"]
    words = (str(source), str(tmp_path / "bag"), "--resume", "--job", "1042", "--jobs", str(folder.parent))
    assert half_done["resume"] == shlex.join(("drivecare", "copy-files", *words))
    assert half_done["files"] >= 256
    listed = CliRunner().invoke(cli, ["job", "list", "--jobs", str(folder.parent)]).stdout
    assert f"copy: {half_done['files']} files" in listed
    assert run("bag", "--resume") == 0
    assert list(folder.glob("*.bag-begun.json")) == []
