"""Every guard: a pair it lets pass, and one it refuses by name; and that they are asked before anything is written."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from drivecare.errors import Refused
from drivecare.reading.identity import Identity
from drivecare.reading.model import Drive
from drivecare.transfer.sectors.guards import (
    GUARDS,
    Consent,
    Endpoint,
    answered_guards,
    check_guards,
    check_unmoved,
    same_end,
)
from drivecare.transfer.sectors.receipt import End

STRONG = Identity(wwn="5000c500a1b2c3d4", native_serial="KX25-00417", strength="strong")


def endpoint(**more: Any) -> Endpoint:
    end: dict[str, Any] = {
        "path": "/dev/sdb",
        "kind": "device",
        "size_bytes": 1000,
        "logical_sector_bytes": 512,
        "serial": "KX25-00417",
        "model": "Kestrel KD-500",
        "identity": STRONG,
    }
    end |= {key: more.pop(key) for key in list(more) if key in End.__struct_fields__}
    return Endpoint(end=End(**end), marks=more.pop("marks", ("device 8:16",)), **more)


def target(**more: Any) -> Endpoint:
    defaults = {
        "path": "/dev/sdc",
        "serial": "PN24-11873",
        "identity": Identity(wwn="5002538e00000001", native_serial="PN24-11873", strength="strong"),
        "marks": ("device 8:32",),
        "overwrite_ids": ("PN24-11873",),
    }
    return endpoint(**(defaults | more))


ANOTHER = Drive(
    model="Petrel PM-500", serial="PM6-311842", identity=Identity(native_serial="PM6-311842", strength="strong")
)
NUMBERED = Identity(native_serial="A1", strength="strong")
WEAK = Identity(bridge_serial="0123456789ABCDE", strength="weak")
USED = {"content": "it has partitions"}
REFUSED: list[tuple[str, Endpoint, Endpoint, Consent]] = [
    ("source-in-use", endpoint(in_use=("/dev/sdb1 mounted at /mnt",)), target(), Consent()),
    ("target-in-use", endpoint(), target(in_use=("/dev/sdc1 mounted at /media/x",)), Consent()),
    ("system-drive", endpoint(), target(system=True), Consent()),
    ("same-drive", endpoint(), target(marks=("device 8:16",)), Consent()),
    ("same-drive", endpoint(), target(identity=STRONG), Consent()),
    (
        "same-drive",
        endpoint(identity=Identity(native_serial="A1", strength="strong")),
        target(identity=Identity(native_serial="A1", strength="strong")),
        Consent(),
    ),
    # one drive in two docks, of which one gives its serial number otherwise: only the WWN agrees
    ("same-drive", endpoint(), target(identity=msgspec.structs.replace(STRONG, native_serial="417")), Consent()),
    ("other-drive", endpoint(assessed=ANOTHER), target(), Consent()),
    ("other-drive", endpoint(), target(assessed=ANOTHER), Consent(acknowledged=("size",))),
    ("size", endpoint(drive=Drive(capacity_bytes=4000)), target(), Consent()),
    ("size", endpoint(drive=Drive(capacity_bytes=1000, native_capacity_bytes=1512)), target(), Consent()),
    ("size", endpoint(drive=Drive(capacity_bytes=1000), assessed=Drive(capacity_bytes=4000)), target(), Consent()),
    ("size", endpoint(kind="image", assessed=Drive(capacity_bytes=4000)), target(), Consent()),
    ("size", endpoint(assessed=Drive(capacity_bytes=999)), target(), Consent(acknowledged=("weak-identity",))),
    ("source-locked", endpoint(drive=Drive(security="locked")), target(), Consent()),
    ("target-read-only", endpoint(), target(read_only=True), Consent()),
    ("target-smaller", endpoint(), target(size_bytes=999), Consent()),
    ("sector-size", endpoint(), target(logical_sector_bytes=4096), Consent()),
    ("sector-size", endpoint(drive=Drive(logical_sector_bytes=512), logical_sector_bytes=4096), target(), Consent()),
    ("sector-size", endpoint(kind="image", logical_sector_bytes=None, table_sector_bytes=4096), target(), Consent()),
    ("target-keeps", endpoint(), target(**USED), Consent(until_used=True)),
    ("target-keeps", endpoint(), target(**USED), Consent(until_used=True, allow_overwrite="PN24-11873")),
    ("target-not-empty", endpoint(), target(**USED), Consent()),
    ("target-not-empty", endpoint(), target(**USED), Consent(allow_overwrite="/dev/sdc")),
    ("target-not-empty", endpoint(), target(**USED), Consent(allow_overwrite="KX25-00417")),
    ("other-target", endpoint(), target(), Consent(allow_overwrite="KX25-00417")),
    (
        "weak-identity",
        endpoint(),
        target(**USED, identity=WEAK, overwrite_ids=("0123456789ABCDE",)),
        Consent(allow_overwrite="0123456789ABCDE"),
    ),
    (
        "weak-identity",
        endpoint(),
        target(**USED, identity=Identity(), serial=None, overwrite_ids=("/dev/sdc",)),
        Consent(allow_overwrite="/dev/sdc"),
    ),
]


@pytest.mark.promise(1)
@pytest.mark.parametrize(
    ("guard", "source", "to", "wishes"), REFUSED, ids=[f"{i}-{r[0]}" for i, r in enumerate(REFUSED)]
)
def test_guard_refuses(guard: str, source: Endpoint, to: Endpoint, wishes: Consent) -> None:
    with pytest.raises(Refused) as caught:
        check_guards(source, to, wishes)
    assert caught.value.guard == guard
    assert caught.value.exit_code == 22
    assert caught.value.hint, "a refusal says what to do"


@pytest.mark.promise(5)
def test_every_guard_has_a_case() -> None:
    assert {case[0] for case in REFUSED} == set(GUARDS)


def test_an_objection_is_told_whole_whatever_full_stops_are_in_it() -> None:
    busy = endpoint(in_use=("/dev/sdb1 mounted at /srv/St. Johns. Old",))
    with pytest.raises(Refused, match=r"mounted at /srv/St\. Johns\. Old\. Unmount it first") as caught:
        check_guards(busy, target(), Consent())
    assert (caught.value.hint or "").startswith("Unmount it first")


@pytest.mark.parametrize(
    ("source", "to", "wishes"),
    [
        (endpoint(), target(), Consent()),
        (endpoint(), target(size_bytes=2000), Consent()),
        (endpoint(drive=Drive(capacity_bytes=1000), assessed=Drive(capacity_bytes=1000)), target(), Consent()),
        (endpoint(drive=Drive(), assessed=Drive()), target(), Consent()),
        (endpoint(assessed=Drive(capacity_bytes=4000)), target(), Consent(acknowledged=("size",))),
        (endpoint(assessed=ANOTHER), target(assessed=ANOTHER), Consent(acknowledged=("other-drive",))),
        (endpoint(), target(**USED), Consent(allow_overwrite="PN24-11873")),
        (endpoint(), target(**USED), Consent(resuming=True)),
        (endpoint(), target(**USED), Consent(resuming=True, until_used=True)),
        (endpoint(), target(), Consent(until_used=True)),
        (endpoint(), target(kind="image", **USED), Consent(until_used=True, allow_overwrite="PN24-11873")),
        (
            endpoint(),
            target(**USED, identity=WEAK, overwrite_ids=("0123456789ABCDE",)),
            Consent(allow_overwrite="0123456789ABCDE", acknowledged=("weak-identity",)),
        ),
        (endpoint(), target(identity=WEAK), Consent()),
        (endpoint(identity=WEAK), target(identity=WEAK), Consent()),
        (endpoint(identity=NUMBERED), target(identity=NUMBERED, model="Petrel PM-500"), Consent()),
        (
            endpoint(logical_sector_bytes=4096),
            endpoint(kind="image", path="a.img", size_bytes=0, marks=(), identity=Identity()),
            Consent(),
        ),
        (
            endpoint(),
            target(**USED, loop=True, identity=Identity(), overwrite_ids=("/srv/t.img", "/dev/loop3")),
            Consent(allow_overwrite="/dev/loop3"),
        ),
    ],
    ids=[
        "two drives",
        "larger",
        "all of the drive",
        "no size told",
        "part of the drive, acknowledged",
        "other drives, acknowledged",
        "serial typed",
        "resuming",
        "resuming what is used",
        "empty, for what is used",
        "an image is emptied, for what is used",
        "weak and acknowledged",
        "weak but empty",
        "two docks of one make",
        "serial number alike, model not",
        "image target",
        "loop device by path",
    ],
)
def test_guards_let_pass(source: Endpoint, to: Endpoint, wishes: Consent) -> None:
    check_guards(source, to, wishes)


def test_a_refusal_names_both_sizes() -> None:
    with pytest.raises(Refused) as caught:
        check_guards(endpoint(drive=Drive(capacity_bytes=1000, native_capacity_bytes=4512)), target(), Consent())
    assert "the source shows 1,000 bytes, the drive itself has 4,512" in caught.value.message()


def test_only_what_a_guard_would_have_asked_is_told_as_answered() -> None:
    typed = Consent(acknowledged=("weak-identity", "size"), allow_overwrite="0123456789ABCDE")
    part, weak = Drive(capacity_bytes=4000), target(**USED, identity=WEAK, overwrite_ids=("0123456789ABCDE",))
    assert answered_guards(endpoint(), target(), typed) == ()
    assert answered_guards(endpoint(assessed=part), target(), typed) == ("size",)
    assert answered_guards(endpoint(), weak, typed) == ("weak-identity",)
    assert answered_guards(endpoint(assessed=part), weak, typed) == ("weak-identity", "size")
    assert answered_guards(endpoint(assessed=part), weak, Consent()) == ()


@pytest.mark.promise(5)
def test_a_path_that_moved_is_refused() -> None:
    planned = endpoint(disk_sequence=4)
    check_unmoved(planned, endpoint(disk_sequence=4))
    for now in (
        endpoint(disk_sequence=5),
        endpoint(disk_sequence=4, size_bytes=999),
        endpoint(disk_sequence=4, marks=("device 8:48",)),
    ):
        with pytest.raises(Refused) as caught:
            check_unmoved(planned, now)
        assert caught.value.guard == "path-moved"


@pytest.mark.promise(5)
@pytest.mark.parametrize(
    ("to", "open_word"),
    [
        (target(**USED), "SERIAL, the number on its label"),
        (target(**USED, kind="image", overwrite_ids=("/srv/t.img",)), "FILE, its path"),
        (target(**USED, serial=None, overwrite_ids=("/dev/sdc",)), "FILE, its path"),
    ],
    ids=["drive", "image", "nameless"],
)
@pytest.mark.parametrize("typed", [None, "PN24"])
def test_what_allows_an_overwrite_is_asked_for_and_never_shown(to: Endpoint, open_word: str, typed: str | None) -> None:
    with pytest.raises(Refused) as caught:
        check_guards(endpoint(), to, Consent(allow_overwrite=typed))
    assert caught.value.hint == f"If all on it may go, add --allow-overwrite {open_word}"
    assert not any(name in caught.value.message() for name in to.overwrite_ids)


@pytest.mark.promise(5)
def test_a_name_that_is_not_the_target_s_is_not_put_right() -> None:
    with pytest.raises(Refused) as caught:
        check_guards(endpoint(), target(), Consent(allow_overwrite="KX25-00417"))
    assert caught.value.problem == "--allow-overwrite names 'KX25-00417', which is not the target /dev/sdc"
    assert "PN24-11873" not in caught.value.message()


@pytest.mark.parametrize(
    ("change", "same"),
    [
        ({}, True),
        ({"path": "/dev/sdq"}, True),
        ({"size_bytes": 999}, False),
        ({"identity": Identity(wwn="5000c500ffffffff", strength="strong")}, False),
        ({"kind": "image"}, False),
        ({"identity": WEAK, "serial": "KX25-00417"}, True),
        ({"identity": WEAK, "serial": "another"}, False),
        ({"identity": msgspec.structs.replace(STRONG, native_serial="417")}, True),
        ({"identity": msgspec.structs.replace(STRONG, wwn=None)}, True),
        ({"identity": msgspec.structs.replace(STRONG, wwn=None), "model": "Petrel PM-500"}, False),
        ({"identity": msgspec.structs.replace(STRONG, wwn=None, native_serial="another")}, False),
    ],
    ids=[
        "itself",
        "another name",
        "size",
        "wwn",
        "kind",
        "hidden by a dock",
        "another number",
        "only the WWN agrees",
        "one without a WWN",
        "serial number alike, model not",
        "one without a WWN, another number",
    ],
)
def test_the_same_medium_met_again(change: dict[str, Any], same: bool) -> None:
    end = endpoint().end
    assert same_end(end, msgspec.structs.replace(end, **change)) is same
