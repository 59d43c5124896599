"""Is this machine ready for a customer's drive? What `drivecare doctor` reports."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from drivecare.documents import Value
from drivecare.errors import DriveCareError
from drivecare.exit_codes import ExitCode
from drivecare.fit.host_catalogue import SHIPPED, load_hosts
from drivecare.format import join_and, join_some
from drivecare.hardware.blockdev import AttachedDrive, list_drives
from drivecare.hardware.smart import find_transport
from drivecare.work import Machine

# Reads every layout we decode; 7.3, in Debian 12, also knows the NVMe bridges. Judgement of ours.
OLDEST_BACKEND = (7, 0)

# What mounts a drive as soon as it is plugged in. Names as the kernel keeps them: 15 characters.
AUTOMOUNTERS = {"udisksd": "udisks2", "udiskie": "udiskie", "automount": "autofs", "devmon": "devmon"}

RULE_FILE = "/etc/udev/rules.d/99-bench.rules"
RULE = 'SUBSYSTEM=="block", ENV{UDISKS_IGNORE}="1"'
SELF_ASSEMBLY = "64-md-raid-assembly.rules"


class MachineCheck(Value, frozen=True, kw_only=True):
    """One check. `missing` keeps drivecare from working, `warn` deserves a look; `advice` says what to do."""

    check: str
    result: Literal["ok", "warn", "missing"]
    found: str
    advice: str | None = None


class Checkup(Value, frozen=True, kw_only=True):
    """The document of `drivecare doctor`. `ready`: nothing that drivecare needs is missing."""

    schema: Literal["drivecare/doctor-1"] = "drivecare/doctor-1"
    ready: bool
    checks: tuple[MachineCheck, ...]

    @property
    def exit_code(self) -> ExitCode:
        """An error where something needed is missing."""
        return ExitCode.DONE if self.ready else ExitCode.ERROR


def check_machine(machine: Machine, host_folders: Sequence[Path] = ()) -> Checkup:
    """Look at everything once, the shop's own profiles in `host_folders` too.

    Changes nothing, and asks drives only for their names.
    """
    checks = (
        _check_backend(machine),
        _check_rights(machine),
        *_check_docks(machine),
        _check_automounter(machine),
        *_check_self_assembly(machine.root),
        _check_confinement(machine),
        _check_profiles(host_folders),
    )
    return Checkup(ready=all(check.result != "missing" for check in checks), checks=checks)


def _check_backend(machine: Machine) -> MachineCheck:
    name, install = "smartmontools", "sudo apt install smartmontools"
    try:
        reply = machine.backend().ask(("-V",), limit_seconds=10)
    except DriveCareError as error:
        return MachineCheck(check=name, result="missing", found=error.problem, advice=install)
    version = re.search(r"\b(\d+)\.(\d+)\b", reply.text)
    if version is None:
        return MachineCheck(check=name, result="missing", found="its version cannot be read", advice=install)
    installed = f"version {version[0]}"
    if (int(version[1]), int(version[2])) < OLDEST_BACKEND:
        return MachineCheck(
            check=name, result="missing", found=f"{installed} is older than 7.0", advice=f"{install} (7.0 or newer)"
        )
    return MachineCheck(check=name, result="ok", found=installed)


def _check_rights(machine: Machine) -> MachineCheck:
    if machine.is_root:
        return MachineCheck(check="rights", result="ok", found="running as root")
    return MachineCheck(
        check="rights",
        result="warn",
        found="you are not root",
        advice="Use sudo for assess, selftest, readscan and copy of real drives; the group `disk` is not enough. "
        "Files and images need no rights.",
    )


def _check_docks(machine: Machine) -> tuple[MachineCheck, ...]:
    behind_usb = [drive for drive in list_drives(root=machine.root) if drive.bus in ("usb", "uas")]
    if not behind_usb:
        advice = "no drive is attached over USB; attach one and run this again to try its dock"
        return (MachineCheck(check="docks", result="ok", found=advice),)
    return tuple(_check_dock(machine, drive) for drive in behind_usb)


def _check_dock(machine: Machine, drive: AttachedDrive) -> MachineCheck:
    name = f"dock of {drive.path}"
    bridge = drive.bridge or "USB bridge without a name"
    if not machine.is_root:
        return MachineCheck(check=name, result="warn", found=f"{bridge}: not tried", advice="Run this again with sudo.")
    try:
        transport = find_transport(machine.backend(), drive.path)
    except DriveCareError as error:
        return MachineCheck(check=name, result="warn", found=f"{bridge}: {error.problem}", advice=error.hint)
    if transport is None:
        return MachineCheck(
            check=name,
            result="warn",
            found=f"{bridge} lets no health data through",
            advice="Use a native SATA or NVMe port, or another dock.",
        )
    return MachineCheck(check=name, result="ok", found=f"{bridge} lets health data through")


def _check_automounter(machine: Machine) -> MachineCheck:
    name = "automounting"
    running = sorted({AUTOMOUNTERS[program] for program in machine.programs() if program in AUTOMOUNTERS})
    if not running:
        return MachineCheck(check=name, result="ok", found="no automounter is running")
    rule = _rule_that_hides_drives(machine.root)
    if running == ["udisks2"] and rule is not None:
        return MachineCheck(check=name, result="ok", found=f"udisks2 is running; {rule} keeps it off drives")
    switch_off = {
        "udisks2": f"While a customer's drive is attached: sudo systemctl stop udisks2. Or for good: put the line "
        f"{RULE} into {RULE_FILE}, then sudo udevadm control --reload.",
    }
    return MachineCheck(
        check=name,
        result="warn",
        found=f"{join_and(running)} may mount a customer's drive when it is plugged in, and so write to it",
        advice=" ".join(switch_off.get(program, f"Stop {program} first.") for program in running),
    )


def _rule_that_hides_drives(root: Path) -> str | None:
    """A rule of this machine's owner that tells udisks to leave drives alone; the package's own rules do not count."""
    for folder in ("etc/udev/rules.d", "run/udev/rules.d"):
        for path in sorted((root / folder).glob("*.rules")):
            try:
                lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
            except OSError:
                continue
            if any(re.search(r"ENV\{UDISKS_(IGNORE|AUTO)\}\s*=", line) for line in lines if not line.startswith("#")):
                return "/" + str(path.relative_to(root))
    return None


def _check_self_assembly(root: Path) -> tuple[MachineCheck, ...]:
    """A RAID member taken from a NAS is assembled when plugged in, and assembling writes to it."""
    shipped = [root / folder / SELF_ASSEMBLY for folder in ("usr/lib/udev/rules.d", "lib/udev/rules.d")]
    override = root / "etc/udev/rules.d" / SELF_ASSEMBLY
    masked = override.is_symlink() or override.exists()
    if masked or not any(path.exists() for path in shipped):
        return ()
    return (
        MachineCheck(
            check="RAID members",
            result="warn",
            found="mdadm assembles the RAID members of a customer's NAS when they are plugged in, which writes to them",
            advice=f"sudo ln -s /dev/null /etc/udev/rules.d/{SELF_ASSEMBLY}, then sudo udevadm control --reload.",
        ),
    )


def _check_confinement(machine: Machine) -> MachineCheck:
    """Whether a stranger's file system is parsed with every measure against harm."""
    name, lacking = "file systems", machine.parser_lacks()
    if not lacking:
        return MachineCheck(check=name, result="ok", found="parsed in a process that can open, start and write nothing")
    return MachineCheck(
        check=name,
        result="warn",
        found=f"parsed without one of the measures against harm: {lacking}",
        advice="sudo apt install libseccomp2",
    )


def _check_profiles(host_folders: Sequence[Path]) -> MachineCheck:
    """Whether every profile of a unit can be used."""
    name, profiles = "profiles", load_hosts(host_folders)
    if profiles.bad:
        files = join_some([f"{profile.file}: {profile.problems[0]}" for profile in profiles.bad], 3, "; ")
        advice = "These units are not known until that is mended. All that is wrong: drivecare hosts list."
        return MachineCheck(check=name, result="warn", found=f"cannot be used: {files}", advice=advice)
    own = sum(not host.origin.startswith(SHIPPED) for host in profiles.hosts)
    text = f"{len(profiles.hosts)} units and bays, {own} of them the shop's own"
    return MachineCheck(check=name, result="ok", found=text)
