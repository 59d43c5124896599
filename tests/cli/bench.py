"""Run one command on a recorded machine, as a person at the terminal would."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
from click.testing import CliRunner

from drivecare.clock import StillClock
from drivecare.errors import DriveCareError
from drivecare.hardware.machine import Machine
from drivecare.hardware.smart_port import Recorded


class Ran:
    """What came of it: exit code, stdout, stderr."""

    def __init__(self, exit_code: int, out: str, err: str) -> None:
        self.exit_code, self.out, self.err = exit_code, out, err

    @property
    def json(self) -> Any:
        """The one document on stdout."""
        return json.loads(self.out)


def recorded_machine(root: Path, backend: Recorded, *, is_root: bool = True) -> Machine:
    """A machine whose tree, backend and clock are recorded, and on which nothing runs."""
    return Machine(
        root=root,
        backend=lambda: backend,
        native_capacity=lambda _: None,
        clock=StillClock(),
        programs=frozenset,
        parser_lacks=str,
        is_root=is_root,
    )


NO_DRIVES = Machine(root=Path("/dev/null"))  # this machine, but with no drive attached


def run(command: click.Command, *arguments: str | Path, machine: Machine | None = None, typed: str = "") -> Ran:
    """The command's exit code and output after `typed`; an expected error as the program's boundary would print it."""
    result = CliRunner().invoke(command, [str(word) for word in arguments], input=typed, obj=machine)
    if isinstance(result.exception, DriveCareError):
        line = f"drivecare: {result.exception.message()}\n"
        return Ran(result.exception.exit_code, result.stdout, result.stderr + line)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Ran(result.exit_code, result.stdout, result.stderr)
