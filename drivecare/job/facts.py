"""Facts a person records in a job: what may be recorded, and what each means.

The gate stands on them where no drive can speak: consent, what the customer was told, what is plugged in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

from drivecare.errors import BadInput
from drivecare.job.model import Fact, FactName, Route


@dataclass(frozen=True)
class Meaning:
    """What recording a fact says, and what it is about where it needs saying."""

    says: str
    about: str | None = None


FACTS: dict[FactName, Meaning] = {
    "consent": Meaning("the customer agreed in writing to the unit being opened and the drive being read and copied"),
    "route": Meaning("which way this job goes", "ROUTE"),
    "old-drive": Meaning("which of the drives read in this job is the customer's", "SERIAL"),
    "weak-identity": Meaning("the serial number was read off the drive's own label and is the one shown", "SERIAL"),
    "way-out": Meaning("what was done to clear up a recheck: the other cable or port, the amount read"),
    "unreadable": Meaning("the customer knows that this area could not be read", "OFFSET"),
    "unchanged": Meaning("nothing has been attached to the new drive or written to it since it was verified"),
    "detached": Meaning("power is off and the old and the new drive are no longer attached together"),
    "no-data": Meaning("the customer agreed that nothing is carried over from the old drive"),
}


def make_fact(fact: str, about: str | None, *, note: str | None, at: str, by: str | None) -> Fact:
    """A checked fact. Raises BadInput where the name is none, or what it is about is missing, superfluous or unfit."""
    name = next((known for known in FACTS if known == fact), None)
    if name is None:
        raise BadInput(f"{fact!r} is no fact to record", hint=f"Choose one of: {', '.join(FACTS)}.")
    wanted = FACTS[name].about
    if wanted is None and about is not None:
        raise BadInput(f"{fact} takes no value, got {about!r}", hint="Put words into --note.")
    if wanted is not None and not about:
        raise BadInput(f"{fact} needs a value", hint=f"drivecare job record ID {fact} {wanted}")
    if name == "route" and about not in get_args(Route):
        raise BadInput(f"{about!r} is no route", hint=f"Choose one of: {', '.join(get_args(Route))}.")
    if name == "unreadable" and not (about or "").replace(",", "").isdecimal():
        raise BadInput(f"{about!r} is no offset in bytes", hint="drivecare gate ID lists the areas.")
    if name == "unreadable":
        about = (about or "").replace(",", "")
    if name == "way-out" and not note:
        raise BadInput("way-out needs words", hint='drivecare job record ID way-out --note "new cable, read 100 GB"')
    return Fact(fact=name, about=about, note=note, at=at, by=by)
