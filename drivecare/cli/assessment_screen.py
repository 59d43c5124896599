"""An assessment for people: which drive, what to do with it, why, what this cannot tell, what comes next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from drivecare.cli.describe import describe_drive, describe_way
from drivecare.clock import parse_timestamp
from drivecare.format import Excerpt, clip_text, format_count, format_value, join_and

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.risk.model import Assessment, Chance, Finding
    from drivecare.work.assess import AssessedSource

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
_LONGEST_NAME = 30  # of a drive, in the table of several
MOST_FINDINGS = 3  # in the short form
WORST_FIRST = ("evacuate", "replace", "unproven", "not read", "recheck", "refit")  # as the exit code of several drives


def show_assessment(out: Screen, assessment: Assessment, *, full: bool, in_job: bool = False) -> None:
    """Print one assessment: so that it fits a small terminal, or in `full`. In a job its own next step follows."""
    _show_heading(out, assessment)
    out.print()
    _show_verdict(out, assessment)
    out.print()
    _show_evidence(out, assessment, full=full)
    for sighting in assessment.sightings:
        out.print_wrapped(sighting.text, first=_INDENT)
    for line in Excerpt(assessment.counted).lines(str, "partitions"):
        out.print_wrapped(line, first=_INDENT)
    out.print()
    out.print_wrapped(_describe_chance(assessment.failure_12_months, full=full))
    if full:
        _show_background(out, assessment)
    else:
        out.print_wrapped(f"More with --full: {join_and(_left_out(assessment))}.")
    steps = assessment.next_steps if full else assessment.next_steps[:1]
    if steps and not in_job:
        out.print()
        if full:
            _show_points(out, "Next:", steps)
        else:
            out.print_wrapped(f"Next: {steps[0]}")


def show_many(out: Screen, sources: Sequence[AssessedSource]) -> None:
    """Print several drives, one to a line, the worst first, and how many there are of each."""
    ranks = {verdict: rank for rank, verdict in enumerate(WORST_FIRST)}
    ordered = sorted(sources, key=lambda source: ranks[source.verdict or "not read"])
    names = [clip_text(_name_source(source), _LONGEST_NAME) for source in ordered]
    rows = [("verdict", "drive", "most telling")]
    for source, name in zip(ordered, names, strict=True):
        rows.append((source.verdict or "NOT READ", name, _most_telling(source)))
    out.print_table(rows, heading=True, clip=True)
    count: Counter[str] = Counter(source.verdict or "not read" for source in sources)
    counts = ", ".join(f"{count[verdict]} {verdict}" for verdict in WORST_FIRST if count[verdict])
    out.print_lines(("", f"{format_count(len(sources), 'drive')}: {counts}"))


def _name_source(source: AssessedSource) -> str:
    drive = source.assessment.drive if source.assessment is not None else None
    return " ".join(filter(None, (drive.model, drive.serial))) if drive and drive.model else Path(source.path).name


def _most_telling(source: AssessedSource) -> str:
    """The strongest finding with its number; without one what the verdict says, or why the drive was not read."""
    if source.assessment is None:
        return (source.error or "").removeprefix(f"{source.path}: ").partition(". ")[0]
    finding = next((finding for finding in source.assessment.findings if finding.severity != "note"), None)
    if finding is None:
        return source.assessment.headline
    describe = _percent if finding.signal == "estimate" else format_value
    return f"{finding.label}: {describe(finding.observed)}"


def _left_out(assessment: Assessment) -> list[str]:
    """What the short form leaves out."""
    counting = sum(finding.severity != "note" for finding in assessment.findings)
    counts = (
        (counting - MOST_FINDINGS, "more finding", "more findings"),
        (len(assessment.findings) - counting, "remark", "remarks"),
        (len(assessment.unit), "sign of what its unit did", "signs of what its unit did"),
        (len(assessment.limits), "limit of this reading", "limits of this reading"),
    )
    listed = [format_count(count, noun, plural) for count, noun, plural in counts if count > 0]
    return [*(["why each counts"] if counting else []), *listed, "the figure's basis"]


def _show_background(out: Screen, assessment: Assessment) -> None:
    """What the full form says besides: endurance, the unit, what this reading cannot tell."""
    if assessment.endurance is not None:
        out.print_wrapped(f"Rated endurance: {assessment.endurance.text}")
    if assessment.unit:
        out.print()
        _show_points(out, "About the unit it came from:", (sign.text for sign in assessment.unit))
    out.print()
    _show_points(out, "This reading cannot tell:", assessment.limits)


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
    path = f" on {assessment.path}" if assessment.path else ""
    bridge = f", behind {assessment.bridge}" if assessment.bridge else ""
    return f"{time}{path}{bridge}{describe_way(assessment.transport)}"


def _show_verdict(out: Screen, assessment: Assessment) -> None:
    verdict = assessment.verdict.upper()
    out.print_wrapped(assessment.headline, first=f"{verdict}  ", first_style=STYLES[assessment.verdict])
    if assessment.way_out:
        out.print_wrapped(f"Way out: {assessment.way_out}", first=" " * (len(verdict) + 2))


def _show_evidence(out: Screen, assessment: Assessment, *, full: bool) -> None:
    """What counts against the drive in a table, then what is worth a note, what is zero, and its own verdict."""
    counting = [finding for finding in assessment.findings if finding.severity != "note"]
    if counting:
        _show_row(out, "what the drive shows", "now", "limit", "asks for")
    elif assessment.verdict != "refit":  # whose headline says so
        out.print_wrapped("The drive shows nothing that counts against it.", first=_INDENT)
    for finding in counting if full else counting[:MOST_FINDINGS]:
        _show_finding(out, finding, full=full)
    for remark in _remarks(assessment) if full else _short_remarks(assessment):
        out.print_wrapped(remark, first=_INDENT)


def _short_remarks(assessment: Assessment) -> Iterator[str]:
    """What nobody should miss: that a clean reading is no guarantee, and that the drive calls itself sound."""
    if assessment.verdict == "refit":
        yield "A clean reading means the base rate, not safety."
    if assessment.verdict in ("evacuate", "replace") and assessment.drive_says == "passed":
        yield _own_verdict(assessment)


def _remarks(assessment: Assessment) -> Iterator[str]:
    """What is worth a note, what is zero, which addresses its logs name, and its own verdict."""
    notes = [_describe_note(finding) for finding in assessment.findings if finding.severity == "note"]
    zero = [words for name, words in QUIET.items() if getattr(assessment.values, name) == 0]
    if notes:
        yield f"Also seen: {'; '.join(notes)}."
    if zero:
        yield f"At zero: {', '.join(zero)}."
    if addresses := _describe_lbas(assessment):
        yield addresses
    yield _own_verdict(assessment)


def _own_verdict(assessment: Assessment) -> str:
    words = (assessment.drive_says_words or "none").rstrip(".")
    return f"The drive's own verdict: {words}" + ("" if words.endswith("!") else ".")


def _show_row(out: Screen, label: str, now: str, limit: str, severity: str) -> None:
    out.print_row(label, now, limit, severity, widths=_WIDTHS, indent=_INDENT)


def _show_finding(out: Screen, finding: Finding, *, full: bool) -> None:
    """The numbers in a row, and in `full` why they count below it; a long observation goes there too."""
    describe = _percent if finding.signal == "estimate" else format_value
    now, limit = describe(finding.observed), describe(finding.limit)
    detail = finding.detail
    if finding.failed_part is not None:
        now, detail = "failed", ": ".join(filter(None, (finding.failed_part, detail)))
    too_long = len(now) > _WIDTHS[1]
    sentences = [part.rstrip(".") for part in (now if too_long else "", detail, finding.why) if part]
    reasons = ". ".join(sentence[0].upper() + sentence[1:] for sentence in sentences)
    _show_row(out, finding.label, "" if too_long else now, limit, finding.severity)
    if full:
        source = ": ".join(filter(None, (finding.source_kind, finding.source_name)))
        out.print_wrapped(f"{reasons} ({source}).", first=_INDENT * 3)
    elif observed := ". ".join(part.rstrip(".") for part in (now if too_long else "", detail) if part):
        out.print_wrapped(f"{observed[0].upper()}{observed[1:]}.", first=_INDENT * 3)


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


def _describe_chance(chance: Chance, *, full: bool) -> str:
    start = "Chance of failing within 12 months:"
    if chance.estimate is None:
        basis = f" {chance.basis[:1].upper()}{chance.basis[1:].rstrip('.')}." if full else ""
        return f"{start} no figure.{basis}"
    between = ""
    if chance.low is not None:
        models = "4 in 5 models lie between" if chance.basis.startswith("measured") else "somewhere between"
        between = f" ({models} {_percent(chance.low)} and {_percent(chance.high)})"
    text = f"{start} {_percent(chance.estimate)}{between}."
    if chance.clean is not None and chance.clean != chance.estimate:
        text += f" The same drive with nothing to show: {_percent(chance.clean)}."
    if not full:
        return text
    if chance.unmeasured:
        text += f" Not measured: {', '.join(chance.unmeasured)}."
    return f"{text} Basis, {chance.basis.rstrip('.')}."


def _show_points(out: Screen, title: str, points: Iterable[str]) -> None:
    if points:
        out.print(title)
    for point in points:
        out.print_wrapped(point, first="  - ")
