"""Stories that end in a power cut: each check is one boot, and the outside looks at what the drives hold then."""

from __future__ import annotations

import json
import mmap
import os
from pathlib import Path

from tests.bench.drives import MIB, Drive
from tests.bench.guest import WORK, Bench, moved_sectors, system, wait_for

WRITES = (
    Drive("flushed", bus="scsi", mib=8, logged=True),
    Drive("unflushed", bus="scsi", mib=8, logged=True),
)
SMALL = (
    Drive("source", bus="sata", mib=24, seed=1),
    Drive("target", bus="scsi", mib=24, logged=True),
    Drive("folder", bus="nvme", mib=32, logged=True),
)
LARGE = (  # large enough that the journal records progress before the cut
    Drive("source", bus="sata", mib=144, seed=1, bytes_per_second=64 * MIB),
    Drive("target", bus="scsi", mib=144, logged=True),
    Drive("folder", bus="nvme", mib=32, logged=True),
)

DRIVES = {  # one machine for each check: it does not outlive it
    "check_direct_writes": WRITES,
    "check_cut_after_verified": SMALL,
    "check_cut_after_verified_without_fsync": SMALL,
    "check_cut_in_the_middle": LARGE,
}


def check_direct_writes(bench: Bench) -> None:
    """The same records to both drives past the cache; only one of them gets a flush."""
    for name in ("flushed", "unflushed"):
        descriptor = os.open(bench.path(name), os.O_WRONLY | os.O_DIRECT)
        with mmap.mmap(-1, MIB) as buffer:
            buffer[:] = b"\xa5" * MIB
            for offset in range(0, 8 * MIB, MIB):
                assert os.pwritev(descriptor, [buffer], offset) == MIB
        if name == "flushed":
            os.fsync(descriptor)
    bench.cut_power()


def working_folder(bench: Bench, *, fresh: bool) -> None:
    """Work in a file system on a drive that the cut will hit, too."""
    device = bench.path("folder")
    if fresh:
        system("mke2fs", "-q", "-F", "-t", "ext4", device)
    (WORK / "folder").mkdir()
    system("mount", device, f"{WORK}/folder")
    os.chdir(f"{WORK}/folder")
    if fresh:
        os.sync()


def check_cut_after_verified(bench: Bench, breakage: str | None = None) -> None:
    """The power fails the moment the command has said that the copy is verified."""
    working_folder(bench, fresh=True)
    ended = bench.run(*bench.copy_command("source", "target"), breakage=breakage)
    assert ended.code == 0, ended
    bench.cut_power()


def check_cut_after_verified_without_fsync(bench: Bench) -> None:
    check_cut_after_verified(bench, breakage="no-fsync")


def check_cut_in_the_middle(bench: Bench) -> None:
    """The journal has recorded progress, more has been written since, and the source hangs: the copy cannot end."""
    working_folder(bench, fresh=True)
    target = bench.path("target")
    journal = Path(f"{Path(target).name}.journal.json")
    bench.start(*bench.copy_command("source", "target"))
    wait_for(lambda: moved_sectors(target, 6) > 104 * MIB // 512, 600, "the copy does not come so far")
    bench.pace("source", "hang")
    wait_for(lambda: json.loads(journal.read_text())["copied"], 300, "the journal does not tell of progress")
    bench.cut_power()


def check_goes_on_after_the_cut(bench: Bench) -> None:
    working_folder(bench, fresh=False)
    ended = bench.run(*bench.copy_command("source", "target"), "--resume", "--json")
    assert ended.code == 0, ended
    assert ended.json["verified"] is True, ended
    assert ended.json["reads"]["sessions"] == 2, ended
