"""Open a job: what the unit is, what the customer says, and what the unit's profile advises for its symptoms."""

from __future__ import annotations

from collections.abc import Iterable

from drivecare import __version__
from drivecare.fit.host_catalogue import find_host
from drivecare.fit.host_profile import HostDocument
from drivecare.fit.symptoms import advise
from drivecare.job.expected_drive import built_for
from drivecare.job.model import Opening
from drivecare.record.port import FiledJob, Record


def open_new_job(
    id: str,
    *,
    label: str,
    complaint: str,
    symptoms: tuple[str, ...],
    reference: str | None = None,
    tags: tuple[str, ...] = (),
    hosts: Iterable[HostDocument],
    at: str,
    by: str,
    record: Record,
) -> tuple[FiledJob, Opening]:
    """Find the unit by its label or ID and make a new job. Raises BadInput if the ID is taken."""
    host = find_host(label, hosts)
    opening = Opening(
        id=id,
        opened_at=at,
        by=by,
        host=host.id,
        host_name=host.name,
        label=label,
        complaint=complaint,
        symptoms=symptoms,
        reference=reference,
        tags=tuple(dict.fromkeys(filter(None, tags))),
        advice=tuple(advise(symptom, host) for symptom in symptoms),
        built_for=built_for(host),
        tool_version=__version__,
    )
    return record.create(opening), opening
