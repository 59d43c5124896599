"""Facts a person records in a job: what may be recorded, and what each means.

The gate relies on them for what no drive can report: consent, what the customer was told, what is plugged in.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import get_args

from drivecare.errors import BadInput
from drivecare.job.model import CameBackCause, Fact, FactName, Route
from drivecare.transfer.areas import Area

# How a command that we suggest shows what a person must type: such a word is never recorded.
OPEN_NOTE = "..."
OPEN_SERIAL = "SERIAL"


@dataclass(frozen=True)
class FactMeaning:
    """What a fact says, the kind of subject it needs if it needs one, and an example note if it needs a note.

    `choices` are the subjects there are. `after_closing`: only a closed job takes it, and it is not for the customer.
    `of_customer`: its note is about the customer, so that the words are kept apart and can be erased.
    """

    says: str
    about: str | None = None
    note: str | None = None
    choices: tuple[str, ...] = ()
    after_closing: bool = False
    of_customer: bool = False


FACTS: dict[FactName, FactMeaning] = {
    "consent": FactMeaning(
        "the customer agreed in writing to the unit being opened and the drive being read and copied"
    ),
    "route": FactMeaning("the route this job takes", "ROUTE", choices=get_args(Route)),
    "old-drive": FactMeaning("which of the drives read in this job is the customer's", "SERIAL"),
    "dead-drive": FactMeaning("the customer's drive does not respond on any dock or cable we have", "SERIAL"),
    "weak-identity": FactMeaning(
        "a bridge hides the drive's own serial number; this one was read off its label", "SERIAL"
    ),
    "earlier-reading": FactMeaning(
        "why a reading of this drive from outside this job, or without a time, still tells how it is",
        "SERIAL",
        "lay sealed in its bag since it was read",
    ),
    "earlier-copy": FactMeaning(
        "why a copy begun before this job was opened still holds everything on the drive",
        note="the drive has lain here since",
    ),
    "unlike-profile": FactMeaning(
        "why a drive unlike those this unit is built for is nevertheless the right one",
        "SERIAL",
        "the customer fitted it with an adapter",
    ),
    "way-out": FactMeaning(
        "what was done to clear up a recheck, as the customer reads it: the other cable or port, the amount read",
        note="new cable, read 100 GB",
    ),
    "unreadable": FactMeaning("the customer knows that this area could not be read", "OFFSET"),
    "unread": FactMeaning("the customer knows that this area was not read, and is not on the new drive", "OFFSET"),
    "copy-size": FactMeaning("the customer knows that what was copied differs in size from the drive that was read"),
    "source-changed": FactMeaning("the customer knows that the source was written to while it was copied"),
    "all-zero": FactMeaning("the drive was read on another dock too, and the customer knows that nothing is on it"),
    "unchanged": FactMeaning("nothing has been attached to the new drive or written to it since it was verified"),
    "detached": FactMeaning("power is off and the old and the new drive are no longer attached together"),
    "bag-drives": FactMeaning("the bag's source folder is on the customer's drive and the bag is on the new drive"),
    "left-out": FactMeaning("the customer knows which files could not be copied"),
    "names-agreed": FactMeaning("the customer agreed that the handover sheet names the files that were damaged"),
    "no-data": FactMeaning("the customer agreed that nothing is carried over from the old drive"),
    "note": FactMeaning(
        "a note of your own, which stands on the shop's half of the sheet", note="will be collected on Monday"
    ),
    "customer-note": FactMeaning(
        "a note about the customer, whose words are kept apart, stand on no sheet and can be erased",
        note="may be called after six",
        of_customer=True,
    ),
    "server-away": FactMeaning(
        "why the gate may be judged without the record, whose server was away",
        note="bench 2 has not touched this job",
    ),
    "chain-mended": FactMeaning(
        "results that an interruption left without a line in the chain were looked at and are the job's",
        note="power cut while the copy was filed",
    ),
    "came-back": FactMeaning(
        "the unit was brought back after the job was closed, and what was wrong with it",
        "CAUSE",
        choices=get_args(CameBackCause),
        after_closing=True,
    ),
}


def follows_closing(fact: Fact) -> bool:
    """Whether a fact is about the time after the job, so that only a closed job takes it."""
    return FACTS[fact.fact].after_closing


def is_of_customer(fact: Fact) -> bool:
    """Whether the note of a fact is about the customer."""
    return FACTS[fact.fact].of_customer


def make_fact(
    fact: str, about: str | None, *, note: str | None, at: str, by: str | None, areas: Iterable[Area] = ()
) -> Fact:
    """Check a fact and make it. Raises BadInput if the name is unknown or its subject is missing, superfluous or unfit.

    `areas` are those the job's receipts list by that name; such an area is recorded as "OFFSET+LENGTH".
    """
    name = next((name for name in FACTS if name == fact), None)
    if name is None:
        raise BadInput(f"{fact!r} is not a fact to record", hint=f"Choose one of: {', '.join(FACTS)}.")
    subject = FACTS[name].about
    if subject is None and about is not None:
        raise BadInput(f"{fact} takes no value, got {about!r}", hint="Put words into --note.")
    if subject is not None and not about:
        raise BadInput(f"{fact} needs a value", hint=f"drivecare job record ID {fact} {subject}")
    choices = FACTS[name].choices
    if choices and about not in choices:
        raise BadInput(f"{about!r} is not a {str(subject).lower()}", hint=f"Choose one of: {', '.join(choices)}.")
    if name in ("unreadable", "unread"):
        about = format_area(_area_at(name, about or "", areas))
    if note == OPEN_NOTE or about == OPEN_SERIAL:
        blank = f'--note "{OPEN_NOTE}"' if note == OPEN_NOTE else OPEN_SERIAL
        raise BadInput(f"{blank} is to be filled in", hint="Type what you know yourself; nothing was recorded.")
    example = FACTS[name].note
    if example is not None and not note:
        words = " ".join(word for word in (fact, about) if word)
        raise BadInput(f"{fact} needs a note", hint=f'drivecare job record ID {words} --note "{example}"')
    return Fact(fact=name, about=about, note=note, at=at, by=by)


def format_area(area: Area) -> str:
    """Name an area for a fact: offset and length in bytes, so that a larger one is not taken for acknowledged."""
    return f"{area.offset}+{area.length}"


def parse_area(name: str | None) -> Area:
    """Parse the area that a fact names; an empty area if it names none."""
    offset, _, length = (name or "").partition("+")
    numbers = all(number.isdecimal() and len(number) < 20 for number in (offset, length))
    return Area(offset=int(offset), length=int(length)) if numbers else Area(offset=0, length=0)


def _area_at(name: FactName, typed: str, areas: Iterable[Area]) -> Area:
    """Find the area typed as OFFSET or OFFSET+LENGTH; the longest if several start at that offset."""
    listed = tuple(dict.fromkeys(areas))
    shortest_first = sorted(listed, key=lambda area: area.length)
    by_words = {words: area for area in shortest_first for words in (str(area.offset), format_area(area))}
    digits = typed.replace(",", "")
    if digits not in by_words:
        offsets = ", ".join([str(area.offset) for area in listed][:5]) or "none"
        raise BadInput(f"no {name} area starts at {typed!r}", hint=f"The job's receipts list: {offsets}.")
    return by_words[digits]
