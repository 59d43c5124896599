"""The errors a user can meet, in one tree. This module imports nothing of ours but the exit codes.

    DriveCareError
    +-- BadInput        the input cannot be used; nothing was done                     exit 3
    |   +-- NoDrive     the input names no drive at all                                exit 3
    |   +-- BadAddress  the address of a shared record cannot be used                  exit 2
    +-- Unavailable     this machine lacks something: a tool, a permission, a device   exit 3
    |   +-- RecordAway  the server of a shared record cannot be reached                exit 3
    +-- NotAnswered     a question was left unanswered; nothing was done               exit 3
    +-- Refused         a guard refused; nothing was written                           exit 22
    +-- Interrupted     stopped midway; a journal allows continuing                    exit 23

A sick drive, a drive that does not fit and a mismatch are results, not errors.
"""

from __future__ import annotations

from drivecare.exit_codes import ExitCode


class DriveCareError(Exception):
    """Base of every error a user can meet.

    The message is built from `location` (a path, a key, a device), `problem` (what is wrong there) and `hint` (what to
    do next). `code` is the error's stable kebab-case name, `exit_code` the process's exit code.
    """

    code = "error"
    exit_code: ExitCode = ExitCode.ERROR

    def __init__(self, problem: str, *, location: str | None = None, hint: str | None = None) -> None:
        self.problem = problem
        self.location = location
        self.hint = hint
        super().__init__(self.message())

    def message(self) -> str:
        """One line: where, what is wrong, and what to do."""
        text = f"{self.location}: {self.problem}" if self.location else self.problem
        return f"{text.rstrip('.')}. {self.hint}" if self.hint else text


class BadInput(DriveCareError):
    """The input cannot be used: a missing or malformed file, an unknown label, a wrong value."""

    code = "bad-input"


class NoDrive(BadInput):
    """The input can be read but names no drive."""

    code = "no-drive"


class BadAddress(BadInput):
    """The address of a shared record cannot be used. Its message never repeats the address: it may hold a password."""

    code = "bad-address"
    exit_code = ExitCode.USAGE

    def __init__(self, problem: str, *, hint: str) -> None:
        super().__init__(problem, location="the address of the record", hint=hint)


class Unavailable(DriveCareError):
    """This machine lacks something the work needs: a program, a permission, a device that has vanished."""

    code = "unavailable"


class RecordAway(Unavailable):
    """The server that keeps a shared record cannot be reached, or went away in the middle."""

    code = "record-away"

    def __init__(self, problem: str, *, location: str | None = None, hint: str | None = None) -> None:
        super().__init__(problem, location=location, hint=hint or "Check the network and the server.")


class NotAnswered(DriveCareError):
    """A question was cut short by Ctrl-C or the end of the input, so nothing was done."""

    code = "not-answered"


class Refused(DriveCareError):
    """A guard refused before anything was written; `guard` is its kebab-case name."""

    code = "refused"
    exit_code = ExitCode.REFUSED

    def __init__(self, problem: str, *, guard: str, location: str | None = None, hint: str | None = None) -> None:
        self.guard = guard
        super().__init__(problem, location=location, hint=hint)


class Interrupted(DriveCareError):
    """Stopped midway by a signal, a vanished drive, a full disk or a stuck read; the journal allows continuing."""

    code = "interrupted"
    exit_code = ExitCode.INTERRUPTED
