"""What the customer reads: what was wrong, what was done, what to watch, in plain words, from the job's results alone.

Every sentence rests on a reading, a copy or a recorded fact: tests/job/test_customer.py pairs each with its evidence.
Where something is not done or not known, that is said instead.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from drivecare.clock import format_day
from drivecare.format import Excerpt, clip_text, format_bytes, format_count
from drivecare.job.filed_readings import time_of_reading
from drivecare.job.job_state import JobState
from drivecare.job.losses import areas_on_sheet, describe_losses
from drivecare.job.model import Closing
from drivecare.job.proof import CopyProof, was_written_to
from drivecare.reading.identity import DriveId
from drivecare.reading.surface import SurfaceScan
from drivecare.risk.model import Chance, FaultClass, Verdict
from drivecare.transfer.counted import describe_counted
from drivecare.transfer.holds import hits_nothing

WRONG: dict[Verdict, str] = {
    "evacuate": "When we read the drive in your {unit}, it was losing data or warning that it may fail.",
    "replace": "The drive in your {unit} still responded, but showed signs that call for a new drive.",
    "recheck": "The drive in your {unit} showed something that has to be cleared up before it can be judged.",
    "refit": "We found nothing wrong in what the drive in your {unit} records about itself.",
    "unproven": "What the drive in your {unit} reports is not enough to judge it by.",
}

BECAUSE: dict[FaultClass, str] = {
    "media": "There were errors in the part that holds the data.",
    "wear": "It reports that its memory is worn.",
    "mechanics": "It reports trouble with its moving parts.",
    "heat": "It reports that it has been too hot.",
    "link": "There were errors on its connection, which a cable, a plug or a port can cause.",
    "locked": "It is locked with a password.",
    "electronics": "It reports faults in its electronics.",
    "none": "",
}

OLD_DRIVE = {
    "returned": "We are giving your old drive back to you.",
    "kept": "We are keeping your old drive.",
    "destroyed": "Your old drive was destroyed.",
}

# Where a chance comes from, by the first word of its basis: what a hundred drives did, or what we think they would.
ODDS = {
    "measured": "about {count} in 100 drives that showed the same signs failed within a year{spread}",
    "published": "according to published figures, about {count} in 100 such drives failed within a year{spread}",
    "judgement": "we estimate, though nobody has measured it, that about {count} in 100 such drives would fail within a"
    " year{spread}",
}
CLEAN = {
    "measured": " Of drives of the same age without such signs, about {count} did.",
    "published": " Of drives without such signs, about {count} did.",
    "judgement": "",
}


@dataclass(frozen=True, kw_only=True)
class CustomerPage:
    """The customer's half of the sheet, in sentences. `done` is whether the work is complete."""

    headline: str
    done: bool
    wrong: tuple[str, ...]
    did: tuple[str, ...]
    watch: tuple[str, ...]


def write_customer_page(job: JobState) -> CustomerPage:
    """Write everything the customer reads."""
    proven = frozenset(item.item for item in job.gate.items if item.holds)
    return CustomerPage(
        headline=_customer_headline(job),
        done=job.gate.open,
        wrong=tuple(_what_was_wrong(job, proven)),
        did=tuple(_what_we_did(job, proven)),
        watch=tuple(_what_to_watch(job)),
    )


def unit_name(job: JobState) -> str:
    """Name the unit in a few words."""
    return job.opening.host_name or job.opening.label


def _customers_unit(job: JobState) -> str:
    """Name the unit as "your ..." goes on: by its kind of bay it has no name that the customer knows."""
    return "unit" if job.opening.names_only_a_bay else unit_name(job)


def describe_odds(chance: Chance) -> str | None:
    """State a chance as people count: "about 87 in 100 drives that showed the same signs failed within a year"."""
    if chance.estimate is None:
        return None
    spread = ""
    if chance.low is not None and chance.high is not None:
        spread = f" (between {in_hundred(chance.low)} and {in_hundred(chance.high)})"
    return ODDS[_origin(chance)].format(count=in_hundred(chance.estimate), spread=spread)


def describe_baseline(chance: Chance) -> str:
    """State how drives without such signs fared, and where the figures come from, as far as anybody counted."""
    origin = _origin(chance)
    clean = "" if chance.clean is None else CLEAN[origin].format(count=in_hundred(chance.clean))
    return clean if origin == "judgement" else f"{clean} The figures come from drives in data centres."


