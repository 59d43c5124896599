"""The rules in `profiles/risk/*.toml`: what each signal means, how bad it is, on whose word, and what to do.

Python knows nothing about a single signal: a limit or its source changes in a data file. The loader refuses a rule
without a source, an unknown key, and a severity that the rule cannot justify.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Literal

from drivecare.documents import Strict, Value, decode_shipped
from drivecare.errors import BadInput
from drivecare.reading.counters import attribute_rows
from drivecare.reading.model import Drive
from drivecare.risk.model import FaultClass, Severity, SourceKind, Verdict

DriveWord = Literal["hdd", "ssd", "ata", "nvme", "scsi"]
Circumstance = Literal[
    "used", "new", "hdd", "ssd", "unknown", "scsi", "measured", "bridge", "no-selftest", "no-verdict", "no-scan"
]
Number = int | float

RULE_FILES = ("report", "counters", "solid-state", "scsi", "history", "incoming")
KIND_WORDS = frozenset({"hdd", "ssd"})
TESTS = ("above", "at_least", "below", "at_most", "equals", "starts_with", "present")


class Provenance(Strict, frozen=True, kw_only=True, omit_defaults=True):
    """Where a number or a rule comes from. `counts`: our own measurement; `title` and `year`: what others published."""

    kind: SourceKind
    text: str
    counts: str | None = None
    title: str | None = None
    year: int | None = None

    def __post_init__(self) -> None:
        if not self.text.strip():
            raise ValueError("a source needs a text")
        if self.kind == "measured" and not self.counts:
            raise ValueError("a measured source needs its counts")
        if self.kind == "published" and not (self.title and self.year):
            raise ValueError("a published source needs its title and year")

    @property
    def name(self) -> str:
        """The source alone, short enough for a row of a screen; "" for a judgement, which has none."""
        if self.title:
            return f"{self.title}, {self.year}"
        return "" if self.kind == "judgement" else re.split("[;:]", self.text)[0]

    def cite(self) -> str:
        """Cite it in one line: the kind, the publication, the numbers."""
        publication = f"{self.title} ({self.year})" if self.title else ""
        return f"{self.kind}: " + "; ".join(filter(None, (publication, self.text, self.counts)))


class Level(Strict, frozen=True, kw_only=True, omit_defaults=True):
    """One level of a rule: exactly one test, and the severity it asks for. A limit in quotes names another signal.

    `fault_class`, `action` and `source` replace those of the rule.
    """

    severity: Severity
    source: Provenance | None = None
    fault_class: FaultClass | None = None
    action: str | None = None
    above: Number | str | None = None
    at_least: Number | str | None = None
    below: Number | str | None = None
    at_most: Number | str | None = None
    equals: str | None = None
    starts_with: str | None = None
    present: bool | None = None

    def __post_init__(self) -> None:
        if sum(getattr(self, name) is not None for name in TESTS) != 1:
            raise ValueError("a level needs exactly one test: above, at_least, below, at_most, equals, ...")

    @property
    def test(self) -> tuple[str, Number | str | bool]:
        """The test of this level: its name and its limit."""
        return next((name, limit) for name in TESTS if (limit := getattr(self, name)) is not None)

    def describe(self) -> str:
        """The test in words: "above 0", "is read", "whenever it is there"."""
        name, limit = self.test
        if name == "present":
            return "whenever it is there"
        verb = "is" if name == "equals" else name.replace("_", " ")
        return f"{verb} {limit:,}" if isinstance(limit, int) else f"{verb} {str(limit).replace('_', ' ')}"


class Rule(Strict, frozen=True, kw_only=True):
    """What one signal means for the drives that the rule applies to; the first of its levels that holds counts.

    An empty `applies_to` means every drive; of hdd/ssd and of ata/nvme/scsi one word each has to match. `unless`:
    signals that silence this rule. `alarm`: why the rule may evacuate, an observed loss or the drive's own alarm; a
    rate is never enough. `clear_after_read`: the bytes to read without growth before a recheck counts as done,
    "surface" for the whole drive; where it is missing, reading alone does not clear it up.
    """

    signal: str
    label: str
    fault_class: FaultClass
    levels: tuple[Level, ...]
    source: Provenance
    why: str
    action: str
    applies_to: tuple[DriveWord, ...] = ()
    unless: tuple[str, ...] = ()
    alarm: Literal["loss", "own"] | None = None
    way_out: str | None = None
    clear_after_read: int | Literal["surface"] | None = None

    def __post_init__(self) -> None:
        severities = {level.severity for level in self.levels}
        if not severities:
            raise ValueError("a rule needs at least one level")
        if "evacuate" in severities and self.alarm is None:
            raise ValueError("only an observed loss or the drive's own alarm evacuates: set alarm or a milder severity")
        if "recheck" in severities and not self.way_out:
            raise ValueError("a rule that asks for a recheck needs its way_out")

    def applies(self, drive: Drive) -> bool:
        """Whether this rule applies to a drive; one of unknown kind or protocol is judged by every rule."""
        kinds = KIND_WORDS.intersection(self.applies_to)
        protocols = set(self.applies_to) - kinds
        return (not kinds or drive.kind == "unknown" or drive.kind in kinds) and (
            not protocols or drive.protocol is None or drive.protocol in protocols
        )


class UnscoredSignal(Strict, frozen=True, kw_only=True):
    """A signal that is shown but not scored, and why."""

    signal: str
    label: str
    reason: str
    source: Provenance


class VerdictRow(Strict, frozen=True, kw_only=True):
    """One row of the verdict table: it holds when a finding has this severity or signal and none is among `unless`.

    `next`: the next steps at the bench, "{drive}" in them is the drive's path. `as_new` and `next_new`: for a drive
    sold as new.
    """

    verdict: Verdict
    headline: str
    as_new: str
    severity: Severity | None = None
    signal: str | None = None
    unless: tuple[Severity, ...] = ()
    next: tuple[str, ...] = ()
    next_new: tuple[str, ...] = ()


class Caveat(Strict, frozen=True, kw_only=True, omit_defaults=True):
    """What a reading cannot tell, and the circumstance in which it applies; a figure in it needs its source."""

    when: Circumstance
    text: str
    source: Provenance | None = None

    def __post_init__(self) -> None:
        if self.source is None and re.search(r"[0-9]", self.text):
            raise ValueError(f"a limit with a figure needs a source: {self.text}")

    def describe(self) -> str:
        """The sentence with its source."""
        if self.source is None:
            return self.text
        return f"{self.text.rstrip('.')} ({self.source.kind}: {self.source.name or self.source.text})."


class AttributeGroup(Strict, frozen=True, kw_only=True):
    """ATA attribute numbers that belong together. `meaning` decides what a crossed threshold means."""

    meaning: Literal["temperature", "usage", "health"]
    fault_class: FaultClass
    ids: tuple[int, ...]


class Threshold(Strict, frozen=True, kw_only=True):
    """A number that decides whether something is a signal, and where it comes from."""

    value: int
    source: Provenance


class Thresholds(Strict, frozen=True, kw_only=True):
    """Everything in `profiles/risk/thresholds.toml`, which explains each number."""

    old_error_hours: Threshold
    clock_slack_hours: Threshold
    endurance_shortest_hours: Threshold
    endurance_most_years: Threshold
    endurance_uncounted_writes: Threshold
    new_log_hours: Threshold
    counter_slack_hours: Threshold
    worn_hours_value: Threshold
    written_factor: Threshold
    written_slack_bytes: Threshold
    fastest_ata: Threshold
    fastest_scsi: Threshold
    fastest_nvme: Threshold
    near_threshold_percent: Threshold
    link_trace: Threshold


class RuleFile(Strict, frozen=True, kw_only=True):
    """A file of rules."""

    rule: tuple[Rule, ...]


class UnscoredFile(Strict, frozen=True, kw_only=True):
    """The file of signals that are shown but not scored."""

    shown: tuple[UnscoredSignal, ...]


class AttributesFile(Strict, frozen=True, kw_only=True):
    """The file of attribute groups."""

    group: tuple[AttributeGroup, ...]


class VerdictFile(Strict, frozen=True, kw_only=True):
    """The verdict table, whose last row has to hold always, and its caveats."""

    row: tuple[VerdictRow, ...]
    limit: tuple[Caveat, ...]

    def __post_init__(self) -> None:
        last = self.row[-1] if self.row else None
        if last is None or last.severity or last.signal or last.unless:
            raise ValueError("the last row of the verdict table has to hold always")


class RuleSet(Value, frozen=True, kw_only=True):
    """Every rule, in order and by signal, the verdict table, its caveats, and the numbers that signals rest on."""

    rules: tuple[Rule, ...]
    by_signal: dict[str, tuple[Rule, ...]]
    unscored: dict[str, UnscoredSignal]
    verdict_table: tuple[VerdictRow, ...]
    caveats: tuple[Caveat, ...]
    attributes: dict[int, AttributeGroup]
    thresholds: Thresholds

    def for_drive(self, signal: str, drive: Drive) -> tuple[Rule, ...]:
        """The rules about a signal that apply to a drive."""
        return tuple(rule for rule in self.by_signal.get(signal, ()) if rule.applies(drive))


@cache
def load_rules() -> RuleSet:
    """The rules that ship with drivecare, read once."""
    rules = tuple(rule for name in RULE_FILES for rule in decode_shipped(RuleFile, f"risk/{name}.toml").rule)
    by_signal: dict[str, tuple[Rule, ...]] = {}
    for rule in rules:
        by_signal[rule.signal] = (*by_signal.get(rule.signal, ()), rule)
    verdict = decode_shipped(VerdictFile, "risk/verdict.toml")
    groups = decode_shipped(AttributesFile, "risk/attribute-rows.toml").group
    return RuleSet(
        rules=rules,
        by_signal=by_signal,
        unscored={entry.signal: entry for entry in decode_shipped(UnscoredFile, "risk/shown.toml").shown},
        verdict_table=verdict.row,
        caveats=verdict.limit,
        attributes={number: group for group in groups for number in group.ids},
        thresholds=decode_shipped(Thresholds, "risk/thresholds.toml"),
    )


class RulesDocument(Value, frozen=True, kw_only=True):
    """The rules as a document: those about one signal, or all of them with the verdict table."""

    schema: Literal["drivecare/rules-1"] = "drivecare/rules-1"
    rules: tuple[Rule, ...]
    shown: tuple[UnscoredSignal, ...] = ()
    verdict_table: tuple[VerdictRow, ...] = ()
    limits: tuple[Caveat, ...] = ()


def find_rules(query: str | None) -> RulesDocument:
    """Find the rules about a signal by its name, an ATA attribute's number, or a word of its name or label; else all.

    Raises BadInput where nothing matches.
    """
    shipped = load_rules()
    unscored = tuple(shipped.unscored.values())
    if query is None:
        return RulesDocument(
            rules=shipped.rules, shown=unscored, verdict_table=shipped.verdict_table, limits=shipped.caveats
        )
    name = query.lower().replace("-", "_")
    if numbered := re.fullmatch(r"(?:smart_)?(\d{1,3})(?:_raw)?", name):
        name = attribute_rows().values_by_id.get(int(numbered[1]), name)
    for matches in (_has_name, _mentions):
        rules = tuple(rule for rule in shipped.rules if matches(rule, name))
        shown = tuple(entry for entry in unscored if matches(entry, name))
        if rules or shown:
            return RulesDocument(rules=rules, shown=shown)
    raise BadInput("no rule mentions this", location=query, hint="`drivecare rules` lists them all.")


def _has_name(entry: Rule | UnscoredSignal, name: str) -> bool:
    return entry.signal == name


def _mentions(entry: Rule | UnscoredSignal, word: str) -> bool:
    return word in entry.signal or word.replace("_", " ") in entry.label.lower()
