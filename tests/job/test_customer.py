"""What the customer reads stands on a reading, a copy or a recorded fact: every sentence is paired with what it needs.

Jobs of every route are told whole and with each of their results taken away in turn; a sentence that appears without
what it stands on fails, and so does one that stands in no row of the table.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from functools import cache

import msgspec
import pytest

from drivecare.documents import Value
from drivecare.fit.model import Plan
from drivecare.job.customer import describe_baseline, describe_odds, write_customer_page
from drivecare.job.job_state import JobState
from drivecare.job.model import Closing, Fact, ImageFate, ImageLeft, OldDriveFate
from drivecare.reading.surface import SurfaceScan, UnreadableArea
from drivecare.risk.model import Assessment, Chance, FaultClass
from drivecare.transfer.counted import Counted
from drivecare.transfer.files.bag import BagReceipt, FileLeftOut
from drivecare.transfer.holds import Hold, HoldKind
from drivecare.transfer.sectors.receipt import Note, Receipt, Unreadable
from tests.job.carried import (
    AREA,
    NEW,
    OLD,
    assessment,
    bag,
    data_route,
    device,
    empty_route,
    fact,
    plan,
    receipt,
    same_route,
)
from tests.job.rich_case import opened, scan

Evidence = Callable[[JobState], bool]


def always(_: JobState) -> bool:
    """Nothing about this job: what holds of any."""
    return True


def has(name: str) -> Evidence:
    return lambda state: any(fact.document.fact == name for fact in state.facts)


def old(test: Callable[[Assessment], bool] = lambda _: True) -> Evidence:
    """The newest reading of the customer's drive passes the test."""
    return lambda state: bool(state.old_drive_readings) and test(state.old_drive_readings[-1].document)


def new_judged_sound(state: JobState) -> bool:
    """The new drive was judged as one sold as new, nothing was against it, and nothing was seen since."""
    judged = [one for one in state.assessments if one.document.sale == "new"]
    return bool(judged) and judged[-1].document.verdict == "refit" and state.trouble_since(judged[-1]) is None


def planned(test: Callable[[Plan], bool] = lambda _: True) -> Evidence:
    """The newest plan is for this unit and its drive, chose one that certainly fits, and passes the test."""

    def chosen(state: JobState) -> bool:
        document = state.plan.document if state.plan is not None else None
        drive = document.chosen_drive if document is not None else None
        if document is None or drive is None or drive.fits != "yes" or document.host != state.opening.host:
            return False
        return document.source is not None and document.source.serial == OLD.serial and test(document)

    return chosen


def copied(state: JobState) -> Receipt | None:
    """The newest copy onto the new drive, if it was read back whole and agreed."""
    to_new = [one.document for one in state.receipts if one.document.target.serial == NEW.serial]
    whole = to_new and to_new[-1].verified and to_new[-1].verification is not None and not to_new[-1].mismatched
    return to_new[-1] if whole else None


def of_the_whole_drive(state: JobState) -> bool:
    """What was copied has the size that the old drive was read with."""
    receipt = copied(state)
    return receipt is not None and receipt.bytes_total == state.old_drive_readings[-1].document.drive.capacity_bytes


def part(state: JobState) -> bool:
    """The customer knows that it has not, and it was copied."""
    return copied(state) is not None and not of_the_whole_drive(state) and state.newest_fact("copy-size") is not None


def changed(state: JobState) -> bool:
    receipt = copied(state)
    return receipt is not None and any(note.code == "source-changed" for note in receipt.notes)


def gaps(state: JobState) -> bool:
    receipt = copied(state)
    return receipt is not None and bool(receipt.unreadable) and of_the_whole_drive(state)


def unread(state: JobState) -> bool:
    """The newest copy onto the new drive could not read all, whether it was verified or not."""
    to_new = [one.document for one in state.receipts if one.document.target.serial == NEW.serial]
    return bool(to_new) and bool(to_new[-1].unreadable)


def counted(state: JobState) -> bool:
    receipt = copied(state)
    return receipt is not None and bool(receipt.counted)


def lost(*kinds: HoldKind) -> Evidence:
    """The newest copy onto the new drive names something of these kinds in an area that could not be read."""

    def named(state: JobState) -> bool:
        to_new = [one.document for one in state.receipts if one.document.target.serial == NEW.serial]
        return any(hold.kind in kinds for area in to_new[-1].unreadable for hold in area.holds)

    return named


