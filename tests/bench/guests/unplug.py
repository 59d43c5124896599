"""A drive is pulled out while it is copied; plugged in again, the copy resumes and the result is the same."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path

from tests.bench.drives import MIB, Drive
from tests.bench.guest import WORK, Bench, Ended, moved_sectors, promise, wait_for

MIB_EACH = 16
RATE = 2 * MIB  # of the sources: time to pull a plug, on a busy machine, too

SOURCES = (
    Drive("usb0", bus="usb", mib=MIB_EACH, seed=1, bytes_per_second=RATE),
    Drive("uas0", bus="uas", mib=MIB_EACH, seed=2, bytes_per_second=RATE),
    Drive("scsi0", bus="scsi", mib=MIB_EACH, seed=3, bytes_per_second=RATE),
    Drive("nvme0", bus="nvme", mib=MIB_EACH, seed=4, bytes_per_second=RATE),
    Drive("fixed", bus="sata", mib=MIB_EACH, seed=5, bytes_per_second=RATE),
)
TARGETS = (
    Drive("usb1", bus="usb", mib=MIB_EACH),
    Drive("uas1", bus="uas", mib=MIB_EACH),
    Drive("scsi1", bus="scsi", mib=MIB_EACH),
    Drive("nvme1", bus="nvme", mib=MIB_EACH),
    Drive("patient", bus="sata", mib=MIB_EACH),
)
DRIVES = (*SOURCES, *TARGETS)
NAMELESS = ("usb", "uas")  # buses behind which a drive does not say which one it is


def command_of(bench: Bench, source: str, target: str, folder: Path) -> tuple[str, ...]:
    return (*bench.copy_command(source, target), "--receipt", str(folder / "receipt.json"))


def pull(bench: Bench, command: tuple[str, ...], pulled: str, column: int, breakage: str | None = None) -> Ended:
    """Start a copy and pull a drive of it once 6 MiB have been read from it (column 2) or written to it (6)."""
    for source in SOURCES:
        bench.pace(source.name, "rate")
    watched = bench.path(pulled)
    before = moved_sectors(watched, column)
    process = bench.start(*command, breakage=breakage)
    wait_for(lambda: moved_sectors(watched, column) - before > 6 * MIB // 512, 300, "the copy does not begin")
    with bench.at_rest(process, pulled) if bench.drives[pulled].bus == "uas" else nullcontext():
        bench.unplug(pulled)
    out, err = process.communicate(timeout=600)
    return Ended(process.returncode, out, err, 0.0)


def survives_a_pulled_plug(bench: Bench, source: str, target: str, pulled: str) -> None:
    folder = WORK / pulled
    folder.mkdir()
    command = command_of(bench, source, target, folder)
    ended = pull(bench, command, pulled, 2 if pulled == source else 6)
    assert ended.code == 23, ended
    assert "Traceback" not in ended.err, ended
    bench.plug(pulled)
    bench.pace(source, "free")
    resume = (*command_of(bench, source, target, folder), "--resume", "--json")
    ended = bench.run(*resume)
    if pulled == target and bench.drives[target].bus in NAMELESS:
        # Nothing had been flushed yet, so nothing on it tells that it is the drive the copy began to write.
        assert ended.code == 22, ended
        ended = bench.run(*resume, "--acknowledge", "weak-identity")
    assert ended.code == 0, ended
    assert ended.json["verified"] is True, ended
    assert bench.holds(target)[: bench.drives[source].size_bytes] == bench.expected(source)


def check_a_copy_survives_a_pulled_usb_source(bench: Bench) -> None:
    survives_a_pulled_plug(bench, "usb0", "patient", "usb0")


def check_a_copy_survives_a_pulled_uas_source(bench: Bench) -> None:
    survives_a_pulled_plug(bench, "uas0", "patient", "uas0")


def check_a_copy_survives_a_pulled_scsi_source(bench: Bench) -> None:
    survives_a_pulled_plug(bench, "scsi0", "patient", "scsi0")


@promise(6)
def check_a_copy_survives_a_pulled_nvme_source(bench: Bench) -> None:
    """Reads of a pulled NVMe drive return nothing, as at the end of a file."""
    survives_a_pulled_plug(bench, "nvme0", "patient", "nvme0")


def check_a_copy_survives_a_pulled_usb_target(bench: Bench) -> None:
    survives_a_pulled_plug(bench, "fixed", "usb1", "usb1")


def check_a_copy_survives_a_pulled_uas_target(bench: Bench) -> None:
    survives_a_pulled_plug(bench, "fixed", "uas1", "uas1")


def check_a_copy_survives_a_pulled_scsi_target(bench: Bench) -> None:
    survives_a_pulled_plug(bench, "fixed", "scsi1", "scsi1")


def check_a_copy_survives_a_pulled_nvme_target(bench: Bench) -> None:
    """Writes to a pulled NVMe drive find no space, and a flush succeeds."""
    survives_a_pulled_plug(bench, "fixed", "nvme1", "nvme1")


def check_that_this_finds_zero_taken_as_the_end(bench: Bench) -> None:
    """One of the four breakages: the copy of a pulled drive would come to its end and be called verified."""
    folder = WORK / "broken"
    folder.mkdir()
    command = command_of(bench, "nvme0", "patient", folder)
    ended = pull(bench, command, "nvme0", 2, breakage="zero-is-end")
    assert ended.code == 0, ended
