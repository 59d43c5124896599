"""Reading live drives through a recorded backend: questions, errors, bridges, many at once."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from drivecare.clock import StillClock
from drivecare.documents import encode
from drivecare.errors import BadInput, DriveCareError, NoDrive, Unavailable
from drivecare.hardware.machine import Machine
from drivecare.hardware.smart import USB_TRANSPORTS, backend_refusal, read_drive, read_drives
from drivecare.hardware.smart_port import BackendAnswer, Recorded
from drivecare.reading.model import Reading
from drivecare.reading.reading_files import reading_of
from tests.hardware.reports import (
    HUNG,
    NO_IDENTITY,
    UNKNOWN_BRIDGE,
    UNKNOWN_TYPE,
    answer,
    open_failed,
    sata,
)
from tests.hardware.sysfs import Tree, identify_page
from tests.hardware.test_blockdev import sata as sata_drive
from tests.hardware.test_blockdev import usb as usb_drive

# What the backend may be asked of a customer's drive. Everything else either writes or switches something.
QUESTIONS = {"-x", "-i", "-H", "-A", "-f", "old", "-d", "-V", "-c", "-l", "selftest"}


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


def recorded(
    tree: Tree, answers: Mapping[str, BackendAnswer | list[BackendAnswer]], **more: Any
) -> tuple[Machine, Recorded]:
    backend = Recorded(answers, **more)
    machine = Machine(
        root=tree.root, backend=lambda: backend, clock=StillClock(), native_capacity=lambda _: None, is_root=True
    )
    return machine, backend


def test_a_native_drive_takes_one_call(tree: Tree) -> None:
    sata_drive(tree)
    machine, backend = recorded(tree, {"-x": answer(sata(pending=3), 64)})
    reading = read_drive("/dev/sda", machine=machine)
    assert backend.asked == [("-x", "-f", "old", "/dev/sda")]
    assert (reading.path, reading.transport, reading.read_at) == ("/dev/sda", "sat", "2026-11-25T10:00:00+00:00")
    assert (reading.values.pending, reading.drive.serial) == (3, "KX25-00417")
    assert (reading.raw.exit_status, reading.drive.attached_sector_bytes) == (64, 512)
    assert reading.drive.identity.strength == "strong"


def test_a_transport_is_passed_on(tree: Tree) -> None:
    usb_drive(tree)
    machine, backend = recorded(tree, {"-d sat,12": answer(sata())})
    reading = read_drive("/dev/sdb", transport="sat,12", machine=machine)
    assert backend.asked == [("-x", "-f", "old", "-d", "sat,12", "/dev/sdb")]
    assert (reading.transport, reading.bridge) == ("sat,12", "Twin Dock (1d6b:0104)")


def test_a_bridge_is_tried_by_itself_until_the_drive_speaks(tree: Tree) -> None:
    usb_drive(tree)
    answers = {"-d sat,12": answer(sata()), "-d": answer(NO_IDENTITY, 2), "-x": answer(UNKNOWN_BRIDGE, 1)}
    machine, backend = recorded(tree, answers)
    reading = read_drive("/dev/sdb", machine=machine)
    assert [asked[:3] if asked[0] == "-i" else asked for asked in backend.asked] == [
        ("-x", "-f", "old", "/dev/sdb"),
        ("-i", "-d", "auto"),
        ("-i", "-d", "sat"),
        ("-i", "-d", "sat,12"),
        ("-x", "-f", "old", "-d", "sat,12", "/dev/sdb"),
    ]
    assert (reading.transport, reading.drive.serial) == ("sat,12", "KX25-00417")
    assert reading.drive.identity.bridge_serial == "DOCK0001"
    assert not any(gap.blocks for gap in reading.gaps)


def test_a_blocked_bridge_says_what_was_tried_and_what_to_do(tree: Tree) -> None:
    usb_drive(tree)
    machine, _ = recorded(tree, {"-i": answer(NO_IDENTITY, 2), "-x": answer(UNKNOWN_BRIDGE, 1)})
    reading = read_drive("/dev/sdb", machine=machine)
    gap = next(gap for gap in reading.gaps if gap.code == "bridge-blocked")
    assert gap.blocks
    assert "native" in (gap.advice or "")
    assert "another dock" in (gap.advice or "")
    assert reading.raw.attached is not None
    assert reading.raw.attached.tried == ("auto", *USB_TRANSPORTS)
    assert (reading.drive.model, reading.drive.identity.bridge_serial) == ("Plumdock Twin", "DOCK0001")
    assert reading.drive.identity.strength == "weak"


def test_transports_that_the_backend_does_not_know_are_passed_over(tree: Tree) -> None:
    usb_drive(tree)
    answers = {
        "-i -d sntasmedia": answer(UNKNOWN_TYPE, 1),
        "-d sntrealtek": answer(sata()),
        "-d": answer(NO_IDENTITY, 2),
        "-x": answer(UNKNOWN_BRIDGE, 1),
    }
    machine, _ = recorded(tree, answers)
    assert read_drive("/dev/sdb", machine=machine).transport == "sntrealtek"


@pytest.mark.promise(1)
def test_only_questions_are_asked(tree: Tree) -> None:
    """assess changes no setting of any drive: no word outside the list of questions ever reaches the backend."""
    usb_drive(tree)
    sata_drive(tree)
    machine, backend = recorded(tree, {"-i": answer(NO_IDENTITY, 2), "-x": [HUNG, answer(UNKNOWN_BRIDGE, 1)]})
    read_drives(["/dev/sda", "/dev/sdb"], machine=machine)
    allowed = QUESTIONS | {"auto", *USB_TRANSPORTS, "/dev/sda", "/dev/sdb"}
    assert {word for asked in backend.asked for word in asked} <= allowed


def test_a_drive_that_hangs_over_its_logs_still_gives_its_attributes(tree: Tree) -> None:
    sata_drive(tree)
    machine, backend = recorded(tree, {"-x": HUNG, "-A": answer(sata(pending=9))})
    reading = read_drive("/dev/sda", machine=machine)
    assert backend.asked[1] == ("-i", "-H", "-A", "/dev/sda")
    assert reading.values.pending == 9
    assert [gap.code for gap in reading.gaps if gap.code.startswith("logs")] == ["logs-unanswered"]
    assert not any(gap.blocks for gap in reading.gaps)


def test_a_drive_that_answers_nothing_is_identified_by_the_kernel_and_unproven(tree: Tree) -> None:
    sata_drive(tree)
    machine, _ = recorded(tree, {"/dev/sda": HUNG})
    reading = read_drive("/dev/sda", machine=machine)
    assert [gap.code for gap in reading.gaps if gap.blocks] == ["no-answer"]
    assert (reading.drive.model, reading.drive.serial) == ("Kestrel KD-500 Media Edition", "KX25-00417")


@pytest.mark.parametrize("text", [sata(), UNKNOWN_BRIDGE, ""], ids=["a report", "a blocked bridge", "nothing"])
def test_a_saved_live_reading_decodes_to_the_same_bytes(tree: Tree, text: str) -> None:
    usb_drive(tree)
    machine, _ = recorded(tree, {"-x": answer(text), "-i": answer(NO_IDENTITY, 2)})
    saved = encode(read_drive("/dev/sdb", machine=machine))
    assert encode(reading_of(saved, origin="saved.json")) == saved


def test_a_bridge_that_presents_another_size_is_told(tree: Tree) -> None:
    usb_drive(tree)
    machine, _ = recorded(tree, {"-x": answer(sata())})
    gap = next(gap for gap in read_drive("/dev/sdb", machine=machine).gaps if gap.code == "size-differs")
    assert gap.what == "The drive reports 500,107,862,016 bytes; this machine sees 1,024,000,000."


def test_a_hidden_area_is_told_and_left_alone(tree: Tree) -> None:
    sata_drive(tree)
    backend = Recorded({"-x": answer(sata())})
    machine = Machine(
        root=tree.root, backend=lambda: backend, native_capacity=lambda drive: drive.capacity_bytes + 4096
    )
    reading = read_drive("/dev/sda", machine=machine)
    assert reading.drive.native_capacity_bytes == 500_107_866_112
    assert "capacity-hidden" in [gap.code for gap in reading.gaps]


def test_an_image_has_no_health(tree: Tree) -> None:
    tree.drive("loop0", loop__backing_file="/srv/copy.img")
    with pytest.raises(NoDrive, match="Assess the drive it was copied from"):
        read_drive("/dev/loop0", machine=recorded(tree, {})[0])


@pytest.mark.parametrize(
    ("text", "kind", "problem", "hint"),
    [
        (
            open_failed("Permission denied"),
            Unavailable,
            "permission denied",
            "Run the same command with sudo; inside a container, run it outside.",
        ),
        (
            open_failed("No such device"),
            Unavailable,
            "is no longer there",
            "Check its cable and its power, then `drivecare drives`.",
        ),
        (
            open_failed("Device or resource busy"),
            Unavailable,
            "is in use by another program",
            "End that program, then read again; `drivecare drives` may name it.",
        ),
        (
            UNKNOWN_TYPE,
            BadInput,
            "the backend knows no transport 'morse'",
            "It offers: ata, scsi[+TYPE], nvme[,NSID], auto.",
        ),
    ],
    ids=["no permission", "vanished", "busy", "unknown transport"],
)
def test_what_the_backends_words_mean(
    tree: Tree, text: str, kind: type[DriveCareError], problem: str, hint: str
) -> None:
    sata_drive(tree)
    with pytest.raises(kind) as caught:
        read_drive("/dev/sda", machine=recorded(tree, {"/dev/sda": answer(text, 2)})[0])
    assert caught.value.message() == f"/dev/sda: {problem}. {hint}"
    assert caught.value.exit_code == 3


@pytest.mark.parametrize("text", [sata(), UNKNOWN_BRIDGE, NO_IDENTITY, ""])
def test_what_is_no_refusal(text: str) -> None:
    assert backend_refusal(text, "/dev/sda") is None


def many(tree: Tree, count: int) -> list[str]:
    for index in range(count):
        page = identify_page(model="Kestrel KD-500", serial=f"KX25-{index}")
        tree.drive(f"sd{chr(97 + index)}", f"pci0000:00/ata{index}/host{index}/{index}:0:0:0", device__vpd_pg89=page)
    return [f"/dev/sd{chr(97 + index)}" for index in range(count)]


@dataclass
class AllAtOnce(Recorded):
    """A backend that answers nobody before eight have asked."""

    asking: threading.Barrier = field(default_factory=lambda: threading.Barrier(8, timeout=30))

    def ask(self, arguments: Sequence[str], *, limit_seconds: float) -> BackendAnswer:
        self.asking.wait()
        return super().ask(arguments, limit_seconds=limit_seconds)


@pytest.mark.promise(7)
def test_eight_drives_take_as_long_as_the_slowest_one(tree: Tree) -> None:
    """One after the other, the first would wait for the rest and break the barrier."""
    paths = many(tree, 8)
    machine, _ = recorded(tree, {})
    backend = AllAtOnce({path: answer(sata(serial=path)) for path in paths})
    readings = read_drives(paths, machine=replace(machine, backend=lambda: backend))
    assert [reading.drive.serial for reading in readings if isinstance(reading, Reading)] == paths


def test_one_failing_reading_spoils_no_other(tree: Tree) -> None:
    good, gone, silent = many(tree, 3)
    answers = {good: answer(sata()), gone: answer(open_failed("No such device"), 2), silent: HUNG}
    outcomes = read_drives([good, gone, "/dev/sdx", silent], machine=recorded(tree, answers)[0])
    assert isinstance(outcomes[0], Reading)
    assert [type(outcome) for outcome in outcomes[1:3]] == [Unavailable, Unavailable]
    assert isinstance(outcomes[3], Reading)
    assert [gap.code for gap in outcomes[3].gaps if gap.blocks] == ["no-answer"]


def test_two_units_behind_one_bridge_serial_are_told_apart(tree: Tree) -> None:
    usb_drive(tree, "sdb")
    tree.drive("sdc", "pci0000:00/0000:00:14.0/usb2/2-1/2-1:1.0/host6/target6:0:1/6:0:0:1", device__model="Twin")
    machine, _ = recorded(tree, {"/dev/sdb": answer(sata(serial="A1")), "/dev/sdc": answer(sata(serial="B2"))})
    first, second = (read_drive(path, machine=machine).drive.identity for path in ("/dev/sdb", "/dev/sdc"))
    assert first.bridge_serial == second.bridge_serial == "DOCK0001"
    assert (first.native_serial, second.native_serial) == ("A1", "B2")
