"""The answer fits a terminal of 80 by 24 and stands last; --full has the rest."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivecare.cli.main import cli
from drivecare.transfer.sectors.journal_file import JournalFile
from tests.cli.terminal import at_terminal
from tests.job.carried import NEW, data_route, device, fact, filed
from tests.job.test_unfinished import journal

LINES, COLUMNS = 24, 80
ROOT = Path(__file__).parents[2]
REPORTS = sorted(path for path in (ROOT / "fixtures").rglob("*.txt") if "Model" in path.read_text(errors="replace"))


def screen(*words: str | Path) -> str:
    result = CliRunner(env={"COLUMNS": str(COLUMNS)}).invoke(cli, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.stdout


def too_wide(text: str) -> list[str]:
    """Lines wider than the screen, but for those that hold a path or a command, which are never broken."""
    return [line for line in text.splitlines() if len(line) > COLUMNS and "/" not in line]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """What each command of the demo shows."""
    shown = screen("demo", tmp_path_factory.mktemp("screens") / "d")
    return [part.partition("\n")[2] for part in re.split(r"^\$ ", shown, flags=re.MULTILINE)[1:]]


def test_every_screen_of_the_demo_fits(demo: list[str]) -> None:
    assert len(demo) > 10
    for shown in demo:
        answer = re.split(r"\n\n\d+\. ", shown)[0].rstrip("\n")
        assert answer.count("\n") + 1 <= LINES - 1, answer  # one line is left for the command itself
        assert too_wide(answer) == []


@pytest.mark.parametrize("report", REPORTS, ids=lambda path: path.stem)
def test_every_judgement_fits(report: Path) -> None:
    shown = screen("assess", report)
    assert shown.count("\n") <= LINES - 1, shown
    assert too_wide(shown) == []


def test_a_drive_that_calls_itself_sound_is_quoted_beside_a_verdict_that_says_otherwise() -> None:
    own = "  The drive's own verdict: PASSED.\n"
    assert own in screen("assess", ROOT / "fixtures/demo/failing-drive.txt")
    assert own not in screen("assess", ROOT / "fixtures/demo/new-drive.txt")


@pytest.mark.parametrize("trouble", ["nothing", "half done", "altered", "both"])
def test_a_job_fits_and_the_full_form_has_the_rest(tmp_path: Path, trouble: str) -> None:
    folder = filed(tmp_path, [*data_route(), *(fact("note", note="looked at again") for _ in range(20))])
    if trouble in ("half done", "both"):
        JournalFile(folder.path / "sdc.journal.json").save(journal(device(NEW, "/dev/sdc")))
    if trouble in ("altered", "both"):
        for file in folder.result_files()[1:4]:
            file.path.write_bytes(file.path.read_bytes() + b" ")
    words = ("job", "show", folder.id, "--jobs", tmp_path)
    short, full = screen(*words), screen(*words, "--full")
    assert short.count("\n") <= LINES - 1, short
    assert too_wide(short) == []
    assert full.count("looked at again") == 20
    assert " earlier results and whole sentences." in short
    assert re.search(r"^Next: (sudo )?drivecare ", short, re.MULTILINE)
    assert (short.count("a copy is half done: "), "Not as filed: 3 results" in short) == (
        trouble in ("half done", "both"),
        trouble in ("altered", "both"),
    )


def test_the_full_form_has_what_the_short_one_counts() -> None:
    report = ROOT / "fixtures/demo/failing-drive.txt"
    short, full = screen("assess", report), screen("assess", report, "--full")
    assert "More with --full: why each counts, 5 more findings, 1 remark, " in short
    for words in ("sectors replaced by spares", "Also seen:", "This reading cannot tell:", "Basis"):
        assert words in full
        assert words not in short
    assert short.rstrip().splitlines()[-1] == "Next: Copy first: drivecare copy DRIVE TARGET"


def test_several_drives_are_a_table_the_worst_first(tmp_path: Path) -> None:
    good, bad = ROOT / "fixtures/demo/new-drive.txt", ROOT / "fixtures/demo/failing-drive.txt"
    lines = screen("assess", good, bad, *[good] * 14, tmp_path / "none.txt").splitlines()
    assert len(lines) == 1 + 17 + 2
    assert lines[1].startswith("evacuate  Kestrel KD-500 KX25-00417  ")
    assert lines[2].startswith("NOT READ  ")
    assert lines[-1] == "17 drives: 1 evacuate, 1 not read, 15 refit"


@pytest.mark.promise(4)
def test_a_clean_judgement_names_its_limit_in_the_short_form_too() -> None:
    assert "A clean reading means the base rate, not safety." in screen("assess", ROOT / "fixtures/demo/new-drive.txt")


def test_an_error_is_broken_between_words_only(tmp_path: Path) -> None:
    name = "there-is-no-file-of-this-long-name-anywhere-in-this-folder.txt"
    _, shown = at_terminal("assess", name, prompt="never", typed="", cwd=tmp_path)
    lines = shown.splitlines()
    assert lines == [f"drivecare: {name}: there", "is no such file. Check the path."]
