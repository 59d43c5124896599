"""A full disk costs no result: it is shown first, and what could not be kept is said after it."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib import resources
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from drivecare.cli.main import cli
from drivecare.errors import Interrupted, Unavailable
from drivecare.record import job_folder as job_folders
from drivecare.work import copy_paperwork, scan_surface
from tests.cli.bench import run
from tests.cli.test_selftest import bench
from tests.job.carried import filed, same_route
from tests.work.test_self_test import PASSED, ended

DEMO = Path(str(resources.files("drivecare.demo_data")))
OLD, NEW, STOCK = DEMO / "failing-drive.txt", DEMO / "new-drive.txt", DEMO / "stock.csv"
IN_JOB = ("--job", "1042", "--jobs", "jobs")

# The command, and words of its result.
COMMANDS: dict[str, tuple[tuple[str | Path, ...], str]] = {
    "assess": (("assess", OLD, *IN_JOB), "EVACUATE"),
    "assess several": (("assess", OLD, NEW, *IN_JOB), "evacuate"),
    "plan": (("plan", "--host", "CH-2103", "--reading", OLD, "--stock", STOCK, *IN_JOB), "Petrel PM-500"),
    "readscan": (("readscan", "drive.img", *IN_JOB), "READABLE"),
    "selftest": (("selftest", "/dev/sda", *IN_JOB), "NO FAULT FOUND"),
    "copy": (("copy", "drive.img", "target.img", "--acknowledge", "size", *IN_JOB), "VERIFIED"),
    "copy-files": (("copy-files", "files", "bag", *IN_JOB), "VERIFIED"),
    "verify": (("verify", "earlier.img.receipt.json", *IN_JOB), "VERIFIED"),
    "verify a bag": (("verify", "earlier-bag", *IN_JOB), "VERIFIED"),
}


@pytest.fixture(scope="module")
def earlier(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a job, an image, and a copy and a bag to verify again."""
    work = tmp_path_factory.mktemp("full")
    filed(work / "jobs", same_route())
    (work / "drive.img").write_bytes(b"x" * (1 << 20))
    (work / "files").mkdir()
    (work / "files" / "letter.txt").write_text("Dear Ann")
    assert run(cli, "copy", work / "drive.img", work / "earlier.img").exit_code == 0
    assert run(cli, "copy-files", work / "files", work / "earlier-bag").exit_code == 0
    return work


@pytest.fixture
def full_disk(earlier: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The same, with no room left where jobs lie."""

    def no_room(path: Path, _: bytes) -> None:
        raise Unavailable(
            "cannot be written: No space left on device", location=str(path), hint="Choose another place."
        )

    monkeypatch.chdir(earlier)
    monkeypatch.setattr(job_folders, "write_file", no_room)
    return earlier


@pytest.mark.parametrize("as_json", [False, True], ids=["for people", "--json"])
@pytest.mark.parametrize(("command", "words"), COMMANDS.values(), ids=COMMANDS)
def test_the_result_comes_first(
    full_disk: Path, tmp_path: Path, command: tuple[str | Path, ...], words: str, as_json: bool
) -> None:
    left = ("target.img", "target.img.receipt.json", "target.img.journal.json", "drive.img.readscan-state.json")
    for name in left:
        for folder in (full_disk, full_disk / "jobs" / "1042"):
            (folder / name).unlink(missing_ok=True)
    command = tuple(tmp_path / "bag" if word == "bag" else word for word in command)
    machine = bench(tmp_path, ended(PASSED))[0] if command[0] == "selftest" else None
    arguments = [*map(str, command), *(["--json"] if as_json else [])]
    result = CliRunner().invoke(cli, arguments, obj=machine)
    assert isinstance(result.exception, Interrupted), result.output
    assert result.exception.exit_code == 23
    assert ": cannot be written: No space left on device. The result above is complete" in result.exception.message()
    if as_json:
        document = json.loads(result.stdout)
        schema = document["schema"].removeprefix("drivecare/")
        jsonschema.validate(
            document, json.loads(resources.files("drivecare.schemas").joinpath(f"{schema}.json").read_bytes())
        )
    else:
        assert words in result.stdout


def test_a_scan_s_result_is_shown_where_nothing_can_be_written_at_all(
    earlier: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_room(path: Path, _: bytes, *, replace: bool) -> None:
        raise Unavailable("cannot be written: No space left on device", location=str(path))

    monkeypatch.chdir(earlier)
    monkeypatch.setattr(scan_surface, "write_file", no_room)
    ran = run(cli, "readscan", "drive.img")
    assert (ran.exit_code, "READABLE   Everything could be read." in ran.out) == (23, True)
    assert "drive.img.readscan.json: cannot be written" in ran.err


def test_a_copy_whose_receipt_finds_no_room_is_shown_and_ended_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_room(path: Path, _: bytes, *, replace: bool) -> None:
        raise Unavailable("cannot be written: No space left on device", location=str(path))

    monkeypatch.chdir(tmp_path)
    (tmp_path / "drive.img").write_bytes(b"x" * 8192)
    with monkeypatch.context() as full:
        full.setattr(copy_paperwork, "write_file", no_room)
        ran = run(cli, "copy", "drive.img", "target.img")
    assert (ran.exit_code, "VERIFIED" in ran.out, "receipt:" in ran.out) == (23, True, False)
    assert "all is copied, but the receipt cannot be written" in ran.err
    assert "run the command again with --resume" in ran.err
    assert run(cli, "copy", "drive.img", "target.img", "--resume").exit_code == 0


def test_what_cannot_be_recorded_is_not_said_to_be(full_disk: Path) -> None:
    ran = run(cli, "job", "record", "1042", "consent", "--jobs", full_disk / "jobs")
    assert (ran.exit_code, ran.out) == (3, "")


@pytest.mark.parametrize("name", [name for name in COMMANDS if name != "selftest"])
def test_a_wrong_job_is_said_before_any_work(earlier: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.chdir(earlier)
    command = [*COMMANDS[name][0][:-3], "none", "--jobs", "jobs"]
    ran = run(cli, *command)
    assert (ran.exit_code, ran.out) == (3, "")
    assert "there is no job none" in ran.err
    assert not (earlier / "bag").exists()


def test_a_reader_that_went_away_does_not_keep_a_result_from_its_job(tmp_path: Path) -> None:
    """`drivecare assess ... | head`: a whole process, since its streams are what breaks."""
    job = filed(tmp_path / "jobs", same_route())
    before = len(job.result_files())
    command = [sys.executable, "-m", "drivecare", "assess", str(OLD), "--job", "1042", "--jobs", str(tmp_path / "jobs")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
        assert process.stdout is not None
        process.stdout.close()
    assert len(job.result_files()) == before + 2