def _origin(chance: Chance) -> str:
    """Read where a chance comes from; judgement, which claims least, if its basis says something else."""
    word = chance.basis.partition(":")[0]
    return word if word in ODDS else "judgement"


def _customer_headline(job: JobState) -> str:
    closing = job.closing.document if job.closing is not None else None
    if closing is not None and not closing.unit_started:
        return "Your unit does not start."
    if not job.gate.open:
        return "The work on your unit is not finished." if closing is None else "Not all of this work is proven."
    if job.route == "same-drive":
        return "Your unit keeps its own drive."
    start = "A new drive is ready for your unit" if closing is None else "Your unit has a new drive"
    if job.route == "new-drive-empty":
        return f"{start}. As agreed, your data is not carried over."
    proof = job.proof
    if proof.bag is not None:
        return f"{start}, with {format_count(proof.bag.document.files, 'file')} copied from the old one."
    if not proof.whole:
        return f"{start}, with what was copied from your old drive."
    return f"{start}, " + (
        "with all of your data that could be read." if proof.unreadable else "and your data is on it."
    )


def _what_was_wrong(job: JobState, proven: frozenset[str]) -> Iterator[str]:
    yield f"You told us: “{clip_text(job.opening.complaint, 200)}”"
    reading = job.old_drive
    if reading is None:
        if job.newest_fact("dead-drive") is not None:
            yield f"The drive in your {_customers_unit(job)} did not respond on any dock or cable."
        elif job.used_assessments:
            yield "Several drives were read; it is not recorded which of them is yours."
        else:
            yield "The drive has not been read yet."
    elif "old-drive-read" not in proven:
        yield "A drive was read, but it is not certain that the reading shows how yours is now."
    else:
        assessment, trouble = reading.document, job.trouble_since(reading)
        yield WRONG[assessment.verdict].format(unit=_customers_unit(job))
        if assessment.verdict != "refit":
            yield from filter(None, (BECAUSE[fault] for fault in assessment.fault_classes))
        if job.evacuated is not None and assessment.verdict != "evacuate":
            yield "An earlier reading showed it losing data or warning that it may fail."
        if trouble is not None:
            yield f"After that, {trouble}."


def _what_we_did(job: JobState, proven: frozenset[str]) -> Iterator[str]:
    reading = job.old_drive
    if reading is not None:
        yield f"We read what your drive records about itself ({format_day(time_of_reading(reading))}) and judged it."
        yield from (_scan_result(scan.document) for scan in job.scans_of(reading.document.drive)[-1:])
        way_out = job.newest_fact("way-out")
        if reading.document.verdict == "recheck" and "verdict" in proven and way_out is not None:
            done = clip_text(way_out.document.note or "", 100)
            yield f"We cleared this up ({done}) and read the drive again: nothing had got worse."
    if job.route != "same-drive":
        yield from _what_we_did_with_the_new_drive(job, proven)
    if job.closing is not None:
        closing = job.closing.document
        yield f"The unit {'started' if closing.unit_started else 'did not start'} when we tried it."
        yield OLD_DRIVE[closing.old_drive]
        yield from _fates_of_copies(closing)


def _scan_result(scan: SurfaceScan) -> str:
    surface = "its whole surface" if scan.whole else "part of its surface"
    areas = format_count(len(scan.unreadable), "area")
    return f"We read {surface}: {f'{areas} could not be read' if scan.unreadable else 'all of it could be read'}."


def _what_we_did_with_the_new_drive(job: JobState, proven: frozenset[str]) -> Iterator[str]:
    plan = job.plan.document if job.plan is not None else None
    if plan is not None and plan.chosen is not None and "plan" in proven:
        count = len(plan.candidates)
        choice = f"Of {count:,} drives that we compared we chose one" if count > 1 else "We chose a drive"
        yield f"{choice} that fits your unit, going by what is known about both: {clip_text(plan.chosen, 60)}."
    if "inspection" in proven:
        yield "We read what the new drive records about itself: nothing in it suggests that the drive is not new."
    yield from _what_we_copied(job)
    if job.newest_fact("no-data") is not None and job.route == "new-drive-empty":
        if plan is not None and plan.migration == "unit-initialises":
            yield "You agreed that we copy nothing onto the new drive: the unit sets it up itself."
        else:
            yield "You agreed to start without the data of the old drive."


