"""Record what only a person can know, once for each subject."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from drivecare.job.afterwards import refuse_too_early
from drivecare.job.attestations import make_fact
from drivecare.job.job_state import load_job_state
from drivecare.job.model import Fact
from drivecare.record.port import FiledJob


def record_facts(
    folder: FiledJob, fact: str, subjects: tuple[str, ...], *, note: str | None, at: str, by: str
) -> Iterator[tuple[Fact, Path]]:
    """File the facts, yielding each with its file. None is filed if one of them is not fit to be recorded."""
    contents = folder.read()
    receipts = load_job_state(contents, digests=False).receipts
    listed = [filed.document.unread if fact == "unread" else filed.document.unreadable for filed in receipts]
    areas = tuple(area for of_copy in listed for area in of_copy)
    facts = [make_fact(fact, subject, note=note, at=at, by=by, areas=areas) for subject in subjects or (None,)]
    for document in facts:
        refuse_too_early(document, contents)
    if fact == "chain-mended":
        mended = folder.mend_chain(facts[0])
        yield mended.document, mended.file.path
    else:
        for document in facts:
            yield document, folder.file(document)
