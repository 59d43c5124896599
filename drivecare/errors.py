"""What can go wrong, said once. This module imports nothing of ours.

    DriveCareError
    +-- BadInput        what was given cannot be used; nothing was done          exit 3
    |   +-- NoDrive     the input names no drive at all                          exit 3
    +-- Unavailable     the machine lacks something: a tool, a right, a device   exit 3
    +-- NotAnswered     a question was broken off; nothing was done              exit 3
    +-- Refused         a guard said no; nothing was written                     exit 22
    +-- Interrupted     stopped midway; a journal says how to go on              exit 23

A sick drive, a drive that does not fit and a mismatch are results, not errors.
"""

from __future__ import annotations


class DriveCareError(Exception):
    """Base of every error a user can meet.

    `what` happened, `where` (a path, a key, a device), `hint`: what to do next; the message is built from them.
    `code` is the error's stable kebab-case name, `exit_code` what the process ends with.
    """

    code = "error"
    exit_code = 3

    def __init__(self, what: str, *, where: str | None = None, hint: str | None = None) -> None:
        self.what = what
        self.where = where
        self.hint = hint
        super().__init__(self.message())

    def message(self) -> str:
        """One line: where, what, and what to do."""
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text.rstrip('.')}. {self.hint}" if self.hint else text


class BadInput(DriveCareError):
    """What was given cannot be used: a missing or malformed file, an unknown label, a wrong value."""

    code = "bad-input"


class NoDrive(BadInput):
    """The input can be read but names no drive."""

    code = "no-drive"


class Unavailable(DriveCareError):
    """The machine lacks what the work needs: a program, a permission, a device that is still there."""

    code = "unavailable"


class NotAnswered(DriveCareError):
    """A question was broken off by Ctrl-C or the end of the input, so nothing was done."""

    code = "not-answered"


class Refused(DriveCareError):
    """A guard refused before anything was written; `guard` is its kebab-case name."""

    code = "refused"
    exit_code = 22

    def __init__(self, what: str, *, guard: str, where: str | None = None, hint: str | None = None) -> None:
        self.guard = guard
        super().__init__(what, where=where, hint=hint)


class Interrupted(DriveCareError):
    """Stopped midway by a signal, a vanished drive, a full disk or a stuck read; the journal allows resuming."""

    code = "interrupted"
    exit_code = 23
