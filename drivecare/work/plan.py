"""Plan a replacement: read the old drive and the candidates, choose what fits. What `drivecare plan` does."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import msgspec

from drivecare.errors import BadInput
from drivecare.fit.candidates import add_facts, candidate_from_reading, describe_virtual
from drivecare.fit.host_catalogue import find_host
from drivecare.fit.host_profile import HostDocument
from drivecare.fit.model import Candidate, MigrationKind, Plan
from drivecare.fit.plan import make_plan
from drivecare.job.counted import counted_of
from drivecare.job.job_state import JobState
from drivecare.reading.model import Reading
from drivecare.record.location import shop_stock
from drivecare.risk.assess import assess
from drivecare.transfer.counted import total_used
from drivecare.work import Machine
from drivecare.work.read_sources import read_source

FACTS_OF_THE_UNIT: Final = frozenset({"smallest_member_sectors"})


@dataclass(frozen=True, kw_only=True)
class PlanRequest:
    """The unit, its old drive, and the drives to choose from.

    `old_drive` and `candidates` are attached drives, saved readings or text reports; `facts` were measured by hand on
    the one candidate, but for FACTS_OF_THE_UNIT. `migration` is how the content moves, where it is not as the profile
    says. `stock_path` is where `stock` comes from.
    """

    label: str | None
    hosts: tuple[HostDocument, ...]
    old_drive: str | Reading | None = None
    stock: tuple[Candidate, ...] = ()
    stock_path: Path | None = None
    candidates: tuple[str | Reading, ...] = ()
    facts: Mapping[str, str] = field(default_factory=dict)
    used_bytes: int | None = None
    encrypted: tuple[str, ...] = ()
    migration: MigrationKind | None = None
    symptom: str | None = None
    job: str | None = None


def complete_from_job(request: PlanRequest, job: JobState) -> PlanRequest:
    """Fill in from a job what the person did not name: the unit, the old drive, what to choose from.

    One who names a candidate means that one, so nothing is put beside it.
    """
    old_drive, stock, candidates = request.old_drive, request.stock_path, request.candidates
    used_bytes, encrypted = request.used_bytes, request.encrypted
    if old_drive is None and job.old_drive is not None:
        old_drive = job.reading_of(job.old_drive)
        receipts = (filed.document for filed in job.receipts)
        counted = counted_of(job.old_drive.document.drive, receipts, labels=job.logged_serials)
        used_bytes = total_used(counted) if used_bytes is None else used_bytes
        encrypted = tuple(str(partition) for partition in counted if partition.encrypted)
    if stock is None and not candidates:
        stock = Path(job.stock) if job.stock is not None else shop_stock()
        inspected = job.reading_of(job.new_drive)
        if stock is None and inspected is not None:
            candidates = (inspected,)
    label = request.label or job.opening.label
    return replace(
        request,
        label=label,
        old_drive=old_drive,
        stock_path=stock,
        candidates=candidates,
        used_bytes=used_bytes,
        encrypted=encrypted,
    )


def plan_replacement(request: PlanRequest, machine: Machine) -> Plan:
    """Find what fits the unit, and the steps to fit it. A candidate is judged as a drive sold as new.

    Raises BadInput, also for an old drive that is a volume behind a controller: its size is not a drive's. Raises
    Unavailable.
    """
    host = find_host(request.label or "", request.hosts)
    if request.migration is not None:
        moving = msgspec.structs.replace(host.moving, kind=request.migration, files_suffice=False)
        host = msgspec.structs.replace(host, moving=moving)
    old_drive = None if request.old_drive is None else _read(request.old_drive, machine)
    measured = {name: fact for name, fact in request.facts.items() if name not in FACTS_OF_THE_UNIT}
    candidates = (_candidate(source, measured, machine) for source in request.candidates)
    if old_drive is not None and (problem := describe_virtual(old_drive.drive)):
        raise BadInput(problem, location=old_drive.path)
    plan = make_plan(
        host,
        [*request.stock, *candidates],
        label=request.label,
        reading=old_drive,
        verdict=None if old_drive is None else assess(old_drive).verdict,
        used_bytes=request.used_bytes,
        encrypted=request.encrypted,
        smallest_member_sectors=parse_sectors(request.facts.get("smallest_member_sectors")),
        symptom=request.symptom,
        job=request.job,
    )
    path = request.stock_path
    return plan if path is None else msgspec.structs.replace(plan, stock=str(path.absolute()))


def parse_sectors(text: str | None) -> int | None:
    """Parse a sector count with or without separators. Raises BadInput."""
    if text is None:
        return None
    digits = re.sub(r"[\s.,'’_]|sectors$", "", text)
    if not digits.isascii() or not digits.isdigit() or not int(digits):
        hint = "Give the sectors that the smallest drive left in the unit reports, such as 3907029168."
        raise BadInput("is not a number of sectors", location=f"smallest_member_sectors={text}", hint=hint)
    return int(digits)


def _read(source: str | Reading, machine: Machine) -> Reading:
    return source if isinstance(source, Reading) else read_source(source, machine)


def _candidate(source: str | Reading, facts: Mapping[str, str], machine: Machine) -> Candidate:
    reading = _read(source, machine)
    assessment = assess(reading, as_new=True)
    chance = assessment.failure_12_months.estimate
    candidate = candidate_from_reading(reading, verdict=assessment.verdict, risk_12_months=chance)
    return add_facts(candidate, facts)
