"""The handover sheet: one page for the customer, one for the shop, every value from the job's folder.

Text comes from `sheet.html.jinja` alone and is escaped there; pictures come from `plots`. The print is never smaller
than 7 points: long lists are cut to what two sheets of A4 hold at that size and say how much more the job's folder has.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drivecare import __version__
from drivecare.documents import read_bytes
from drivecare.format import format_bytes, format_value
from drivecare.job.customer import (
    describe_baseline,
    describe_odds,
    drive_names,
    in_hundred,
    unit_name,
    write_customer_page,
)
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import JobState, newest_of
from drivecare.job.model import Gate, Handover
from drivecare.job.proof import CopyProof, find_copy_proof
from drivecare.job.times import day, said
from drivecare.reading.model import Values
from drivecare.storage import write_file
from drivecare.visible import visible_lines

if TYPE_CHECKING:
    from markupsafe import Markup

    from drivecare.fit.model import JudgedCandidate
    from drivecare.job.plots import Picture
    from drivecare.risk.model import Assessment, Finding
    from drivecare.transfer.files.bag import BagReceipt

# A word with a digit in it, parts joined by hyphens or commas or ten signs and more, short enough to stand in one line
# of a narrow column: serial numbers, sector counts, world-wide names.
_NUMBER = re.compile(r"(?<![\w/&#;,-])(?=[\w,-]*\d)(?=[\w,-]{4,18}(?![\w-]))(?:\w+(?:[,-]\w+)+|\w{10,18})")

# The digest of the page with nothing between these quotes: by it a sheet is known that nobody has written into.
_SEAL = re.compile(rb'(<meta name="page-sha256" content=")([0-9a-f]*)(">)')

LONGEST_TEXT = 400


@dataclass(frozen=True, kw_only=True)
class PageBudget:
    """How much of each the shop's page shows; `evidence` is the letters of a gate item, `text` the part of its usual
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

ROUTES = {
    "same-drive": "the same drive goes back",
    "new-drive-data": "a new drive with the data",
    "new-drive-empty": "a new drive, no data wanted",
}

# What the readings are compared by, in the shop's words; those neither reading names are left out.
VALUE_LABELS: dict[str, str] = {
    "power_on_hours": "hours powered on",
    "temperature_celsius": "temperature, °C",
    "pending": "waiting to be remapped",
    "reallocated": "replaced by spares",
    "offline_uncorrectable": "unreadable in the background",
    "reported_uncorrectable": "read errors reported",
    "media_errors": "media errors",
    "grown_defects": "grown defects",
    "uncorrected_reads": "uncorrected reads",
    "crc_errors": "link errors",
    "wear_percent_used": "rated writing used, %",
    "available_spare_percent": "spare left, %",
}


@dataclass(frozen=True, kw_only=True)
class SheetRow:
    """One line of a table: a name and its cells."""

    name: str
    cells: tuple[str, ...]


def render_sheet(case: JobState, *, shop: str | None = None) -> str:
    """The page as HTML. `shop` is the name to head it with."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("drivecare.job", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.finalize = _printable
    environment.filters["picture"] = lambda picture: Markup(picture.svg)  # made by plots, no text of others in it
    environment.filters["whole"] = keep_numbers_whole
    environment.filters["fixed"] = lambda text, length: keep_numbers_whole(clip(text, length))
    page, values = "", _values(case, shop)
    for room in PAGE_BUDGETS:
        environment.filters["clip"] = lambda text, length=LONGEST_TEXT, part=room.text: keep_numbers_whole(
            clip(text, int(length * part))
        )
        page = environment.get_template("sheet.html.jinja").render(values, room=room)
        if _letters(page) <= MOST_LETTERS:
            break
    return page


def make_sheet(case: JobState, path: Path, *, shop: str | None = None) -> tuple[Handover, str]:
    """The page, and what it says of itself: where it goes and whether the work is done."""
    gate = judge_gate(case)
    missing = tuple(item.item for item in gate.items if not item.holds)
    return Handover(job=case.id, path=str(path), gate_open=gate.open, missing=missing), render_sheet(case, shop=shop)


def is_own_sheet(path: Path) -> bool:
    """Whether a handover sheet lies at `path` just as it was written: one that somebody changed is theirs."""
    if not path.is_file() or path.is_symlink():
        return False
    page = read_bytes(path)
    seal = _SEAL.search(page)
    return seal is not None and _sealed(page) == page


def _sealed(page: bytes) -> bytes:
    """The page with the digest of itself put in."""
    blank = _SEAL.sub(rb"\1\3", page, count=1)
    return _SEAL.sub(rb"\g<1>" + hashlib.sha256(blank).hexdigest().encode() + rb"\3", blank, count=1)


def write_sheet(path: Path, html: str, *, replace: bool) -> None:
    """Put the page at `path`, whole or not at all. Raises Refused where a file lies there it may not `replace`."""
    write_file(path, _sealed(html.encode("utf-8")), replace=replace)


def clip(text: object, length: int = LONGEST_TEXT) -> str:
    """A text cut to what the page holds."""
    words = str(text)
    return words if len(words) <= length else words[: length - 1].rstrip() + "…"


def keep_numbers_whole(text: object) -> Markup:
    """A text in which model and serial numbers are not broken at their hyphens."""
    from markupsafe import Markup, escape

    safe = str(escape(_printable(str(text))))
    return Markup(_NUMBER.sub(r'<span class="whole">\g<0></span>', safe))


def _printable(value: object) -> object:
    """Texts with control and direction characters escaped, which would reorder or hide what stands beside them."""
    return visible_lines(value) if type(value) is str else value  # a Markup is ours


def _letters(page: str) -> int:
    """How much there is to read on the shop's half."""
    shop = page[page.index('<section class="shop') :]
    letters = len(re.sub(r"<svg.*?</svg>|<[^>]*>|\s+", "", shop, flags=re.DOTALL))
    return letters + FIGURE_LETTERS * shop.count("<svg")


