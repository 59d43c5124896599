"""What is wrong in a host profile, beyond what its types say: each thing with its key and the reason."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from drivecare.documents import decode_toml
from drivecare.errors import BadInput
from drivecare.fit.host_profile import Host, HostCheck, Problem
from drivecare.fit.standards import connectors, form_factors, interfaces

_RAILS: Final = {"rail_3v3_amps": "3v3", "rail_5v_amps": "5v", "rail_12v_amps": "12v"}


def decode_profile(data: bytes, *, origin: str) -> tuple[Host | None, tuple[Problem, ...]]:
    """The profile in these bytes, None where it cannot even be decoded, and all that is wrong with it."""
    try:
        host = decode_toml(Host, data, origin=origin)
    except BadInput as error:
        return None, (_type_problem(error.problem),)
    return host, tuple(find_problems(host))


def check_profile(data: bytes, *, origin: str) -> HostCheck:
    """What is wrong with a profile, as far as it can be told at once: a wrong type hides what comes after it."""
    _, problems = decode_profile(data, origin=origin)
    return HostCheck(file=origin, valid=not problems, problems=problems)


def _type_problem(what: str) -> Problem:
    """The decoder's sentence ("REASON at TABLE.KEY") as key and reason; a key that is absent or too many is the key."""
    found = re.fullmatch(r"(?P<reason>.+?)(?: at (?P<place>[a-z0-9_.\[\]]+))?", what)
    if found is None or what.startswith("is not "):
        return Problem(key="", reason=what)
    reason, place = found["reason"], found["place"] or ""
    field = re.fullmatch(r"Object (missing required|contains unknown) field `(.+)`", reason)
    if field is None:
        return Problem(key=place, reason=reason)
    told = "is missing" if field[1] == "missing required" else "is no key of this table"
    return Problem(key=f"{place}.{field[2]}".lstrip("."), reason=told)


def find_problems(host: Host) -> Iterator[Problem]:
    """What a profile says that cannot be so, each with its key."""
    yield from _label_problems(host)
    yield from _bay_problems(host)
    yield from _interface_problems(host)
    yield from _rest_problems(host)


def _label_problems(host: Host) -> Iterator[Problem]:
    if host.kind == "bay":
        if host.label is not None:
            yield Problem(key="label", reason="a bay carries no label; only a unit has one")
        return
    if host.label is None:
        yield Problem(key="label", reason="a unit needs a label: parts are ordered by it")
        return
    revisions = host.label.revisions
    if not revisions:
        yield Problem(key="label.revisions", reason="names no revision")
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
    lowest = min(one.mm - one.minus for one in body.heights)
    if not lowest <= bay.height_mm <= 2 * max(one.mm for one in body.heights):
        yield Problem(
            key="bay.height_mm",
            reason=f"{bay.height_mm:g} mm is no height for a {body.name} drive; is it in millimetres?",
        )
    if bay.screws is None:
        return
    if body.screws is None:
        yield Problem(key="bay.screws", reason=f"a {body.name} drive has no threaded holes")
        return
    if bay.screws.thread != body.screws.thread:
        yield Problem(
            key="bay.screws.thread",
            reason=f"{bay.screws.thread!r} does not go into a {body.name} drive, whose thread is {body.screws.thread}",
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
        yield Problem(key="interface.connector", reason=f"{connector.name} is on drives, no unit has such a socket")
    if not interface.protocols:
        yield Problem(key="interface.protocols", reason="names no protocol")
    for protocol in interface.protocols:
        if protocol not in connector.protocols:
            yield Problem(key="interface.protocols", reason=f"{protocol} is not spoken over {connector.name}")
    links = interfaces().links
    known = {*links.sata, *links.sas}
    if interface.link_gbps is not None and interface.link_gbps not in known:
        rates = ", ".join(f"{rate:g}" for rate in sorted(known))
        yield Problem(key="interface.link_gbps", reason=f"{interface.link_gbps:g} is none of {rates} Gb/s")
    generations = len(interfaces().pcie.gigatransfers)
    if interface.pcie_generation is not None and interface.pcie_generation > generations:
        yield Problem(key="interface.pcie_generation", reason=f"{interface.pcie_generation} is beyond {generations}")
    if interface.power_disable_held and "12v" not in connector.rails:
        yield Problem(key="interface.power_disable_held", reason=f"{connector.name} has no such pin")
    for field, rail in _RAILS.items():
        if host.supply is not None and getattr(host.supply, field) is not None and rail not in connector.rails:
            yield Problem(key=f"supply.{field}", reason=f"{connector.name} does not carry this rail")


def _rest_problems(host: Host) -> Iterator[Problem]:
    size = host.capacity
    if size is not None and (size.least_bytes or 0) > (size.most_bytes or float("inf")):
        yield Problem(key="capacity.least_bytes", reason="is more than most_bytes")
    if not host.sectors.formats:
        yield Problem(key="sectors.formats", reason="names no sector format")
    if host.recording is not None and not host.recording.kinds:
        yield Problem(key="recording.kinds", reason="names no kind of drive")
    if host.kind == "unit" and not host.steps:
        yield Problem(key="steps", reason="a unit needs the steps that open and close it")
    seen: set[str] = set()
    for index, symptom in enumerate(host.symptoms):
        if symptom.id in seen:
            yield Problem(key=f"symptoms[{index}].id", reason=f"{symptom.id!r} is there twice")
        if not symptom.words:
            yield Problem(key=f"symptoms[{index}].words", reason="needs the words people use for it")
        seen.add(symptom.id)
