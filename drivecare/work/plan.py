"""Plan a replacement: read the old drive and the candidates, choose what fits. What `drivecare plan` does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import msgspec

from drivecare.fit.candidates import add_facts, candidate_from_reading
from drivecare.fit.host_catalogue import find_host
from drivecare.fit.host_profile import HostDocument
from drivecare.fit.model import Candidate, MigrationKind, Plan
from drivecare.fit.plan import make_plan
from drivecare.risk.assess import assess
from drivecare.work import Machine
from drivecare.work.read_sources import read_source


@dataclass(frozen=True, kw_only=True)
class PlanRequest:
    """The unit, its old drive, and the drives to choose from.

    `old_drive` and `candidates` are attached drives, saved readings or text reports; `facts` were measured by hand on
    the one candidate. `migration` is how the content moves, where it is not as the profile says.
    """

    label: str
    hosts: tuple[HostDocument, ...]
    old_drive: str | None = None
    stock: tuple[Candidate, ...] = ()
    candidates: tuple[str, ...] = ()
    facts: Mapping[str, str] = field(default_factory=dict)
    used_bytes: int | None = None
    migration: MigrationKind | None = None
    symptom: str | None = None
    job: str | None = None


def plan_replacement(request: PlanRequest, machine: Machine) -> Plan:
    """Find what fits the unit, and the steps to fit it. Raises BadInput, Unavailable."""
    host = find_host(request.label, request.hosts)
    if request.migration is not None:
        host = msgspec.structs.replace(host, moving=msgspec.structs.replace(host.moving, kind=request.migration))
    old_drive = None if request.old_drive is None else read_source(request.old_drive, machine)
    candidates = (_candidate(source, request.facts, machine) for source in request.candidates)
    return make_plan(
        host,
        [*request.stock, *candidates],
        label=request.label,
        reading=old_drive,
        verdict=None if old_drive is None else assess(old_drive).verdict,
        used_bytes=request.used_bytes,
        symptom=request.symptom,
        job=request.job,
    )


def _candidate(source: str, facts: Mapping[str, str], machine: Machine) -> Candidate:
    reading = read_source(source, machine)
    return add_facts(candidate_from_reading(reading, verdict=assess(reading).verdict), facts)
