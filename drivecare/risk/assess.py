"""One reading in, one assessment out. Pure: no clock, no file but the rules, no drive.

observe -> signals -> judge -> findings -> settle (rechecks that are done) -> verdict table -> assessment
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from drivecare.reading.identity import compare, normalise_serial
from drivecare.reading.model import Reading
from drivecare.reading.surface import SurfaceScan
from drivecare.risk.chance import NO_DATA, measured_chance, overall_chance
from drivecare.risk.findings import Ruling, apply_rules
from drivecare.risk.incoming import observe_incoming
from drivecare.risk.model import Assessment, Chance, Finding, Sale
from drivecare.risk.rules import Circumstance, RuleSet, VerdictRow, load_rules
from drivecare.risk.signals import Signal, Signals, observe_reading
from drivecare.risk.trend import clear_rechecks, observe_changes, select_earlier
from drivecare.risk.verdict import adapt_to_sale, fault_classes, find_row, leading_signal, list_ways_out


@dataclass(frozen=True, slots=True)
class Reasoning:
    """Everything between a reading and its verdict, for `assess` and for its explanation."""

    signals: Signals
    found: tuple[Ruling, ...]
    chance: Chance
    row: VerdictRow
    left_out: int
    scan: SurfaceScan | None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings alone, worst first."""
        return tuple(judged.finding for judged in self.found)


def assess(
    reading: Reading, *, as_new: bool = False, history: Iterable[Reading] = (), scan: SurfaceScan | None = None
) -> Assessment:
    """Judge a reading.

    `history`: other readings of the same drive; those of other drives and later ones are left out, which is said.
    `scan`: a surface scan of the drive. `as_new`: judge it as a drive sold as new.
    """
    rules = load_rules()
    working = evaluate(reading, as_new=as_new, history=history, scan=scan)
    sale: Sale = "new" if as_new else "used"
    verdict, headline = adapt_to_sale(working.row, sale)
    return Assessment(
        read_at=reading.read_at,
        path=reading.path,
        transport=reading.transport,
        bridge=reading.bridge,
        drive_says=reading.drive_says,
        drive_says_words=reading.drive_says_words,
        drive=reading.drive,
        values=reading.values,
        sale=sale,
        verdict=verdict,
        headline=headline,
        leading_signal=leading_signal(working.findings),
        fault_classes=fault_classes(working.findings),
        failure_12_months=working.chance,
        findings=working.findings,
        way_out=list_ways_out(working.found) if verdict == "recheck" else None,
        next_steps=_next_steps(reading, working, sale),
        limits=_limits(reading, working, sale, rules),
    )


def evaluate(
    reading: Reading, *, as_new: bool = False, history: Iterable[Reading] = (), scan: SurfaceScan | None = None
) -> Reasoning:
    """The way from a reading to the row of the verdict table that holds."""
    rules = load_rules()
    history = tuple(history)
    earlier = select_earlier(reading, history)
    own_scan = scan if scan is not None and _is_of(scan, reading) else None
    signals, measured = _signals(reading, rules, own_scan)
    signals |= observe_changes(reading, earlier)
    if as_new:
        signals |= observe_incoming(reading)
    found = apply_rules(signals, reading.drive, rules)
    if earlier:
        found = clear_rechecks(found, _findings_before(earlier, rules), reading, own_scan)
    findings = [judged.finding for judged in found]
    return Reasoning(
        signals=signals,
        found=tuple(found),
        chance=NO_DATA if "gap" in signals else overall_chance(measured, reading, findings),
        row=find_row(findings, rules),
        left_out=len([other for other in history if other != reading]) - len(earlier) + (own_scan is not scan),
        scan=own_scan,
    )


def _signals(reading: Reading, rules: RuleSet, scan: SurfaceScan | None) -> tuple[Signals, Chance | None]:
    """The signals of a reading with its measured chance as one of them, and that chance."""
    signals = observe_reading(reading, rules, scan)
    measured = None if "gap" in signals else measured_chance(reading)
    if measured and measured.estimate is not None:
        signals["estimate"] = (Signal(value=measured.estimate),)
    return signals, measured


def _findings_before(earlier: Sequence[Reading], rules: RuleSet) -> list[tuple[Reading, list[Ruling]]]:
    return [(other, apply_rules(_signals(other, rules, None)[0], other.drive, rules)) for other in earlier]


def _is_of(scan: SurfaceScan, reading: Reading) -> bool:
    """Whether a scan is of that drive. It came with this reading, so a name that either lacks is no objection."""
    answer = compare(scan.scanned, reading.drive)
    if answer == "unknown" and scan.serial and reading.drive.serial:
        return normalise_serial(scan.serial) == normalise_serial(reading.drive.serial)
    return answer != "no"


def _next_steps(reading: Reading, working: Reasoning, sale: Sale) -> tuple[str, ...]:
    """What the bench does next: what the gaps advise, then the steps of the verdict."""
    advice = (
        [gap.advice for gap in reading.gaps if gap.blocks and gap.advice] if working.row.severity == "blocked" else []
    )
    steps = working.row.next_new if sale == "new" else working.row.next
    drive = reading.path or "DRIVE"
    return tuple(dict.fromkeys([*advice, *(step.replace("{drive}", drive) for step in steps)]))


def _limits(reading: Reading, working: Reasoning, sale: Sale, rules: RuleSet) -> tuple[str, ...]:
    """What this reading cannot tell: the sentences that apply, then its own gaps."""
    drive = reading.drive
    true: set[Circumstance] = {sale, drive.kind}
    conditions: tuple[tuple[Circumstance, bool], ...] = (
        ("scsi", drive.protocol == "scsi"),
        ("bridge", reading.bridge is not None),
        ("no-selftest", "last_selftest" not in working.signals),
        ("no-verdict", reading.drive_says == "silent"),
        ("no-scan", working.scan is None),
    )
    true |= {circumstance for circumstance, holds in conditions if holds}
    said = [limit.text for limit in rules.limits if limit.when in true]
    said += [gap.what for gap in reading.gaps if not gap.blocks]
    if working.left_out:
        said.append(
            f"{working.left_out} of the readings and scans given are of another drive or later, and were left out."
        )
    return tuple(dict.fromkeys(said))
