"""The last job of this terminal, so that its number is typed once.

A terminal is the session of the person's own process nearest to us: under sudo that is their shell's, whatever
pseudo-terminal sudo made for us. One small file for each lies in the person's data folder; those whose session has
ended are removed. Without a person at a terminal nothing is remembered or looked up, so scripts name their jobs.
"""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from drivecare.cli.terminal import can_ask
from drivecare.documents import Value, decode, encode, read_bytes
from drivecare.errors import DriveCareError
from drivecare.invoking_user import data_folder, invoking_user

if TYPE_CHECKING:
    from drivecare.record.location import Place

_CLOCKS_DIFFER = 60.0  # seconds: a start is told by the clock, which may be set meanwhile


class LastJob(Value, frozen=True, kw_only=True):
    """The job that was named last. `started`: when its session began, which tells it from a later one of its number.

    `jobs`: the place of all jobs if the command line named one.
    """

    job: str
    jobs: str | None = None
    started: float


@dataclass(frozen=True)
class Session:
    number: int
    started: float

    @property
    def path(self) -> Path:
        return _folder() / f"{self.number}.json"


def remember_job(job: str, jobs: Place | None) -> None:
    """Remember a job for this terminal. That it cannot be remembered is no reason to stop."""
    from drivecare.storage import create_folder, write_file

    session = this_session()
    if session is None:
        return
    named = str(jobs.absolute() if isinstance(jobs, Path) else jobs) if jobs is not None else None
    last = LastJob(job=job, jobs=named, started=session.started)
    with contextlib.suppress(DriveCareError, OSError):
        create_folder(_folder(), parents=True)
        _forget_ended_sessions()
        write_file(session.path, encode(last), replace=True)


def last_job() -> LastJob | None:
    """The last job of this terminal; None if none was named in it."""
    session = this_session()
    if session is None or not session.path.is_file():
        return None
    try:
        last = decode(LastJob, read_bytes(session.path), origin=str(session.path))
    except DriveCareError:
        return None
    return last if abs(last.started - session.started) < _CLOCKS_DIFFER else None


def _folder() -> Path:
    return data_folder() / "terminals"


def this_session() -> Session | None:
    import psutil

    if not can_ask():
        return None
    uid = invoking_user().uid
    with contextlib.suppress(psutil.Error, OSError):
        process = psutil.Process()
        for near in (process, *process.parents()):
            if near.uids().effective == uid:  # of sudo itself, which has a session of its own, that is 0
                number = os.getsid(near.pid)
                return Session(number, psutil.Process(number).create_time())
    return None


def _forget_ended_sessions() -> None:
    for path in _folder().glob("*.json"):
        if path.stem.isdigit() and not Path(f"/proc/{path.stem}").exists():
            path.unlink()
