"""The answer of a check of the gate, and the commands that supply what is missing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivecare.job.model import GateItem

if TYPE_CHECKING:
    from drivecare.job.contents import FiledDocument
    from drivecare.job.job_state import JobState
    from drivecare.job.model import Fact


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """Whether an item of the gate holds, and why; the fields are those of a `GateItem`."""

    holds: bool
    evidence: str
    age: str | None = None
    next: str | None = None

    def as_item(self, name: str) -> GateItem:
        """Name the item."""
        return GateItem(item=name, holds=self.holds, evidence=self.evidence, age=self.age, next=self.next)


def holds(evidence: str, age: str | None = None) -> Evidence:
    """Answer that an item holds."""
    return Evidence(holds=True, evidence=evidence, age=age)


def lacks(evidence: str, next: str | None, age: str | None = None) -> Evidence:
    """Answer that an item does not hold; `next` is the one command that would settle it."""
    return Evidence(holds=False, evidence=evidence, age=age, next=next)


def recorded(job: JobState, fact: FiledDocument[Fact], evidence: str) -> Evidence:
    """Answer that an item holds because a person recorded a fact."""
    note = f": {fact.document.note}" if fact.document.note else ""
    by = f", recorded by {fact.document.by}" if fact.document.by else ""
    return holds(f"{evidence}{note}{by}", job.age(fact.filed_at))
