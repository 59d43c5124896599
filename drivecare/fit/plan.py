"""The plan: every candidate checked and ranked, the one to fit, what the symptom points to, and the steps."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import msgspec

from drivecare.exit_codes import ExitCode
from drivecare.fit.adapters import behind, check_adapter, find_adapter
from drivecare.fit.candidates import make_names_unique
from drivecare.fit.checks import BODY_CHECKS, Swap
from drivecare.fit.host_profile import Host
from drivecare.fit.larger_drive import LARGER_CHECKS
from drivecare.fit.model import Candidate, FitCheck, Fits, JudgedCandidate, Plan, ReplacedDrive
from drivecare.fit.order import make_order
from drivecare.fit.pata_checks import PATA_CHECKS
from drivecare.fit.size_checks import SIZE_CHECKS, copy_minutes, promised_bytes
from drivecare.fit.steps import make_cautions, make_steps
from drivecare.fit.symptoms import advise
from drivecare.format import format_bytes, join_and
from drivecare.reading.model import Reading

_FITS_ORDER: Final[dict[Fits, int]] = {"yes": 0, "unknown": 1, "no": 2}
RANKING_RULE: Final = "Ranked by drawbacks (shingled, wear, risk, recheck), price (+10 % a part), size."
# What costs much: a unit that stalls, wears out in a few years, or holds a drive with something to clear up (our
# judgement). Every other warning is a part to buy or a link that is slower, and weighs as a tenth of the price.
_DRAWBACKS: Final = {"health": 3, "recording": 2, "risk": 2, "endurance": 2, "read-errors": 1}
_PART_OF_PRICE: Final = 0.1


def make_plan(
    host: Host,
    candidates: Iterable[Candidate],
    *,
    label: str | None = None,
    reading: Reading | None = None,
    verdict: str | None = None,
    used_bytes: int | None = None,
    encrypted: Sequence[str] = (),
    smallest_member_sectors: int | None = None,
    symptom: str | None = None,
    job: str | None = None,
) -> Plan:
    """Plan how to put one of `candidates` into `host` in place of the drive that `reading` describes.

    `verdict`: that of the reading; `encrypted`: what of its content is; `smallest_member_sectors`: of those left in the
    array; `symptom`: what the customer reports; `job`: the job's ID, for the commands in the steps. Raises BadInput for
    an unknown symptom. Where no candidate may hold a sector copy, and the files alone fit one and are enough for the
    unit, the plan goes by file copy.
    """
    swap = msgspec.structs.replace(
        _describe_swap(host, reading, verdict, used_bytes), smallest_member_sectors=smallest_member_sectors
    )
    by_name = {candidate.name: candidate for candidate in make_names_unique(tuple(candidates))}
    asked, swap = swap.host.moving.kind, _choose_route(swap, by_name.values(), encrypted)
    host = swap.host
    judged = [judge_candidate(candidate, swap) for candidate in by_name.values()]
    ranked = rank_candidates(judged, by_name, swap)
    chosen = next((candidate for candidate in ranked if candidate.fits == "yes"), None)
    advice = None if symptom is None else advise(symptom, host)
    return Plan(
        host=host.id,
        host_name=host.name,
        label=label or host.id,
        migration=host.moving.kind,
        migration_reason=None if host.moving.kind == asked else _why_by_files(swap),
        source=swap.source,
        used_bytes=used_bytes,
        smallest_member_sectors=smallest_member_sectors,
        candidates=ranked,
        chosen=None if chosen is None else chosen.name,
        order=make_order(swap),
        symptom=advice,
        steps=make_steps(host, swap.source, chosen, advice, job=job),
        cautions=make_cautions(host, reading, encrypted),
    )


def _choose_route(swap: Swap, candidates: Iterable[Candidate], encrypted: Sequence[str]) -> Swap:
    """By file copy where none may hold a sector copy, the files fit, and the unit is known to take such a drive."""
    moving = swap.host.moving
    if moving.kind != "sector-copy" or not moving.files_suffice or swap.used_bytes is None or encrypted:
        return swap
    host = msgspec.structs.replace(swap.host, moving=msgspec.structs.replace(moving, kind="file-copy"))
    by_files, drives = msgspec.structs.replace(swap, host=host), tuple(candidates)
    if any(judge_candidate(drive, swap).fits != "no" for drive in drives):
        return swap
    return by_files if any(judge_candidate(drive, by_files).fits == "yes" for drive in drives) else swap


def _why_by_files(swap: Swap) -> str:
    return (
        f"No drive here holds a sector copy, but the {format_bytes(swap.used_bytes or 0)} in use fit, and this unit "
        "takes a drive with the files alone. No computer starts from such a copy."
    )


def exit_code(plan: Plan) -> ExitCode:
    """Whether a candidate fits, or may fit once the missing facts are known; nothing tried is not "none fits"."""
    fits = {candidate.fits for candidate in plan.candidates}
    if "yes" in fits:
        return ExitCode.DONE
    return ExitCode.FACTS_MISSING if "unknown" in fits or not fits else ExitCode.NONE_FITS


def _describe_swap(host: Host, reading: Reading | None, verdict: str | None, used_bytes: int | None) -> Swap:
    if reading is None:
        return Swap(host=host, used_bytes=used_bytes)
    drive, values = reading.drive, reading.values
    written = values.host_bytes_written
    return Swap(
        host=host,
        source=ReplacedDrive(
            model=drive.model,
            serial=drive.serial,
            identity=drive.identity,
            capacity_bytes=drive.capacity_bytes,
            logical_sector_bytes=drive.logical_sector_bytes,
            verdict=verdict,
        ),
        source_link_gbps=drive.link_gbps,
        source_protocol=drive.interface,
        written_per_hour=written / values.power_on_hours if written and values.power_on_hours else None,
        used_bytes=used_bytes,
    )


def judge_candidate(candidate: Candidate, swap: Swap) -> JudgedCandidate:
    """Run every check of one candidate, and sum them up."""
    adapter = find_adapter(candidate, swap.host)
    fitted = candidate if adapter is None else behind(adapter, candidate)
    checks = (
        *(() if adapter is None else check_adapter(adapter, candidate, swap.host)),
        *(check for checker in BODY_CHECKS for check in checker(fitted, swap)),
        *(check for checker in (*SIZE_CHECKS, *LARGER_CHECKS, *PATA_CHECKS) for check in checker(candidate, swap)),
    )
    estimate = copy_minutes(candidate, swap)
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
        copy_minutes=None if estimate is None else estimate[0],
    )


def overall_fit(checks: Sequence[FitCheck]) -> Fits:
    """No if a check blocks, else unknown if one is unknown, else yes."""
    results = {check.result for check in checks}
    if "block" in results:
        return "no"
    return "unknown" if "unknown" in results or not checks else "yes"


# ---------------------------------------------------------------------------------------------------------- ranking


def rank_candidates(
    candidates: Sequence[JudgedCandidate], by_name: dict[str, Candidate], swap: Swap
) -> tuple[JudgedCandidate, ...]:
    """Rank by RANKING_RULE: what fits before what may fit, drawbacks, facts missing, price with parts, spare room."""

    def sort_key(judged: JudgedCandidate) -> tuple[int, int, int, float, int, int, str]:
        candidate = by_name[judged.name]
        small = len(_small_matters(judged))
        price = float("inf") if candidate.price is None else candidate.price * (1 + _PART_OF_PRICE * small)
        missing = sum(check.result == "unknown" for check in judged.checks)
        room = promised_bytes(candidate) or 0
        drawbacks = _weigh_drawbacks(judged, candidate)
        return _FITS_ORDER[judged.fits], drawbacks, missing, price, small, room, judged.name

    return tuple(
        judged
        if judged.fits == "no"
        else msgspec.structs.replace(judged, rank=rank, ranking=_explain_rank(judged, by_name[judged.name], swap))
        for rank, judged in enumerate(sorted(candidates, key=sort_key), 1)
    )


def _weigh_drawbacks(judged: JudgedCandidate, candidate: Candidate) -> int:
    """Weigh what a customer would come back for. A drive that may be shingled counts less than one that is."""
    weight = sum(_DRAWBACKS[check.check] for check in _warnings(judged) if check.check in _DRAWBACKS)
    unsure = any(check.check == "recording" for check in _warnings(judged)) and candidate.recording is None
    return weight - 1 if unsure else weight


def _small_matters(judged: JudgedCandidate) -> tuple[FitCheck, ...]:
    return tuple(check for check in _warnings(judged) if check.check not in _DRAWBACKS)


def _warnings(judged: JudgedCandidate) -> tuple[FitCheck, ...]:
    return tuple(check for check in judged.checks if check.result == "warn")


def _explain_rank(judged: JudgedCandidate, candidate: Candidate, swap: Swap) -> tuple[str, ...]:
    """The rank in words, in the order of its sort key."""
    drawbacks = [check for check in _warnings(judged) if check.check in _DRAWBACKS]
    against = f"against it: {_check_names(drawbacks)}" if drawbacks else "nothing against it"
    reasons = [f"facts are missing, {against}" if judged.fits == "unknown" else against]
    if candidate.price is not None:
        reasons.append(f"price {candidate.price:.2f}")
    if small := _small_matters(judged):
        reasons.append(f"mind the {_check_names(small)}")
    size = promised_bytes(candidate)
    if size is not None:
        needed = None if swap.source is None else swap.source.capacity_bytes
        if needed is None or size < needed:
            reasons.append(format_bytes(size))
        else:
            comparison = f"{format_bytes(size - needed)} more than" if size > needed else "exactly as large as"
            reasons.append(f"{format_bytes(size)}, {comparison} the old drive")
    return tuple(reasons)


def _check_names(checks: Iterable[FitCheck]) -> str:
    return join_and([check.check.replace("-", " ") for check in checks])
