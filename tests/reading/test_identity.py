"""Which drive is this: one table of pairs, held against the comparison and against every room that relies on it."""

from __future__ import annotations

import importlib
import pkgutil

import msgspec
import pytest

import drivecare
from drivecare.documents import Value
from drivecare.fit.checks import Swap, check_same_drive
from drivecare.fit.model import Candidate, ReplacedDrive
from drivecare.reading.decode import decode_report
from drivecare.reading.identity import DriveId, Identity, compare, normalise_serial, normalise_worldwide_name
from drivecare.reading.model import Drive, Reading, Values
from drivecare.reading.surface import SurfaceScan
from drivecare.risk.trend import select_earlier
from drivecare.transfer.sectors.guards import Consent, Endpoint, same_drive, same_end
from drivecare.transfer.sectors.receipt import End
from tests.fit.samples import host
from tests.reading.drive_pairs import NGUID, PAIRS, Pair, docked, drive
from tests.reading.recorded import report

each_pair = pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.why)
each_pair_unlabelled = pytest.mark.parametrize(
    "pair", [pair for pair in PAIRS if not pair.labels], ids=lambda pair: pair.why
)


def drive_of(name: DriveId) -> Drive:
    return Drive(model=name.model, serial=name.serial, identity=name.identity)


def end_of(name: DriveId, path: str = "/dev/sdx") -> End:
    return End(
        path=path, kind="device", size_bytes=1 << 20, model=name.model, serial=name.serial, identity=name.identity
    )


@each_pair
def test_two_names_mean_one_drive_or_not(pair: Pair) -> None:
    assert compare(pair.first, pair.second, labels=pair.labels) == pair.answer
    assert compare(pair.second, pair.first, labels=pair.labels) == pair.answer


def test_an_identity_of_0_1_0_is_read_and_lacks_nothing_that_makes_it_another() -> None:
    old = msgspec.json.decode(
        b'{"wwn": "0025385b71b00001", "namespace": 1, "native_serial": "KX25-00417", "strength": "strong"}',
        type=Identity,
    )
    assert (old.eui64, old.nguid) == (None, None)
    now = Identity.from_names(namespace=1, eui64="0025385b71b00001", nguid="0" * 31 + "1", native_serial="KX25-00417")
    assert now.wwn == old.wwn
    assert compare(DriveId(identity=old), DriveId(identity=now)) == "yes"


@each_pair_unlabelled
def test_only_a_reading_of_the_same_drive_is_its_history(pair: Pair) -> None:
    now = Reading(read_at="2026-11-25T10:00:00+00:00", drive=drive_of(pair.first))
    before = Reading(read_at="2026-11-24T10:00:00+00:00", drive=drive_of(pair.second), values=Values(power_on_hours=1))
    assert (select_earlier(now, [before]) == (before,)) is (pair.answer == "yes")


@each_pair_unlabelled
def test_a_copy_onto_itself_is_refused_and_a_copy_to_another_drive_is_not(pair: Pair) -> None:
    source, target = Endpoint(end=end_of(pair.first)), Endpoint(end=end_of(pair.second, "/dev/sdy"))
    assert (same_drive(source, target, Consent()) is not None) is (pair.answer == "yes")


@each_pair_unlabelled
def test_a_resume_takes_the_same_drive_and_never_another(pair: Pair) -> None:
    again = same_end(end_of(pair.first), end_of(pair.second))
    if pair.answer != "unknown":
        assert again is (pair.answer == "yes")


@each_pair_unlabelled
def test_the_old_drive_is_no_replacement_for_itself(pair: Pair) -> None:
    old = ReplacedDrive(model=pair.first.model, serial=pair.first.serial, identity=pair.first.identity)
    new = Candidate(name="new", model=pair.second.model, serial=pair.second.serial, identity=pair.second.identity)
    blocked = [check.result for check in check_same_drive(new, Swap(host=host(), source=old))]
    if pair.answer == "yes":
        assert blocked == ["block"]
    elif pair.answer == "no":
        assert not blocked or pair.first.serial == pair.second.serial  # two namespaces are one piece of hardware


@each_pair_unlabelled
def test_a_scan_speaks_of_the_drive_it_read(pair: Pair) -> None:
    scan = SurfaceScan(
        model=pair.first.model,
        serial=pair.first.serial,
        wwn=pair.first.identity.wwn,
        identity=pair.first.identity,
        started="",
        finished="",
        bytes_total=1,
        bytes_read=1,
    )
    if pair.answer != "unknown":
        assert scan.may_be_of(drive_of(pair.second)) is (pair.answer == "yes")


def test_a_dock_gives_no_drive_a_history() -> None:
    """Two drives in one dock show one serial number: the second is not the first one read again."""
    first = Reading(read_at="2026-11-24T10:00:00+00:00", drive=drive_of(docked()), values=Values(reallocated=0))
    second = Reading(read_at="2026-11-25T10:00:00+00:00", drive=drive_of(docked()), values=Values(reallocated=9))
    assert select_earlier(second, [first]) == ()


def test_a_report_tells_every_name_of_a_namespace() -> None:
    text = report("nvme-nothing-against-it")
    line = "Namespace 1 IEEE EUI-64:            0ab1c2 0000051200\n"
    assert line in text
    both = decode_report(text.replace(line, f"{line}Namespace 1 NGUID:                  {NGUID}\n")).drive.identity
    assert (both.eui64, both.nguid, both.wwn, both.namespace) == ("0ab1c20000051200", NGUID, "0ab1c20000051200", 1)
    only = decode_report(text.replace(line, f"Namespace 1 NGUID:                  {NGUID}\n")).drive.identity
    assert (only.eui64, only.nguid, only.wwn) == (None, NGUID, NGUID)


def test_blanks_are_no_serial_number() -> None:
    assert normalise_serial(None) == normalise_serial("  ") == ""


def test_the_strength_follows_from_the_names() -> None:
    assert drive().identity.strength == "strong"
    assert docked().identity.strength == "weak"
    assert Identity.from_names(bridged=True).strength == "weak"
    assert Identity.from_names(namespace=1).strength == "none"


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("5 000c50 0a1b2c3d4", "5000c500a1b2c3d4"),
        ("0x5000C500A1B2C3D4", "5000c500a1b2c3d4"),
        ("00-25-38-5b-71-00-00-01", "0025385b71000001"),
        ("600a0b80.00111222:33344455-56677788", "600a0b80001112223334445556677788"),
        ("0" * 16, None),  # the drive has none
        ("f" * 32, None),
        ("5000c500a1b2c3d", None),
        ("a name", None),
        ("", None),
        (None, None),
    ],
)
def test_a_worldwide_name_is_its_digits_however_they_are_grouped(text: str | None, name: str | None) -> None:
    assert normalise_worldwide_name(text) == name


def test_every_document_that_names_a_drive_can_be_compared() -> None:
    """`compare` takes whatever has a model, a serial number and an identity; JSON keeps the three side by side."""
    for module in pkgutil.walk_packages(drivecare.__path__, "drivecare."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    types, seen = [Value], set()
    while types:
        seen.add(kind := types.pop())
        types += kind.__subclasses__()
    naming = {kind for kind in seen if {"model", "serial"} <= set(kind.__struct_fields__)}
    assert len(naming) >= 8
    # A job's history shows one drive's readings: it is made from readings that were compared already. A label is for
    # eyes: it says what is printed on it, and nothing is compared with it.
    assert {kind.__name__ for kind in naming if "identity" not in kind.__struct_fields__} == {
        "DriveLabel",
        "History",
        "PastReading",
    }
