"""A terminal that does not exist: a command's bytes, stdout and stderr together, as an emulator shows them."""

from __future__ import annotations

import contextlib
import io
import re
import sys
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pyte

from drivecare.cli.main import main
from drivecare.hardware.machine import Machine

# A name that clears the screen, forges a line, hides what follows, rings, sets the title and turns the direction:
# ECMA-48 (CSI, 7 and 8 bit), OSC as terminals commonly read it, Unicode Standard Annex #9.
FORGED = "VERIFIED: every file agrees"
EVIL = f"\x1b[2J\x1b[H\r\n{FORGED}\x1b[8m\x9b3A\x1b]2;t\x07\u202e"
EVIL_IN_A_LINE = EVIL.replace("\n", "").replace("\r", "")
OURS = re.compile(r"\x1b\[[0-9;]*m")  # select graphic rendition, ECMA-48 8.3.117
OURS_WITH_A_BAR = re.compile(r"\x1b\[[0-9;]*m|\r|\x1b\[A|(?<!t)\x07")  # the bell, but not that of EVIL


class _TerminalBytes(io.BytesIO):
    def isatty(self) -> bool:
        return True

    def close(self) -> None:
        """A terminal outlives the programs on it."""


@dataclass(frozen=True)
class Shown:
    """What came out, and what an emulator of 250 columns makes of it."""

    exit_code: int | None
    sent: bytes

    @cached_property
    def lines(self) -> list[str]:
        """The emulated screen."""
        screen = pyte.Screen(250, 400)
        pyte.ByteStream(screen).feed(self.sent.replace(b"\n", b"\r\n"))  # as the terminal's line discipline does
        return [line.rstrip() for line in screen.display]

    def assert_harmless(self, ours: re.Pattern[str] = OURS) -> None:
        """Nothing of a hostile name reached the terminal as anything but text, and the name can be seen."""
        text = self.sent.decode("utf-8")
        left = {character for character in ours.sub("", text) if unicodedata.category(character)[0] == "C"} - {"\n"}
        assert not left, text
        assert "\x1b[8m" not in text
        assert not [line for line in self.lines if line.startswith(FORGED)], "\n".join(self.lines)
        assert any(r"\x1b[2J" in line or r"\u202e" in line for line in self.lines), "\n".join(self.lines)


@contextlib.contextmanager
def terminal_streams() -> Iterator[_TerminalBytes]:
    """Meanwhile stdout and stderr go to one terminal."""
    terminal, former = _TerminalBytes(), (sys.stdout, sys.stderr)
    sys.stdout = io.TextIOWrapper(terminal, encoding="utf-8", line_buffering=True)
    sys.stderr = io.TextIOWrapper(terminal, encoding="utf-8", write_through=True)
    try:
        yield terminal
    finally:
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        sys.stdout, sys.stderr = former


def on_terminal(*words: str | Path, machine: Machine | None = None) -> Shown:
    """Run the program as a person at a terminal does."""
    former = sys.argv
    sys.argv = ["drivecare", *map(str, words)]
    code: int | None = 0
    try:
        with terminal_streams() as terminal:
            try:
                main(machine)
            except SystemExit as end:
                code = end.code if isinstance(end.code, int) or end.code is None else 1
            sys.stdout.flush()
            sys.stderr.flush()
            return Shown(code, terminal.getvalue())
    finally:
        sys.argv = former
