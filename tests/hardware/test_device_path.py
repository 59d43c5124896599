"""Whether a path means a device, whoever asks."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drivecare.hardware.device_path import is_device


@pytest.mark.parametrize(
    "path", ["/dev/null", "/dev/sdzz", "/dev/disk/by-id/none", "/dev/none/none", "/dev/../dev/sdzz"]
)
def test_a_device_or_a_name_in_dev_that_leads_nowhere(path: str) -> None:
    assert is_device(path)


@pytest.mark.parametrize("path", ["/dev", "/dev/shm", "reading.json", "/devices/sda", "", "\0"])
def test_neither_a_folder_nor_a_name_elsewhere(path: str) -> None:
    assert not is_device(path)


def test_a_name_relative_to_dev(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir("/dev")
    assert is_device("sdzz")


@pytest.mark.skipif(not os.path.ismount("/dev/shm"), reason="no /dev/shm of its own here")
def test_a_file_in_shared_memory_is_a_file_before_it_is_made_too() -> None:
    path = Path(f"/dev/shm/drivecare-{os.getpid()}.json")
    assert not is_device(path)
    path.touch()
    try:
        assert not is_device(path)
    finally:
        path.unlink()
