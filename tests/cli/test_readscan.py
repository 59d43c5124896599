"""`drivecare readscan` on image files, and how its screen looks."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from importlib import resources
from pathlib import Path
from xml.etree import ElementTree

import click
import pytest
from click.testing import CliRunner

from drivecare.cli.contents import contents
from drivecare.cli.main import cli
from drivecare.cli.readscan import readscan
from drivecare.cli.scan_screen import show_scan
from drivecare.cli.screen import Screen
from drivecare.documents import decode
from drivecare.errors import Unavailable
from drivecare.hardware.smart_port import Recorded
from drivecare.job.model import Opening
from drivecare.reading.decode import decode_report
from drivecare.reading.surface import Latency, SlowArea, SpeedPoint, SurfaceScan, UnreadableArea
from drivecare.record.folder import FolderRecord
from drivecare.risk.assess import assess
from tests.cli.bench import recorded_machine, run
from tests.hardware.reports import answer, sata
from tests.hardware.sysfs import Tree
from tests.hardware.test_blockdev import sata as sata_drive


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "drive.img"
    path.write_bytes(bytes(range(256)) * (40 << 12))
    return path


def test_a_readable_image(image: Path) -> None:
    result = CliRunner().invoke(cli, ["readscan", str(image)])
    assert result.exit_code == 0, result.output
    assert "READABLE   Everything could be read." in result.stdout
    seen = decode(SurfaceScan, (image.parent / "drive.img.readscan.json").read_bytes(), origin="result")
    assert (seen.bytes_read, seen.bytes_total, seen.complete) == (40 << 20, 40 << 20, True)
    assert not (image.parent / "drive.img.readscan-state.json").exists()


def test_json_and_picture(image: Path, tmp_path: Path) -> None:
    picture = tmp_path / "curve.svg"
    result = CliRunner().invoke(cli, ["readscan", str(image), "--json", "--picture", str(picture), "--sample", "30"])
    document = json.loads(result.stdout)
    assert document["schema"] == "drivecare/readscan-1"
    assert 0 < document["bytes_read"] < document["bytes_total"]
    drawn = ElementTree.parse(picture).getroot()  # stands alone: every prefix is bound
    assert drawn.tag == "{http://www.w3.org/2000/svg}svg"
    assert [use for use in drawn.iter() if use.tag.endswith("path")]


def test_a_missing_image_is_one_line(tmp_path: Path) -> None:
    result = CliRunner().invoke(cli, ["readscan", str(tmp_path / "none")], standalone_mode=False)
    assert "there is no such file or device" in str(result.exception)


@pytest.mark.parametrize("what", ["a folder", "an empty file", "a character device"])
def test_what_is_no_surface_is_refused_before_anything_is_written(tmp_path: Path, what: str) -> None:
    (tmp_path / "empty.img").touch()
    paths = {"a folder": tmp_path, "an empty file": tmp_path / "empty.img", "a character device": Path("/dev/null")}
    ran = run(readscan, paths[what])
    assert ran.exit_code == 3
    assert ran.out == ""
    assert ran.err.startswith(f"drivecare: {paths[what]}: is ")
    assert ran.err.count("\n") == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["empty.img"]


def test_the_screen_marks_areas_below_the_curve() -> None:
    scan = SurfaceScan(
        model="Kestrel KD-500",
        serial="KX25-00417",
        started="",
        finished="",
        bytes_total=64 << 20,
        bytes_read=64 << 20,
        logical_sector_bytes=4096,
        unreadable=(UnreadableArea(offset=32 << 20, length=4096),),
        slow=(SlowArea(offset=8 << 20, length=1 << 20, milliseconds=310.0, expected_milliseconds=10.0),),
        curve=tuple(SpeedPoint(offset=n << 20, mb_per_s=100.0 - n) for n in range(64)),
        latency=Latency(p50=10.0, p95=12.0, p99=20.0, p999=310.0, longest=310.0),
    )
    screen = io.StringIO()
    show_scan(Screen(file=screen, width=80), scan)
    lines = screen.getvalue().splitlines()
    assert lines[1] == "UNREADABLE   1 unreadable area, 4,096 bytes: copy it now."
    legend = next(number for number, line in enumerate(lines) if "^ unreadable, ~ slow" in line)
    marks = lines[legend - 1].split("|")[1]
    assert (marks.index("~"), marks.index("^")) == (8, 32)
    assert "  unreadable: 4,096 bytes at byte 33,554,432, LBA 8,192" in lines
    assert max(map(len, lines)) <= 80


@pytest.fixture
def attached(tmp_path: Path) -> Tree:
    """A machine with one SATA drive, /dev/sda with serial number KX25-00417, and a job in which it is losing data."""
    tree = Tree(tmp_path / "tree")
    tree.partition(sata_drive(tree), 1)
    opening = Opening(id="7", opened_at="2026-11-25T10:00:00Z", host="h", label="H-1", complaint="x")
    report = resources.files("drivecare.demo_data").joinpath("failing-drive.txt").read_text("utf-8")
    report = re.sub(r"(?m)^(LU WWN Device Id: +).*", r"\g<1>5 000c5a 0b1c2d3e4", report)
    FolderRecord(root=tmp_path / "jobs").create(opening).file(assess(decode_report(report)))
    return tree


@pytest.mark.parametrize(("command", "activity"), [(readscan, "a scan"), (contents, "a look at its files")])
def test_a_drive_that_cannot_be_asked_is_still_known_to_be_losing_data(
    attached: Tree, tmp_path: Path, command: click.Command, activity: str
) -> None:
    def no_backend() -> Recorded:
        raise Unavailable("smartmontools is not installed")

    machine = replace(recorded_machine(attached.root, Recorded({})), backend=no_backend)
    ran = run(command, "/dev/sda", "--job", "7", "--jobs", tmp_path / "jobs", machine=machine)
    assert ran.exit_code == 22
    assert f"it is losing data, and {activity} would load it" in ran.err
    assert "--allow-load SERIAL, the number on its label" in ran.err


def test_a_partition_is_no_way_around_that(attached: Tree, tmp_path: Path) -> None:
    machine = recorded_machine(attached.root, Recorded({}))
    ran = run(readscan, "/dev/sda1", "--job", "7", "--jobs", tmp_path / "jobs", machine=machine)
    assert ran.exit_code == 3
    assert ran.err == "drivecare: /dev/sda1: is a partition. Name the whole drive: /dev/sda.\n"


def test_a_recorded_drive_is_read_where_its_machine_keeps_it(tmp_path: Path) -> None:
    tree = Tree(tmp_path / "tree")
    sata_drive(tree)
    tree.write("dev/sda", bytes(4 << 20))
    opening = Opening(id="7", opened_at="2026-11-25T10:00:00Z", host="h", label="H-1", complaint="x")
    FolderRecord(root=tmp_path / "jobs").create(opening)
    machine = recorded_machine(tree.root, Recorded({"-x": answer(sata())}))
    ran = run(readscan, "/dev/sda", "--job", "7", "--jobs", tmp_path / "jobs", "--json", machine=machine)
    assert ran.exit_code == 0, ran.err
    assert (ran.json["serial"], ran.json["bytes_read"]) == ("KX25-00417", 4 << 20)
    screen = run(readscan, "/dev/sda", "--job", "7", "--jobs", tmp_path / "jobs", machine=machine)
    assert re.search(r"^Next: drivecare job record 7 consent ", screen.out, re.MULTILINE)
