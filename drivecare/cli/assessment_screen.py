"""An assessment for people: which drive, what to do with it, why, what this cannot tell, what comes next."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING

from drivecare.cli.describe import describe_drive
from drivecare.format import format_value
from drivecare.visible import visible_lines

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.risk.model import Assessment, Chance, Finding

WIDTH = 80
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


def show_assessment(out: Screen, found: Assessment) -> None:
    """Print one assessment, at most 80 columns wide except where a name is longer."""
    _print(out, _heading(found))
    out.print()
    out.print_parts((found.verdict.upper(), STYLES[found.verdict]), end="  ")
    hanging = " " * (len(found.verdict) + 2)
    _print(
        out,
        [
            line.removeprefix(hanging) if not index else line
            for index, line in enumerate(_hung(found.headline, hanging))
        ],
    )
    if found.way_out:
        _print(out, _wrapped(f"Way out: {found.way_out}", hanging))
    out.print()
    _print(out, _evidence(found))
    out.print()
    _print(out, _wrapped(_chance(found.failure_12_months)))
    out.print()
    _print(out, _listed("This reading cannot tell:", found.limits))
    out.print()
    _print(out, _listed("Next:", found.next_steps))


def _heading(found: Assessment) -> list[str]:
    drive, identity = found.drive, found.drive.identity
    serial = f"serial {drive.serial}" if drive.serial else "serial number unknown"
    if identity.strength != "strong" and (drive.serial or identity.bridge_serial):
        serial = f"serial {drive.serial or identity.bridge_serial} (perhaps the bridge's, not the drive's)"
    firmware = f"   firmware {drive.firmware}" if drive.firmware else ""
    lines = [f"{drive.model or 'Model unknown'}   {serial}{firmware}", describe_drive(drive)]
    if drive.virtual:
        lines.append(f"This is {drive.virtual}, not a drive.")
    circumstances = [_read(found)]
    if found.values.power_on_hours is not None:
        circumstances.append(f"{found.values.power_on_hours:,} hours powered on")
    if found.values.temperature_celsius is not None:
        circumstances.append(f"{found.values.temperature_celsius} \u00b0C")
    if found.sale == "new":
        circumstances.append("judged as sold as new")
    return [*lines, *_wrapped("; ".join(circumstances))]


def _read(found: Assessment) -> str:
    try:
        moment = datetime.fromisoformat(found.read_at) if found.read_at else None
    except ValueError:
        moment = None
    when = f"read {moment.day} {moment:%b %Y %H:%M}" if moment else "read at an unknown time"
    how = f" over {found.transport}" if found.transport else ""
    where = f" on {found.path}" if found.path else ""
    bridge = f", behind {found.bridge}" if found.bridge else ""
    return f"{when}{how}{where}{bridge}"


def _evidence(found: Assessment) -> list[str]:
    counting = [one for one in found.findings if one.severity != "note"]
    lines = _row("what the drive shows", "now", "limit", "asks for") if counting else []
    for one in counting:
        lines.extend(_finding(one))
    if not counting:
        lines.append("  The drive shows nothing that counts against it.")
    notes = [_note(one) for one in found.findings if one.severity == "note"]
    zero = [words for name, words in QUIET.items() if getattr(found.values, name) == 0]
    lines.extend(_wrapped(f"Also seen: {'; '.join(notes)}.", "  ") if notes else [])
    lines.extend(_wrapped(f"At zero: {', '.join(zero)}.", "  ") if zero else [])
    words = (found.drive_says_words or "none").rstrip(".")
    return [*lines, *_wrapped(f"The drive's own verdict: {words}" + ("" if words.endswith("!") else "."), "  ")]


def _row(label: str, now: str, limit: str, severity: str) -> list[str]:
    if len(label) > 45:
        return [f"  {label}", *_row("", now, limit, severity)]
    return [f"  {label:<45} {now:>9} {limit:>7}   {severity}"]


def _finding(one: Finding) -> list[str]:
    """The numbers in a row, and below it why they count; a long observation goes there too."""
    now, limit = (_percent(one.observed), _percent(one.limit)) if one.signal == "estimate" else _numbers(one)
    long = len(now) > 9
    parts = [part.rstrip(".") for part in (now if long else "", one.detail, one.why) if part]
    reasons = f"{'. '.join(part[0].upper() + part[1:] for part in parts)} ({one.source_kind})."
    return [*_row(one.label, "" if long else now, limit, one.severity), *_wrapped(reasons, "      ")]


def _note(one: Finding) -> str:
    said = " ".join(part for part in (format_value(one.observed), one.detail) if part)
    return f"{one.label} ({said})"


def _numbers(one: Finding) -> tuple[str, str]:
    return format_value(one.observed), format_value(one.limit)


def _percent(share: int | float | str | None) -> str:
    if not isinstance(share, int | float):
        return format_value(share)
    percent = 100 * share
    return f"{percent:.0f} %" if percent >= 10 else f"{percent:.1f} %"


def _chance(chance: Chance) -> str:
    if chance.estimate is None:
        return (
            f"Chance of failing within 12 months: no figure. {chance.basis[:1].upper()}{chance.basis[1:].rstrip('.')}."
        )
    between = f" (between {_percent(chance.low)} and {_percent(chance.high)})" if chance.low is not None else ""
    text = f"Chance of failing within 12 months: {_percent(chance.estimate)}{between}."
    if chance.clean is not None and chance.clean != chance.estimate:
        text += f" A drive of this age with nothing to show: {_percent(chance.clean)}."
    return text


def _listed(title: str, entries: Iterable[str]) -> list[str]:
    lines = [line for entry in entries for line in _hung(entry, "    ", first="  - ")]
    return [title, *lines] if lines else []


def _wrapped(text: str, indent: str = "") -> list[str]:
    return _hung(text, indent)


def _hung(text: str, indent: str, *, first: str | None = None) -> list[str]:
    return textwrap.wrap(
        visible_lines(text),
        WIDTH,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _print(out: Screen, lines: Iterable[str]) -> None:
    out.print_lines(lines)
