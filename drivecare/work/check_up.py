"""Is this machine ready for a customer's drive? What `drivecare doctor` reports."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal

from drivecare.documents import Value
from drivecare.errors import DriveCareError
from drivecare.format import join_and
from drivecare.hardware.blockdev import AttachedDrive, list_drives
from drivecare.hardware.machine import Machine
from drivecare.hardware.smart import way_through

# Reads every layout we decode; 7.3, in Debian 12, also knows the NVMe bridges. Judgement of ours.
OLDEST_BACKEND = (7, 0)

# What mounts a drive as soon as it is plugged in. Names as the kernel keeps them: 15 characters.
AUTOMOUNTERS = {"udisksd": "udisks2", "udiskie": "udiskie", "automount": "autofs", "devmon": "devmon"}

RULE_FILE = "/etc/udev/rules.d/99-bench.rules"
RULE = 'SUBSYSTEM=="block", ENV{UDISKS_IGNORE}="1"'
SELF_ASSEMBLY = "64-md-raid-assembly.rules"


class Check(Value, frozen=True, kw_only=True):
    """One thing looked at. `missing` keeps drivecare from working, `warn` wants thought; `advice` says what to do."""

    check: str
    result: Literal["ok", "warn", "missing"]
    found: str
    advice: str | None = None


class Checkup(Value, frozen=True, kw_only=True):
    """The document of `drivecare doctor`. `ready`: nothing that drivecare needs is missing."""

    schema: Literal["drivecare/doctor-1"] = "drivecare/doctor-1"
    ready: bool
    checks: tuple[Check, ...]


def check_machine(machine: Machine) -> Checkup:
    """Look at everything once; changes nothing, and asks drives only for their names."""
    checks = (
        _backend(machine),
        _rights(machine),
        *_docks(machine),
        _automounter(machine),
        *_self_assembly(machine.root),
    )
    return Checkup(ready=all(check.result != "missing" for check in checks), checks=checks)


def _backend(machine: Machine) -> Check:
    name, install = "smartmontools", "sudo apt install smartmontools"
    try:
        answer = machine.backend().ask(("-V",), limit_seconds=10)
    except DriveCareError as error:
        return Check(check=name, result="missing", found=error.problem, advice=install)
    version = re.search(r"\b(\d+)\.(\d+)\b", answer.text)
    if version is None:
        return Check(check=name, result="missing", found="its version cannot be read", advice=install)
    found = f"version {version[0]}"
    if (int(version[1]), int(version[2])) < OLDEST_BACKEND:
        return Check(
            check=name, result="missing", found=f"{found} is older than 7.0", advice=f"{install} (7.0 or newer)"
        )
    return Check(check=name, result="ok", found=found)


def _rights(machine: Machine) -> Check:
    if machine.is_root:
        return Check(check="rights", result="ok", found="running as root")
    return Check(
        check="rights",
        result="warn",
        found="you are not root",
        advice="Use sudo for assess, selftest, readscan and copy of real drives; the group `disk` is not enough. "
        "Files and images need no rights.",
    )


def _docks(machine: Machine) -> tuple[Check, ...]:
    behind_usb = [drive for drive in list_drives(root=machine.root) if drive.bus in ("usb", "uas")]
    if not behind_usb:
        found = "no drive is attached over USB; attach one and run this again to try its dock"
        return (Check(check="docks", result="ok", found=found),)
    return tuple(_dock(machine, drive) for drive in behind_usb)


def _dock(machine: Machine, drive: AttachedDrive) -> Check:
    name = f"dock of {drive.path}"
    bridge = drive.bridge or "USB bridge without a name"
    if not machine.is_root:
        return Check(check=name, result="warn", found=f"{bridge}: not tried", advice="Run this again with sudo.")
    try:
        way = way_through(machine.backend(), drive.path)
    except DriveCareError as error:
        return Check(check=name, result="warn", found=f"{bridge}: {error.problem}", advice=error.hint)
    if way is None:
        return Check(
            check=name,
            result="warn",
            found=f"{bridge} lets no health data through",
            advice="Use a native SATA or NVMe port, or another dock.",
        )
    return Check(check=name, result="ok", found=f"{bridge} lets health data through ({way})")


def _automounter(machine: Machine) -> Check:
    name = "automounting"
    running = sorted({AUTOMOUNTERS[program] for program in machine.programs() if program in AUTOMOUNTERS})
    if not running:
        return Check(check=name, result="ok", found="no automounter is running")
    rule = _rule_that_hides_drives(machine.root)
    if running == ["udisks2"] and rule is not None:
        return Check(check=name, result="ok", found=f"udisks2 is running; {rule} keeps it off drives")
    switch_off = {
        "udisks2": f"While a customer's drive is attached: sudo systemctl stop udisks2. Or for good: put the line "
        f"{RULE} into {RULE_FILE}, then sudo udevadm control --reload.",
    }
    return Check(
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


def _self_assembly(root: Path) -> tuple[Check, ...]:
    """A RAID member taken from a NAS is assembled when plugged in, and assembling writes to it."""
    shipped = [root / folder / SELF_ASSEMBLY for folder in ("usr/lib/udev/rules.d", "lib/udev/rules.d")]
    override = root / "etc/udev/rules.d" / SELF_ASSEMBLY
    masked = override.is_symlink() or override.exists()
    if masked or not any(path.exists() for path in shipped):
        return ()
    return (
        Check(
            check="RAID members",
            result="warn",
            found="mdadm assembles the RAID members of a customer's NAS when they are plugged in, which writes to them",
            advice=f"sudo ln -s /dev/null /etc/udev/rules.d/{SELF_ASSEMBLY}, then sudo udevadm control --reload.",
        ),
    )