def _values(case: JobState, shop: str | None) -> dict[str, Any]:
    from drivecare.job import plots

    gate, proof = judge_gate(case), find_copy_proof(case)
    old, new = newest_of(case.old_drive_readings), newest_of(case.inspections)
    judged = old.document if old is not None else None
    fresh = new.document if new is not None and gate.route != "same-drive" else None
    old_name, new_name = drive_names(case)
    scan = newest_of(case.scans_of(judged.drive)) if judged is not None else None
    return {
        "version": __version__,
        "mark": f"drivecare {__version__}",
        "case": case,
        "shop": shop,
        "unit": unit_name(case),
        "today": day(case.now),
        "now": said(case.now),
        "told": write_customer_page(case),
        "gate": gate,
        "missing": [item for item in gate.items if not item.holds],
        "route": ROUTES[gate.route],
        "old_name": old_name,
        "new_name": new_name,
        "judged": judged,
        "odds": describe_odds(judged.failure_12_months) if judged is not None else None,
        "odds_beside": describe_baseline(judged.failure_12_months) if judged is not None else "",
        "dots": _dots(judged),
        "counts": plots.draw_counts(judged.values, fresh.values) if judged is not None and fresh is not None else None,
        "surface": plots.draw_surface(scan.document) if scan is not None else None,
        "identities": _identities(judged, fresh),
        "readings": _readings(case, fresh),
        "reading_heads": _heads(case, fresh),
        "findings": judged.findings if judged is not None else (),
        "observed": _observed,
        "number": _number,
        "limits": judged.limits if judged is not None else (),
        "plan": case.plan.document if case.plan is not None and gate.route != "same-drive" else None,
        "chosen": case.plan.document.chosen_drive if case.plan is not None else None,
        "rejected": _rejected(case),
        "proof": proof if gate.route == "new-drive-data" else None,
        "receipts": _receipts(proof) if gate.route == "new-drive-data" else [],
        "bag_losses": _bag_losses(proof.bag.document) if proof.bag is not None else [],
        "areas": _areas(case, proof) if gate.route == "new-drive-data" else [],
        "cautions": _cautions(case, gate),
        "facts": [fact.document for fact in case.facts],
        "format_bytes": format_bytes,
        "said": said,
    }


def _bag_losses(bag: BagReceipt) -> list[str]:
    """What of the files is not in a bag, or not as the unit had it: the count, then as many as the line holds."""
    groups = (("left out", bag.left_out), ("copied without everything of it", bag.not_kept))
    return [
        f"{title}: {len(notes):,}: " + "; ".join(f"{note.name}: {note.reason}" for note in notes[:3])
        for title, notes in groups
        if notes
    ]


def _dots(judged: Assessment | None) -> Picture | None:
    from drivecare.job import plots

    if judged is None or judged.failure_12_months.estimate is None:
        return None
    chance = judged.failure_12_months
    return plots.draw_odds(in_hundred(chance.estimate or 0), None if chance.clean is None else in_hundred(chance.clean))


