"""The invoking user: under sudo that is who typed the command, not root. What we make belongs to them."""

from __future__ import annotations

import os
import pwd
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, kw_only=True)
class InvokingUser:
    """User and group number, and the home folder. `through_sudo`: the process is root on this user's behalf."""

    uid: int
    gid: int
    home: Path
    through_sudo: bool = False


def invoking_user(*, environ: Mapping[str, str] = os.environ, euid: int | None = None) -> InvokingUser:
    """Who sits at the terminal. SUDO_UID and SUDO_GID count only for root; anybody may set a variable."""
    euid = os.geteuid() if euid is None else euid
    typed = environ.get("SUDO_UID", "")
    if euid == 0 and typed.isdigit() and int(typed) != 0:
        gid = environ.get("SUDO_GID", "")
        entry = _entry(int(typed))
        if entry is not None:
            return InvokingUser(
                uid=int(typed),
                gid=int(gid) if gid.isdigit() else entry.pw_gid,
                home=Path(entry.pw_dir),
                through_sudo=True,
            )
    return InvokingUser(uid=euid, gid=os.getegid(), home=Path(environ.get("HOME") or _home(euid)))


def data_folder(*, environ: Mapping[str, str] = os.environ, euid: int | None = None) -> Path:
    """The user's XDG data folder. Under sudo $XDG_DATA_HOME is root's or stale, so it counts only without."""
    user = invoking_user(environ=environ, euid=euid)
    xdg = environ.get("XDG_DATA_HOME", "")
    if xdg.startswith("/") and not user.through_sudo:  # the XDG base directory specification: relative is invalid
        return Path(xdg)
    return user.home / ".local" / "share"


def give_to_invoking_user(descriptor: int, *, environ: Mapping[str, str] = os.environ, euid: int | None = None) -> None:
    """Give the open file or folder that we just made to the invoking user; nothing to do unless root works for them.

    It takes a descriptor, not a path: a path may lead elsewhere by the time it is looked at. Raises OSError.
    """
    user = invoking_user(environ=environ, euid=euid)
    if not user.through_sudo:
        return
    try:
        os.fchown(descriptor, user.uid, user.gid)
    except PermissionError:
        return  # FAT, exFAT and many network shares keep no owners: the file is whose the mount says


def _entry(uid: int) -> pwd.struct_passwd | None:
    try:
        return pwd.getpwuid(uid)
    except KeyError:
        return None


def _home(uid: int) -> str:
    entry = _entry(uid)
    return entry.pw_dir if entry is not None else "/"
