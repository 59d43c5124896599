"""What stopped a copy, in words that suit what it was doing and how far it had got."""

from __future__ import annotations

import errno
from typing import Literal

from drivecare.errors import Interrupted
from drivecare.format import format_bytes, format_minutes
from drivecare.transfer.medium import Gone, Stuck


class HopelessRest(Interrupted):
    """Nearly every read of what is left fails: to try each of its sectors takes at least `rest_seconds`."""

    def __init__(self, path: str, rest_bytes: int, rest_seconds: float) -> None:
        self.rest_seconds = rest_seconds
        super().__init__(
            f"what is left, {format_bytes(rest_bytes)}, fails nearly everywhere, as under a dead head: to try each of"
            f" its sectors takes {format_minutes(rest_seconds / 60)}",
            location=path,
            hint="Everything copied so far is safe; continue with --resume --to-the-end to try the rest as well",
        )


Activity = Literal["looking", "copying", "reading back", "verifying"]

_FAILED: dict[Activity, str] = {
    "looking": "cannot be examined",
    "copying": "writing failed",
    "reading back": "reading back failed",
    "verifying": "reading back failed",
}


def how_to_continue(activity: Activity, bytes_safe: int) -> str:
    """Say what an interruption leaves behind and how to continue; `bytes_safe` are on the target and in the journal."""
    if activity == "verifying":
        return "Nothing is proven: verify again"
    if activity == "reading back":
        return "Everything is copied, but nothing is proven yet: --resume reads it back again"
    if not bytes_safe:
        return "Nothing was copied yet: try again with --resume"
    return "Everything copied so far is safe: continue with --resume"


def as_interruption(
    error: Gone | Stuck | OSError | Interrupted, path: str, activity: Activity, bytes_safe: int = 0
) -> Interrupted:
    """Turn what stopped a copy into an Interrupted; one that already has a hint keeps it.

    `path`: the medium of an OSError.
    """
    continuation = how_to_continue(activity, bytes_safe)
    if isinstance(error, Interrupted):
        return error if error.hint else Interrupted(error.problem, location=error.location, hint=continuation)
    if isinstance(error, Stuck):
        return Interrupted(
            f"{error}; process {error.pid} still waits for it", hint=f"Power the drive off and on. {continuation}"
        )
    if isinstance(error, Gone):
        return Interrupted(str(error), hint=f"Reconnect it; for a drive, check power, cable and dock. {continuation}")
    if activity == "copying" and error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return Interrupted("no space is left for the copy", location=path, hint=f"Make room. {continuation}")
    return Interrupted(f"{_FAILED[activity]}: {error.strerror or error}", location=path, hint=continuation)
