"""`drivecare job` as a person types it: a job opened, recorded, told, listed, exported and closed."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivecare.cli.main import cli
from drivecare.errors import DriveCareError
from tests.cli.bench import NO_DRIVES
from tests.job.carried import AREA, data_route, filed, same_route


@dataclass(frozen=True)
class Done:
    """What came of a command."""

    returncode: int
    stdout: str
    stderr: str


def drivecare(*words: str, jobs: object, typed: str = "") -> Done:
    """A whole command line, as in a pipe of 80 columns; an expected error as the program's boundary prints it."""
    environ = {"DRIVECARE_JOBS": str(jobs), "COLUMNS": "80"}
    result = CliRunner(env=environ).invoke(cli, words, input=typed, obj=NO_DRIVES)
    if isinstance(result.exception, DriveCareError):
        line = f"drivecare: {result.exception.message()}\n"
        return Done(result.exception.exit_code, result.stdout, result.stderr + line)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Done(result.exit_code, result.stdout, result.stderr)


def opened(jobs: Path) -> None:
    words = ("job", "new", "1042", "--host", "CH-2103", "--complaint", "hangs", "--symptom", "storage-error")
    assert drivecare(*words, jobs=jobs).returncode == 0


def test_a_job_from_its_opening_to_the_next_step(tmp_path: Path) -> None:
    opened(tmp_path)
    recorded = drivecare("job", "record", "1042", "consent", "--note", "signed", jobs=tmp_path)
    assert recorded.returncode == 0
    assert recorded.stdout.startswith("Recorded consent, by ")
    told = drivecare("job", "show", "1042", jobs=tmp_path)
    assert told.returncode == 0
    lines = [line.rstrip() for line in told.stdout.splitlines()]
    assert lines[:3] == [
        "Job 1042   open, gate shut, the same drive goes back",
        "Corvane Hearth, revision 21, labelled CH-2103",
        "Complaint: hangs",
    ]
    assert lines[-2:] == ["old-drive-read: no reading filed", "Next: drivecare assess DRIVE --job 1042"]
    assert max(len(line) for line in lines if str(tmp_path) not in line) <= 80  # a path is never cut
    assert "\x1b" not in told.stdout


def test_the_documents(tmp_path: Path) -> None:
    words = ("job", "new", "7", "--host", "corvane-hearth-21", "--complaint", "hangs", "--json")
    opening = json.loads(drivecare(*words, jobs=tmp_path).stdout)
    assert (opening["schema"], opening["host"]) == ("drivecare/opening-1", "corvane-hearth-21")
    fact = json.loads(drivecare("job", "record", "7", "detached", "--json", jobs=tmp_path).stdout)
    assert (fact["schema"], fact["fact"], fact["about"]) == ("drivecare/fact-1", "detached", None)
    told = json.loads(drivecare("job", "show", "7", "--json", jobs=tmp_path).stdout)
    assert told["schema"] == "drivecare/job-1"
    assert [line["kind"] for line in told["story"]] == ["opening", "fact"]
    listed = json.loads(drivecare("job", "list", "--json", jobs=tmp_path).stdout)
    assert [line["id"] for line in listed["jobs"]] == ["7"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("new", "1042", "--host", "CH-2103", "--complaint", "x"), "1042: already exists. Choose another ID.\n"),
        (("new", "../x", "--host", "CH-2103", "--complaint", "x"), "'../x' cannot name a job."),
        (("new", "2", "--host", "ZZ-9", "--complaint", "x"), "label 'ZZ-9': matches no unit or bay."),
        (("new", "2", "--host", "CH-2103", "--complaint", "x", "--symptom", "qqq"), "symptom 'qqq': "),
        (("record", "1042", "agreed"), "'agreed' is not a fact to record."),
        (("record", "1042", "unreadable", "7"), "no unreadable area starts at '7'."),
        (("show", "9"), "there is no job 9. See drivecare job list, or open it: drivecare job new.\n"),
    ],
)
def test_a_slip_is_one_line_and_exit_3(tmp_path: Path, words: tuple[str, ...], message: str) -> None:
    opened(tmp_path)
    done = drivecare("job", *words, jobs=tmp_path)
    assert done.returncode == 3
    assert done.stdout == ""
    assert done.stderr.startswith("drivecare: ")
    assert message in done.stderr
    assert done.stderr.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["1042"]


def test_a_malformed_file_in_a_job_is_named(tmp_path: Path) -> None:
    job = filed(tmp_path, same_route())
    job.result_files()[2].path.write_text('{"verdict": ')
    shown = drivecare("job", "show", "1042", jobs=tmp_path)
    assert shown.returncode == 0
    assert f"{job.result_files()[2].path.name} was altered since it was filed" in " ".join(shown.stdout.split())
    (job.path / "chain").unlink()  # as in a job of 0.1.0, where nothing else tells of it
    done = drivecare("job", "show", "1042", jobs=tmp_path)
    assert done.returncode == 3
    assert done.stderr.startswith(f"drivecare: {job.result_files()[2].path}: is not valid JSON")
    listed = drivecare("job", "list", jobs=tmp_path)
    assert listed.returncode == 0
    assert "cannot be read" in listed.stdout


def test_several_areas_are_recorded_one_by_one(tmp_path: Path) -> None:
    job = filed(tmp_path, data_route()[:5])
    assert drivecare("job", "record", "1042", "unreadable", str(AREA.offset), jobs=tmp_path).returncode == 0
    assert json.loads(job.result_files()[-1].path.read_text())["about"] == f"{AREA.offset}+{AREA.length}"


