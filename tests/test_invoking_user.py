"""Under sudo the person at the terminal counts, and what is made for them is theirs."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.invoking_user import configuration_folder, data_folder, invoking_user

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