def _what_we_copied(job: JobState) -> Iterator[str]:
    proof = job.proof
    if proof.holds and proof.bag is not None:
        files = format_count(proof.bag.document.files, "file")
        yield f"We copied {files} and read all of them back from the new drive: they match."
    elif proof.holds:
        copied = format_bytes(proof.chain[-1].document.bytes_copied)
        readable = " that could be read" if proof.unreadable else ""
        extent = (
            f"We copied everything{readable}, {copied}"
            if proof.whole
            else f"We copied {copied} from your old drive{_why_not_whole(proof)}"
        )
        yield f"{extent}, and read it back from the new drive: every part matches."
        yield from Excerpt(describe_counted(proof.chain[0].document.counted)).lines(str, "partitions")
    elif job.receipts or job.bags:
        yield "It has not been proven that your data is on another drive."


def _why_not_whole(proof: CopyProof) -> str:
    if proof.unread:
        return ", what was in use on it"
    return ", which, going by its size, may not be everything on it"


def _fates_of_copies(closing: Closing) -> Iterator[str]:
    counts = Counter(image.fate for image in closing.images)
    if counts["removed"]:
        yield (
            f"We deleted {format_count(counts['removed'], 'copy', 'copies')} of your data that we had made for the"
            " work. Deleting frees the space and does not overwrite it."
        )
    if counts["gone"]:
        yield f"{format_count(counts['gone'], 'copy', 'copies')} made for the work could no longer be found."
    if counts["kept"]:
        yield "We are keeping a copy of your data."
    if counts["handed-over"]:
        yield "We gave you a copy of your data."


def _what_to_watch(job: JobState) -> Iterator[str]:
    if job.route == "new-drive-data":
        yield from _what_the_copy_lacks(job)
    if job.route == "same-drive":
        yield "If the trouble comes back, bring the unit back, so that the drive can be read again and compared."
    elif (
        job.old_drive is not None
        and (job.old_drive.document.verdict == "replace" or job.evacuated is not None)
        and not (job.closing is not None and job.closing.document.old_drive == "destroyed")
    ):
        yield "Do not use the old drive again. It may still hold your data: keep it or have it destroyed."
    yield (
        "Any drive can fail without warning, even a new one. Keep a second copy of whatever you cannot do without: a"
        " clean reading is not a guarantee."
    )
    yield "Opening the unit may void its maker's warranty where you live; ask us before you have it opened again."


def _what_the_copy_lacks(job: JobState) -> Iterator[str]:
    proof = job.proof
    if proof.unread:
        free = all(hits_nothing(area, area.holds) for area in proof.unread)
        nature = "by its own records free space, where only deleted files may have been" if free else "as you know"
        yield f"{format_bytes(sum(area.length for area in proof.unread))} of the old drive were not read, {nature}."
    if proof.unreadable:
        size = format_bytes(sum(area.length for area in proof.unreadable))
        yield (
            f"{format_count(len(proof.unreadable), 'area')} of the old drive, {size} in all, could not be read."
            " What was stored there is missing. If something does not open, tell us before you delete it."
        )
        yield from describe_losses(areas_on_sheet(job))
    if was_written_to(proof.chain):
        yield (
            "Something wrote to the old drive, or to a copy of it, while it was being copied: parts of your data may"
            " be of different ages."
        )
    if proof.bag is not None and proof.bag.document.left_out:
        kinds = f": {proof.bag.document.kinds_left_out}" if proof.bag.document.kinds_left_out else ""
        yield f"{format_count(len(proof.bag.document.left_out), 'file')} could not be copied{kinds}. Ask us which."


def in_hundred(fraction: float) -> int:
    """Round a fraction to so many in a hundred, but never to none or all: no data says never or always."""
    return min(99, max(1, round(fraction * 100)))


def drive_names(job: JobState) -> tuple[str | None, str | None]:
    """Name the old and the new drive."""
    dead = job.newest_fact("dead-drive")
    if job.old_drive is not None:
        old_name: str | None = str(DriveId.of(job.old_drive.document.drive))
    else:
        old_name = dead.document.about if dead is not None else None
    fitted = job.new_drive is not None and job.route != "same-drive"
    return old_name, str(DriveId.of(job.new_drive.document.drive)) if fitted and job.new_drive is not None else None
