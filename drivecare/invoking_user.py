"""The invoking user: under sudo the person who typed the command, not root. What we make belongs to them."""

from __future__ import annotations

import os
import pwd
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

_PROCESSES_OF_SUDO = 2  # with a terminal of the command's own it is two


@dataclass(frozen=True, kw_only=True)
class InvokingUser:
    """User and group number, and the home folder. `through_sudo`: the process is root on this user's behalf."""

    uid: int
    gid: int
    home: Path
    through_sudo: bool = False


def invoking_user(*, environ: Mapping[str, str] = os.environ, euid: int | None = None) -> InvokingUser:
    """The person at the terminal. SUDO_UID and SUDO_GID count only for root, since anybody may set a variable."""
    euid = os.geteuid() if euid is None else euid
    uid, gid = environ.get("SUDO_UID", ""), environ.get("SUDO_GID", "")
    account = _account(int(uid)) if euid == 0 and uid.isdigit() and int(uid) != 0 else None
    if account is not None:
        return InvokingUser(
            uid=int(uid),
            gid=int(gid) if gid.isdigit() else account.pw_gid,
            home=Path(account.pw_dir),
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
    """Give an open file or folder that we just made to the invoking user, where root works on their behalf.

    It takes a descriptor, not a path, which may lead elsewhere by the time it is used. Raises OSError.
    """
    user = invoking_user(environ=environ, euid=euid)
    if not user.through_sudo:
        return
    try:
        os.fchown(descriptor, user.uid, user.gid)
    except PermissionError:
        return  # FAT, exFAT and many network shares keep no owners: the mount decides whose the file is


def settings_lost_to_sudo(*, environ: Mapping[str, str] = os.environ, proc: Path = Path("/proc")) -> tuple[str, ...]:
    """Name our variables that sudo itself was started with and did not pass on, as it does unless told to keep them."""
    if not invoking_user(environ=environ).through_sudo:
        return ()
    process, lost = os.getppid(), set[str]()
    for _ in range(_PROCESSES_OF_SUDO):
        folder = proc / str(process)
        try:
            name, status = (folder / "comm").read_text(), (folder / "status").read_text()
            variables = (folder / "environ").read_bytes().decode("utf-8", "replace").split("\0")
        except OSError:
            break
        parent = re.search(r"^PPid:\s*(\d+)", status, re.MULTILINE)
        if name != "sudo\n" or parent is None:
            break
        process = int(parent[1])
        lost |= {name for name, _, _ in (variable.partition("=") for variable in variables)}
    return tuple(sorted(name for name in lost if name.startswith("DRIVECARE_") and name not in environ))


def _account(uid: int) -> pwd.struct_passwd | None:
    try:
        return pwd.getpwuid(uid)
    except KeyError:
        return None


def _home(uid: int) -> str:
    account = _account(uid)
    return account.pw_dir if account is not None else "/"