def test_the_list_and_its_filters(tmp_path: Path) -> None:
    filed(tmp_path, data_route())
    for words, ids in (
        ((), ["1042"]),
        (("--verdict", "evacuate"), ["1042"]),
        (("--verdict", "refit"), []),
        (("--state", "closed"), []),
        (("--host", "marlow-mc2-r3"), ["1042"]),
        (("--serial", "kx25-00417"), ["1042"]),
        (("--serial", "KX25"), []),
        (("--since", "2026-11-25"), ["1042"]),
        (("--since", "2026-11-27"), []),
        (("--bench", "another"), []),
    ):
        listed = json.loads(drivecare("job", "list", *words, "--json", jobs=tmp_path).stdout)
        assert [line["id"] for line in listed["jobs"]] == ids, words
        assert all(line["serials"] == ["KX25-00417", "PM6-311842"] for line in listed["jobs"])


def test_closing_removes_what_was_confirmed(tmp_path: Path) -> None:
    """Through the commands themselves: an image and a bag that the job made, a bag and an image that it did not."""
    jobs, source, tree = tmp_path / "jobs", tmp_path / "source.img", tmp_path / "tree"
    source.write_bytes(random.Random(1).randbytes(1 << 20))
    (tree / "letters").mkdir(parents=True)
    (tree / "letters" / "one.txt").write_text("dear")
    (tree / "letters").chmod(0o555)
    (tree / "link.txt").symlink_to("letters/one.txt")
    opened(jobs)
    made, bag = tmp_path / "made.img", tmp_path / "bag"
    foreign, foreign_bag = tmp_path / "foreign.img", tmp_path / "foreign-bag"
    assert drivecare("copy", str(source), str(made), "--job", "1042", jobs=jobs).returncode == 0
    assert drivecare("copy", str(source), str(foreign), jobs=jobs).returncode == 0
    assert drivecare("verify", f"{foreign}.receipt.json", "--job", "1042", jobs=jobs).returncode == 0
    assert drivecare("copy-files", str(tree), str(bag), "--job", "1042", jobs=jobs).returncode == 0
    assert drivecare("copy-files", str(tree), str(foreign_bag), jobs=jobs).returncode == 0
    assert drivecare("verify", str(foreign_bag), "--job", "1042", jobs=jobs).returncode == 0
    (bag / "data" / "mine.txt").write_text("put there afterwards")

    close = ("job", "close", "1042", "--started", "--old-drive", "returned", "--anyway", "a test of yesterday")
    unsaid = drivecare(*close, jobs=jobs)
    assert unsaid.returncode == 3
    assert f"{made}: it was not said what becomes of this image" in unsaid.stderr
    half_said = drivecare(*close, "--image", str(made), "kept", jobs=jobs)
    assert half_said.returncode == 3
    assert f"{bag}: it was not said what becomes of this bag" in half_said.stderr
    wrong = drivecare(*close, "--forget", jobs=jobs, typed="yes\n")
    assert wrong.returncode == 22
    assert f"  {made}   image, 1,048,576 bytes\n  {bag}   bag, 2 files, " in wrong.stderr
    assert str(foreign) not in wrong.stderr
    assert made.exists()
    done = drivecare(*close, "--forget", "--json", jobs=jobs, typed="1042\n")
    assert done.returncode == 0
    assert not made.exists()
    assert [path.relative_to(bag).as_posix() for path in bag.rglob("*")] == ["data", "data/mine.txt"]
    assert f"left in {bag}, since it is not of the bag: data/mine.txt\n" in done.stderr
    assert json.loads(done.stdout)["images"] == [
        {"path": str(made), "fate": "removed", "kind": "image"},
        {"path": str(bag), "fate": "removed", "kind": "bag"},
    ]
    assert foreign.exists()
    assert drivecare("verify", str(foreign_bag), jobs=jobs).returncode == 0
    assert (tree / "letters" / "one.txt").read_text() == "dear"
    again = drivecare(*close, jobs=jobs)
    assert again.returncode == 3
    assert "is already closed" in again.stderr


def test_closing_with_the_gate_shut_ends_with_40(tmp_path: Path) -> None:
    opened(tmp_path)
    done = drivecare("job", "close", "1042", "--not-started", "--old-drive", "returned", jobs=tmp_path)
    assert done.returncode == 40
    assert "the gate is shut" in done.stderr


def test_an_export(tmp_path: Path) -> None:
    opened(tmp_path / "jobs")
    archive = tmp_path / "x.tar.gz"
    done = drivecare("job", "export", "1042", "--output", str(archive), jobs=tmp_path / "jobs")
    assert done.returncode == 0
    assert done.stdout == f"{archive}: 2 files and manifest-sha256.txt\n"
    (tmp_path / "jobs" / "1042" / "images").mkdir()
    (tmp_path / "jobs" / "1042" / "images" / "old.img").write_bytes(b"private")
    more = drivecare("job", "export", "1042", "--output", str(tmp_path / "y.tar.gz"), jobs=tmp_path / "jobs")
    assert more.stdout.splitlines()[1:] == [
        "  left out: images/old.img (in the folder for images of the customer's drive)"
    ]
    assert archive.is_file()


def test_every_help_shows_an_example() -> None:
    for words in ((), ("new",), ("record",), ("show",), ("list",), ("export",), ("close",)):
        assert "Example: drivecare job" in drivecare("job", *words, "--help", jobs=Path("/")).stdout
    for command in ("gate", "history", "handover"):
        assert f"Example: drivecare {command}" in drivecare(command, "--help", jobs=Path("/")).stdout
