"""Ask a drive which it is and how it is, before it is copied, copied to or verified."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from drivecare.errors import DriveCareError
from drivecare.hardware.blockdev import inspect_drive
from drivecare.hardware.device_path import is_device
from drivecare.reading.model import Drive
from drivecare.work import Machine

CopySide = Literal["source", "target"]

_ADVICE = {
    ("source", "evacuate"): "the source is losing data.",
    ("target", "evacuate"): "the target itself is losing data. Nothing copied to it is safe: take another one.",
    ("target", "replace"): "the target's own report says it should be replaced. Take another one.",
}


def identify_drive(path: str, side: CopySide, machine: Machine, notify: Callable[[str], None]) -> Drive | None:
    """Ask a drive which it is; None where it cannot be asked, and the kernel's word has to do.

    What its health means for this side of a copy goes to `notify`.
    """
    if not is_device(path):
        return None
    try:
        if inspect_drive(path, root=machine.root).bus in (
            "loop",
            "nbd",
        ):  # an image; no drive to ask, nothing to import
            return None
        from drivecare.hardware.smart import read_drive
        from drivecare.risk.assess import assess

        reading = read_drive(path, machine=machine)
    except DriveCareError:
        return None
    advice = _ADVICE.get((side, assess(reading).verdict))
    if advice is not None:
        notify(f"{path}: {advice}")
    return reading.drive
