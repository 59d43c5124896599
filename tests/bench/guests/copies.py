"""Copies from every bus to every other, with unreadable sectors on each."""

from __future__ import annotations

from typing import Any

from tests.bench.drives import Drive
from tests.bench.guest import Bench, Ended, areas_of, differing_sectors, sha256

BAD = (7, 8, 9_000, 20_000, 20_001, 20_002, 20_127)

DRIVES = (
    Drive("sata0", bus="sata", mib=16, seed=1, unreadable=BAD),
    Drive("nvme0", bus="nvme", mib=16, seed=2, unreadable=(0, *BAD)),
    Drive("scsi0", bus="scsi", mib=16, seed=3, unreadable=BAD),
    Drive("usb0", bus="usb", mib=16, seed=4, unreadable=BAD),
    Drive("uas0", bus="uas", mib=16, seed=5, unreadable=BAD),
    Drive("flaky", bus="nvme", mib=16, seed=6, once=(9_000, 20_000)),
    # Targets come last: they are the larger ones.
    Drive("sata1", bus="sata", mib=16),
    Drive("nvme1", bus="nvme", mib=16),
    Drive("scsi1", bus="scsi", mib=16),
    Drive("usb1", bus="usb", mib=16),
    Drive("uas1", bus="uas", mib=16),
    Drive("nvme2", bus="nvme", mib=16),
)


def copy(bench: Bench, source: str, target: str) -> tuple[Ended, dict[str, Any]]:
    ended = bench.run(*bench.copy_command(source, target), "--json")
    return ended, ended.json


def copies_all_but_the_unreadable(bench: Bench, source: str, target: str) -> None:
    bad = bench.drives[source].unreadable
    ended, receipt = copy(bench, source, target)
    assert ended.code == 20, ended
    assert [{"offset": a["offset"], "length": a["length"]} for a in receipt["unreadable"]] == areas_of(bad), ended
    size = bench.drives[source].size_bytes
    assert receipt["bytes_total"] == size, receipt["bytes_total"]
    assert receipt["bytes_copied"] == size - 512 * len(bad), receipt["bytes_copied"]
    assert receipt["verified"] is True, ended
    content = bench.holds(target)
    assert differing_sectors(content[:size], bench.expected(source)) == sorted(bad)
    assert receipt["digest"]["whole"] == sha256(content[:size])
    assert not any(content[size:]), "the target behind the copy has changed"


def check_all_but_the_unreadable_is_copied_from_sata_to_nvme(bench: Bench) -> None:
    copies_all_but_the_unreadable(bench, "sata0", "nvme1")


def check_all_but_the_unreadable_is_copied_from_nvme_to_scsi(bench: Bench) -> None:
    copies_all_but_the_unreadable(bench, "nvme0", "scsi1")


def check_all_but_the_unreadable_is_copied_from_scsi_to_usb(bench: Bench) -> None:
    copies_all_but_the_unreadable(bench, "scsi0", "usb1")


def check_all_but_the_unreadable_is_copied_from_usb_to_uas(bench: Bench) -> None:
    copies_all_but_the_unreadable(bench, "usb0", "uas1")


def check_all_but_the_unreadable_is_copied_from_uas_to_sata(bench: Bench) -> None:
    copies_all_but_the_unreadable(bench, "uas0", "sata1")


def scans_to_the_same_sectors(bench: Bench, name: str) -> None:
    drive = bench.drives[name]
    ended = bench.run("readscan", bench.path(name), "--json")
    assert ended.code == 20, ended
    scan = ended.json
    assert [{"offset": a["offset"], "length": a["length"]} for a in scan["unreadable"]] == areas_of(drive.unreadable)
    assert (scan["complete"], scan["bytes_read"]) == (True, drive.size_bytes), ended


def check_a_scan_of_sata_finds_the_unreadable_sectors(bench: Bench) -> None:
    scans_to_the_same_sectors(bench, "sata0")


def check_a_scan_of_nvme_finds_the_unreadable_sectors(bench: Bench) -> None:
    scans_to_the_same_sectors(bench, "nvme0")


def check_a_scan_of_scsi_finds_the_unreadable_sectors(bench: Bench) -> None:
    scans_to_the_same_sectors(bench, "scsi0")


def check_a_scan_of_usb_finds_the_unreadable_sectors(bench: Bench) -> None:
    scans_to_the_same_sectors(bench, "usb0")


def check_a_scan_of_uas_finds_the_unreadable_sectors(bench: Bench) -> None:
    scans_to_the_same_sectors(bench, "uas0")


def check_an_error_that_passes_is_tried_again(bench: Bench) -> None:
    ended, receipt = copy(bench, "flaky", "nvme2")
    assert ended.code == 0, ended
    assert (receipt["verified"], receipt["unreadable"]) == (True, []), ended
    assert receipt["digest"]["whole"] == sha256(bench.expected("flaky")), ended


def check_no_source_was_written(bench: Bench) -> None:
    """Apart from its unreadable sectors, every source still holds what it held."""
    for name in ("sata0", "nvme0", "scsi0", "usb0", "uas0", "flaky"):
        drive = bench.drives[name]
        content = bench.holds(name, skip=drive.unreadable)
        assert [s for s in differing_sectors(content, drive.content()) if s not in drive.unreadable] == [], name
