"""The demo: a whole job through the commands themselves, twice, with nothing but files."""

from __future__ import annotations

import hashlib
import json
import os
import shlex
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivecare.cli.demo import JOB
from drivecare.cli.demo_folder import DEMO_MANIFEST
from drivecare.cli.demo_image import BAD_LENGTH, BAD_OFFSET, SIZE_BYTES
from drivecare.cli.main import cli
from drivecare.documents import load
from drivecare.errors import BadInput, Refused
from drivecare.transfer.sectors.receipt import Receipt


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
    receipt = json.loads((folder / "jobs" / JOB / "new-drive.img.receipt.json").read_bytes())
    source, target = (folder / "old-drive.img").read_bytes(), (folder / "new-drive.img").read_bytes()
    assert receipt["unreadable"][0]["offset"] == BAD_OFFSET
    assert receipt["unreadable"][0]["length"] == BAD_LENGTH
    end = BAD_OFFSET + BAD_LENGTH
    assert (source[:BAD_OFFSET], source[end:]) == (target[:BAD_OFFSET], target[end:])
    assert source[BAD_OFFSET:end] != target[BAD_OFFSET:end]
    assert receipt["digest"]["whole"] == hashlib.sha256(target).hexdigest()
    assert receipt["verified"] is True


def test_the_damaged_recording_is_named_and_its_name_lies_apart_from_the_results(told: tuple[Path, str]) -> None:
    folder, story = told
    assert "file /REC-0009.MP4: 8,192 of 2,097,152 bytes" in story
    assert "Damaged, as the copy&#39;s own list of files says: 1 video." in (folder / "handover.html").read_text()
    kept = [path for path in (folder / "jobs").rglob("*") if path.is_file()]
    assert [path.name for path in kept if b"REC-0009" in path.read_bytes()] == ["names-0008.json"]


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


def test_the_demo_agrees_with_itself(told: tuple[Path, str]) -> None:
    """What was read, what lies on the shelf and what was copied are of one size, and the first line says so."""
    folder, story = told
    assert f"its drives are stand-ins of {SIZE_BYTES >> 20} MiB." in " ".join(story.split("$ drivecare")[0].split())
    read = [json.loads(path.read_bytes()) for path in sorted((folder / "jobs" / JOB).glob("*-assessment-*.json"))]
    assert [(one["drive"]["serial"], one["verdict"]) for one in read] == [
        ("KX25-00417", "evacuate"),
        ("PM6-311842", "refit"),
    ]
    assert {one["drive"]["capacity_bytes"] for one in read} == {131_072 * 512} == {SIZE_BYTES}
    (selftest,) = [one["values"]["last_selftest"] for one in read if one["verdict"] == "evacuate"]
    assert selftest["lba"] == BAD_OFFSET // 512
    (path,) = (folder / "jobs" / JOB).glob("*-plan-*.json")
    candidates = json.loads(path.read_bytes())["candidates"]
    assert all(one["capacity_bytes"] and not one["labelled_gb"] for one in candidates)
    receipt = load(Receipt, folder / "jobs" / JOB / "new-drive.img.receipt.json")
    assert (receipt.bytes_total, receipt.contradiction) == (SIZE_BYTES, "")


def test_it_says_where_everything_lies(told: tuple[Path, str]) -> None:
    folder, story = told
    ending = story[story.index("Everything is in") :]
    named = [line.strip().rstrip(":") for line in ending.splitlines() if line.strip().startswith(str(folder))]
    assert len(named) >= 5
    assert all(Path(name).exists() for name in named)
    assert "KX25-00417" in (folder / "handover.html").read_text("utf-8")


def test_a_turned_byte_is_found_mended_and_the_gate_opens_again(tmp_path: Path) -> None:
    """Only by lines that were printed: the two at the end of the demo, then each Next."""
    story = CliRunner().invoke(cli, ["demo", str(tmp_path / "demo")]).output
    turn, line = (line.strip() for line in story.split("Try it: ")[1].splitlines() if line.startswith("  "))
    subprocess.run(turn, shell=True, check=True)
    codes = []
    while "drivecare handover" not in line:
        words = [word if word != "..." else "unplugged" for word in shlex.split(line)[1:]]
        result = CliRunner().invoke(cli, words)
        codes.append((words[0], result.exit_code))
        line = result.output.split("Next: ")[1].splitlines()[0]
    assert codes == [("verify", 21), ("copy", 20), ("job", 0)]
    assert CliRunner().invoke(cli, ["gate", JOB, "--jobs", str(tmp_path / "demo" / "jobs")]).exit_code == 0


def added_file(folder: Path) -> None:
    (folder / "jobs" / JOB / "photo.jpg").write_bytes(b"kept")


def changed_file(folder: Path) -> None:
    with (folder / "stock.csv").open("a") as stream:
        stream.write("my own drive\n")


def link(folder: Path) -> None:
    (folder / "stock.csv").unlink()
    (folder / "stock.csv").symlink_to("/etc/hostname")


def empty_folder(folder: Path) -> None:
    (folder / "mine").mkdir()


def lost_list(folder: Path) -> None:
    (folder / DEMO_MANIFEST).unlink()


@pytest.mark.promise(11)
@pytest.mark.parametrize("alter", [added_file, changed_file, link, empty_folder, lost_list])
def test_what_the_demo_did_not_make_is_left_alone(
    told: tuple[Path, str], tmp_path: Path, alter: Callable[[Path], None]
) -> None:
    folder = tmp_path / "demo"
    shutil.copytree(told[0], folder, copy_function=os.link)
    for name in ("stock.csv", DEMO_MANIFEST):  # the others are only looked at
        (folder / name).unlink()
        shutil.copy(told[0] / name, folder / name)
    alter(folder)
    before = sorted(folder.rglob("*"))
    result = CliRunner().invoke(cli, ["demo", str(folder)], standalone_mode=False)
    assert isinstance(result.exception, Refused)
    assert result.exception.exit_code == 22
    assert "Name a new folder: drivecare demo DIR" in result.exception.message()
    assert sorted(folder.rglob("*")) == before


@pytest.mark.promise(11)
@pytest.mark.parametrize("name", ["photo", ".drivecare-demo"])
def test_a_folder_that_is_not_the_demos_is_left_alone(tmp_path: Path, name: str) -> None:
    """With the mark of 0.1.0 too, which did not say what is the demo's."""
    (tmp_path / name).write_bytes(b"made by drivecare demo; may be removed\n")
    (tmp_path / "letter").write_bytes(b"Dear Ann")
    result = CliRunner().invoke(cli, ["demo", str(tmp_path)], standalone_mode=False)
    assert isinstance(result.exception, Refused)
    assert "letter" in result.exception.message()
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([name, "letter"])


def test_a_link_to_a_folder_is_not_emptied(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path)
    result = CliRunner().invoke(cli, ["demo", str(tmp_path / "link")], standalone_mode=False)
    assert isinstance(result.exception, BadInput)


def test_no_line_ends_with_a_blank_and_none_breaks_a_word(told: tuple[Path, str]) -> None:
    folder, story = told
    lines = story.splitlines()
    assert [line for line in lines if line != line.rstrip()] == []
    long = [line for line in lines if len(line) > 80 and str(folder) not in line and "drivecare" not in line]
    assert [line for line in long if len(line.split()) > 3] == []  # but for commands and paths, it fits 80 columns
