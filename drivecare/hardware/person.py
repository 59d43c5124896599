"""The person at the terminal: under sudo that is who typed it, not root. What we make belongs to them."""

from __future__ import annotations

import os
import pwd
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from drivecare.errors import Unavailable


@dataclass(frozen=True, kw_only=True)
class Person:
    """User and group number, and the home folder. `through_sudo`: the process is root on this person's behalf."""

    uid: int
    gid: int
    home: Path
    through_sudo: bool = False


def person(*, environ: Mapping[str, str] = os.environ, euid: int | None = None) -> Person:
    """Who sits at the terminal. SUDO_UID and SUDO_GID count only for root; anybody may set a variable."""
    euid = os.geteuid() if euid is None else euid
    typed = environ.get("SUDO_UID", "")
    if euid == 0 and typed.isdigit() and int(typed) != 0:
        gid = environ.get("SUDO_GID", "")
        entry = _entry(int(typed))
        if entry is not None:
            return Person(
                uid=int(typed),
                gid=int(gid) if gid.isdigit() else entry.pw_gid,
                home=Path(entry.pw_dir),
                through_sudo=True,
            )
    return Person(uid=euid, gid=os.getegid(), home=Path(environ.get("HOME") or _home(euid)))


def data_folder(*, environ: Mapping[str, str] = os.environ, euid: int | None = None) -> Path:
    """The person's XDG data folder. Under sudo $XDG_DATA_HOME is root's or stale, so it counts only without."""
    who = person(environ=environ, euid=euid)
    xdg = environ.get("XDG_DATA_HOME", "")
    if xdg.startswith("/") and not who.through_sudo:  # the XDG base directory specification: a relative path is invalid
        return Path(xdg)
    return who.home / ".local" / "share"


def hand_over(path: Path, *, environ: Mapping[str, str] = os.environ, euid: int | None = None) -> None:
    """Give a file or folder we just made to the person at the terminal; nothing to do unless we are root for them.

    Raises Unavailable where the path is gone or the medium is read-only.
    """
    who = person(environ=environ, euid=euid)
    if not who.through_sudo:
        return
    try:
        os.chown(path, who.uid, who.gid, follow_symlinks=False)
    except PermissionError:
        # FAT, exFAT and many network shares keep no owners: the file is whose the mount says.
        return
    except OSError as error:
        raise Unavailable(f"cannot be handed over to you: {error.strerror}", where=str(path)) from error


def _entry(uid: int) -> pwd.struct_passwd | None:
    try:
        return pwd.getpwuid(uid)
    except KeyError:
        return None


def _home(uid: int) -> str:
    entry = _entry(uid)
    return entry.pw_dir if entry is not None else "/"
