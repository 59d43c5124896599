"""Under sudo the person at the terminal counts, and what is made for them is theirs."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drivecare.invoking_user import configuration_folder, data_folder, invoking_user, settings_lost_to_sudo

NOBODY = 65534


def test_without_sudo_it_is_the_process() -> None:
    user = invoking_user(environ={"HOME": "/home/finch"}, euid=1000)
    assert (user.uid, user.home, user.through_sudo) == (1000, Path("/home/finch"), False)


def test_under_sudo_it_is_who_typed_it() -> None:
    environ = {"SUDO_UID": str(NOBODY), "SUDO_GID": "12345", "HOME": "/root", "XDG_DATA_HOME": "/root/data"}
    user = invoking_user(environ=environ, euid=0)
    assert (user.uid, user.gid, user.through_sudo) == (NOBODY, 12345, True)
    assert user.home != Path("/root")
    assert data_folder(environ=environ, euid=0) == user.home / ".local/share/drivecare"


@pytest.mark.parametrize(
    ("environ", "euid"),
    [
        ({"SUDO_UID": str(NOBODY)}, 1000),
        ({"SUDO_UID": "0"}, 0),
        ({"SUDO_UID": "finch"}, 0),
        ({"SUDO_UID": "4000000"}, 0),
    ],
    ids=["not root: anybody may set it", "root by sudo from root", "not a number", "nobody by that number"],
)
def test_a_sudo_uid_that_does_not_count(environ: dict[str, str], euid: int) -> None:
    assert not invoking_user(environ=environ, euid=euid).through_sudo


@pytest.mark.parametrize(
    ("xdg", "data", "configuration"),
    [
        ("/srv", "/srv/drivecare", "/srv/drivecare"),
        ("relative", "/home/finch/.local/share/drivecare", "/home/finch/.config/drivecare"),
        (None, "/home/finch/.local/share/drivecare", "/home/finch/.config/drivecare"),
    ],
    ids=["set", "relative: to be ignored", "unset"],
)
def test_the_xdg_folders(xdg: str | None, data: str, configuration: str) -> None:
    """XDG Base Directory Specification."""
    environ = {"HOME": "/home/finch"} | ({"XDG_DATA_HOME": xdg, "XDG_CONFIG_HOME": xdg} if xdg else {})
    assert data_folder(environ=environ, euid=1000) == Path(data)
    assert configuration_folder(environ=environ, euid=1000) == Path(configuration)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root's command is one by sudo")
@pytest.mark.parametrize("name", ["sudo", "bash"])
def test_what_sudo_did_not_pass_on_is_named(tmp_path: Path, name: str) -> None:
    """Else a result is not filed, or in another place, without a word. With a terminal of its own sudo is two."""
    typed = b"HOME=/home/finch\0DRIVECARE_JOB=1042\0DRIVECARE_STOCK=/srv/stock.csv\0"
    for process, parent, command, variables in (
        (os.getppid(), 41, name, b"HOME=/root\0"),
        (41, 40, name, typed),
        (40, 1, "bash", b"DRIVECARE_HOSTS=/srv\0"),
    ):
        folder = tmp_path / str(process)
        folder.mkdir()
        (folder / "comm").write_text(f"{command}\n")
        (folder / "status").write_text(f"Name:\t{command}\nPPid:\t{parent}\n")
        (folder / "environ").write_bytes(variables)
    environ = {"SUDO_UID": str(NOBODY), "DRIVECARE_STOCK": "/srv/stock.csv"}
    assert settings_lost_to_sudo(environ=environ, proc=tmp_path) == (("DRIVECARE_JOB",) if name == "sudo" else ())
    assert settings_lost_to_sudo(environ={}, proc=tmp_path) == ()
