"""Nothing is overwritten unasked: one rule and one option for every file that a command is told to write."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import click

from drivecare.cli.common import CommandFunction
from drivecare.cli.terminal import ask, can_ask, notify
from drivecare.errors import BadInput, Refused
from drivecare.storage import already_there

OVERWRITE_OPTION = "--allow-overwrite"


def overwrite_option(command: CommandFunction) -> CommandFunction:
    """`--allow-overwrite FILE`: the file that may be replaced, by its path, as `drivecare copy` asks for an image's."""
    return click.option(
        OVERWRITE_OPTION,
        "overwritable",
        metavar="FILE",
        multiple=True,
        help="Replace this existing file: type its path.",
    )(command)


def may_replace(path: Path, overwritable: Sequence[str]) -> bool:
    """Whether the person lets us replace the file at `path`; False if the name is free.

    They name it in the option or, at a terminal, type it when asked. Raises Refused if they do not, BadInput if what is
    there is not a file.
    """
    if not os.path.lexists(path):
        return False
    if path.is_symlink() or not path.is_file():
        raise BadInput("is not a regular file", location=str(path), hint="Name another file.")
    if any(Path(name).absolute() == path.absolute() for name in overwritable):
        return True
    if not can_ask():
        raise already_there(path, f"Choose another name, or add {OVERWRITE_OPTION} FILE, its path, to replace it")
    notify(f"{path} already exists, {path.stat().st_size:,} bytes.")
    if Path(ask("Type its path to replace it")).absolute() != path.absolute():
        raise Refused("was not replaced: its path was not typed", guard="exists", location=str(path))
    return True
