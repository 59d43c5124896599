"""The arithmetic of one verdict, line by line, for whoever wants to check it by hand."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator

from drivecare.reading.model import Drive, Reading
from drivecare.reading.surface import SurfaceScan
from drivecare.risk import survival
from drivecare.risk.assess import Reasoning, evaluate
from drivecare.risk.findings import SEVERITIES, evaluate_level
from drivecare.risk.model import Chance
from drivecare.risk.rules import RuleSet, load_rules
from drivecare.risk.signals import Signal
from drivecare.risk.verdict import adapt_to_sale


def explain(
    reading: Reading, *, as_new: bool = False, history: Iterable[Reading] = (), scan: SurfaceScan | None = None
) -> tuple[str, ...]:
    """Every signal with what its rules made of it, the estimate, and the row of the verdict table that held."""
    rules = load_rules()
    working = evaluate(reading, as_new=as_new, history=history, scan=scan)
    return tuple(_lines(reading, working, rules, as_new=as_new))


def _lines(reading: Reading, working: Reasoning, rules: RuleSet, *, as_new: bool) -> Iterator[str]:
    yield "1. What was seen, and what each rule says to it"
    for name, entries in sorted(working.signals.items()):
        for signal in entries:
            yield from _signal_lines(name, signal, working, reading.drive, rules)
    yield "2. The chance of failing within 12 months"
    yield from _points_lines(reading, working)
    yield from _chance_lines(working.chance)
    yield "3. The verdict table: the first row that holds"
    severities = {finding.severity for finding in working.findings}
    found = ", ".join(severity for severity in SEVERITIES if severity in severities) or "none"
    yield f"   severities found: {found}"
    for row in rules.table:
        asks = row.severity or row.signal or "whatever was found"
        unless = f", unless {' or '.join(row.unless)}" if row.unless else ""
        yield f"   {row.verdict}: asks for {asks}{unless}: {'holds' if row is working.row else 'does not hold'}"
        if row is working.row:
            break
    verdict, headline = adapt_to_sale(working.row, "new" if as_new else "used")
    if verdict != working.row.verdict:
        yield f"   sold as new: {working.row.verdict} becomes {verdict}, for it is sent back"
    yield f"Verdict: {verdict}. {headline}"


def _signal_lines(name: str, signal: Signal, working: Reasoning, drive: Drive, rules: RuleSet) -> Iterator[str]:
    """One line for the signal with each test that was tried, up to the one that held, and for a recheck done."""
    shown = f"{signal.value:,}" if isinstance(signal.value, int) else f"{signal.value}"
    detail = f" ({signal.detail})" if signal.detail else ""
    applying = rules.for_drive(name, drive)
    if not applying:
        shown_rule = next((entry for entry in rules.shown if entry.signal == name), None)
        yield f"   {name} = {shown}{detail}: shown, not scored" + (f": {shown_rule.reason}" if shown_rule else "")
    for rule in applying:
        quiet = [other for other in rule.unless if working.signals.get(other)]
        if quiet:
            yield f"   {name} = {shown}{detail}: keeps quiet because of {', '.join(quiet)}"
            continue
        for level in rule.levels:
            held, _ = evaluate_level(level, signal, working.signals)
            if held:
                yield f"   {name} = {shown}{detail}: {level.words()}: {level.severity} [{rule.source.line()}]"
                break
        else:
            yield f"   {name} = {shown}{detail}: nothing ({'; '.join(f'not {level.words()}' for level in rule.levels)})"
    yield from (
        f"   {name}: that recheck is done: {judged.finding.why}"
        for judged in working.found
        if judged.rule.signal == name and judged.finding.severity != judged.level.severity
    )


def _points_lines(reading: Reading, working: Reasoning) -> Iterator[str]:
    """How the measured estimate comes about: points of each counter, their sum."""
    if "estimate" not in working.signals:
        return
    score, estimate = survival.score(reading.values), working.signals["estimate"][0].value
    for part in score.parts:
        yield f"   {part.label}: {part.count:,} gives {part.points} points"
    for name in score.unsaid:
        yield f"   {name.replace('_', ' ')}: not said, 0 points"
    yield f"   {score.points} points in all{_lookup_words(score.points)}: {estimate:.1%}"
    if estimate != working.chance.estimate:
        yield "   a finding that these counters know nothing of speaks louder, so another figure stands:"


def _lookup_words(points: int) -> str:
    """Where on the measured curve a state lies."""
    xs, ys = survival.curve(survival.load_table())
    if points == 0:
        return ", the base rate of drives of this age"
    right = bisect_right(xs, points)
    if right == len(xs):
        return f", beyond the last band at {xs[-1]:g} points ({ys[-1]:.1%}), and never under the base rate"
    return (
        f", between {xs[right - 1]:g} points ({ys[right - 1]:.1%}) and {xs[right]:g} points ({ys[right]:.1%}), "
        "a straight line in the logarithm of the hazard, and never under the base rate"
    )


def _chance_lines(chance: Chance) -> Iterator[str]:
    if chance.estimate is None or chance.low is None or chance.high is None:
        yield f"   none: {chance.basis}"
        return
    yield f"   {chance.estimate:.1%}, between {chance.low:.1%} and {chance.high:.1%}; {chance.basis}"
    if chance.clean is not None:
        yield f"   a drive of this age with nothing to show: {chance.clean:.1%}"
