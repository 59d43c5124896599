"""The rules, read from `profiles/risk/*.toml`: what each signal means, how bad, by which source, and what to do.

Nothing about a single signal stands in Python: a threshold or its source changes in a data file. The loader refuses a
rule without a source, an unknown key and a severity that its source does not carry.
"""

from __future__ import annotations

import re
from functools import lru_cache
from importlib.resources import files
from typing import Literal

from drivecare.documents import Strict, Value, decode_toml
from drivecare.errors import BadInput
from drivecare.reading.counters import attribute_rows
from drivecare.reading.model import Drive
from drivecare.risk.model import FaultClass, Severity, SourceKind, Verdict

DriveWord = Literal["hdd", "ssd", "ata", "nvme", "scsi"]
Circumstance = Literal["used", "new", "hdd", "ssd", "unknown", "scsi", "bridge", "no-selftest", "no-verdict", "no-scan"]
Number = int | float

RULE_FILES = ("report", "counters", "solid-state", "scsi", "history", "incoming")
KIND_WORDS = frozenset({"hdd", "ssd"})


class Provenance(Strict, frozen=True, kw_only=True, omit_defaults=True):
    """Where a rule comes from. `counts` for our own measurement, `title` and `year` for what others published."""

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

    def line(self) -> str:
        """One line: the kind, where it is from, the numbers."""
        where = f"{self.title} ({self.year})" if self.title else ""
        return f"{self.kind}: " + "; ".join(part for part in (where, self.text, self.counts or "") if part)


class Level(Strict, frozen=True, kw_only=True, omit_defaults=True):
    """One step of a rule: exactly one test, and what it asks for. A limit in quotes names another signal.

    `fault_class` and `action` stand in for those of the rule.
    """

    severity: Severity
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
        if len(self.tests()) != 1:
            raise ValueError("a level needs exactly one test: above, at_least, below, at_most, equals, ...")

    def tests(self) -> tuple[tuple[str, Number | str | bool], ...]:
        """The test of this level as (name, limit); one of them in every valid level."""
        names = ("above", "at_least", "below", "at_most", "equals", "starts_with", "present")
        return tuple((name, limit) for name in names if (limit := getattr(self, name)) is not None)

    def words(self) -> str:
        """The test as a reader would say it: "above 0", "is read", "whenever it is there"."""
        ((name, limit),) = self.tests()
        if name == "present":
            return "whenever it is there"
        limit_words = f"{limit:,}" if isinstance(limit, int) else str(limit).replace("_", " ")
        verb = "is" if name == "equals" else name.replace("_", " ")
        return f"{verb} {limit_words}"


