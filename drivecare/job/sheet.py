"""The handover sheet: one page for the customer, one for the shop, every value from the job's folder.

Text comes from `sheet.html.jinja` alone and is escaped there; pictures come from `plots`. The print is never smaller
than 7 points: long lists are cut to what two sheets of A4 hold at that size and say how much more the job's folder has.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drivecare import __version__
from drivecare.clock import format_day, format_time
from drivecare.fit.steps import CAUTIONS
from drivecare.format import format_value
from drivecare.job.attestations import follows_closing, is_of_customer
from drivecare.job.contents import FiledDocument, newest_of
from drivecare.job.customer import (
    describe_baseline,
    describe_odds,
    drive_names,
    in_hundred,
    unit_name,
    write_customer_page,
)
from drivecare.job.html_page import LONGEST_TEXT, clip, keep_numbers_whole, page_environment
from drivecare.job.job_state import JobState
from drivecare.job.losses import areas_on_sheet, name_files
from drivecare.job.model import ROUTES, ChainEnd, Fact, Handover
from drivecare.job.plots import COUNT_LABELS, Picture, draw_counts, draw_odds, draw_surface
from drivecare.job.proof import CopyProof
from drivecare.transfer.areas import total
from drivecare.transfer.holds import hits_nothing
from drivecare.transfer.sectors.digests import PROPER_NAMES
from drivecare.transfer.sectors.receipt import describe_read_back

if TYPE_CHECKING:
    from drivecare.fit.model import JudgedCandidate, Plan
    from drivecare.risk.model import Assessment, Finding
    from drivecare.transfer.files.bag import BagReceipt
    from drivecare.transfer.sectors.receipt import Receipt


@dataclass(frozen=True, kw_only=True)
class PageBudget:
    """How much of each the shop's page shows. `evidence` is the letters of a gate item, `text` the share of its usual
    length that any other text keeps.
    """

    findings: int
    rejected: int
    areas: int
    facts: int
    warnings: int
    receipts: int
    cautions: int
    limits: int
    evidence: int
    text: float


# The first that holds the job is taken. MOST_LETTERS go on one page of A4 and a figure takes the place of
# FIGURE_LETTERS: found by printing the jobs of tests/job/rich_case.py, which the tests in a browser repeat.
PAGE_BUDGETS = (
    PageBudget(
        findings=5, rejected=5, areas=4, facts=3, warnings=3, receipts=2, cautions=9, limits=2, evidence=100, text=1.0
    ),
    PageBudget(
        findings=4, rejected=3, areas=3, facts=3, warnings=2, receipts=1, cautions=8, limits=1, evidence=100, text=0.7
    ),
    PageBudget(
        findings=3, rejected=2, areas=2, facts=2, warnings=1, receipts=1, cautions=7, limits=1, evidence=60, text=0.4
    ),
)
MOST_LETTERS = 4600
FIGURE_LETTERS = 300

# What the readings are compared by, in the shop's words; those neither reading names are left out.
VALUE_LABELS: dict[str, str] = {
    "power_on_hours": "hours powered on",
    "temperature_celsius": "temperature, °C",
    **COUNT_LABELS,
    "wear_percent_used": "rated writing used, %",
    "available_spare_percent": "spare left, %",
}


@dataclass(frozen=True, kw_only=True)
class SheetRow:
    """One line of a table: a name and its cells."""

    name: str
    cells: tuple[str, ...]


def render_sheet(job: JobState, *, shop: str | None = None) -> str:
    """Render the page as HTML. `shop` is the name to head it with."""
    from markupsafe import Markup

    environment = page_environment()
    environment.filters["picture"] = lambda picture: Markup(picture.svg)  # made by plots, no text of others in it
    environment.filters["fixed"] = lambda text, length: keep_numbers_whole(clip(text, length))
    page, values = "", _sheet_values(job, shop)
    for budget in PAGE_BUDGETS:
        environment.filters["clip"] = lambda text, length=LONGEST_TEXT, share=budget.text: keep_numbers_whole(
            clip(text, int(length * share))
        )
        page = environment.get_template("sheet.html.jinja").render(values, budget=budget)
        if _count_letters(page) <= MOST_LETTERS:
            break
    return page


def make_sheet(job: JobState, path: Path, *, shop: str | None = None) -> tuple[Handover, str]:
    """Make the page, and the record of it: where it goes and whether the work is done."""
    missing = tuple(item.item for item in job.gate.items if not item.holds)
    handover = Handover(job=job.id, path=str(path), gate_open=job.gate.open, missing=missing, chain=_chain_end(job))
    return handover, render_sheet(job, shop=shop)


def _chain_end(job: JobState) -> ChainEnd | None:
    chain = job.contents.chain
    return ChainEnd(results=len(chain.links), digest=chain.end) if chain is not None and chain.links else None


def _count_letters(page: str) -> int:
    """Count how much there is to read on the shop's half."""
    shop = page[page.index('<section class="shop') :]
    letters = len(re.sub(r"<svg.*?</svg>|<[^>]*>|\s+", "", shop, flags=re.DOTALL))
    return letters + FIGURE_LETTERS * shop.count("<svg")


