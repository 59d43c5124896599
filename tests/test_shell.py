"""Commands that drivecare prints can be copied into a shell, whatever a file is called."""

from __future__ import annotations

import shlex

import pytest

from drivecare.shell import command_line, spell_path


@pytest.mark.promise(9)
@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("verify", "a.img"), "drivecare verify a.img"),
        (("verify", "-a.img"), "drivecare verify ./-a.img"),
        (("verify", "--json"), "drivecare verify ./--json"),
        (("verify", "-"), "drivecare verify ./-"),
        (("verify", "it's $HOME"), """drivecare verify 'it'"'"'s $HOME'"""),
        (("gate", "1042", "--jobs", "-x"), "drivecare gate 1042 --jobs ./-x"),
    ],
)
def test_a_word_is_not_taken_for_an_option(words: tuple[str, ...], line: str) -> None:
    assert command_line(*words, options=frozenset({"--jobs"})) == line
    assert len(shlex.split(line)) == len(words) + 1


def test_a_path_stays_a_path() -> None:
    assert [spell_path(path) for path in ("-", "-x", "x", "/-x", "./-x")] == ["./-", "./-x", "x", "/-x", "./-x"]
