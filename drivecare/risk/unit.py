"""What a drive's counters say about the unit it came from: power, heat, knocks, cables. `profiles/risk/unit.toml`.

Half of a diagnosis at a bench, and none of the verdict: a counter fits with a cause, it never proves one.
"""

from __future__ import annotations

from functools import cache

from drivecare.documents import Strict, decode_shipped
from drivecare.reading.health import missing_health
from drivecare.reading.model import Reading
from drivecare.risk.model import UnitSign
from drivecare.risk.rules import Provenance

_PER = {"power_cycles": "power cycles", "power_on_hours": "powered-on hours"}


class UnitRule(Strict, frozen=True, kw_only=True):
    """From which count on a drive says something about its unit, and with which cause that fits."""

    sign: str
    counts: tuple[str, ...]
    observed: str
    at_least: int | str
    per: str | None = None
    share: float | None = None
    most: float | None = None
    fits_with: str
    but: str = ""
    source: Provenance

    def __post_init__(self) -> None:
        if len({self.per is None, self.share is None, self.most is None}) > 1:
            raise ValueError("per, share and most belong together")
        if self.per is not None and self.per not in _PER:
            raise ValueError(f"per is one of {', '.join(_PER)}")


class UnitFile(Strict, frozen=True, kw_only=True):
    """The file of rules about the unit."""

    sign: tuple[UnitRule, ...]


@cache
def load_unit_rules() -> tuple[UnitRule, ...]:
    """The rules that ship with drivecare, read once."""
    return decode_shipped(UnitFile, "risk/unit.toml").sign


def describe_unit(reading: Reading, *, hours_doubtful: bool = False) -> tuple[UnitSign, ...]:
    """What the reading says about the unit, a sentence for each sign; nothing where its counters cannot be believed.

    `hours_doubtful`: the drive's counts contradict its power-on hours, so that nothing is told by the hour.
    """
    if missing_health(reading):
        return ()
    counts = _numbers(reading)
    if hours_doubtful:
        counts.pop("power_on_hours", None)
    signs: dict[str, UnitSign] = {}
    for rule in load_unit_rules():
        if rule.sign not in signs and (sign := _apply(rule, counts)):
            signs[rule.sign] = sign
    return tuple(signs.values())


def _numbers(reading: Reading) -> dict[str, int]:
    values = {name: getattr(reading.values, name) for name in reading.values.__struct_fields__}
    values["temperature_limit_celsius"] = reading.drive.temperature_limit_celsius
    return reading.statistics | {name: number for name, number in values.items() if isinstance(number, int)}


def _apply(rule: UnitRule, counts: dict[str, int]) -> UnitSign | None:
    name = next((name for name in rule.counts if name in counts), None)
    least = counts.get(rule.at_least) if isinstance(rule.at_least, str) else rule.at_least
    if name is None or least is None or counts[name] < least:
        return None
    observed, per = counts[name], ""
    if rule.per is not None and rule.share is not None and rule.most is not None:
        base = counts.get(rule.per)
        if not base or not rule.share * base <= observed <= rule.most * base:
            return None
        per = f" in {base:,} {_PER[rule.per]}"
    sentence = f"{observed:,} {rule.observed}{per}: fits with {rule.fits_with}."
    return UnitSign(
        sign=rule.sign,
        signal=name,
        observed=observed,
        text=" ".join(filter(None, (sentence, rule.but))),
        source=rule.source.cite(),
    )
