"""The terminal's bell calls whoever looked away: a long run has ended or stopped, or a question waits."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drivecare.cli.main import cli
from tests.cli.bench import run
from tests.cli.terminal import at_terminal

BELL = "\a"


@pytest.fixture
def source(tmp_path: Path) -> Path:
    path = tmp_path / "source.img"
    path.write_bytes(b"x" * (4 << 20))
    return path


def test_the_end_of_a_copy_rings_once_and_quiet_silences_bell_and_bars(source: Path, tmp_path: Path) -> None:
    code, screen = at_terminal("copy", source, "a.img", prompt="never", typed="", cwd=tmp_path)
    assert (code, screen.count(BELL)) == (0, 1)
    assert not screen.startswith("VERIFIED")  # the bars stand above it
    for number, words in enumerate((("copy", "--quiet", source), ("--quiet", "copy", source))):
        code, screen = at_terminal(*words, f"q{number}.img", prompt="never", typed="", cwd=tmp_path)
        assert (code, BELL in screen) == (0, False)
        assert screen.startswith("VERIFIED")


def test_a_question_rings(tmp_path: Path) -> None:
    (tmp_path / "day.csv").write_text("model,smart_5_raw\nKestrel,1\n")
    (tmp_path / "kept.csv").write_text("mine")
    words = ("assess-table", "day.csv", "--output", "kept.csv")
    code, screen = at_terminal(*words, prompt="Type its path", typed="no\n", cwd=tmp_path)
    assert (code, screen.count(BELL)) == (22, 1)


def test_a_refusal_does_not_ring(source: Path, tmp_path: Path) -> None:
    code, screen = at_terminal("copy", source, source, prompt="never", typed="", cwd=tmp_path)
    assert (code, BELL in screen) == (22, False)


def test_a_script_hears_nothing(source: Path, tmp_path: Path) -> None:
    ran = run(cli, "copy", source, tmp_path / "a.img", "--json")
    assert json.loads(ran.out)["verified"]
    assert BELL not in ran.out + ran.err