def _sheet_values(job: JobState, shop: str | None) -> dict[str, Any]:
    """Collect everything that the template names."""
    gate, proof = job.gate, job.proof
    assessment = job.old_drive.document if job.old_drive is not None else None
    inspection = job.new_drive.document if job.new_drive is not None and job.route != "same-drive" else None
    plan = job.plan.document if job.plan is not None else None
    old_name, new_name = drive_names(job)
    scan = newest_of(job.scans_of(assessment.drive)) if assessment is not None else None
    copied = job.route == "new-drive-data"
    return {
        "mark": f"drivecare {__version__}",
        "job": job,
        "shop": shop,
        "unit": unit_name(job),
        "today": format_day(job.now),
        "now": format_time(job.now),
        "customer": write_customer_page(job),
        "gate": gate,
        "missing": [item for item in gate.items if not item.holds],
        "route": ROUTES[gate.route],
        "old_name": old_name,
        "new_name": new_name,
        "assessment": assessment,
        "odds": describe_odds(assessment.failure_12_months) if assessment is not None else None,
        "baseline": describe_baseline(assessment.failure_12_months) if assessment is not None else "",
        "odds_picture": _draw_odds_of(assessment),
        "counts_picture": draw_counts(assessment.values, inspection.values) if assessment and inspection else None,
        "surface_picture": draw_surface(scan.document) if scan is not None else None,
        "identities": _identity_rows(assessment, inspection),
        "readings": _reading_rows(job, inspection),
        "reading_heads": _reading_heads(job, inspection),
        "findings": assessment.findings if assessment is not None else (),
        "observed": _format_observed,
        "number": _format_cell,
        "limits": assessment.limits if assessment is not None else (),
        "plan": plan if job.route != "same-drive" else None,
        "chosen": plan.chosen_drive if plan is not None else None,
        "rejected": _rejected_rows(plan),
        "proof": proof if copied else None,
        "receipts": _receipt_rows(proof) if copied else [],
        "bag_losses": _bag_losses(proof.bag.document) if proof.bag is not None else [],
        "areas": _area_rows(job) if copied else [],
        "has_names": any(name_files(hold for area in areas_on_sheet(job) for hold in area.holds)),
        "cautions": (plan.cautions if plan is not None and job.route != "same-drive" else ()) or CAUTIONS,
        "facts": sorted(_facts_to_show(job), key=lambda fact: fact.fact == "note"),  # the last are kept
        "format_time": format_time,
        "chain": _chain_end(job),
    }


def _facts_to_show(job: JobState) -> Iterator[Fact]:
    """Every fact of the job itself: what became of the unit afterwards, and what was noted about the customer, are the
    shop's own business.
    """
    facts = (filed.document for filed in job.facts)
    return (fact for fact in facts if not follows_closing(fact) and not is_of_customer(fact))


def _bag_losses(bag: BagReceipt) -> list[str]:
    """Describe files that are not in a bag, or not as the unit had them: the count, then as many as fit."""
    groups = (("left out", bag.left_out), ("copied without all of their attributes", bag.not_kept))
    return [
        f"{title}: {len(notes):,}: " + "; ".join(f"{note.name}: {note.reason}" for note in notes[:3])
        for title, notes in groups
        if notes
    ]


def _draw_odds_of(assessment: Assessment | None) -> Picture | None:
    if assessment is None or assessment.failure_12_months.estimate is None:
        return None
    chance = assessment.failure_12_months
    return draw_odds(in_hundred(chance.estimate or 0), None if chance.clean is None else in_hundred(chance.clean))


def _identity_rows(assessment: Assessment | None, inspection: Assessment | None) -> list[SheetRow]:
    drives = [document.drive for document in (assessment, inspection) if document is not None]
    if not drives:
        return []
    return [
        SheetRow(name="model", cells=tuple(clip(drive.model or "not said", 40) for drive in drives)),
        SheetRow(name="serial number", cells=tuple(clip(drive.serial or "not said", 40) for drive in drives)),
        SheetRow(name="WWN", cells=tuple(clip(drive.identity.wwn or "none", 60) for drive in drives)),
        SheetRow(name="firmware", cells=tuple(clip(drive.firmware or "not said", 30) for drive in drives)),
        SheetRow(name="capacity", cells=tuple(_format_cell(drive.capacity_bytes) + " bytes" for drive in drives)),
    ]


