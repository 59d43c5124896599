"""Nothing is overwritten unasked: one rule and one option for every file that a person names to be written."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from drivecare.cli.terminal import ask, can_ask, notify
from drivecare.errors import BadInput, Refused
from drivecare.storage import already_there

F = TypeVar("F", bound=Callable[..., Any])

OPTION = "--allow-overwrite"


def overwrite_option(command: F) -> F:
    """`--allow-overwrite FILE`: the file that may be replaced, by its path, as `drivecare copy` asks for an image's."""
    return click.option(
        OPTION,
        "overwritable",
        metavar="FILE",
        multiple=True,
        help="Replace this file that exists already: type its path.",
    )(command)


def may_replace(path: Path, overwritable: Sequence[str]) -> bool:
    """Whether a file lies at `path` that the person lets us replace; False where the name is free.

    It has to be named in the option or, at a terminal, typed when asked. Raises Refused where it is not, BadInput where
    something else than a file lies there.
    """
    if not os.path.lexists(path):
        return False
    if path.is_symlink() or not path.is_file():
        raise BadInput("is not a regular file", location=str(path), hint="Name another file.")
    if any(Path(name).absolute() == path.absolute() for name in overwritable):
        return True
    if not can_ask():
        raise already_there(path, f"Choose another name, or replace it with {OPTION} {shlex.quote(str(path))}")
    notify(f"{path} exists already, {path.stat().st_size:,} bytes.")
    if Path(ask("Type its path to replace it")).absolute() != path.absolute():
        raise Refused("stays as it is: its path was not typed", guard="exists", location=str(path))
    return True
