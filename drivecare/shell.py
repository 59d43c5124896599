"""Command lines of ours, as a person copies them into a shell. This module imports nothing of ours."""

from __future__ import annotations

import shlex


def command_line(*words: str, options: frozenset[str] = frozenset()) -> str:
    """A drivecare command, quoted for a shell. A word that begins with a hyphen and is none of `options` is a path."""
    return shlex.join(["drivecare", *(word if word in options else spell_path(word) for word in words)])


def spell_path(path: str) -> str:
    """A path so that no program takes it for an option: `-x` as `./-x`."""
    return f"./{path}" if path.startswith("-") else path
