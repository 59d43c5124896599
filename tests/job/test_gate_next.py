"""What the gate says at each shut item, and the one command that comes next, filled in as far as it is known."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from drivecare.documents import Value
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import load_job_state
from drivecare.job.model import GateItem
from drivecare.reading.identity import Identity
from drivecare.reading.model import Drive
from drivecare.transfer.files.bag import TreeEnd
from drivecare.transfer.sectors.receipt import Unreadable
from tests.job.carried import (
    NEW,
    NOW,
    OLD,
    OTHER,
    SIZE,
    assessment,
    bag,
    data_route,
    device,
    fact,
    filed,
    image,
    pending,
    plan,
    receipt,
)


def item(folder: Path, documents: list[Value], name: str) -> GateItem:
    result = judge_gate(load_job_state(filed(folder, documents).read(), now=NOW))
    return next(item for item in result.items if item.item == name)


RECHECK = assessment(OLD, "recheck", findings=(pending(3, "recheck"),))
NO_COPY = [*data_route()[:4], *data_route()[5:]]
UNREAD = [data_route()[0], *data_route()[2:]]
UNINSPECTED = [*data_route()[:3], *data_route()[4:]]
TO_IMAGE = receipt(device(OTHER, "/dev/sdb"), image("/jobs/a.img"))
FROM_IMAGE = receipt(image("/jobs/a.img"), device(NEW, "/dev/sdc"), parents=("ab" * 32,))

SAID: dict[str, tuple[list[Value], str, str, str]] = {
    # what is filed; the item; its evidence; the command that comes next
    "way out not taken": (
        [fact("consent"), RECHECK],
        "verdict",
        "recheck, its way out not taken: another cable, read 100 GB, read again",
        'drivecare job record 1042 way-out --note "..."',
    ),
    "no copy": (
        NO_COPY,
        "copy-verified",
        "no copy to Petrel PM-500 PM6-311842",
        "drivecare copy /dev/sdb /dev/sdc --job 1042",
    ),
    "old drive not read": (
        UNREAD,
        "copy-verified",
        "the old drive was not read, so no copy can be matched to it",
        "drivecare copy DRIVE /dev/sdc --job 1042",
    ),
    "new drive not read": (
        UNINSPECTED,
        "copy-verified",
        "the new drive was not read, so no copy can be matched to it",
        "drivecare copy /dev/sdb NEW_DRIVE --job 1042",
    ),
    "copied by an image from another drive": (
        [*data_route()[:4], TO_IMAGE, FROM_IMAGE, *data_route()[5:]],
        "copy-verified",
        "copied from Petrel PM-500 PM6-999999, but the customer's drive is Kestrel KD-500 KX25-00417",
        "drivecare copy /dev/sdb /dev/sdc --job 1042",
    ),
    "an image of unknown origin": (
        [*data_route()[:4], FROM_IMAGE, *data_route()[5:]],
        "copy-verified",
        "copied from the image /jobs/a.img, whose own verified receipt is not in this job",
        "drivecare copy /jobs/a.img IMAGE --job 1042",
    ),
    "planned for another drive": (
        [*data_route()[:2], plan(source=OTHER), *data_route()[3:]],
        "plan",
        "made for Petrel PM-500 PM6-999999, not for Kestrel KD-500 KX25-00417",
        "drivecare plan --stock STOCK.csv --job 1042",
    ),
    "another drive fitted": (
        [*data_route()[:2], plan(chosen=OTHER), *data_route()[3:]],
        "fitted-is-planned",
        "planned was Petrel PM-500, but Petrel PM-500 PM6-311842 was read",
        "drivecare plan --candidate /dev/sdc --job 1042",
    ),
    "new drive failed its inspection": (
        [*data_route()[:3], assessment(NEW, "recheck", sale="new", path="/dev/sdc"), *data_route()[4:]],
        "inspection",
        "Petrel PM-500 PM6-311842, judged as new: recheck: It is recheck.",
        "drivecare assess NEW_DRIVE --as new --job 1042",
    ),
    "no inspection": (
        UNINSPECTED,
        "inspection",
        "the new drive was not read yet",
        "drivecare assess NEW_DRIVE --as new --job 1042",
    ),
}


@pytest.mark.parametrize("name", SAID)
def test_a_shut_item_says_why_and_what_comes_next(tmp_path: Path, name: str) -> None:
    documents, which, evidence, following = SAID[name]
    shut = item(tmp_path, documents, which)
    assert (shut.holds, shut.evidence.partition(" (0")[0], shut.next) == (False, evidence, following)


@pytest.mark.parametrize(
    ("drive", "says", "following"),
    [
        (
            msgspec.structs.replace(
                OLD, identity=msgspec.structs.replace(OLD.identity, wwn=None, native_serial=None, strength="weak")
            ),
            "Kestrel KD-500 KX25-00417: the bridge hides its identity; use another dock, or record the label",
            'drivecare job record 1042 weak-identity SERIAL --note "..."',
        ),
        (
            Drive(model="Kestrel KD-500"),
            "Kestrel KD-500: the bridge gives no identity; use another dock",
            "drivecare assess /dev/sdb --job 1042",
        ),
    ],
    ids=["hidden", "none"],
)
def test_a_drive_that_does_not_say_who_it_is(tmp_path: Path, drive: Drive, says: str, following: str) -> None:
    shut = item(tmp_path, [fact("consent"), assessment(drive, "refit")], "old-drive-identity")
    assert (shut.holds, shut.evidence, shut.next) == (False, says, following)


@pytest.mark.parametrize(
    ("count", "listed"),
    [(1, "; at 0"), (5, "; at 0, 1,024, 2,048, 3,072, 4,096"), (6, "1,024, 2,048, 3,072, 4,096 and 1 more")],
)
def test_five_unreadable_areas_are_listed_and_the_others_counted(tmp_path: Path, count: int, listed: str) -> None:
    lost = tuple(Unreadable(offset=number * 1024, length=512) for number in range(count))
    copied = receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"), unreadable=lost, bytes_copied=SIZE - count * 512)
    shut = item(tmp_path, [*data_route()[:4], copied, fact("detached")], "unreadable-acknowledged")
    assert shut.evidence.endswith(listed)


@pytest.mark.parametrize(("label", "holds"), [("pm6-311842", True), ("PM6-999999", False), (None, False)])
def test_a_label_that_was_read_tells_which_drive_lies_below_a_folder(
    tmp_path: Path, label: str | None, holds: bool
) -> None:
    hidden = Identity(bridge_serial="PM6-311842", strength="weak")
    files = bag(target=TreeEnd(path="/mnt/new", identity=hidden))
    base = [*data_route()[:2], plan(migration="file-copy"), data_route()[3], files]
    read = [] if label is None else [fact("weak-identity", label)]
    assert item(tmp_path, [*base, *read, fact("detached")], "copy-verified").holds is holds
