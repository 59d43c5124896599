"""A drive that is slow, stands still for a moment, or hangs for good: waited for, or given up in bounded time."""

from __future__ import annotations

import signal
import time
from contextlib import suppress
from subprocess import TimeoutExpired

from tests.bench.drives import MIB, Drive
from tests.bench.guest import WORK, Bench, areas_of, moved_sectors, opens_exclusively, wait_for

RATE = 2 * MIB
BAD = (7, 8, 9_000, 20_000, 32_767)

DRIVES = (
    Drive("sata0", bus="sata", mib=16, seed=1, bytes_per_second=RATE),
    Drive("nvme0", bus="nvme", mib=16, seed=2, bytes_per_second=RATE),
    Drive("scsi0", bus="scsi", mib=16, seed=3, bytes_per_second=RATE),
    Drive("usb0", bus="usb", mib=16, seed=4, bytes_per_second=RATE),
    Drive("uas0", bus="uas", mib=16, seed=5, bytes_per_second=RATE),
    Drive("damaged", bus="sata", mib=16, seed=6, bytes_per_second=RATE, unreadable=BAD),
)


def waits_or_gives_up(bench: Bench, name: str) -> None:
    """A read that hangs for two seconds is waited for; one that hangs for good is given up after ten.

    The kernel gives a read 30 s and tries again (drivers/scsi/sd.h, drivers/nvme/host/core.c); QEMU 7.2 does not
    survive the reset that comes then, so the drive is let go before, whatever the copy does.
    """
    path, image = bench.path(name), WORK / f"{name}.img"
    command = ("copy", path, str(image), "--stuck-after", "10")
    before = moved_sectors(path, 2)
    process = bench.start(*command)

    def has_read(mib: int) -> bool:
        return moved_sectors(path, 2) - before > mib * MIB // 512

    wait_for(lambda: has_read(3), 300, "the copy does not begin")
    bench.pace(name, "hang")
    time.sleep(2)
    bench.pace(name, "rate")
    wait_for(lambda: has_read(6), 300, "the copy does not go on")
    bench.pace(name, "hang")
    with suppress(TimeoutExpired):
        process.wait(20)
    bench.pace(name, "free")
    _, err = process.communicate(timeout=600)
    assert process.returncode == 23, (process.returncode, err)
    assert "has not come back for 10 s" in err, err
    assert "Traceback" not in err, err
    wait_for(lambda: opens_exclusively(path), 300, "the process left behind does not let go")
    ended = bench.run(*command, "--resume", "--json")
    assert ended.code == 0, ended
    assert (ended.json["verified"], ended.json["reads"]["sessions"]) == (True, 2), ended
    assert image.read_bytes() == bench.expected(name)
    image.unlink()


def check_a_hanging_sata_source_is_waited_for_or_given_up(bench: Bench) -> None:
    waits_or_gives_up(bench, "sata0")


def check_a_hanging_nvme_source_is_waited_for_or_given_up(bench: Bench) -> None:
    waits_or_gives_up(bench, "nvme0")


def check_a_hanging_scsi_source_is_waited_for_or_given_up(bench: Bench) -> None:
    waits_or_gives_up(bench, "scsi0")


def check_a_hanging_usb_source_is_waited_for_or_given_up(bench: Bench) -> None:
    waits_or_gives_up(bench, "usb0")


def check_a_hanging_uas_source_is_waited_for_or_given_up(bench: Bench) -> None:
    waits_or_gives_up(bench, "uas0")


def check_a_stopped_scan_resumes(bench: Bench) -> None:
    """A slow drive with unreadable sectors: the scan is stopped midway and resumed, and finds each of them once."""
    path = bench.path("damaged")
    before = moved_sectors(path, 2)
    process = bench.start("readscan", path)
    wait_for(lambda: moved_sectors(path, 2) - before > 3 * MIB // 512, 300, "the scan does not begin")
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=600)
    assert process.returncode == 23, (process.returncode, err)
    ended = bench.run("readscan", path, "--resume", "--json")
    assert ended.code == 20, ended
    scan = ended.json
    assert (scan["complete"], scan["bytes_read"]) == (True, bench.drives["damaged"].size_bytes), ended
    assert [{"offset": a["offset"], "length": a["length"]} for a in scan["unreadable"]] == areas_of(BAD), ended
