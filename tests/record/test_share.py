"""A share whose locks stay on one machine: two benches would take the same number, so whoever files is told."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drivecare.record.share import tell_of_lone_lock


@pytest.mark.parametrize(
    ("kind", "options", "told"),
    [
        ("fuse.sshfs", "rw,user_id=0", True),
        ("9p", "rw,trans=virtio", True),
        ("nfs4", "rw,vers=4.2,local_lock=none", False),
        ("nfs", "rw,vers=3,nolock,local_lock=all", True),
        ("cifs", "rw,vers=3.1.1,nobrl", True),
        ("cifs", "rw,vers=3.1.1", False),
        ("ext4", "rw", False),
    ],
)
def test_who_files_is_told_once(tmp_path: Path, kind: str, options: str, told: bool) -> None:
    device, mounts, notices = tmp_path.stat().st_dev, tmp_path / "mountinfo", list[str]()
    number = f"{os.major(device)}:{os.minor(device)}"
    mounts.write_text(
        "22 1 0:1 / /proc rw - 9p proc rw\n"
        + f"40 1 {number} / /srv rw,relatime shared:1 - {kind} bench:/srv {options}\n"
    )
    for _ in range(2):
        tell_of_lone_lock(tmp_path, notices.append, mounts)
    assert [f"({kind})" in notice for notice in notices] == [True] * told