def _identities(old: Assessment | None, new: Assessment | None) -> list[SheetRow]:
    drives = [one.drive for one in (old, new) if one is not None]
    if not drives:
        return []
    return [
        SheetRow(name="model", cells=tuple(clip(drive.model or "not said", 40) for drive in drives)),
        SheetRow(name="serial number", cells=tuple(clip(drive.serial or "not said", 40) for drive in drives)),
        SheetRow(name="WWN", cells=tuple(clip(drive.identity.wwn or "none", 60) for drive in drives)),
        SheetRow(name="firmware", cells=tuple(clip(drive.firmware or "not said", 30) for drive in drives)),
        SheetRow(name="capacity", cells=tuple(_number(drive.capacity_bytes) + " bytes" for drive in drives)),
    ]


def _heads(case: JobState, new: Assessment | None) -> list[str]:
    heads = [f"old, {_short(one.document.read_at or one.file.filed_at)}" for one in _ends(case)]
    return [*heads, *([f"new, {_short(new.read_at)}"] if new is not None else [])]


def _short(time: str | datetime | None) -> str:
    """A time for the head of a narrow column: "25 Nov 10:31"."""
    words = said(time).split()
    return " ".join((*words[:2], words[3])) if len(words) == 4 and words[0].isdecimal() else "unknown"


def _readings(case: JobState, new: Assessment | None) -> list[SheetRow]:
    values = [one.document.values for one in _ends(case)] + ([new.values] if new is not None else [])
    rows = []
    for name, label in VALUE_LABELS.items():
        cells = tuple(_cell(value, name) for value in values)
        if any(cell != "–" for cell in cells):
            rows.append(SheetRow(name=label, cells=cells))
    return rows


def _ends(case: JobState) -> list[Any]:
    """The first and the newest reading of the old drive."""
    return [*case.old_drive_readings[:1], *(case.old_drive_readings[-1:] if len(case.old_drive_readings) > 1 else ())]


def _cell(values: Values, name: str) -> str:
    return _number(getattr(values, name))


def _number(value: object) -> str:
    """Format a value for a table: a dash for what the drive did not say."""
    return clip(format_value(value, absent="–"), 40)


def _observed(finding: Finding) -> str:
    """What a finding saw; a chance as a percentage."""
    if finding.signal == "estimate" and isinstance(finding.observed, float):
        return f"{finding.observed:.0%}"
    return _number(finding.observed)


def _rejected(case: JobState) -> list[SheetRow]:
    """The other candidates, each with the first thing that speaks against it."""
    plan = case.plan.document if case.plan is not None else None
    others = [] if plan is None else [one for one in plan.candidates if one.name != plan.chosen]
    return [SheetRow(name=clip(one.name, 60), cells=(clip(_against(one), 150),)) for one in others]


def _against(one: JudgedCandidate) -> str:
    for result in ("block", "unknown"):
        for check in one.checks:
            if check.result == result:
                return f"{'no' if result == 'block' else 'unknown'}: {check.reason}"
    return "fits as well" + (f", rank {one.rank}" if one.rank is not None else "")


def _receipts(proof: CopyProof) -> list[dict[str, str]]:
    """The copies of the chain, the one onto the new drive first."""
    return [
        {
            "from": clip(one.document.source.path, 80),
            "to": clip(one.document.target.path, 80),
            "bytes": f"{one.document.bytes_copied:,} of {one.document.bytes_total:,}",
            "digest": one.document.digest.whole or "not proven",
            "chunks": f"{len(one.document.digest.chunks):,} of {format_bytes(one.document.digest.chunk_bytes)}",
            "how": _how(one.document.verified, one.document.verification)
            if one.document.bytes_across
            else "NOTHING copied",
            "file": one.file.path.name,
        }
        for one in proof.chain
    ]


def _how(verified: bool, verification: Any) -> str:
    if not verified or verification is None:
        return "NOT verified"
    methods = {
        "direct": "past the bench machine's cache",
        "cache-dropped": "after the bench machine's cache was dropped",
        "after-power-cycle": "after the drive was without power, on the bench's word",
    }
    return f"read back {methods[verification.method]}, {said(verification.at)}"


def _areas(case: JobState, proof: CopyProof) -> list[SheetRow]:
    rows = []
    for area in proof.unreadable:
        fact = case.acknowledgement_of(area)
        known = f"customer told {said(fact.file.filed_at)}" if fact is not None else "customer NOT told yet"
        rows.append(SheetRow(name=f"{area.offset:,}", cells=(f"{area.length:,}", known)))
    return rows


def _cautions(case: JobState, gate: Gate) -> list[str]:
    plan = case.plan.document if case.plan is not None and gate.route != "same-drive" else None
    if plan is not None and plan.cautions:
        return list(plan.cautions)
    from drivecare.fit.steps import CAUTIONS

    return list(CAUTIONS)
