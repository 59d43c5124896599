"""What the kernel itself does, measured: the ground that the guards and the copy stand on."""

from __future__ import annotations

import errno
import os
from pathlib import Path

from tests.bench.drives import Drive
from tests.bench.guest import Bench, system, wait_for

DRIVES = (
    Drive("sata0", bus="sata"),
    Drive("sata1", bus="sata"),
    Drive("nvme0", bus="nvme"),
    Drive("scsi0", bus="scsi"),
    Drive("usb0", bus="usb"),
    Drive("uas0", bus="uas"),
)


def check_every_drive_is_there(bench: Bench) -> None:
    paths = {name: bench.path(name) for name in bench.drives}
    assert len(set(paths.values())) == len(DRIVES), paths


def check_unplug_and_plug(bench: Bench) -> None:
    for name in ("nvme0", "scsi0", "usb0", "uas0"):
        bench.unplug(name)
        bench.plug(name)


def opens_exclusively(path: str) -> bool:
    try:
        os.close(os.open(path, os.O_RDONLY | os.O_EXCL))
    except OSError as error:
        if error.errno == errno.EBUSY:
            return False
        raise
    return True


def check_whole_drive_with_one_mounted_partition(bench: Bench) -> None:
    """O_EXCL on the whole drive fails while one of its partitions is mounted: facts about bd_may_claim, measured."""
    drive = bench.path("sata1")
    partition_and_format(drive)
    assert opens_exclusively(drive)
    Path("/tmp/mounted").mkdir()
    system("mount", "-o", "ro", f"{drive}1", "/tmp/mounted")
    try:
        assert not opens_exclusively(drive)
        assert not opens_exclusively(f"{drive}1")
    finally:
        system("umount", "/tmp/mounted")
    assert opens_exclusively(drive)


def partition_and_format(drive: str) -> None:
    system("sh", "-c", f"echo start=2048 | sfdisk --quiet --wipe always {drive}")
    wait_for(Path(f"{drive}1").exists, 10, "no partition appears")
    system("mke2fs", "-q", "-t", "ext4", "-O", "^has_journal", f"{drive}1")
