"""List what is attached to the machine. What `drivecare drives` does."""

from __future__ import annotations

from typing import Literal

from drivecare.documents import Value
from drivecare.hardware.blockdev import AttachedDrive, list_drives
from drivecare.work import Machine

__all__ = ["AttachedDrive", "AttachedDrives", "list_attached"]


class AttachedDrives(Value, frozen=True, kw_only=True):
    """The document of `drivecare drives`."""

    schema: Literal["drivecare/drives-1"] = "drivecare/drives-1"
    drives: tuple[AttachedDrive, ...] = ()


def list_attached(machine: Machine) -> AttachedDrives:
    """Every attached drive, in the kernel's order; opens none of them. Raises Unavailable."""
    return AttachedDrives(drives=list_drives(root=machine.root))
