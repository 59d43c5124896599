"""The units and bays that the commands know: those that ship and the shop's own."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from drivecare.cli.terminal import notify
from drivecare.format import Excerpt

if TYPE_CHECKING:
    from drivecare.fit.host_profile import HostDocument


def host_folders() -> tuple[Path, ...]:
    """Find the folders of the shop's own profiles: $DRIVECARE_HOSTS, else drivecare/hosts in the configuration folder.

    The latter counts only if it exists, and is that of the person at the terminal, also under sudo.
    """
    from drivecare.invoking_user import configuration_folder

    folders = os.environ.get("DRIVECARE_HOSTS", "")
    if folders:
        return tuple(Path(folder) for folder in folders.split(os.pathsep) if folder)
    own = configuration_folder() / "hosts"
    return (own,) if own.is_dir() else ()


def known_hosts() -> tuple[HostDocument, ...]:
    """Load every profile: those that ship and the shop's own, which win if both have the same id.

    What is wrong with a profile that cannot be used goes to stderr.
    """
    from drivecare.fit.host_catalogue import load_hosts

    profiles = load_hosts(host_folders())
    for line in Excerpt(line for bad in profiles.bad for line in bad.lines()).lines(str, "lines about profiles"):
        notify(line)
    return profiles.hosts
