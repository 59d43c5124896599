"""Problems in a host profile, beyond what its types refuse, each with its key and the reason."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final

import msgspec

from drivecare.documents import Value, convert, decode_toml
from drivecare.errors import BadInput
from drivecare.fit.adapters import adapters
from drivecare.fit.host_profile import Host, HostCheck, Problem
from drivecare.fit.profile_types import find_type_faults
from drivecare.fit.standards import connectors, form_factors, interfaces
from drivecare.fit.unit_part import PartReader, join_part

_RAILS: Final = {"rail_3v3_amps": "3v3", "rail_5v_amps": "5v", "rail_12v_amps": "12v"}


def decode_profile(data: bytes, *, origin: str, read_part: PartReader) -> tuple[Host | None, tuple[Problem, ...]]:
    """Decode a profile with what it shares, None where that is impossible, and find everything wrong with it."""
    try:
        table = decode_toml(dict[str, Any], data, origin=origin)
    except BadInput as error:
        return None, (Problem(key="", reason=error.problem),)
    try:
        decoded = convert(Host, table)
    except ValueError:
        faults = tuple(find_type_faults(Host, table))
        return None, (*faults, *find_problems(_decode_sound_tables(table, faults), faults))
    host, problems = join_part(decoded, read_part)
    return host, (*problems, *find_problems(host))


def check_profile(data: bytes, *, origin: str, read_part: PartReader) -> HostCheck:
    """Check a profile, everything that is wrong with it at once."""
    _, problems = decode_profile(data, origin=origin, read_part=read_part)
    return HostCheck(file=origin, valid=not problems, problems=problems)


def _decode_sound_tables(table: dict[str, Any], faults: tuple[Problem, ...]) -> Host:
    """A profile of the tables that are right in themselves; in place of the others there is nothing to rely on."""
    faulty = _tables_of(faults)
    sound: dict[str, Any] = {
        field.name: convert(field.type, table[field.name])
        for field in msgspec.structs.fields(Host)
        if field.name in table and field.name not in faulty
    }
    required = {field.name: None for field in msgspec.structs.fields(Host) if field.required}
    return Host(**{**required, **sound})


def _tables_of(faults: Iterable[Problem]) -> set[str]:
    return {re.split(r"[.\[]", fault.key)[0] for fault in faults}


def find_problems(host: Host, faults: tuple[Problem, ...] = ()) -> Iterator[Problem]:
    """Find everything in a profile that cannot be true, as far as no table that tells is among those with `faults`."""
    faulty = _tables_of(faults)
    for tables, find in _PROBLEM_FINDERS:
        if not tables & faulty:
            yield from find(host)


def _label_problems(host: Host) -> Iterator[Problem]:
    if host.kind == "bay":
        if host.label is not None:
            yield Problem(key="label", reason="a bay does not carry a label; only a unit has one")
        return
    if host.label is None:
        yield Problem(key="label", reason="a unit needs a label: parts are ordered by it")
        return
    revisions = host.label.revisions
    if not revisions:
        yield Problem(key="label.revisions", reason="does not name a revision")
    if len({len(digits) for digits in revisions}) > 1:
        yield Problem(key="label.revisions", reason="must all have the same number of digits")
    if len(set(revisions)) < len(revisions):
        yield Problem(key="label.revisions", reason="names a revision twice")


def _bay_problems(host: Host) -> Iterator[Problem]:
    bay = host.bay
    bodies = form_factors()
    for key, names, choices in (
        ("form_factor", (bay.form_factor,), [*bodies]),
        ("also", bay.also, [*bodies]),
        ("adapters", bay.adapters, [*bodies, *adapters()]),
    ):
        for name in names:
            if name not in choices:
                yield Problem(key=f"bay.{key}", reason=f"{name!r} is none of: {', '.join(choices)}")
    if bay.least_height_mm is not None and bay.least_height_mm > bay.height_mm:
        yield Problem(
            key="bay.least_height_mm", reason=f"{bay.least_height_mm:g} is more than height_mm {bay.height_mm:g}"
        )
    body = bodies.get(bay.form_factor)
    if body is None:
        return
    lowest = min(height.mm - height.minus for height in body.heights)
    if not lowest <= bay.height_mm <= 2 * body.tallest_mm:
        yield Problem(
            key="bay.height_mm",
            reason=f"{bay.height_mm:g} mm is not a height of a {body.name} drive; is it in millimetres?",
        )
    if bay.screws is None:
        return
    if body.screws is None:
        yield Problem(key="bay.screws", reason=f"a {body.name} drive does not have threaded holes")
        return
    if bay.screws.thread != body.screws.thread:
        yield Problem(
            key="bay.screws.thread",
            reason=f"{bay.screws.thread!r} does not fit a {body.name} drive, whose thread is {body.screws.thread}",
        )
    greatest = body.screws.depth(bay.screws.holes, bay.height_mm)
    if bay.screws.depth_mm > greatest:
        yield Problem(
            key="bay.screws.depth_mm",
            reason=f"{bay.screws.depth_mm:g} mm into the {bay.screws.holes} is more than the safe {greatest:g} mm",
        )


def _interface_problems(host: Host) -> Iterator[Problem]:
    interface = host.interface
    connector = connectors().get(interface.connector)
    if connector is None:
        yield Problem(
            key="interface.connector", reason=f"{interface.connector!r} is none of: {', '.join(connectors())}"
        )
        return
    if not connector.accepts and not connector.soldered:
        yield Problem(
            key="interface.connector", reason=f"{connector.name} is on drives; units do not have such a socket"
        )
    if not interface.protocols:
        yield Problem(key="interface.protocols", reason="does not name a protocol")
    for protocol in interface.protocols:
        if protocol not in connector.protocols:
            yield Problem(key="interface.protocols", reason=f"{protocol} does not run over {connector.name}")
    links = interfaces().links
    rates = sorted({*links.sata, *links.sas})
    if interface.link_gbps is not None and interface.link_gbps not in rates:
        choices = ", ".join(f"{rate:g}" for rate in rates)
        yield Problem(key="interface.link_gbps", reason=f"{interface.link_gbps:g} is none of {choices} Gb/s")
    generations = len(interfaces().pcie.gigatransfers)
    if interface.pcie_generation is not None and interface.pcie_generation > generations:
        yield Problem(key="interface.pcie_generation", reason=f"{interface.pcie_generation} is beyond {generations}")
    if interface.power_disable_held and "12v" not in connector.rails:
        yield Problem(key="interface.power_disable_held", reason=f"{connector.name} does not have that pin")


def _adapter_problems(host: Host) -> Iterator[Problem]:
    connector = connectors().get(host.interface.connector)
    for name in host.bay.adapters:
        becomes = adapters()[name].becomes_connector if name in adapters() else ""
        if becomes and connector is not None and becomes not in connector.accepts:
            reason = f"{name!r} has a plug for {connectors()[becomes].name}, the unit has {connector.name}"
            yield Problem(key="bay.adapters", reason=reason)


def _supply_problems(host: Host) -> Iterator[Problem]:
    connector = connectors().get(host.interface.connector)
    for field, rail in _RAILS.items():
        amps = None if host.supply is None else getattr(host.supply, field)
        if amps is not None and connector is not None and rail not in connector.rails:
            yield Problem(key=f"supply.{field}", reason=f"{connector.name} does not carry this rail")


def _capacity_problems(host: Host) -> Iterator[Problem]:
    size = host.capacity
    if size is not None and (size.least_bytes or 0) > (size.most_bytes or float("inf")):
        yield Problem(key="capacity.least_bytes", reason="is more than most_bytes")


def _sector_problems(host: Host) -> Iterator[Problem]:
    if not host.sectors.formats:
        yield Problem(key="sectors.formats", reason="does not name a sector format")


def _recording_problems(host: Host) -> Iterator[Problem]:
    if host.recording is not None and not host.recording.kinds:
        yield Problem(key="recording.kinds", reason="does not name a kind of drive")


def _step_problems(host: Host) -> Iterator[Problem]:
    if host.kind == "unit" and not host.steps and host.shares is None:
        yield Problem(key="steps", reason="a unit needs the steps that open and close it")


def _symptom_problems(host: Host) -> Iterator[Problem]:
    ids: set[str] = set()
    for index, symptom in enumerate(host.symptoms):
        if symptom.id in ids:
            yield Problem(key=f"symptoms[{index}].id", reason=f"{symptom.id!r} appears twice")
        if not symptom.words:
            yield Problem(key=f"symptoms[{index}].words", reason="needs the words that people use for it")
        ids.add(symptom.id)


class Range(Value, frozen=True, kw_only=True):
    """What a number of a profile can be at all; beyond that it was typed in another unit. Our judgement, and wide."""

    least: float
    most: float
    unit: str
    example: str


_AMPERES: Final = Range(least=0.02, most=30, unit="A", example="900 mA is 0.9")
_BYTES: Final = Range(least=1_000_000, most=10**16, unit="bytes", example="160 GB is 160_000_000_000")
_RANGES: Final[dict[str, Range]] = {
    "supply.rail_3v3_amps": _AMPERES,
    "supply.rail_5v_amps": _AMPERES,
    "supply.rail_12v_amps": _AMPERES,
    "capacity.least_bytes": _BYTES,
    "capacity.most_bytes": _BYTES,
    "capacity.exact_bytes": _BYTES,
    "bay.least_height_mm": Range(least=0.5, most=100, unit="mm", example="0.7 cm is 7"),
    "bay.screws.count": Range(least=1, most=12, unit="screws", example="4"),
    "interface.pcie_lanes": Range(least=1, most=16, unit="lanes", example="x4 is 4"),
    "recording.sustained_mb_s": Range(least=0.01, most=50_000, unit="MB/s", example="12 MB/s is 12"),
    "recording.daily_write_gb": Range(least=0.001, most=1_000_000, unit="GB", example="60 GB a day is 60"),
}


def _range_problems(host: Host) -> Iterator[Problem]:
    """A number that no unit has was typed in another unit: 900 for milliamperes, 160 for gigabytes."""
    for key, allowed in _RANGES.items():
        value: Any = host
        for name in key.split("."):
            value = getattr(value, name, None)
        for number in value if isinstance(value, tuple) else (value,):
            if number is not None and not allowed.least <= number <= allowed.most:
                most = f" to {allowed.most:,.10g}" if allowed.most < 10**10 else " or more"
                span = f"{allowed.least:,.10g}{most} {allowed.unit}"
                reason = f"{number:,.10g} {allowed.unit} cannot be right, expected {span}: {allowed.example}"
                yield Problem(key=key, reason=reason)


# Each with the tables that it reads; it is skipped where one of them has a fault of its own.
_PROBLEM_FINDERS: Final[tuple[tuple[set[str], Callable[[Host], Iterator[Problem]]], ...]] = (
    ({"kind", "label"}, _label_problems),
    ({"bay"}, _bay_problems),
    ({"interface"}, _interface_problems),
    ({"bay", "interface"}, _adapter_problems),
    ({"interface", "supply"}, _supply_problems),
    ({"capacity"}, _capacity_problems),
    ({"sectors"}, _sector_problems),
    ({"recording"}, _recording_problems),
    ({"kind", "steps", "shares"}, _step_problems),
    ({"symptoms"}, _symptom_problems),
    (set(), _range_problems),
)