class Rule(Strict, frozen=True, kw_only=True):
    """What one signal means for the drives it applies to; of its levels the first that holds counts.

    `applies_to` empty is every drive; of hdd/ssd and of ata/nvme/scsi one each has to match. `unless`: signals whose
    presence makes this rule keep quiet. `alarm` says why the rule may evacuate: an observed loss or the drive's own
    alarm; no rate does. `clear_after_read`: bytes to be read without growth until a recheck counts as done, "surface"
    for all of the drive; without it reading alone does not clear it up.
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
            raise ValueError(
                "only an observed loss or the drive's own alarm evacuates: set alarm, or a milder severity"
            )
        if "recheck" in severities and not self.way_out:
            raise ValueError("a rule that asks for a recheck needs its way_out")

    def applies(self, drive: Drive) -> bool:
        """Whether this rule speaks about that drive; an unknown kind or protocol is spoken about by every rule."""
        kinds = [word for word in self.applies_to if word in KIND_WORDS]
        protocols = [word for word in self.applies_to if word not in KIND_WORDS]
        return (not kinds or drive.kind == "unknown" or drive.kind in kinds) and (
            not protocols or drive.protocol is None or drive.protocol in protocols
        )


class UnscoredSignal(Strict, frozen=True, kw_only=True):
    """A signal that is shown and not scored, with the reason."""

    signal: str
    label: str
    reason: str
    source: Provenance


class VerdictRow(Strict, frozen=True, kw_only=True):
    """One row of the verdict table: holds when a finding has this severity or signal and none of `unless`.

    `next` are the steps for the bench; "{drive}" in them stands for the drive's path. `..._new`: sold as new.
    """

    verdict: Verdict
    headline: str
    as_new: str
    severity: Severity | None = None
    signal: str | None = None
    unless: tuple[Severity, ...] = ()
    next: tuple[str, ...] = ()
    next_new: tuple[str, ...] = ()


class Caveat(Strict, frozen=True, kw_only=True):
    """One sentence on what a reading cannot tell, and the circumstance in which it is said."""

    when: Circumstance
    text: str


class AttributeGroup(Strict, frozen=True, kw_only=True):
    """ATA attribute numbers that belong together. `meaning` decides what a crossed threshold says."""

    meaning: Literal["temperature", "usage", "health"]
    fault_class: FaultClass
    ids: tuple[int, ...]


class _RuleFile(Strict, frozen=True, kw_only=True):
    rule: tuple[Rule, ...]


class _UnscoredFile(Strict, frozen=True, kw_only=True):
    shown: tuple[UnscoredSignal, ...]


class _AttributesFile(Strict, frozen=True, kw_only=True):
    group: tuple[AttributeGroup, ...]


class _VerdictFile(Strict, frozen=True, kw_only=True):
    row: tuple[VerdictRow, ...]
    limit: tuple[Caveat, ...]


class RuleSet(Value, frozen=True, kw_only=True):
    """Every rule, the verdict table, the sentences on limits; `by_signal` and `groups` are the same, indexed."""

    rules: tuple[Rule, ...]
    shown: tuple[UnscoredSignal, ...]
    table: tuple[VerdictRow, ...]
    limits: tuple[Caveat, ...]
    by_signal: dict[str, tuple[Rule, ...]]
    groups: dict[int, AttributeGroup]

    def for_drive(self, signal: str, drive: Drive) -> tuple[Rule, ...]:
        """The rules about a signal that apply to a drive."""
        return tuple(rule for rule in self.by_signal.get(signal, ()) if rule.applies(drive))


def decode_rules(data: bytes, *, origin: str) -> tuple[Rule, ...]:
    """The rules of one TOML file. Raises BadInput naming the file, the key and the reason."""
    return decode_toml(_RuleFile, data, origin=origin).rule


def decode_verdict_table(data: bytes, *, origin: str) -> tuple[tuple[VerdictRow, ...], tuple[Caveat, ...]]:
    """The verdict table and the limits; the table has to end with a row that always holds."""
    table = decode_toml(_VerdictFile, data, origin=origin)
    last = table.row[-1] if table.row else None
    if last is None or last.severity or last.signal or last.unless:
        raise BadInput("the last row of the verdict table has to hold always", location=origin)
    return table.row, table.limit


@lru_cache(maxsize=1)
def load_rules() -> RuleSet:
    """The rules that are shipped, read once."""
    folder = files("drivecare.profiles") / "risk"

    def data(name: str) -> tuple[bytes, str]:
        return (folder / f"{name}.toml").read_bytes(), f"profiles/risk/{name}.toml"

    rules: list[Rule] = []
    for name in RULE_FILES:
        content, origin = data(name)
        rules += decode_rules(content, origin=origin)
    content, origin = data("verdict")
    table, limits = decode_verdict_table(content, origin=origin)
    content, origin = data("shown")
    shown = decode_toml(_UnscoredFile, content, origin=origin).shown
    content, origin = data("attribute-rows")
    groups = decode_toml(_AttributesFile, content, origin=origin).group
    by_signal: dict[str, tuple[Rule, ...]] = {}
    for rule in rules:
        by_signal[rule.signal] = (*by_signal.get(rule.signal, ()), rule)
    return RuleSet(
        rules=tuple(rules),
        shown=shown,
        table=table,
        limits=limits,
        by_signal=by_signal,
        groups={number: group for group in groups for number in group.ids},
    )


class RulesDocument(Value, frozen=True, kw_only=True):
    """The rules as a document: those about one signal, or all with the verdict table."""

    schema: Literal["drivecare/rules-1"] = "drivecare/rules-1"
    rules: tuple[Rule, ...]
    shown: tuple[UnscoredSignal, ...] = ()
    verdict_table: tuple[VerdictRow, ...] = ()
    limits: tuple[Caveat, ...] = ()


def find_rules(word: str | None) -> RulesDocument:
    """The rules about a signal, by its name, an ATA attribute's number, or a word of its name or label; else all.

    Raises BadInput where nothing matches.
    """
    everything = load_rules()
    if word is None:
        return RulesDocument(
            rules=everything.rules,
            shown=everything.shown,
            verdict_table=everything.table,
            limits=everything.limits,
        )
    wanted = word.lower().replace("-", "_")
    if numbered := re.fullmatch(r"(?:smart_)?(\d{1,3})(?:_raw)?", wanted):
        wanted = attribute_rows().values_by_id.get(int(numbered[1]), wanted)
    rules = tuple(rule for rule in everything.rules if rule.signal == wanted)
    shown = tuple(entry for entry in everything.shown if entry.signal == wanted)
    if not rules and not shown:
        rules = tuple(rule for rule in everything.rules if _speaks_of(rule, wanted))
        shown = tuple(entry for entry in everything.shown if _speaks_of(entry, wanted))
    if not rules and not shown:
        raise BadInput("no rule speaks of this", location=word, hint="`drivecare rules` lists them all.")
    return RulesDocument(rules=rules, shown=shown)


def _speaks_of(entry: Rule | UnscoredSignal, wanted: str) -> bool:
    return wanted in entry.signal or wanted.replace("_", " ") in entry.label.lower()
