"""What may still be filed once a job is closed: what became of the unit afterwards, and that this was a mistake."""

from __future__ import annotations

from drivecare.documents import decode
from drivecare.errors import Refused
from drivecare.job.attestations import follows_closing
from drivecare.job.contents import JobContents
from drivecare.job.model import Fact, Withdrawal
from drivecare.job.result_files import document_kind


def is_of_later(data: bytes, kind: str, contents: JobContents) -> bool:
    """Whether a result to be filed is of the time after the job, or withdraws nothing but such results."""
    if kind == document_kind(Fact):
        return follows_closing(decode(Fact, data, origin="document"))
    if kind != document_kind(Withdrawal):
        return False
    facts = contents.documents(Fact, doubtful=contents.names)
    later = {filed.name for filed in facts if follows_closing(filed.document)}
    return later.issuperset(decode(Withdrawal, data, origin="document").files)


def refuse_too_early(fact: Fact, contents: JobContents) -> None:
    """Raise Refused for a fact of the time after a job that is still open."""
    if follows_closing(fact) and contents.closing(doubtful=contents.names) is None:
        id = contents.path.name
        hint = f"Nothing was recorded. Once it has left: drivecare job close {id}."
        problem = "is not closed, so its unit has not left yet"
        raise Refused(problem, guard="job-open", location=f"job {id}", hint=hint)
