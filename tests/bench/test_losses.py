"""What a copy lost, by name: drives with file systems, unreadable in places that each file system's own tools chose.

The copy is the real command on a loop device whose sectors fail; screen, receipt, gate and sheet must name each place.
"""

from __future__ import annotations

import json
import mmap
import os
import re
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import msgspec
import pytest

from drivecare.documents import load
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import JobState, load_job_state
from drivecare.job.sheet import render_sheet
from drivecare.transfer.sectors.receipt import Receipt, Unreadable
from tests.bench.drives import MIB
from tests.bench.shop import Shop
from tests.contents.conftest import files, image, images
from tests.contents.images import need, run
from tests.job.carried import NEW, NOW, OLD, SIZE, assessment, data_route, device, filed, pending, plan
from tests.job.carried import receipt as carried_receipt
from tests.job.test_sheet import Page

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]
__all__ = ["files", "image", "images"]

PHOTO, NOTE = "/Pictures/2024/IMG_0003.jpg", "/Documents/note-00200-with-a-rather-long-name.txt"
START = MIB  # of the partition
GAP = 100 * 512  # before it
Places = dict[str, int]


def places_in_ext4(image: Path) -> Places:
    """By debugfs: the third block of a photo, a block of a folder, one of the table of inodes, a free one."""
    need("debugfs")

    def ask(question: str) -> int:
        return int(re.findall(r"(\d+)\D*$", run("debugfs", "-R", question, image))[0])

    block_bytes = int(re.findall(r"Block size: +(\d+)", run("dumpe2fs", "-h", image))[0])
    inode = re.findall(r"located at block (\d+)", run("debugfs", "-R", f"imap {NOTE}", image))[0]
    blocks = {
        "file": ask(f"bmap {PHOTO} 2"),
        "directory": ask("bmap /Documents 0"),
        "structure": int(inode),
        "free": ask("ffb 1 20000"),
    }
    return {name: block * block_bytes for name, block in blocks.items()}


def places_in_ntfs(image: Path) -> Places:
    """By ntfscluster and ntfsinfo; the record of a note in the table of files."""
    need("ntfscluster", "ntfsinfo")

    def first_cluster(path: str, attribute: str) -> int:
        text = run("ntfscluster", "-F", path[1:], image)
        return int(re.findall(attribute + r" - non-resident\n.*\n +0 +(\d+)", text)[0])

    record = int(re.findall(r"Inode (\d+)", run("ntfsinfo", "-v", "-F", NOTE[1:], image))[0])
    free = next(
        cluster
        for cluster in range(7000, 8000)
        if "* no inode found" in run("ntfscluster", "-f", "-c", f"{cluster}-{cluster}", image)
    )
    return {
        "file": (first_cluster(PHOTO, "0x80") + 2) * 4096,
        "directory": first_cluster("/Documents", "0xa0") * 4096,
        "structure": first_cluster("/$MFT", "0x80") * 4096 + record * 1024,
        "free": free * 4096,
    }


def places_in_fat32(image: Path) -> Places:
    """By mtools; the last sector of the spare table of clusters, and the last cluster, whose entry is 0."""
    need("mshowfat", "minfo")
    text = run("minfo", "-i", image, "::")
    reserved, table = (int(re.findall(pattern, text)[0]) for pattern in (r"sectors: (\d+)", r"Big fatlen=(\d+)"))
    reserved, data = 32, 32 + 2 * table

    def sector(path: str) -> int:
        return data + int(re.findall(r"<(\d+)", run("mshowfat", "-i", image, f"::{path}"))[0]) - 2

    last = image.stat().st_size // 512 - 1
    entry = reserved * 512 + (last - data + 2) * 4
    assert image.read_bytes()[entry : entry + 4] == bytes(4)
    sectors = {"file": sector(PHOTO) + 4, "directory": sector("/Documents"), "structure": data - 1, "free": last}
    return {name: number * 512 for name, number in sectors.items()}


