"""Problems in a host profile, beyond what its types refuse, each with its key and the reason."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from drivecare.documents import decode_toml
from drivecare.errors import BadInput
from drivecare.fit.host_profile import Host, HostCheck, Problem
from drivecare.fit.standards import connectors, form_factors, interfaces
from drivecare.fit.unit_part import PartReader, join_part

_RAILS: Final = {"rail_3v3_amps": "3v3", "rail_5v_amps": "5v", "rail_12v_amps": "12v"}


def decode_profile(data: bytes, *, origin: str, read_part: PartReader) -> tuple[Host | None, tuple[Problem, ...]]:
    """Decode a profile with what it shares, None where that is impossible, and find everything wrong with it."""
    try:
        host = decode_toml(Host, data, origin=origin)
    except BadInput as error:
        return None, (_type_problem(error.problem),)
    host, problems = join_part(host, read_part)
    return host, (*problems, *find_problems(host))


def check_profile(data: bytes, *, origin: str, read_part: PartReader) -> HostCheck:
    """Check a profile as far as that is possible at once: a wrong type hides what comes after it."""
    _, problems = decode_profile(data, origin=origin, read_part=read_part)
    return HostCheck(file=origin, valid=not problems, problems=problems)


def _type_problem(sentence: str) -> Problem:
    """Split the decoder's sentence ("REASON at TABLE.KEY") into key and reason; a missing or unknown key is the key."""
    match = re.fullmatch(r"(?P<reason>.+?)(?: at (?P<table>[a-z0-9_.\[\]]+))?", sentence)
    if match is None or sentence.startswith("is not "):
        return Problem(key="", reason=sentence)
    reason, table = match["reason"], match["table"] or ""
    field = re.fullmatch(r"Object (missing required|contains unknown) field `(.+)`", reason)
    if field is None:
        return Problem(key=table, reason=reason)
    reason = "is missing" if field[1] == "missing required" else "is not a key of this table"
    return Problem(key=f"{table}.{field[2]}".lstrip("."), reason=reason)


def find_problems(host: Host) -> Iterator[Problem]:
    """Find everything in a profile that cannot be true."""
    yield from _label_problems(host)
    yield from _bay_problems(host)
    yield from _interface_problems(host)
    yield from _other_problems(host)


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
    for key, names in (("form_factor", (bay.form_factor,)), ("also", bay.also), ("adapters", bay.adapters)):
        for name in names:
            if name not in bodies:
                yield Problem(key=f"bay.{key}", reason=f"{name!r} is none of: {', '.join(bodies)}")
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
    if not connector.accepts:
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
    for field, rail in _RAILS.items():
        if host.supply is not None and getattr(host.supply, field) is not None and rail not in connector.rails:
            yield Problem(key=f"supply.{field}", reason=f"{connector.name} does not carry this rail")


def _other_problems(host: Host) -> Iterator[Problem]:
    size = host.capacity
    if size is not None and (size.least_bytes or 0) > (size.most_bytes or float("inf")):
        yield Problem(key="capacity.least_bytes", reason="is more than most_bytes")
    if not host.sectors.formats:
        yield Problem(key="sectors.formats", reason="does not name a sector format")
    if host.recording is not None and not host.recording.kinds:
        yield Problem(key="recording.kinds", reason="does not name a kind of drive")
    if host.kind == "unit" and not host.steps and host.shares is None:
        yield Problem(key="steps", reason="a unit needs the steps that open and close it")
    ids: set[str] = set()
    for index, symptom in enumerate(host.symptoms):
        if symptom.id in ids:
            yield Problem(key=f"symptoms[{index}].id", reason=f"{symptom.id!r} appears twice")
        if not symptom.words:
            yield Problem(key=f"symptoms[{index}].words", reason="needs the words that people use for it")
        ids.add(symptom.id)
