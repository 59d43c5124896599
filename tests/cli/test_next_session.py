"""docs/next-session.md, typed at a real terminal on a recorded bench: what it shows, and how little is typed."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import sys
import time
from pathlib import Path

import pytest

from drivecare.cli.close import COPY_FATE, OLD_DRIVE, UNIT_STARTS
from drivecare.job.commands import BLANKS
from tests.cli.recorded_bench import lay_out
from tests.test_docs import alike, text_of

MOST_KEYSTROKES = 250
ROOT = Path(__file__).parents[2]
QUESTIONS = ("Run it? Type y", "Can you vouch that", "If all on it may go", UNIT_STARTS, OLD_DRIVE, *BLANKS.values())


def session_lines() -> list[str]:
    blocks = re.findall(r"^```console\n(.*?)^```$", text_of("docs/next-session.md"), re.DOTALL | re.MULTILINE)
    return [line for block in blocks for line in block.splitlines() if line and line != "..."]


def typed_in(lines: list[str]) -> list[tuple[str, str]]:
    """What is waited for, and what is typed then."""
    typed = [("$ ", line[2:]) for line in lines if line.startswith("$ ")]
    answers = [line.rpartition(": ") for line in lines if line.startswith(QUESTIONS)]
    order = {line: number for number, line in enumerate(lines)}
    entries = [(order["$ " + words], prompt, words) for prompt, words in typed]
    positions = [number for number, line in enumerate(lines) if line.startswith(QUESTIONS)]
    entries += [
        (number, f"{question}: ", words) for number, (question, _, words) in zip(positions, answers, strict=True)
    ]
    return [(prompt, words) for _, prompt, words in sorted(entries)]


def keystrokes(typed: list[tuple[str, str]]) -> int:
    """Every character, and Return after each line."""
    return sum(len(words) + 1 for _, words in typed)


class Terminal:
    """A shell at a terminal of 80 by 24, where `drivecare` is drivecare on the recorded bench."""

    def __init__(self, folder: Path, tree: Path) -> None:
        tools = folder / "tools"
        tools.mkdir()
        program = f'#!/bin/sh\nexec "{sys.executable}" -m tests.cli.recorded_bench "{tree}" "$@"\n'
        for name, text in (("drivecare", program), ("sudo", '#!/bin/sh\nexec "$@"\n')):
            (tools / name).write_text(text)
            (tools / name).chmod(0o755)
        environ = {name: value for name, value in os.environ.items() if not name.startswith("DRIVECARE_")} | {
            "PATH": f"{tools}:{os.environ['PATH']}",
            "PYTHONPATH": str(ROOT),
            "PS1": "$ ",
            "TERM": "dumb",
            "NO_COLOR": "1",
            "XDG_DATA_HOME": str(folder / "data"),
            "XDG_CONFIG_HOME": str(folder / "config"),
            "DRIVECARE_STOCK": str(folder / "stock.csv"),
        }
        self.screen, self._seen = "", 0
        self._process, self._ours = pty.fork()
        if self._process == 0:
            os.chdir(folder)
            os.execvpe("bash", ["bash", "--norc", "--noprofile", "--noediting", "-i"], environ)

    def type(self, prompt: str, words: str) -> None:
        """Type a line once the prompt stands at the end of the screen."""
        flat = " ".join(prompt.split())
        self._wait(lambda: " ".join(self.screen[self._seen :].split()).endswith(flat), f"no {prompt!r}")
        self._seen = len(self.screen)
        os.write(self._ours, f"{words}\n".encode())

    def end(self) -> str:
        """Wait for the last prompt; give the whole screen."""
        self._wait(lambda: self.screen[self._seen :].endswith("$ "), "the last command does not end")
        os.close(self._ours)
        os.waitpid(self._process, 0)
        return self.screen

    def _wait(self, ready: object, complaint: str) -> None:
        until = time.monotonic() + 60
        while not ready():  # type: ignore[operator]
            assert time.monotonic() < until, f"{complaint}: {self.screen[-2000:]}"
            if select.select([self._ours], [], [], 0.2)[0]:
                self.screen += os.read(self._ours, 4096).decode().replace("\r\n", "\n")


def test_the_session_is_what_a_terminal_shows(tmp_path: Path) -> None:
    lines = session_lines()
    terminal = Terminal(tmp_path, lay_out(tmp_path))
    for prompt, words in typed_in(lines):
        terminal.type(prompt, words)
    shown = alike(terminal.end(), tmp_path)
    for line in lines:
        skipped, match, shown = shown.partition(alike(line, tmp_path))
        assert match, f"no longer shown after the line before it: {line}\nshown instead: {skipped[:400]}"


def test_a_yes_in_the_rhythm_of_the_questions_before_is_no_note(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, lay_out(tmp_path))
    terminal.type("$ ", 'drivecare job new 1042 --host CH-2103 --complaint "hangs"')
    terminal.type("$ ", "drivecare next --do")
    terminal.type("how you know: ", "y")
    terminal.type("how you know: ", "form signed")
    terminal.type("a saved reading: ", "")
    assert "y says nothing that anybody could look up later" in terminal.end()
    (consent,) = (tmp_path / "data/drivecare/jobs/1042").glob("*-fact-*.json")
    assert json.loads(consent.read_text())["note"] == "form signed"


@pytest.mark.promise(11)
@pytest.mark.parametrize("fate", ["kept", "removed"])
def test_closing_asks_what_becomes_of_an_image(tmp_path: Path, fate: str) -> None:
    terminal = Terminal(tmp_path, lay_out(tmp_path))
    image = tmp_path / "rescue.img"
    (tmp_path / "source.img").write_bytes(bytes(range(256)) * 64)
    terminal.type("$ ", 'drivecare job new 1042 --host CH-2103 --complaint "hangs"')
    terminal.type("$ ", "drivecare copy source.img rescue.img --job 1042")
    terminal.type("$ ", "drivecare job close 1042 --started --old-drive kept --anyway tried")
    terminal.type(COPY_FATE + ": ", "forgotten")  # none of the answers, so it is asked again
    terminal.type(COPY_FATE + ": ", fate)
    if fate == "removed":
        terminal.type("Type the job's ID to remove them: ", "1042")
    screen = " ".join(terminal.end().split())
    assert f"{image} holds the customer's data (image, 16,384 bytes)." in screen
    assert ("The shop keeps the customer's data: agree with the customer for how long" in screen) is (fate == "kept")
    assert image.exists() is (fate == "kept")
    (closing,) = (tmp_path / "data/drivecare/jobs/1042").glob("*-closing-*.json")
    assert json.loads(closing.read_text())["images"] == [{"path": str(image), "fate": fate, "kind": "image"}]


def test_a_job_takes_few_keystrokes_and_its_number_once() -> None:
    typed = typed_in(session_lines())
    assert keystrokes(typed) <= MOST_KEYSTROKES
    assert sum(words.count("1042") for _, words in typed) == 1


def test_readme_tells_how_many() -> None:
    assert f"{keystrokes(typed_in(session_lines()))} keystrokes for the whole job" in text_of("README.md")
