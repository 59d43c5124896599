"""An assessment for people: which drive, what to do with it, why, what this cannot tell, what comes next."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from drivecare.cli.describe import describe_drive
from drivecare.clock import parse_timestamp
from drivecare.format import format_value

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.risk.model import Assessment, Chance, Finding

STYLES = {
    "refit": "bold green",
    "recheck": "bold yellow",
    "replace": "bold red",
    "evacuate": "bold white on red",
    "unproven": "bold magenta",
}
# Worth saying when they are zero: silence and zero are different things.
QUIET = {
    "reallocated": "replaced sectors",
    "pending": "waiting sectors",
    "offline_uncorrectable": "sectors found unreadable",
    "reported_uncorrectable": "read errors",
    "media_errors": "media errors",
    "grown_defects": "grown defects",
    "uncorrected_reads": "uncorrected reads",
    "crc_errors": "link errors",
    "spin_retries": "spin retries",
}
_WIDTHS = (45, 9, 7, 8)  # of the label, now, limit, asks for
_INDENT = "  "
_LBAS_SHOWN = 4


def show_assessment(out: Screen, assessment: Assessment) -> None:
    """Print one assessment."""
    _show_heading(out, assessment)
    out.print()
    _show_verdict(out, assessment)
    out.print()
    _show_evidence(out, assessment)
    for sighting in assessment.sightings:
        out.print_wrapped(sighting.text, first=_INDENT)
    out.print()
    out.print_wrapped(_describe_chance(assessment.failure_12_months))
    if assessment.endurance is not None:
        out.print_wrapped(f"Rated endurance: {assessment.endurance.text}")
    out.print()
    if assessment.unit:
        _show_points(out, "About the unit it came from:", (sign.text for sign in assessment.unit))
        out.print()
    _show_points(out, "This reading cannot tell:", assessment.limits)
    out.print()
    _show_points(out, "Next:", assessment.next_steps)


def _show_heading(out: Screen, assessment: Assessment) -> None:
    drive, identity, values = assessment.drive, assessment.drive.identity, assessment.values
    serial = f"serial {drive.serial}" if drive.serial else "serial number unknown"
    if drive.named_by_hand:
        serial += " (written by hand)"
    elif identity.strength != "strong" and (drive.serial or identity.bridge_serial):
        serial = f"serial {drive.serial or identity.bridge_serial} (perhaps the bridge's, not the drive's)"
    firmware = f"   firmware {drive.firmware}" if drive.firmware else ""
    out.print_lines((f"{drive.model or 'Model unknown'}   {serial}{firmware}", describe_drive(drive)))
    if drive.virtual:
        out.print_lines((f"This is {drive.virtual}, not a drive.",))
    circumstances = (
        _describe_circumstances(assessment),
        "" if values.power_on_hours is None else f"{values.power_on_hours:,} hours powered on",
        "" if values.temperature_celsius is None else f"{values.temperature_celsius} \u00b0C",
        "judged as sold as new" if assessment.sale == "new" else "",
    )
    out.print_wrapped("; ".join(filter(None, circumstances)))


def _describe_circumstances(assessment: Assessment) -> str:
    """When, where and how the drive was read."""
    moment = parse_timestamp(assessment.read_at)
    time = f"read {moment.day} {moment:%b %Y %H:%M}" if moment else "read at an unknown time"
    transport = f" over {assessment.transport}" if assessment.transport else ""
    path = f" on {assessment.path}" if assessment.path else ""
    bridge = f", behind {assessment.bridge}" if assessment.bridge else ""
    return f"{time}{transport}{path}{bridge}"


def _show_verdict(out: Screen, assessment: Assessment) -> None:
    verdict = assessment.verdict.upper()
    out.print_wrapped(assessment.headline, first=f"{verdict}  ", first_style=STYLES[assessment.verdict])
    if assessment.way_out:
        out.print_wrapped(f"Way out: {assessment.way_out}", first=" " * (len(verdict) + 2))


def _show_evidence(out: Screen, assessment: Assessment) -> None:
    """What counts against the drive in a table, then what is worth a note, what is zero, and its own verdict."""
    counting = [finding for finding in assessment.findings if finding.severity != "note"]
    if counting:
        _show_row(out, "what the drive shows", "now", "limit", "asks for")
    else:
        out.print_wrapped("The drive shows nothing that counts against it.", first=_INDENT)
    for finding in counting:
        _show_finding(out, finding)
    notes = [_describe_note(finding) for finding in assessment.findings if finding.severity == "note"]
    zero = [words for name, words in QUIET.items() if getattr(assessment.values, name) == 0]
    own_verdict = (assessment.drive_says_words or "none").rstrip(".")
    for text in (
        f"Also seen: {'; '.join(notes)}." if notes else "",
        f"At zero: {', '.join(zero)}." if zero else "",
        _describe_lbas(assessment),
        f"The drive's own verdict: {own_verdict}" + ("" if own_verdict.endswith("!") else "."),
    ):
        if text:
            out.print_wrapped(text, first=_INDENT)


def _show_row(out: Screen, label: str, now: str, limit: str, severity: str) -> None:
    out.print_row(label, now, limit, severity, widths=_WIDTHS, indent=_INDENT)


def _show_finding(out: Screen, finding: Finding) -> None:
    """The numbers in a row, and below it why they count; a long observation goes there too."""
    describe = _percent if finding.signal == "estimate" else format_value
    now, limit = describe(finding.observed), describe(finding.limit)
    too_long = len(now) > _WIDTHS[1]
    sentences = [part.rstrip(".") for part in (now if too_long else "", finding.detail, finding.why) if part]
    reasons = ". ".join(sentence[0].upper() + sentence[1:] for sentence in sentences)
    _show_row(out, finding.label, "" if too_long else now, limit, finding.severity)
    source = ": ".join(filter(None, (finding.source_kind, finding.source_name)))
    out.print_wrapped(f"{reasons} ({source}).", first=_INDENT * 3)


def _describe_lbas(assessment: Assessment) -> str:
    """The addresses that the drive's logs name, the first few of many."""
    lbas = [f"{place.lba:,}" for place in assessment.unreadable_lbas]
    more = f" and {len(lbas) - _LBAS_SHOWN:,} more (--json lists them)" if len(lbas) > _LBAS_SHOWN else ""
    return f"Its logs name as unreadable: LBA {'; '.join(lbas[:_LBAS_SHOWN])}{more}." if lbas else ""


