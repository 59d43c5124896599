"""Nothing is overwritten unasked: one table of every command that writes a file a person named."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from drivecare.cli.main import cli
from tests.cli.bench import Ran, run
from tests.cli.terminal import CTRL_C, CTRL_D, at_terminal
from tests.job.carried import filed, same_route

ROOT = Path(__file__).parents[2]
REPORT = ROOT / "fixtures/demo/new-drive.txt"
MINE = b"Dear Ann"


@pytest.fixture
def work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a job 1042, a table and an image to scan."""
    filed(tmp_path / "jobs", same_route())
    (tmp_path / "day.csv").write_text("serial_number,smart_5_raw\nKX25-00417,3\n")
    with (tmp_path / "drive.img").open("wb") as image:
        image.truncate(32 << 20)
    monkeypatch.chdir(tmp_path)
    return tmp_path


# The command, and the files it writes.
WRITERS = {
    "assess --save": (("assess", REPORT, "--save", "out.json"), ["out.json"]),
    "assess-table --output": (("assess-table", "day.csv", "--output", "out.csv"), ["out.csv"]),
    "readscan": (("readscan", "drive.img", "--sample", "1"), ["drive.img.readscan.json"]),
    "readscan --picture": (("readscan", "drive.img", "--picture", "out.svg"), ["out.svg"]),
    "readscan, one that was stopped": (("readscan", "drive.img"), ["drive.img.readscan-state.json"]),
    "job export": (("job", "export", "1042", "--jobs", "jobs"), ["1042.tar.gz"]),
    "handover --output": (("handover", "1042", "--output", "out.html", "--jobs", "jobs"), ["out.html"]),
}
writers = pytest.mark.parametrize(("command", "files"), WRITERS.values(), ids=WRITERS)


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.promise(11)
@writers
def test_without_a_terminal_it_is_refused_before_any_work(
    work: Path, command: tuple[str | Path, ...], files: list[str]
) -> None:
    for name in files:
        (work / name).write_bytes(MINE)
    before = names(work)
    ran = run(cli, *command)
    assert ran.exit_code == 22
    assert ran.out == ""
    assert ran.err == (
        f"drivecare: {files[0]}: already exists, and nothing is overwritten unasked. "
        "Choose another name, or add --allow-overwrite FILE, its path, to replace it\n"
    )
    assert names(work) == before
    assert all((work / name).read_bytes() == MINE for name in files)


@writers
def test_a_file_that_was_named_again_is_replaced(work: Path, command: tuple[str | Path, ...], files: list[str]) -> None:
    for name in files:
        (work / name).write_bytes(MINE)
    ran = run(cli, *command, *(word for name in files for word in ("--allow-overwrite", work / name)))
    assert ran.exit_code == 0, ran.err
    assert all(not (work / name).exists() or (work / name).read_bytes() != MINE for name in files)


@pytest.mark.promise(11)
@writers
def test_naming_another_file_allows_nothing(work: Path, command: tuple[str | Path, ...], files: list[str]) -> None:
    (work / files[0]).write_bytes(MINE)
    assert run(cli, *command, "--allow-overwrite", "day.csv").exit_code == 22
    assert (work / files[0]).read_bytes() == MINE


@pytest.mark.parametrize("kind", ["folder", "link", "link to nowhere"])
def test_what_is_no_file_is_never_replaced(work: Path, kind: str) -> None:
    out = work / "out.csv"
    make: dict[str, Callable[[], None]] = {
        "folder": out.mkdir,
        "link": lambda: out.symlink_to(work / "day.csv"),
        "link to nowhere": lambda: out.symlink_to(work / "none"),
    }
    make[kind]()
    ran = run(cli, "assess-table", "day.csv", "--output", out, "--allow-overwrite", out)
    assert ran.exit_code == 3
    assert "out.csv: is " in ran.err
    assert not (work / "none").exists()


def test_the_sheet_in_the_job_is_renewed_but_not_one_that_somebody_wrote_into(work: Path) -> None:
    sheet = work / "jobs" / "1042" / "handover.html"
    for _ in range(2):
        assert run(cli, "handover", "1042", "--jobs", "jobs").exit_code == 0
    edited = sheet.read_bytes().replace(b"Any drive can fail", b"Call us: any drive can fail")
    for theirs in (edited, MINE):
        sheet.write_bytes(theirs)
        ran = run(cli, "handover", "1042", "--jobs", "jobs")
        assert (ran.exit_code, sheet.read_bytes()) == (22, theirs)
    assert run(cli, "handover", "1042", "--jobs", "jobs", "--allow-overwrite", sheet).exit_code == 0


def copied(work: Path) -> Ran:
    return run(cli, "copy", "source.img", "target.img", "--receipt", "notes.json", "--allow-overwrite", "target.img")


@pytest.mark.promise(11)
def test_a_receipt_takes_no_other_file_s_place_and_earlier_ones_all_stay(work: Path) -> None:
    (work / "source.img").write_bytes(b"x" * 8192)
    (work / "target.img").write_bytes(b"")
    (work / "notes.json").write_bytes(MINE)
    ran = copied(work)
    assert (ran.exit_code, (work / "notes.json").read_bytes()) == (22, MINE)
    assert "notes.json: is not valid JSON" in ran.err
    (work / "notes.json").unlink()
    for _ in range(3):
        assert copied(work).exit_code == 0
        os.utime(work / "notes.json", (10**9, 10**9))  # as if all were made within one second
    assert [name for name in names(work) if name.startswith("notes.1") or name == "notes.json"] == [
        "notes.1000000000-2.json",
        "notes.1000000000.json",
        "notes.json",
    ]


@pytest.mark.parametrize(
    ("typed", "exit_code", "replaced"),
    [("out.csv\n", 0, True), ("yes\n", 22, False), ("\n", 22, False), (CTRL_C, 3, False), (CTRL_D, 3, False)],
    ids=["its path", "yes", "nothing", "Ctrl-C", "Ctrl-D"],
)
def test_at_a_terminal_its_path_is_asked_for(work: Path, typed: str, exit_code: int, replaced: bool) -> None:
    """A real terminal, whose start costs what it costs."""
    (work / "out.csv").write_bytes(MINE)
    command = ("assess-table", "day.csv", "--output", "out.csv")
    code, screen = at_terminal(*command, prompt="Type its path", typed=typed, cwd=work)
    assert (code, (work / "out.csv").read_bytes() != MINE) == (exit_code, replaced), screen
    assert "out.csv already exists, 8 bytes.\n\aType its path to replace it" in screen
    if exit_code == 3:
        assert "drivecare: the question was not answered, so nothing was done" in screen


@pytest.mark.parametrize("typed", [CTRL_C, CTRL_D], ids=["Ctrl-C", "Ctrl-D"])
def test_a_broken_off_question_about_forgetting_is_no_copy_to_be_gone_on_with(work: Path, typed: str) -> None:
    (work / "drive2.img").write_bytes(b"x" * 8192)
    jobs = ("--jobs", "jobs")
    assert run(cli, "copy", "drive2.img", "kept.img", "--acknowledge", "size", "--job", "1042", *jobs).exit_code == 0
    close = ("job", "close", "1042", "--started", "--old-drive", "kept", "--anyway", "x", "--forget", *jobs)
    code, screen = at_terminal(*close, prompt="Type the job's ID", typed=typed, cwd=work)
    assert code == 3, screen
    assert "the question was not answered, so nothing was done" in screen
    assert (work / "kept.img").exists()
    assert run(cli, "job", "show", "1042", "--json", *jobs).json["state"] == "open"
