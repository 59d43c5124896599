"""The place of a file that a command keeps for itself: in the job, beside an image, or in the working folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from drivecare.hardware.device_path import is_device

if TYPE_CHECKING:
    from drivecare.record.port import FiledJob


def result_path(subject: str, suffix: str, folder: FiledJob | None) -> Path:
    """A file about the drive or image at the path `subject`: a drive's is not written into /dev."""
    beside = Path() if is_device(subject) else Path(subject).parent
    return (folder.path if folder is not None else beside) / (Path(subject).name + suffix)