def places_in_exfat(image: Path) -> Places:
    """By dump.exfat where the tables lie; the others by their bytes. The last bit of the bitmap is that of the end."""
    need("dump.exfat")
    text = run("dump.exfat", image)
    numbers = {name: int(number) for name, number in re.findall(r"^([A-Z][\w ]+?) ?(?:\(.*\))?:\s+(\d+)$", text, re.M)}
    heap, clusters = numbers["Cluster Heap Offset"] * 512, numbers["Cluster Count"]
    content = image.read_bytes()
    bitmap = content[heap + (numbers["Bitmap start cluster"] - 2) * 4096 :][: clusters // 8]
    assert bitmap[-1] == 0
    return {
        "file": content.index((PHOTO[-12:-4] + " " * 37).encode()) + 1024,
        "directory": content.index("00200-with".encode("utf-16-le")) // 4096 * 4096,
        "structure": 12 * 512,  # exFAT specification, section 3: the spare boot sectors
        "free": heap + (clusters - 1) * 4096,
    }


def places_in_xfs(image: Path) -> Places:
    """By xfs_db."""
    need("xfs_db")

    def ask(*commands: str) -> str:
        return run("xfs_db", "-r", *(word for command in commands for word in ("-c", command)), image)

    (per_group,) = (int(value) for value in re.findall(r"agblocks = (\d+)", ask("sb 0", "print agblocks")))

    def block(path: str) -> int:
        group, number = re.findall(r"startblock \d+ \((\d+)/(\d+)\)", ask(f"path {path}", "bmap"))[0]
        return (int(group) * per_group + int(number)) * 4096

    group, number, length = (int(value) for value in re.findall(r"(\d+) +(\d+) +(\d{4,})\n", ask("freesp -d"))[0])
    return {
        "file": block(PHOTO) + 2 * 4096,
        "directory": block("/Documents"),
        "structure": int(re.findall(r"byte offset (\d+)", ask(f"path {NOTE}", "addr"))[0]),
        "free": (group * per_group + number + length // 2) * 4096,
    }


def places_in_hfs_plus(image: Path) -> Places:
    """By the bytes: no tool of Debian's tells them. What was deleted is free; folders lie in the catalog."""
    content = image.read_bytes()
    return {
        "file": content.index((PHOTO[-12:-4] + " " * 37).encode()) + 1024,
        "structure": content.index("00200-with".encode("utf-16-be")) // 4096 * 4096,
        "free": content.rindex(("HOLIDAY" + " " * 38).encode()) // 4096 * 4096,
    }


def places_in_apfs(image: Path) -> Places:
    """By the bytes: no tool of Debian's tells them. apfsck held them against the record of free space once.

    Of the blocks with a note's name the newest counts, by the number of its transaction (Apple File System Reference,
    obj_phys_t); names and places lie in one tree. Free is what was never written, behind a file that was deleted.
    """
    with image.open("rb") as medium, mmap.mmap(medium.fileno(), 0, access=mmap.ACCESS_READ) as content:
        blocks = {name.start() // 4096 * 4096 for name in re.finditer(b"note-00200-with", content)}
        deleted = content.rfind(("HOLIDAY" + " " * 38).encode())
        return {
            "file": content.find((PHOTO[-12:-4] + " " * 37).encode()) + 1024,
            "structure": max(blocks, key=lambda block: content[block + 16 : block + 24][::-1]),
            "free": os.lseek(medium.fileno(), deleted, os.SEEK_HOLE),
        }


PLACES: dict[str, Callable[[Path], Places]] = {
    "ext4": places_in_ext4,
    "NTFS": places_in_ntfs,
    "FAT32": places_in_fat32,
    "exFAT": places_in_exfat,
    "XFS": places_in_xfs,
    "HFS+": places_in_hfs_plus,
    "APFS": places_in_apfs,
}
STRUCTURES = {
    "ext4": "table of inodes",
    "NTFS": "table of files",
    "FAT32": "table of clusters",
    "exFAT": "boot sector",
    "XFS": "table of inodes",
    "HFS+": "catalog",
    "APFS": "file-system tree",
}


def drive_with(image: Path, label: str = "dos") -> Path:
    """A drive with a partition table that sfdisk wrote, and the image in its one partition; a file with holes."""
    drive = image.with_suffix(".drive")
    drive.unlink(missing_ok=True)
    run("dd", f"if={image}", f"of={drive}", f"bs={MIB}", f"seek={START // MIB}", "conv=sparse", "status=none")
    os.truncate(drive, START + image.stat().st_size + MIB)
    script = drive.with_suffix(".sfdisk")
    script.write_text(f"label: {label}\nstart={START // 512}, size={image.stat().st_size // 512}\n")
    run("sh", "-c", f'sfdisk --quiet "{drive}" < "{script}"')
    return drive


def copied(shop: Shop, drive: Path, lost: list[int]) -> tuple[dict[str, Any], list[str]]:
    """The receipt of a copy and the lines of its screen; each place is one sector that could not be read."""
    source = shop.rig.device("source", drive, unreadable=[offset // 512 for offset in lost])
    screen = shop.printed("copy", source, shop.image, "--retries", 0, code=20)
    receipt: dict[str, Any] = json.loads(Path(f"{shop.image}.receipt.json").read_bytes())
    assert sum(area["length"] for area in receipt["unreadable"]) == 512 * len(lost)
    return receipt, screen.splitlines()


def holds_of(receipt: dict[str, Any]) -> dict[int, list[tuple[str, str | None, int]]]:
    return {
        area["offset"]: [
            (hold["kind"], hold.get("path") or hold.get("structure"), hold["bytes"]) for hold in area["holds"]
        ]
        for area in receipt["unreadable"]
    }


@pytest.mark.promise(4)
@pytest.mark.parametrize("image", [*PLACES], indirect=True)
def test_each_lost_place_is_named_for_what_lay_there(shop: Shop, image: Path) -> None:
    places = {name: START + offset for name, offset in PLACES[image.stem](image).items()} | {"outside": GAP}
    receipt, copy_screen = copied(shop, drive_with(image), [*places.values()])
    names = {"file": PHOTO, "directory": "/Documents", "structure": STRUCTURES[image.stem]}
    assert holds_of(receipt) == {at: [(kind, names.get(kind), 512)] for kind, at in places.items()}
    sentences = {
        "file": f"file {PHOTO}: 512 of 20,111 bytes",
        "directory": "folder /Documents: 512 bytes of its list of names",
        "structure": f"structure of the file system, {STRUCTURES[image.stem]}: 512 bytes",
        "free": "free space: 512 bytes, no file that existed was hit",
        "outside": "outside any partition: 512 bytes",
    }
    shown = {  # each place by the copy's own screen, and the line below it
        int(place[1].replace(",", "")): below.strip()
        for line, below in pairwise(copy_screen)
        if (place := re.match(r"  unreadable: 512 bytes at byte ([\d,]+), LBA ", line))
    }
    assert shown == {at: sentences[kind] for kind, at in places.items()}
    screen = shop.printed("contents", f"{shop.image}.receipt.json", code=20)
    assert f"file {PHOTO}: 512 of 20,111 bytes" in screen
    assert f"structure of the file system, {STRUCTURES[image.stem]}: 512 bytes" in screen
    assert screen.count("no file that existed was hit") == 1
    assert screen.count("outside any partition") == 1
    in_job = job_with(shop.work / "job", receipt)
    (item,) = (item for item in judge_gate(in_job).items if item.item == "unreadable-acknowledged")
    total = f"{len(places)} unreadable areas ({512 * len(places):,} bytes)"
    assert item.evidence.startswith(f"not acknowledged: {len(places) - 2} of {total}; at ")
    page = Page(render_sheet(in_job)).text
    assert "Damaged, as the copy's own list of files says: 1 photo. Ask us which." in page
    assert "Part of what keeps the files in order was hit, so that more may be missing than is named here." in page
    assert "In 2 areas no file that existed was hit; deleted files may have been there." in page
    assert "nobody can tell" not in page


def job_with(folder: Path, receipt: dict[str, Any]) -> JobState:
    """A job whose copy lost the same, of invented drives: a loop device has no identity that a gate accepts."""
    areas = msgspec.convert(receipt["unreadable"], tuple[Unreadable, ...])
    areas = tuple(msgspec.structs.replace(area, offset=4096 * number) for number, area in enumerate(areas))
    ends, lost = (device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc")), sum(area.length for area in areas)
    documents = data_route()
    documents[4] = carried_receipt(*ends, unreadable=areas, bytes_copied=SIZE - lost)
    return load_job_state(filed(folder, documents).read(), now=NOW)


@pytest.mark.promise(5)
@pytest.mark.parametrize("image", ["ext4"], indirect=True)
def test_a_copy_that_stopped_at_what_is_used_is_told_from_the_screen_to_the_sheet(shop: Shop, image: Path) -> None:
    places = {name: START + offset for name, offset in places_in_ext4(image).items()}
    free = places["free"] + 2 * MIB  # far from anything used
    bad = [places["file"], free]
    content = drive_with(image).read_bytes()
    source = shop.rig.device("source", content, unreadable=[offset // 512 for offset in bad])
    screen = " ".join(shop.printed("copy", source, shop.image, "--until", "used", "--retries", 0, code=23).split())
    receipt = load(Receipt, Path(f"{shop.image}.receipt.json"))
    assert screen.startswith("NOT WHOLE: the copy stopped at what is used, as asked.")
    proof = f"All {receipt.bytes_copied:,} bytes that were copied were read back past this machine's cache and agree."
    assert f" 1 area could not be read. {proof}" in screen
    assert f"file {PHOTO}: 512 of 20,111 bytes" in screen
    assert [area.offset for area in receipt.unreadable] == [places["file"]]
    assert any(area.offset <= free < area.end for area in receipt.unread)
    target = shop.image.read_bytes()
    for area in receipt.verified_areas:
        assert target[area.offset : area.end] == content[area.offset : area.end]

    checked = shop.run("verify", f"{shop.image}.receipt.json", code=23)
    assert receipt.verification is not None
    assert checked["verification"]["at"] >= receipt.verification.at  # to the second
    assert checked["verified_areas"] == [
        {"offset": area.offset, "length": area.length} for area in receipt.verified_areas
    ]
    used = receipt.verified_areas[-1].offset
    shop.image.write_bytes(target[:used] + bytes([target[used] ^ 1]) + target[used + 1 :])
    spoilt = shop.run("verify", f"{shop.image}.receipt.json", code=21)
    assert [area["offset"] <= used < area["offset"] + area["length"] for area in spoilt["mismatched"]] == [True]
    shop.image.write_bytes(target)

    state = job_of_copy(shop.work / "job", receipt)
    assert [item.item for item in state.gate.items if not item.holds] == ["unreadable-acknowledged"]
    unread = sum(area.length for area in receipt.unread)
    assert f"all but {unread:,} bytes that were not read" in state.proof.evidence
    page = Page(render_sheet(state)).text
    assert f"NOT whole: {unread:,} bytes were not read; the rest was read back and agrees" in page
    assert "of the old drive were not read, by its own records free space" in page
    assert "Damaged, as the copy's own list of files says: 1 photo. Ask us which." in page


def job_of_copy(folder: Path, receipt: Receipt) -> JobState:
    """A job with this very copy, of invented drives of that size that a gate accepts."""
    size = receipt.bytes_total
    old, new = (msgspec.structs.replace(drive, capacity_bytes=size) for drive in (OLD, NEW))
    route, ends = data_route(), (device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"))
    source, target = (msgspec.structs.replace(end, size_bytes=size) for end in ends)
    times = carried_receipt(*ends)
    copy = msgspec.structs.replace(
        receipt, source=source, target=target,
        started=times.started, finished=times.finished, verification=times.verification,
    )  # fmt: skip
    route[1] = assessment(old, "evacuate", findings=(pending(24),))
    route[2:5] = [plan(source=old, chosen=new), assessment(new, "refit", sale="new", path="/dev/sdc"), copy]
    return load_job_state(filed(folder, route).read(), now=NOW)


@pytest.mark.promise(4)
@pytest.mark.parametrize("image", ["ext4"], indirect=True)
def test_without_its_partition_table_nothing_is_guessed(shop: Shop, image: Path) -> None:
    at = START + places_in_ext4(image)["free"]
    receipt, _ = copied(shop, drive_with(image), [0, at])
    assert {kind for holds in holds_of(receipt).values() for kind, _, _ in holds} == {"unknown"}
    screen = shop.printed("contents", f"{shop.image}.receipt.json", code=20)
    assert "contents not known: the partition table did not come across" in screen


@pytest.mark.promise(4)
@pytest.mark.parametrize("image", ["ext4"], indirect=True)
def test_a_lost_gpt_is_read_from_its_backup(shop: Shop, image: Path) -> None:
    at = START + places_in_ext4(image)["file"]
    receipt, _ = copied(shop, drive_with(image, "gpt"), [512, 1024, at])
    table = [("structure", "partition table", 1024)]
    assert holds_of(receipt) == {512: table, at: [("file", PHOTO, 512)]}


@pytest.mark.promise(4)
@pytest.mark.parametrize("image", ["FAT32", "exFAT"], indirect=True)
def test_a_sector_of_the_first_table_of_clusters_is_named_and_nothing_is_guessed(shop: Shop, image: Path) -> None:
    first = {"FAT32": 32 + 600, "exFAT": 2048 + 60}[image.stem] * 512 + START
    places = {name: START + offset for name, offset in PLACES[image.stem](image).items()}
    receipt, _ = copied(shop, drive_with(image), [first, places["file"], places["free"]])
    holds = holds_of(receipt)
    assert holds[first] == [("structure", "table of clusters", 512)]
    keeps_two = image.stem == "FAT32"
    assert holds[places["file"]][0][0] in (("file",) if keeps_two else ("file", "unknown"))
    assert holds[places["free"]][0][0] in (("free",) if keeps_two else ("free", "unknown"))
