"""What every command ends with: one table that the errors, the results, `--help` and README take their numbers from."""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum


class ExitCode(IntEnum):
    """The numbers a process ends with, each with what it means."""

    meaning: str

    def __new__(cls, number: int, meaning: str) -> ExitCode:
        """A number that knows what it means."""
        code = int.__new__(cls, number)
        code._value_ = number
        code.meaning = meaning
        return code

    DONE = 0, "done, and nothing against it: refit; verified; a candidate fits; gate open"
    USAGE = 2, "wrong usage"
    ERROR = 3, "an error before anything was done, or no drive in the input"
    RECHECK = 10, "recheck: something to clear up first"
    REPLACE = 11, "replace: do not put it back"
    EVACUATE = 12, "evacuate: it is losing data"
    UNPROVEN = 13, "unproven: a drive is identified, its health is not"
    PARTIAL = 20, "copied or verified, all but the listed unreadable areas"
    MISMATCH = 21, "mismatch: the target does not hold what it must"
    REFUSED = 22, "refused by a guard, nothing was written"
    INTERRUPTED = 23, "stopped midway or at what is used, can be resumed"
    NONE_FITS = 30, "no candidate fits"
    FACTS_MISSING = 31, "one may fit but facts are missing, or no drive was tried"
    GATE_SHUT = 40, "the gate is shut"


# A drive that could not be read (ERROR) outranks whatever may be fitted.
WORST_FIRST = (
    ExitCode.EVACUATE,
    ExitCode.REPLACE,
    ExitCode.UNPROVEN,
    ExitCode.ERROR,
    ExitCode.RECHECK,
    ExitCode.INTERRUPTED,
    ExitCode.MISMATCH,
    ExitCode.PARTIAL,
    ExitCode.DONE,
)


def worst(codes: Iterable[ExitCode]) -> ExitCode:
    """The code of several results at once: of drives 12, 11, 13, 3, 10, 0; of copies 23, 21, 20, 0."""
    return min(codes, key=WORST_FIRST.index)