def whole(state: JobState) -> bool:
    receipt = copied(state)
    return receipt is not None and not receipt.unreadable and of_the_whole_drive(state)


def bagged(test: Callable[[BagReceipt], bool] = lambda _: True) -> Evidence:
    return lambda state: bool(state.bags) and state.bags[-1].document.verified and test(state.bags[-1].document)


def closed(test: Callable[[Closing], bool] = lambda _: True) -> Evidence:
    return lambda state: state.closing is not None and test(state.closing.document)


def scanned(test: Callable[[SurfaceScan], bool]) -> Evidence:
    return lambda state: (
        bool(state.scans) and state.scans[-1].document.serial == OLD.serial and test(state.scans[-1].document)
    )


def fault(name: FaultClass) -> Evidence:
    return old(lambda judged: name in judged.fault_classes)


def fate(name: str) -> Evidence:
    return closed(lambda end: any(image.fate == name for image in end.images))


def all_of(*evidence: Evidence) -> Evidence:
    return lambda state: all(one(state) for one in evidence)


def none_of(*evidence: Evidence) -> Evidence:
    return lambda state: not any(one(state) for one in evidence)


started = closed(lambda end: end.unit_started)
fitted = all_of(started, has("consent"), planned(), new_judged_sound)
ready = all_of(none_of(closed()), has("consent"), planned(), new_judged_sound)


def is_whole(surface: SurfaceScan) -> bool:
    return surface.sample_percent == 100 and surface.complete


