"""The arithmetic of one verdict, line by line, for anyone who wants to check it by hand."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from drivecare.reading.model import Drive, Reading
from drivecare.reading.surface import SurfaceScan
from drivecare.risk.assess import Reasoning, evaluate
from drivecare.risk.findings import SEVERITIES, evaluate_level, find_silencers
from drivecare.risk.model import Chance
from drivecare.risk.rules import Rule, RuleSet, load_rules
from drivecare.risk.signals import Signal, Signals, spell
from drivecare.risk.survival import added_hazard, age_step, find_base_rate, load_table, look_up, score
from drivecare.risk.verdict import adapt_to_sale


def explain(
    reading: Reading, *, as_new: bool = False, history: Iterable[Reading] = (), scan: SurfaceScan | None = None
) -> tuple[str, ...]:
    """Explain every signal with what its rules made of it, the estimate, and the row of the verdict table that held."""
    reasoning = evaluate(reading, as_new=as_new, history=history, scan=scan)
    return tuple(_explain(reading, reasoning, load_rules(), as_new=as_new))


def _explain(reading: Reading, reasoning: Reasoning, rules: RuleSet, *, as_new: bool) -> Iterator[str]:
    yield "1. What was seen, and what each rule says about it"
    for name, entries in sorted(reasoning.signals.items()):
        for signal in entries:
            yield from _explain_signal(name, signal, reasoning, reading.drive, rules)
    yield "2. The chance of failing within 12 months"
    yield from _explain_points(reading, reasoning)
    yield from _explain_chance(reasoning.chance)
    yield "3. The verdict table: the first row that holds"
    severities = {finding.severity for finding in reasoning.findings}
    present = ", ".join(severity for severity in SEVERITIES if severity in severities) or "none"
    yield f"   severities found: {present}"
    for row in rules.verdict_table:
        condition = row.severity or row.signal or "whatever was found"
        unless = f", unless {' or '.join(row.unless)}" if row.unless else ""
        answer = "holds" if row is reasoning.row else "does not hold"
        yield f"   {row.verdict}: asks for {condition}{unless}: {answer}"
        if row is reasoning.row:
            break
    verdict, headline = adapt_to_sale(reasoning.row, "new" if as_new else "used")
    if verdict != reasoning.row.verdict:
        yield f"   sold as new: {reasoning.row.verdict} becomes {verdict}, because the drive is sent back"
    yield f"Verdict: {verdict}. {headline}"


def _explain_signal(name: str, signal: Signal, reasoning: Reasoning, drive: Drive, rules: RuleSet) -> Iterator[str]:
    """One line for each rule that applies, and one for each recheck that is done."""
    value = f"{signal.value:,}" if isinstance(signal.value, int) else f"{signal.value}"
    start = f"   {name} = {value}" + (f" ({signal.detail})" if signal.detail else "")
    applying = rules.for_drive(name, drive)
    for rule in applying:
        yield f"{start}: {_explain_rule(rule, signal, reasoning.signals)}"
    if not applying:
        unscored = rules.unscored.get(name)
        yield f"{start}: shown, not scored" + (f": {unscored.reason}" if unscored else "")
    for ruling in reasoning.rulings:
        if ruling.rule.signal == name and ruling.finding.severity != ruling.level.severity:
            yield f"   {name}: that recheck is done: {ruling.finding.why}"


def _explain_rule(rule: Rule, signal: Signal, signals: Signals) -> str:
    """The test that held, or every test that did not."""
    if silencers := find_silencers(rule, signals):
        return f"says nothing because of {', '.join(silencers)}"
    for level in rule.levels:
        holds, _ = evaluate_level(level, signal, signals)
        if holds:
            return f"{level.describe()}: {level.severity} [{(level.source or rule.source).cite()}]"
    denials = (f"not {level.describe().removeprefix('is ')}" for level in rule.levels)
    return f"nothing ({'; '.join(denials)})"


def _explain_points(reading: Reading, reasoning: Reasoning) -> Iterator[str]:
    """How the measured estimate comes about: the points of each counter, and their sum."""
    if "estimate" not in reasoning.signals:
        return
    state, estimate = score(reading.values), reasoning.signals["estimate"][0].value
    for part in state.parts:
        yield f"   {part.label}: {part.count:,} gives {part.points} points"
    for name in state.missing:
        yield f"   {spell(name)}: not reported, 0 points"
    table = load_table()
    row, step = find_base_rate(table, reading.drive), age_step(table, reading.values.power_on_hours)
    added = -math.expm1(-added_hazard(table, state.points))
    yield f"   {state.points} points in all, failures per 100 drive-years: {added:.1%} within a year by these alone"
    older = f", its hazard times {step.factor:g} from {step.from_years} years on" if step.factor != 1 else ""
    yield f"   base rate of {f'{row.maker} drives' if row.maker else 'any drive'}: {row.chance:.1%}{older}"
    counted = look_up(table, row, state.points, reading.values.power_on_hours).with_excluded
    yield f"   together, as hazards that add up: {estimate:.1%}"
    yield f"   with {', '.join(table.excluded_models)}, which is left out of the table: {counted:.1%}"
    if estimate != reasoning.chance.estimate:
        yield "   a finding that these counters do not cover gives a higher chance, which stands instead:"


def _explain_chance(chance: Chance) -> Iterator[str]:
    if chance.estimate is None or chance.low is None or chance.high is None:
        yield f"   none: {chance.basis}"
        return
    yield f"   {chance.estimate:.1%}, between {chance.low:.1%} and {chance.high:.1%}; {chance.basis}"
    if chance.clean is not None:
        yield f"   a drive of this maker and age with nothing to show: {chance.clean:.1%}"
    for words in chance.unmeasured:
        yield f"   not measured: {words}"