def _reading_heads(job: JobState, inspection: Assessment | None) -> list[str]:
    heads = [f"old, {_short_time(filed.document.read_at or filed.filed_at)}" for filed in _first_and_newest(job)]
    return [*heads, *([f"new, {_short_time(inspection.read_at)}"] if inspection is not None else [])]


def _short_time(time: str | datetime | None) -> str:
    """Format a time for the head of a narrow column: "25 Nov 10:31"."""
    words = format_time(time).split()
    return " ".join((*words[:2], words[3])) if len(words) == 4 and words[0].isdecimal() else "unknown"


def _reading_rows(job: JobState, inspection: Assessment | None) -> list[SheetRow]:
    readings = [filed.document.values for filed in _first_and_newest(job)]
    readings += [inspection.values] if inspection is not None else []
    rows = []
    for name, label in VALUE_LABELS.items():
        cells = tuple(_format_cell(getattr(values, name)) for values in readings)
        if any(cell != "–" for cell in cells):
            rows.append(SheetRow(name=label, cells=cells))
    return rows


def _first_and_newest(job: JobState) -> list[FiledDocument[Assessment]]:
    """Select the first and the newest reading of the old drive."""
    readings = job.old_drive_readings
    return [*readings[:1], *readings[1:][-1:]]


def _format_cell(value: object) -> str:
    """Format a value for a table: a dash for what the drive did not say."""
    return clip(format_value(value, absent="–"), 40)


def _format_observed(finding: Finding) -> str:
    """Format what a finding observed; a chance as a percentage."""
    if finding.failed_part is not None:
        return "failed"
    if finding.signal == "estimate" and isinstance(finding.observed, float):
        return f"{finding.observed:.0%}"
    return _format_cell(finding.observed)


def _rejected_rows(plan: Plan | None) -> list[SheetRow]:
    """List the other candidates, each with the first reason against it."""
    candidates = plan.candidates if plan is not None else ()
    return [
        SheetRow(name=clip(candidate.name, 60), cells=(clip(_reason_against(candidate), 150),))
        for candidate in candidates
        if plan is not None and candidate.name != plan.chosen
    ]


def _reason_against(candidate: JudgedCandidate) -> str:
    for result in ("block", "unknown"):
        for check in candidate.checks:
            if check.result == result:
                return f"{'no' if result == 'block' else 'unknown'}: {check.reason}"
    return "fits as well" + (f", rank {candidate.rank}" if candidate.rank is not None else "")


def _receipt_rows(proof: CopyProof) -> list[dict[str, str]]:
    """List the copies of the chain, the one onto the new drive first."""
    rows = []
    for filed in proof.chain:
        receipt = filed.document
        rows.append(
            {
                "from": clip(receipt.source.path, 80),
                "to": clip(receipt.target.path, 80),
                "bytes": f"{receipt.bytes_copied:,} of {receipt.bytes_total:,}",
                "digest_name": PROPER_NAMES[receipt.digest.whole_algorithm],
                "digest": receipt.digest.whole or "not proven",
                "chunks": f"{len(receipt.digest.chunks):,} of {receipt.digest.chunk_bytes:,} bytes",
                "how": _describe_read_back(receipt) if receipt.bytes_across else "NOTHING copied",
                "file": filed.name,
            }
        )
    return rows


def _describe_read_back(receipt: Receipt) -> str:
    if receipt.unread:
        agrees = "the rest was read back and agrees" if receipt.agrees else "NOT verified"
        return f"NOT whole: {total(receipt.unread):,} bytes were not read; {agrees}"
    if not receipt.verified or receipt.verification is None:
        return "NOT verified"
    how = describe_read_back(receipt.verification.method, machine="the bench machine")
    word = ", on the bench's word" if receipt.verification.method == "after-power-cycle" else ""
    return f"read back {how}{word}, {format_time(receipt.verification.at)}"


def _area_rows(job: JobState) -> list[SheetRow]:
    rows = []
    for area in areas_on_sheet(job) if job.proof.unreadable else ():
        fact = job.acknowledgement_of(area)
        acknowledged = f"customer told {format_time(fact.filed_at)}" if fact is not None else "customer NOT told yet"
        if fact is None and hits_nothing(area, area.holds):
            acknowledged = "no file that existed was hit"
        known = "; ".join([acknowledged, *name_files(area.holds)])
        rows.append(SheetRow(name=f"{area.offset:,}", cells=(f"{area.length:,}", known)))
    return rows