# The sentence, and what it stands on.
CLAIMS: dict[str, Evidence] = {
    # the headline
    r"Your unit does not start\.": closed(lambda end: not end.unit_started),
    r"The work on your unit is not finished\.": none_of(closed()),
    r"Not all of this work is proven\.": closed(),
    r"Your unit keeps its own drive\.": all_of(has("consent"), old(lambda one: one.verdict in ("refit", "recheck"))),
    r"A new drive is ready for your unit, and your data is on it\.": all_of(ready, whole),
    r"A new drive is ready for your unit, with all of your data that could be read\.": all_of(ready, gaps),
    r"A new drive is ready for your unit, with what was copied from your old drive\.": all_of(ready, part),
    r"A new drive is ready for your unit, with [\d,]+ files? copied from the old one\.": all_of(ready, bagged()),
    r"A new drive is ready for your unit\. As agreed, your data is not carried over\.": all_of(ready, has("no-data")),
    r"Your unit has a new drive, and your data is on it\.": all_of(fitted, whole),
    r"Your unit has a new drive, with all of your data that could be read\.": all_of(fitted, gaps),
    r"Your unit has a new drive, with what was copied from your old drive\.": all_of(fitted, part),
    r"Your unit has a new drive, with [\d,]+ files? copied from the old one\.": all_of(fitted, bagged()),
    r"Your unit has a new drive\. As agreed, your data is not carried over\.": all_of(fitted, has("no-data")),
    # what was wrong
    r"You told us: “.*”": always,
    r"The drive in your .* did not respond on any dock or cable\.": has("dead-drive"),
    r"Several drives were read; it is not recorded which of them is yours\.": lambda state: len(state.assessments) > 1,
    r"The drive has not been read yet\.": none_of(lambda state: bool(state.used_assessments)),
    r"A drive was read, but it is not certain that the reading shows how yours is now\.": old(),
    r"When we read the drive in your .*, it was losing data or warning that it may fail\.": old(
        lambda one: one.verdict == "evacuate"
    ),
    r"The drive in your .* still responded, but showed signs that call for a new drive\.": old(
        lambda one: one.verdict == "replace"
    ),
    r"The drive in your .* showed something that has to be cleared up before it can be judged\.": old(
        lambda one: one.verdict == "recheck"
    ),
    r"We found nothing wrong in what the drive in your .* records about itself\.": old(
        lambda one: one.verdict == "refit"
    ),
    r"What the drive in your .* reports is not enough to judge it by\.": old(lambda one: one.verdict == "unproven"),
    r"There were errors in the part that holds the data\.": fault("media"),
    r"It reports that its memory is worn\.": fault("wear"),
    r"It reports trouble with its moving parts\.": fault("mechanics"),
    r"It reports that it has been too hot\.": fault("heat"),
    r"There were errors on its connection, which a cable, a plug or a port can cause\.": fault("link"),
    r"It is locked with a password\.": fault("locked"),
    r"It reports faults in its electronics\.": fault("electronics"),
    r"After that, a surface scan found 1 unreadable area\.": scanned(lambda surface: bool(surface.unreadable)),
    # what we did
    r"We read what your drive records about itself \(.*\) and judged it\.": old(),
    r"We read its whole surface: all of it could be read\.": scanned(lambda one: is_whole(one) and not one.unreadable),
    r"We read its whole surface: 1 area could not be read\.": scanned(
        lambda one: is_whole(one) and len(one.unreadable) == 1
    ),
    r"We read part of its surface: all of it could be read\.": scanned(lambda one: not one.unreadable),
    r"We read part of its surface: 1 area could not be read\.": scanned(lambda one: len(one.unreadable) == 1),
    r"We cleared this up \(.+\) and read the drive again: nothing had got worse\.": all_of(
        has("way-out"), lambda state: len(state.old_drive_readings) > 1
    ),
    r"We chose a drive that fits your unit, going by what is known about both: .*\.": planned(),
    r"Of [\d,]+ drives that we compared we chose one that fits your unit, going by what .*: .*\.": planned(
        lambda one: len(one.candidates) > 1
    ),
    r"We read what the new drive records about itself: nothing .* that the drive is not new\.": new_judged_sound,
    r"We copied [\d,]+ files? and read all of them back from the new drive: they match\.": bagged(),
    r"We copied everything, .*, and read it back from the new drive: every part matches\.": whole,
    r"We copied everything that could be read, .*, and read it back from the new drive: every part matches\.": gaps,
    r"We copied .* from your old drive, which, going by its size, may not be everything on it, and .* matches\.": part,
    r"Counted on the copy: 1,200 files in 1 partition\.": counted,
    r"Partition 2 \(LUKS\) was not counted: it is encrypted\.": counted,
    r"It has not been proven that your data is on another drive\.": lambda state: bool(state.receipts or state.bags),
    r"You agreed to start without the data of the old drive\.": has("no-data"),
    r"You agreed that we copy nothing onto the new drive: the unit sets it up itself\.": all_of(
        has("no-data"), lambda state: state.plan is not None and state.plan.document.migration == "unit-initialises"
    ),
    r"The unit started when we tried it\.": started,
    r"The unit did not start when we tried it\.": closed(lambda end: not end.unit_started),
    r"We are giving your old drive back to you\.": closed(lambda end: end.old_drive == "returned"),
    r"We are keeping your old drive\.": closed(lambda end: end.old_drive == "kept"),
    r"Your old drive was destroyed\.": closed(lambda end: end.old_drive == "destroyed"),
    r"We deleted 1 copy of your data that we had made for the work\. Deleting frees .* not overwrite it\.": fate(
        "removed"
    ),
    r"1 copy made for the work could no longer be found\.": fate("gone"),
    r"We are keeping a copy of your data\.": fate("kept"),
    r"We gave you a copy of your data\.": fate("handed-over"),
    # what to watch
    r"[13] areas? of the old drive, .* in all, could not be read\. What was stored there is missing\. .*": unread,
    r"Damaged, as the copy's own list of files says: 1 photo and 1 other file\. Ask us which\.": lost("file"),
    r"Part of what keeps the files in order was hit, .*": lost("structure", "directory"),
    r"Of 1 area nobody can tell, or not of all of it, what was stored there\.": lost("unknown"),
    r"In 1 area no file that existed was hit; deleted files may have been there\.": lost("free"),
    r"In 1 area a file lay that had been deleted\. If you still want it, tell us\.": lost("deleted"),
    r"2 files could not be copied\. Ask us which\.": bagged(lambda one: len(one.left_out) == 2),
    r"If the trouble comes back, bring the unit back, so that .*": lambda state: state.route == "same-drive",
    r"Something wrote to the old drive, or to a copy of it, while it was being copied: .* of different ages\.": changed,
    r"Do not use the old drive again\. It may still hold your data: keep it or have it .*": all_of(
        old(lambda one: one.verdict in ("evacuate", "replace")),
        none_of(closed(lambda end: end.old_drive == "destroyed")),
    ),
    r"Any drive can fail without warning, even a new one\. Keep a second copy .*": always,
    r"Opening the unit may void its maker's warranty where you live; .*": always,
}


