"""A drive is pulled out while it is copied; plugged in again, the copy goes on and the result is the same."""

from __future__ import annotations

from pathlib import Path

from tests.bench.drives import MIB, Drive
from tests.bench.guest import Bench, moved_sectors, wait_for

RATE = 8 * MIB

SOURCES = (
    Drive("usb0", bus="usb", seed=1, bytes_per_second=RATE),
    Drive("uas0", bus="uas", seed=2, bytes_per_second=RATE),
    Drive("scsi0", bus="scsi", seed=3, bytes_per_second=RATE),
    Drive("nvme0", bus="nvme", seed=4, bytes_per_second=RATE),
    Drive("fixed", bus="sata", seed=5, bytes_per_second=RATE),
)
TARGETS = (
    Drive("usb1", bus="usb", bytes_per_second=RATE),
    Drive("uas1", bus="uas", bytes_per_second=RATE),
    Drive("scsi1", bus="scsi", bytes_per_second=RATE),
    Drive("nvme1", bus="nvme", bytes_per_second=RATE),
    Drive("patient", bus="sata", bytes_per_second=RATE),
)
DRIVES = (*SOURCES, *TARGETS)


def survives_a_pulled_plug(bench: Bench, source: str, target: str, pulled: str, breakage: str | None = None) -> None:
    folder = Path(f"/tmp/{pulled}-{breakage}")
    folder.mkdir()
    command = (*bench.copy_command(source, target), "--receipt", str(folder / "receipt.json"))
    watched, column = (bench.path(source), 2) if pulled == source else (bench.path(target), 6)
    before = moved_sectors(watched, column)
    process = bench.start(*command, breakage=breakage)
    wait_for(lambda: moved_sectors(watched, column) - before > 6 * MIB // 512, 60, "the copy does not begin")
    bench.unplug(pulled)
    out, err = process.communicate(timeout=120)
    assert process.returncode == 23, (process.returncode, out, err)
    assert "Traceback" not in err, err
    bench.plug(pulled)
    resume = (*bench.copy_command(source, target), "--receipt", str(folder / "receipt.json"), "--resume", "--json")
    ended = bench.run(*resume)
    assert ended.code == 0, ended
    assert ended.json["verified"] is True, ended
    assert bench.holds(target)[: bench.drives[source].size_bytes] == bench.expected(source)


def check_usb_source(bench: Bench) -> None:
    survives_a_pulled_plug(bench, "usb0", "patient", "usb0")


def check_uas_source(bench: Bench) -> None:
    survives_a_pulled_plug(bench, "uas0", "patient", "uas0")


def check_scsi_source(bench: Bench) -> None:
    survives_a_pulled_plug(bench, "scsi0", "patient", "scsi0")


def check_nvme_source(bench: Bench) -> None:
    """Reads of a pulled NVMe drive return nothing, as at the end of a file."""
    survives_a_pulled_plug(bench, "nvme0", "patient", "nvme0")


def check_usb_target(bench: Bench) -> None:
    survives_a_pulled_plug(bench, "fixed", "usb1", "usb1")


def check_uas_target(bench: Bench) -> None:
    survives_a_pulled_plug(bench, "fixed", "uas1", "uas1")


def check_scsi_target(bench: Bench) -> None:
    survives_a_pulled_plug(bench, "fixed", "scsi1", "scsi1")


def check_nvme_target(bench: Bench) -> None:
    """Writes to a pulled NVMe drive find no space, and a flush succeeds."""
    survives_a_pulled_plug(bench, "fixed", "nvme1", "nvme1")


def check_that_this_finds_zero_taken_as_the_end(bench: Bench) -> None:
    """One of the four breakages: the copy of a pulled drive would come to its end instead of stopping with 23."""
    try:
        survives_a_pulled_plug(bench, "nvme0", "patient", "nvme0", breakage="zero-is-end")
    except AssertionError:
        return
    raise AssertionError("a read of nothing was taken as the end, and no check noticed")
