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
    """Where drivecare keeps the user's data: `drivecare` in the XDG data folder."""
    return _xdg_folder("XDG_DATA_HOME", ".local/share", environ, euid) / "drivecare"


def configuration_folder(*, environ: Mapping[str, str] = os.environ, euid: int | None = None) -> Path:
    """Where the user configures drivecare: `drivecare` in the XDG configuration folder."""
    return _xdg_folder("XDG_CONFIG_HOME", ".config", environ, euid) / "drivecare"


def _xdg_folder(variable: str, default: str, environ: Mapping[str, str], euid: int | None) -> Path:
    """A base folder of the XDG Base Directory Specification, which calls a relative path invalid.

    Under sudo the variable is root's or stale, so it counts only without.
    """
    user, folder = invoking_user(environ=environ, euid=euid), environ.get(variable, "")
    return Path(folder) if folder.startswith("/") and not user.through_sudo else user.home / default


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
