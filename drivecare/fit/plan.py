"""The plan: every candidate judged and ranked, the one to fit, what the symptom says, and the steps."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Final

import msgspec

from drivecare.errors import BadInput
from drivecare.exit_codes import ExitCode
from drivecare.fit.candidates import make_names_unique
from drivecare.fit.checks import BODY_CHECKS, Swap
from drivecare.fit.host_catalogue import common_symptoms
from drivecare.fit.host_profile import Host, Symptom
from drivecare.fit.model import Advice, Candidate, FitCheck, Fits, JudgedCandidate, OldDrive, Plan
from drivecare.fit.size_checks import SIZE_CHECKS, copy_minutes, promised_bytes
from drivecare.fit.steps import make_cautions, make_steps
from drivecare.format import format_bytes, format_count
from drivecare.reading.model import Reading

_ORDER: Final[dict[Fits, int]] = {"yes": 0, "unknown": 1, "no": 2}
_FILLERS: Final = set(re.findall(r"\w+", "a after again and does for from has is it no not on or the to up when"))


def make_plan(
    host: Host,
    candidates: Iterable[Candidate],
    *,
    label: str | None = None,
    reading: Reading | None = None,
    verdict: str | None = None,
    used_bytes: int | None = None,
    symptom: str | None = None,
    job: str | None = None,
) -> Plan:
    """The plan for putting one of `candidates` into `host` in place of the drive that `reading` describes.

    `verdict` is that of the reading; `symptom` what the customer says, `job` the job's ID
    for the commands in the steps. Raises BadInput for a symptom nobody knows.
    """
    swap = _describe_swap(host, reading, verdict, used_bytes)
    facts = {one.name: one for one in make_names_unique(tuple(candidates))}
    judged = rank_candidates([judge_candidate(one, swap) for one in facts.values()], facts, swap)
    chosen = next((one for one in judged if one.fits == "yes"), None)
    advice = None if symptom is None else advise(symptom, host)
    return Plan(
        host=host.id,
        host_name=host.name,
        label=label or host.id,
        migration=host.moving.kind,
        source=swap.source,
        used_bytes=used_bytes,
        candidates=judged,
        chosen=None if chosen is None else chosen.name,
        symptom=advice,
        steps=make_steps(host, swap.source, chosen, advice, job=job),
        cautions=make_cautions(host, reading),
    )


def exit_code(plan: Plan) -> ExitCode:
    """Whether a candidate fits, or may fit once the missing facts are known."""
    fits = {one.fits for one in plan.candidates}
    if "yes" in fits:
        return ExitCode.DONE
    return ExitCode.FACTS_MISSING if "unknown" in fits else ExitCode.NONE_FITS


def _describe_swap(host: Host, reading: Reading | None, verdict: str | None, used_bytes: int | None) -> Swap:
    if reading is None:
        return Swap(host=host, used_bytes=used_bytes)
    drive, values = reading.drive, reading.values
    written = values.host_bytes_written
    return Swap(
        host=host,
        source=OldDrive(
            model=drive.model,
            serial=drive.serial,
            identity=drive.identity,
            capacity_bytes=drive.capacity_bytes,
            logical_sector_bytes=drive.logical_sector_bytes,
            verdict=verdict,
        ),
        source_link_gbps=drive.link_gbps,
        written_per_hour=written / values.power_on_hours if written and values.power_on_hours else None,
        used_bytes=used_bytes,
    )


def judge_candidate(candidate: Candidate, swap: Swap) -> JudgedCandidate:
    """Every check of one candidate, and what they come to."""
    checks = tuple(check for checker in (*BODY_CHECKS, *SIZE_CHECKS) for check in checker(candidate, swap))
    time = copy_minutes(candidate, swap)
    return JudgedCandidate(
        name=candidate.name,
        fits=overall_fit(checks),
        checks=checks,
        model=candidate.model,
        serial=candidate.serial,
        identity=candidate.identity,
        capacity_bytes=candidate.capacity_bytes,
        labelled_gb=candidate.labelled_gb,
        logical_sector_bytes=candidate.logical_sector_bytes,
        shelf=candidate.shelf,
        by_hand=candidate.by_hand,
        copy_minutes=None if time is None else time[0],
    )


def overall_fit(checks: Sequence[FitCheck]) -> Fits:
    """No where one blocks, unknown where one is unknown, else yes."""
    results = {check.result for check in checks}
    if "block" in results:
        return "no"
    return "unknown" if "unknown" in results or not checks else "yes"


# ---------------------------------------------------------------------------------------------------------- ranking


def rank_candidates(
    judged: Sequence[JudgedCandidate], facts: dict[str, Candidate], swap: Swap
) -> tuple[JudgedCandidate, ...]:
    """Best first: what fits before what may; fewer warnings; least capacity that does; lower price; name."""

    def key(one: JudgedCandidate) -> tuple[int, int, int, float, str]:
        candidate = facts[one.name]
        price = float("inf") if candidate.price is None else candidate.price
        return _ORDER[one.fits], _count(one, "warn"), promised_bytes(candidate) or 0, price, one.name

    ordered = sorted(judged, key=key)
    placed = []
    for place, one in enumerate(ordered, 1):
        if one.fits == "no":
            placed.append(one)
            continue
        why = _why(one, facts[one.name], swap)
        placed.append(msgspec.structs.replace(one, rank=place, ranking=why))
    return tuple(placed)


def _count(one: JudgedCandidate, result: str) -> int:
    return sum(check.result == result for check in one.checks)


def _why(one: JudgedCandidate, candidate: Candidate, swap: Swap) -> tuple[str, ...]:
    """The rank in words, in the order of its key."""
    warnings = _count(one, "warn")
    to_mind = f"{format_count(warnings, 'thing')} to mind" if warnings else "nothing to mind"
    reasons = [f"{'may fit, facts are missing' if one.fits == 'unknown' else 'fits'}, {to_mind}"]
    size = promised_bytes(candidate)
    if size is not None:
        wanted = None if swap.source is None else swap.source.capacity_bytes
        if wanted is None or size < wanted:
            reasons.append(format_bytes(size))
        else:
            more = f"{format_bytes(size - wanted)} more than" if size > wanted else "exactly as large as"
            reasons.append(f"{format_bytes(size)}, {more} the old drive")
    if candidate.price is not None:
        reasons.append(f"price {candidate.price:.2f}")
    return tuple(reasons)


# --------------------------------------------------------------------------------------------------------- symptoms


def advise(text: str, host: Host) -> Advice:
    """What the symptom says, by its id or by the words people use. Raises BadInput with the choices otherwise."""
    known = {one.id: one for one in (*common_symptoms(), *host.symptoms)}
    words = set(re.findall(r"[a-z]+", text.lower()))
    scores = {one.id: _agreement(words, one) for one in known.values()}
    best = max(scores.values(), default=0)
    found = [known[key] for key, score in scores.items() if score == best and score > 0]
    found = [one for one in known.values() if text in (one.id, one.says)] or found
    if len(found) != 1:
        what = "matches no symptom we know" if not found else "means more than one symptom"
        choices = ", ".join(sorted(one.id for one in found) or sorted(known))
        raise BadInput(what, location=f"symptom {text!r}", hint=f"Choose one: {choices}.")
    one = found[0]
    return Advice(symptom=one.says, drive_likely=one.drive_likely, cause=one.cause, first=one.first, source=one.source)


def _agreement(words: set[str], symptom: Symptom) -> int:
    telling = {word for phrase in symptom.words for word in re.findall(r"[a-z]+", phrase.lower())}
    return len(words & telling - _FILLERS)
