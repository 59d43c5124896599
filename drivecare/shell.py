"""Spell our commands as a person pastes them into a shell. This module imports nothing of ours."""

from __future__ import annotations

import shlex

# Names the job for every command, and for what a command starts.
JOB_VARIABLE = "DRIVECARE_JOB"


def command_line(*words: str, options: frozenset[str] = frozenset()) -> str:
    """Quote a drivecare command for a shell. A word that begins with a hyphen and is not in `options` is a path."""
    return shlex.join(["drivecare", *(word if word in options else spell_path(word) for word in words)])


def spell_path(path: str) -> str:
    """Spell a path so that no program takes it for an option: `-x` as `./-x`."""
    return f"./{path}" if path.startswith("-") else path