def closing(*fates: ImageFate, unit_started: bool = True, old_drive: OldDriveFate = "returned") -> Closing:
    return Closing(
        at="2026-11-25T11:55:00+00:00",
        unit_started=unit_started,
        old_drive=old_drive,
        gate_open=True,
        images=tuple(ImageLeft(path=f"/{fate}.img", fate=fate) for fate in fates),
    )


def surface(*, percent: float, holes: int) -> SurfaceScan:
    hole = UnreadableArea(offset=4096, length=4096)
    return msgspec.structs.replace(
        scan(OLD.serial or ""), wwn=OLD.identity.wwn, sample_percent=percent, complete=True, unreadable=(hole,) * holes
    )


def bag_route(**more: object) -> list[Value]:
    return [
        *data_route()[:2],
        plan(migration="file-copy"),
        data_route()[3],
        bag(**more),
        fact("bag-drives"),
        fact("left-out"),
        fact("detached"),
    ]


def recheck_route() -> list[Value]:
    before = msgspec.structs.replace(
        assessment(OLD, "recheck"), read_at="2026-11-25T10:00:00+00:00", fault_classes=("link",)
    )
    after = msgspec.structs.replace(before, read_at="2026-11-25T11:45:00+00:00", path="/dev/sdd")
    return [fact("consent"), before, fact("way-out", note="another cable"), after]


def whole_route() -> list[Value]:
    good = data_route()
    receipt_ = receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"), unreadable=(), bytes_copied=64 << 20)
    return [*good[:4], receipt_, fact("detached")]


def part_route() -> list[Value]:
    hidden = msgspec.structs.replace(OLD, capacity_bytes=500_107_862_016)
    return [*data_route()[:1], assessment(hidden, "evacuate"), *data_route()[2:], fact("copy-size")]


def hit() -> Receipt:
    """A copy that could not read two areas: one of files, a folder and something that nobody knows, one of nothing."""
    holds = (
        Hold(kind="file", partition=1, file=1, file_kind="photo", size_bytes=9000, bytes=512),
        Hold(kind="file", partition=1, file=2, size_bytes=9000, bytes=512),
        Hold(kind="directory", partition=1, bytes=512),
        Hold(kind="unknown", partition=1, bytes=512),
    )
    areas = (
        Unreadable(offset=AREA.offset, length=AREA.length, holds=holds),
        Unreadable(offset=0, length=512, holds=(Hold(kind="free", bytes=512),)),
        Unreadable(offset=512, length=512, holds=(Hold(kind="deleted", bytes=512),)),
    )
    missing = AREA.length + 1024
    drives = (device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"))
    counted = (
        Counted(partition=1, file_system="NTFS", files=1200, used_bytes=1 << 20),
        Counted(partition=2, file_system="LUKS", encrypted=True, reason="it is encrypted"),
    )
    return receipt(*drives, unreadable=areas, bytes_copied=(64 << 20) - missing, counted=counted)


FAULTS: tuple[FaultClass, ...] = ("media", "wear", "mechanics", "heat", "link", "locked", "electronics", "none")
BASES: dict[str, list[Value]] = {
    "data": data_route(),
    "data, all of it": whole_route(),
    "data, of part of the drive": part_route(),
    "data, of part of the drive, closed": [*part_route(), closing()],
    "data, changed meanwhile": [
        *data_route()[:4],
        receipt(device(OLD, "/a"), device(NEW, "/b"), notes=(Note(code="source-changed", text="written to"),)),
        *data_route()[5:],
        fact("source-changed"),
    ],
    "data, what was hit": [*data_route()[:4], hit(), *data_route()[5:]],
    "data, closed": [*data_route(), closing("removed", "gone", "kept")],
    "data, all of it, closed": [*whole_route(), closing("handed-over", old_drive="destroyed")],
    "data, does not start": [*data_route(), closing(unit_started=False, old_drive="kept")],
    "files": bag_route(),
    "files, some left out": bag_route(left_out=(FileLeftOut(name="a", reason="x"), FileLeftOut(name="b", reason="y"))),
    "files, closed": [*bag_route(), closing()],
    "empty": empty_route(),
    "empty, closed": [*empty_route(), closing()],
    "empty, file copy planned": [*empty_route()[:3], plan(), empty_route()[4]],
    "dead": [*empty_route()[:2], fact("dead-drive", "KX25-00417"), *empty_route()[3:]],
    "same": same_route(),
    "same, closed": [*same_route(), closing()],
    "recheck": recheck_route(),
    "two drives": [*same_route(), assessment(NEW, "refit")],
    "compared": [*data_route()[:2], plan(candidates=(*plan().candidates, *plan().candidates)), *data_route()[3:]],
    "does not fit": [
        *data_route()[:2],
        plan(candidates=(msgspec.structs.replace(plan().candidates[0], fits="unknown"),)),
        *data_route()[3:],
    ],
    "not verified": [
        *data_route()[:4],
        receipt(device(OLD, "/a"), device(NEW, "/b"), verified=False, verification=None),
    ],
    **{
        f"a surface, {percent} %, {holes} holes": [*same_route(), surface(percent=percent, holes=holes)]
        for percent in (100, 10)
        for holes in (0, 1)
    },
    **{
        f"verdict {verdict}": [msgspec.structs.replace(assessment(OLD, verdict), fault_classes=FAULTS)]
        for verdict in ("refit", "recheck", "replace", "evacuate", "unproven")
    },
    "an old reading": [msgspec.structs.replace(assessment(OLD, "refit"), read_at="2020-11-25T10:00:00+00:00")],
    "not sound as new": [
        *(
            msgspec.structs.replace(one, verdict="recheck")
            if isinstance(one, Assessment) and one.sale == "new"
            else one
            for one in data_route()
        )
    ],
}


def jobs() -> Iterator[tuple[str, list[Value]]]:
    """Every base, and every base with one of its results taken away."""
    for name, documents in BASES.items():
        yield name, documents
        for index, gone in enumerate(documents):
            what = gone.fact if isinstance(gone, Fact) else type(gone).__name__
            yield f"{name}, without {what}", [*documents[:index], *documents[index + 1 :]]


@cache
def sentences(state: JobState) -> tuple[str, ...]:
    told = write_customer_page(state)
    return (told.headline, *told.wrong, *told.did, *told.watch)


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> dict[str, JobState]:
    folder = tmp_path_factory.mktemp("cases")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _: None)  # two hundred jobs that need not outlive a power cut
        return {name: opened(folder / str(number), documents)[1] for number, (name, documents) in enumerate(jobs())}