def _describe_note(finding: Finding) -> str:
    observed = " ".join(part for part in (format_value(finding.observed), finding.detail) if part)
    return f"{finding.label} ({observed})"


def _percent(share: int | float | str | None) -> str:
    if not isinstance(share, int | float):
        return format_value(share)
    percent = 100 * share
    return f"{percent:.0f} %" if 10 <= percent < 99.5 else f"{percent:.1f} %"


def _describe_chance(chance: Chance) -> str:
    start = "Chance of failing within 12 months:"
    if chance.estimate is None:
        return f"{start} no figure. {chance.basis[:1].upper()}{chance.basis[1:].rstrip('.')}."
    between = ""
    if chance.low is not None:
        models = "4 in 5 models lie between" if chance.basis.startswith("measured") else "somewhere between"
        between = f" ({models} {_percent(chance.low)} and {_percent(chance.high)})"
    text = f"{start} {_percent(chance.estimate)}{between}."
    if chance.clean is not None and chance.clean != chance.estimate:
        text += f" The same drive with nothing to show: {_percent(chance.clean)}."
    if chance.unmeasured:
        text += f" Not measured: {', '.join(chance.unmeasured)}."
    return f"{text} Basis, {chance.basis.rstrip('.')}."


def _show_points(out: Screen, title: str, points: Iterable[str]) -> None:
    if points:
        out.print(title)
    for point in points:
        out.print_wrapped(point, first="  - ")
