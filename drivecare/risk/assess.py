"""One reading in, one assessment out. Pure: no clock, no file but the rules, no drive.

reading, history, scan -> signals -> rulings -> rechecks that are done cleared -> row of the verdict table -> assessment
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from drivecare.reading.identity import compare, normalise_serial
from drivecare.reading.model import Reading
from drivecare.reading.surface import SurfaceScan
from drivecare.risk.chance import NO_DATA, overall_chance
from drivecare.risk.endurance import describe_endurance
from drivecare.risk.findings import Ruling, apply_rules
from drivecare.risk.incoming import observe_contradictions, observe_incoming
from drivecare.risk.model import Assessment, Chance, Finding, Sale
from drivecare.risk.rules import Circumstance, RuleSet, VerdictRow, load_rules
from drivecare.risk.signals import Signal, Signals, observe_reading
from drivecare.risk.survival import measured_chance
from drivecare.risk.trend import clear_rechecks, observe_changes, select_earlier
from drivecare.risk.unit import describe_unit
from drivecare.risk.verdict import adapt_to_sale, fault_classes, find_row, leading_signal, list_ways_out


@dataclass(frozen=True, slots=True)
class Reasoning:
    """Everything between a reading and its verdict, for the assessment and for its explanation."""

    signals: Signals
    rulings: tuple[Ruling, ...]
    chance: Chance
    row: VerdictRow
    excluded: int  # readings and scans of another drive, and later ones
    scan: SurfaceScan | None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings alone, worst first."""
        return tuple(ruling.finding for ruling in self.rulings)


def assess(
    reading: Reading, *, as_new: bool = False, history: Iterable[Reading] = (), scan: SurfaceScan | None = None
) -> Assessment:
    """Judge a reading.

    `history`: other readings of the same drive; those of other drives, and later ones, are left out, and the assessment
    says so. `scan`: a surface scan of the drive. `as_new`: judge it as a drive sold as new.
    """
    rules = load_rules()
    reasoning = evaluate(reading, as_new=as_new, history=history, scan=scan)
    sale: Sale = "new" if as_new else "used"
    verdict, headline = adapt_to_sale(reasoning.row, sale)
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
        leading_signal=leading_signal(reasoning.findings),
        fault_classes=fault_classes(reasoning.findings),
        failure_12_months=reasoning.chance,
        findings=reasoning.findings,
        way_out=list_ways_out(reasoning.rulings) if verdict == "recheck" else None,
        unreadable_lbas=reading.unreadable_lbas,
        endurance=describe_endurance(reading, rules.thresholds),
        unit=() if as_new else describe_unit(reading, hours_doubtful=_doubts_hours(reasoning.signals)),
        next_steps=_list_next_steps(reading, reasoning, sale),
        limits=_list_limits(reading, reasoning, sale, rules),
    )


def evaluate(
    reading: Reading, *, as_new: bool = False, history: Iterable[Reading] = (), scan: SurfaceScan | None = None
) -> Reasoning:
    """Reason from a reading to the row of the verdict table that holds."""
    rules = load_rules()
    history = tuple(history)
    earlier = select_earlier(reading, history)
    own_scan = scan if scan is not None and _is_of(scan, reading) else None
    signals, measured = _observe(reading, rules, own_scan)
    signals |= observe_changes(reading, earlier, rules)
    signals |= observe_incoming(reading, rules) if as_new else observe_contradictions(reading, rules)
    before = [(other, apply_rules(_observe(other, rules, None)[0], other.drive, rules)) for other in earlier]
    rulings = clear_rechecks(apply_rules(signals, reading.drive, rules), before, reading, own_scan)
    findings = [ruling.finding for ruling in rulings]
    return Reasoning(
        signals=signals,
        rulings=rulings,
        chance=NO_DATA if "gap" in signals else overall_chance(measured, reading, findings),
        row=find_row(findings, rules),
        excluded=len([other for other in history if other != reading]) - len(earlier) + (own_scan is not scan),
        scan=own_scan,
    )


def _doubts_hours(signals: Signals) -> bool:
    return any(signal.name == "contradiction_hours" for signal in signals.get("contradiction", ()))


def _observe(reading: Reading, rules: RuleSet, scan: SurfaceScan | None) -> tuple[Signals, Chance | None]:
    """The signals of a reading with its measured chance as one of them, and that chance."""
    signals = observe_reading(reading, rules, scan)
    measured = None if "gap" in signals else measured_chance(reading)
    if measured and measured.estimate is not None:
        signals["estimate"] = (Signal(value=measured.estimate),)
    return signals, measured


def _is_of(scan: SurfaceScan, reading: Reading) -> bool:
    """Whether a scan is of that drive. It came with this reading, so a name that either lacks is not an objection."""
    answer = compare(scan.scanned, reading.drive)
    if answer == "unknown" and scan.serial and reading.drive.serial:
        return normalise_serial(scan.serial) == normalise_serial(reading.drive.serial)
    return answer != "no"


def _list_next_steps(reading: Reading, reasoning: Reasoning, sale: Sale) -> tuple[str, ...]:
    """List what the bench does next: the advice of blocking gaps, then the steps of the verdict."""
    blocked = reasoning.row.severity == "blocked"
    advice = [gap.advice for gap in reading.gaps if gap.blocks and gap.advice] if blocked else []
    steps = reasoning.row.next_new if sale == "new" else reasoning.row.next
    drive = reading.path or "DRIVE"
    return tuple(dict.fromkeys([*advice, *(step.replace("{drive}", drive) for step in steps)]))


def _list_limits(reading: Reading, reasoning: Reasoning, sale: Sale, rules: RuleSet) -> tuple[str, ...]:
    """List what this reading cannot tell: the caveats that apply, then its own gaps."""
    drive = reading.drive
    conditions: dict[Circumstance, bool] = {
        sale: True,
        drive.kind: True,
        "scsi": drive.protocol == "scsi",
        "measured": reasoning.chance.basis.startswith("measured"),
        "bridge": reading.bridge is not None,
        "no-selftest": reasoning.signals.keys().isdisjoint({"last_selftest", "old_failed_selftest"}),
        "no-verdict": reading.drive_says == "silent" and reading.drive_says_words is None,
        "no-scan": reasoning.scan is None,
    }
    limits = [caveat.describe() for caveat in rules.caveats if conditions.get(caveat.when)]
    limits += [gap.what for gap in reading.gaps if not gap.blocks]
    if reasoning.excluded:
        limits.append(
            f"{reasoning.excluded} of the readings and scans given are of another drive or later, and were left out."
        )
    return tuple(dict.fromkeys(limits))
