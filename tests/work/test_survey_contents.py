"""`drivecare contents`: an image, and what lies in the areas of a copy that did not come across."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.contents.model import Contents, Partition
from drivecare.documents import encode
from drivecare.errors import BadInput
from drivecare.hardware.machine import Machine
from drivecare.transfer.holds import Hold
from drivecare.transfer.sectors.receipt import Digest, End, Receipt, Unreadable
from drivecare.work.survey_contents import ContentsRequest, survey_contents
from tests.contents.tiny_fat import DATA_AT, FREE_AT, NOTE_AT, PHOTO_AT, PHOTO_BYTES, ROOT_AT, tiny_fat

SECTOR = 512
START = 64 * SECTOR
FAT = tiny_fat()


def partitioned(*starts: int) -> bytes:
    """An MBR whose partitions each hold the tiny file system."""
    table = bytearray(SECTOR)
    for index, start in enumerate(starts):
        place = slice(446 + 16 * index, 462 + 16 * index)
        numbers = (start // SECTOR).to_bytes(4, "little") + (len(FAT) // SECTOR).to_bytes(4, "little")
        table[place] = b"\0\0\0\0\x01\0\0\0" + numbers
    table[510:] = b"\x55\xaa"
    image = bytearray(max(starts) + len(FAT) + 100 * SECTOR)
    image[:SECTOR] = table
    for start in starts:
        image[start : start + len(FAT)] = FAT
    return bytes(image)


def receipt_of(image: Path, *lost: tuple[int, int]) -> Path:
    """The receipt of a copy to `image` that could not read these (offset, length); they hold the fill."""
    content = bytearray(image.read_bytes())
    size = len(content)
    areas = tuple(Unreadable(offset=offset, length=length) for offset, length in lost)
    for area in areas:
        content[area.offset : area.end] = b"?" * area.length
    image.write_bytes(content)
    receipt = Receipt(
        source=End(path="/dev/sdb", kind="device", size_bytes=size),
        target=End(path=str(image), kind="image", size_bytes=size),
        bytes_total=size,
        bytes_copied=size - sum(area.length for area in areas),
        digest=Digest(chunk_bytes=1 << 30),
        unreadable=areas,
        fill="text",
        started="2026-11-25T10:00:00+00:00",
        finished="2026-11-25T10:10:00+00:00",
        tool_version="0.1.0",
    )
    path = image.with_name(f"{image.name}.receipt.json")
    path.write_bytes(encode(receipt))
    return path


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "disk.img"
    path.write_bytes(partitioned(START))
    return path


def survey(path: Path) -> Contents:
    return survey_contents(ContentsRequest(path=str(path)), Machine())


def holds_at(image: Path, offset: int, length: int = SECTOR) -> tuple[Hold, ...]:
    (area,) = survey(receipt_of(image, (offset, length))).areas
    assert (area.offset, area.length) == (offset, length)
    return area.holds


def test_partitions_are_listed_with_what_they_hold(image: Path) -> None:
    contents = survey(image)
    assert contents.areas == ()
    assert contents.notes == ()
    assert contents.partitions == (
        Partition(
            number=1,
            offset=START,
            length=len(FAT),
            file_system="FAT12",
            label="SHOP",
            encrypted=False,
            used_bytes=4 * SECTOR,
            free_bytes=len(FAT) - DATA_AT - 4 * SECTOR,
            files=2,
            folders=0,
        ),
    )


def test_a_file_system_without_a_table_is_the_whole(tmp_path: Path) -> None:
    path = tmp_path / "card.img"
    path.write_bytes(FAT)
    (partition,) = survey(path).partitions
    assert (partition.number, partition.file_system, partition.files) == (0, "FAT12", 2)


PHOTO = Hold(kind="file", partition=1, path="/PHOTO.JPG", file_kind="photo", size_bytes=PHOTO_BYTES, bytes=SECTOR)


@pytest.mark.promise(3)
@pytest.mark.parametrize(
    ("offset", "holds"),
    [
        pytest.param(START + PHOTO_AT + SECTOR, (PHOTO,), id="file"),
        pytest.param(START + FREE_AT, (Hold(kind="free", partition=1, bytes=SECTOR),), id="free"),
        pytest.param(
            START + SECTOR,
            (Hold(kind="structure", partition=1, structure="table of clusters", bytes=SECTOR),),
            id="structure",
        ),
        pytest.param(START + ROOT_AT, (Hold(kind="directory", partition=1, path="/", bytes=SECTOR),), id="directory"),
        pytest.param(SECTOR * 10, (Hold(kind="outside", bytes=SECTOR),), id="before"),
        pytest.param(START + len(FAT), (Hold(kind="outside", bytes=SECTOR),), id="behind"),
    ],
)
def test_what_a_lost_area_holds(image: Path, offset: int, holds: tuple[Hold, ...]) -> None:
    assert holds_at(image, offset) == holds


def test_the_second_table_of_clusters_is_read_in_place_of_a_lost_first_one(image: Path) -> None:
    lost = (START + SECTOR, 9 * SECTOR)
    contents = survey(receipt_of(image, lost, (START + PHOTO_AT, SECTOR), (START + FREE_AT, SECTOR)))
    assert [(partition.files, partition.reason) for partition in contents.partitions] == [(2, None)]
    assert [area.holds for area in contents.areas] == [
        (Hold(kind="structure", partition=1, structure="table of clusters", bytes=9 * SECTOR),),
        (PHOTO,),
        (Hold(kind="free", partition=1, bytes=SECTOR),),
    ]


@pytest.mark.promise(4)
def test_without_its_partition_table_nothing_of_an_image_is_known(image: Path) -> None:
    contents = survey(receipt_of(image, (0, SECTOR)))
    assert [hold.kind for area in contents.areas for hold in area.holds] == ["unknown"]
    assert [partition.reason for partition in contents.partitions] == ["the partition table did not come across"]


@pytest.mark.promise(4)
def test_nothing_is_free_once_the_record_of_free_space_is_lost(image: Path) -> None:
    tables = (START + SECTOR, 18 * SECTOR)
    areas = survey(receipt_of(image, tables, (START + FREE_AT, SECTOR))).areas
    assert [{hold.kind for hold in area.holds} for area in areas] == [{"structure"}, {"unknown"}]


def test_an_area_across_several_files_names_each_with_its_share(image: Path) -> None:
    holds = holds_at(image, START + PHOTO_AT + 2 * SECTOR, 2 * SECTOR)
    assert [(hold.path, hold.bytes) for hold in holds] == [("/PHOTO.JPG", PHOTO_BYTES - 2 * SECTOR), ("/NOTE.TXT", 9)]


def test_partitions_are_told_apart(tmp_path: Path) -> None:
    path = tmp_path / "two.img"
    second = START + len(FAT)
    path.write_bytes(partitioned(START, second))
    areas = survey(receipt_of(path, (START + NOTE_AT, SECTOR), (second + NOTE_AT, SECTOR))).areas
    assert [(hold.partition, hold.path) for area in areas for hold in area.holds] == [
        (1, "/NOTE.TXT"),
        (2, "/NOTE.TXT"),
    ]


def test_an_area_across_a_border_is_one_area_with_both(image: Path) -> None:
    holds = holds_at(image, START - SECTOR, 2 * SECTOR)
    # Without its boot sector nobody knows how the partition is laid out, not even that this is one.
    assert [(hold.kind, hold.bytes) for hold in holds] == [("unknown", SECTOR), ("outside", SECTOR)]


def test_the_receipt_beside_an_image_is_used(image: Path) -> None:
    receipt_of(image, (START + NOTE_AT, SECTOR))
    (area,) = survey(image).areas
    assert area.holds[0].path == "/NOTE.TXT"


def test_a_receipt_that_cannot_be_read_is_said_to_be_left_out(image: Path) -> None:
    image.with_name("disk.img.receipt.json").write_bytes(b"{")
    notices: list[str] = []
    survey_contents(ContentsRequest(path=str(image)), Machine(), notify=notices.append)
    assert len(notices) == 1
    assert notices[0].endswith("It is looked at without its receipt: a place that was never read may look empty.")


def test_what_nothing_reads_is_named_with_the_reason(tmp_path: Path) -> None:
    path = tmp_path / "locked.img"
    content = bytearray(1 << 20)
    content[:6] = b"LUKS\xba\xbe"
    path.write_bytes(content)
    (partition,) = survey(path).partitions
    assert (partition.file_system, partition.encrypted, partition.files) == ("LUKS", True, None)
    assert partition.reason is not None
    assert partition.reason.startswith("it is encrypted")


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="there is no such file or device"):
        survey(tmp_path / "nothing.img")