def test_no_sentence_is_printed_without_what_it_stands_on(cases: dict[str, JobState]) -> None:
    unfounded = []
    for name, state in cases.items():
        for sentence in sentences(state):
            rows = [evidence for claim, evidence in CLAIMS.items() if re.fullmatch(claim, sentence, re.DOTALL)]
            assert len(rows) == 1, f"{sentence!r} stands in {len(rows)} rows of the table"
            if not rows[0](state):
                unfounded.append((name, sentence))
    assert unfounded == []


def test_every_row_of_the_table_is_met(cases: dict[str, JobState]) -> None:
    printed = {sentence for state in cases.values() for sentence in sentences(state)}
    assert [claim for claim in CLAIMS if not any(re.fullmatch(claim, one, re.DOTALL) for one in printed)] == []


@pytest.mark.parametrize("word", ["sound", "is new", "as new as", "safe", "guaranteed", "healthy", "agreed with you"])
def test_words_that_no_reading_supports_are_not_used(cases: dict[str, JobState], word: str) -> None:
    assert [one for state in cases.values() for one in sentences(state) if word in one and "fail" not in one] == []


@pytest.mark.parametrize(
    ("basis", "words", "beside"),
    [
        (
            "measured: 900 readings of drives",
            "about 87 in 100 drives that showed the same signs failed within a year (between 65 and 98)",
            " Of drives of the same age without such signs, about 2 did. The figures come from drives in data centres.",
        ),
        (
            "published: a study (2020)",
            "according to published figures, about 87 in 100 such drives failed within a year (between 65 and 98)",
            " Of drives without such signs, about 2 did. The figures come from drives in data centres.",
        ),
        (
            "judgement: no rate was measured",
            "we estimate, though nobody has measured it, that about 87 in 100 such drives would fail within a year"
            " (between 65 and 98)",
            "",
        ),
        (
            "another word",
            "we estimate, though nobody has measured it, that about 87 in 100 such drives would fail within a year"
            " (between 65 and 98)",
            "",
        ),
    ],
    ids=["measured", "published", "judgement", "none of these"],
)
def test_odds_say_whether_anybody_counted(basis: str, words: str, beside: str) -> None:
    chance = Chance(basis=basis, estimate=0.8685, low=0.6494, high=0.9803, clean=0.02)
    assert (describe_odds(chance), describe_baseline(chance)) == (words, beside)
