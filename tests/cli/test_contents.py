"""`drivecare contents`: its screen, its document, its exit codes."""

from __future__ import annotations

import io
from pathlib import Path

import jsonschema
import pytest

from drivecare.cli.contents import contents
from drivecare.cli.contents_screen import show_contents
from drivecare.cli.screen import Screen
from drivecare.contents.model import Contents, Partition
from drivecare.schemas import make_schema
from drivecare.transfer.holds import AreaContents, Hold
from tests.cli.bench import run
from tests.contents.tiny_fat import NOTE_AT, tiny_fat
from tests.work.test_survey_contents import receipt_of


@pytest.fixture
def card(tmp_path: Path) -> Path:
    path = tmp_path / "card.img"
    path.write_bytes(tiny_fat())
    return path


def test_the_partitions_of_an_image(card: Path) -> None:
    ran = run(contents, card)
    assert ran.exit_code == 0
    assert ran.out.splitlines()[1:] == [
        "partition  size     file system  used     free     files  label",
        "whole      1.47 MB  FAT12        2.05 kB  1.46 MB  2      SHOP",
    ]


def test_the_document_is_what_its_schema_says(card: Path) -> None:
    ran = run(contents, receipt_of(card, (NOTE_AT, 512)), "--json")
    assert ran.exit_code == 20
    jsonschema.validate(ran.json, make_schema("contents-1"))
    assert ran.json["schema"] == "drivecare/contents-1"
    (area,) = ran.json["areas"]
    assert (area["offset"], area["length"], area["holds"][0]["path"]) == (NOTE_AT, 512, "/NOTE.TXT")


def screen(document: Contents) -> list[str]:
    out = Screen(file=io.StringIO(), width=80)
    show_contents(out, document)
    assert isinstance(out.file, io.StringIO)
    return out.file.getvalue().splitlines()


@pytest.mark.promise(9)
def test_what_lost_areas_hold_in_words() -> None:
    holds = (
        Hold(kind="file", partition=1, path="/Pictures/a\x1b[2Jb.jpg", size_bytes=5000, bytes=512),
        Hold(kind="directory", partition=1, path="/Pictures", bytes=1024),
        Hold(kind="structure", partition=1, structure="journal", bytes=512),
        Hold(kind="free", partition=1, bytes=512),
        Hold(kind="outside", bytes=512),
        Hold(kind="unknown", partition=2, structure="it is encrypted", bytes=512),
        Hold(kind="file", partition=1, path="/tail", size_bytes=10, bytes=0),
    )
    document = Contents(
        path="disk.img",
        size_bytes=1 << 30,
        partitions=(
            Partition(number=1, offset=0, length=1 << 29, file_system="ext4", files=3, folders=1),
            Partition(number=2, offset=1 << 29, length=1 << 29, file_system="LUKS", encrypted=True, reason="locked"),
        ),
        areas=tuple(AreaContents(offset=4096 * index, length=1024, holds=(hold,)) for index, hold in enumerate(holds)),
        notes=("no list of system calls",),
    )
    assert screen(document) == [
        "disk.img   1.07 GB",
        "partition  size    file system      used  free  files  label",
        "1          537 MB  ext4             -     -     3",
        "2          537 MB  LUKS, encrypted  -     -     -",
        "partition 2: contents not known: locked.",
        "note: no list of system calls.",
        "",
        "What lies in 7 areas that did not come across:",
        "  1,024 bytes at byte 0",
        "      file /Pictures/a\\x1b[2Jb.jpg: 512 of 5,000 bytes (partition 1)",
        "  1,024 bytes at byte 4,096",
        "      folder /Pictures: 1,024 bytes of its list of names (partition 1)",
        "  1,024 bytes at byte 8,192",
        "      structure of the file system, journal: 512 bytes (partition 1)",
        "  1,024 bytes at byte 12,288",
        "      free space: 512 bytes, no file that existed was hit (partition 1)",
        "  1,024 bytes at byte 16,384",
        "      outside any partition: 512 bytes",
        "  1,024 bytes at byte 20,480",
        "      not known: 512 bytes, it is encrypted (partition 2)",
        "  1,024 bytes at byte 24,576",
        "      file /tail: not damaged: its content ends before this place (partition 1)",
    ]


def test_one_area_with_many_files_is_cut_short() -> None:
    holds = tuple(Hold(kind="file", path=f"/{number}", size_bytes=9, bytes=9) for number in range(10))
    document = Contents(path="i", size_bytes=1, areas=(AreaContents(offset=0, length=90, holds=holds),))
    assert screen(document)[-1] == "      and 7 more, all with --json"
