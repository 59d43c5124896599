"""The checks of one candidate against one host: form factor, connector, supply. Each gives its reason in numbers.

A check yields nothing where the host makes no demand; a demand that rests on an unknown fact is `unknown`. The checks
of size, sectors, recording and endurance are in `fit.size_checks`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from drivecare.documents import Value
from drivecare.fit.host_profile import Host, Screws
from drivecare.fit.model import Candidate, CheckResult, FitCheck, InterfaceProtocol, ReplacedDrive
from drivecare.fit.standards import (
    ScrewLimits,
    can_spare,
    connectors,
    form_factors,
    interfaces,
    pcie_payload_mb_s,
    possible_draws,
    sata_payload_mb_s,
    spoken_protocol,
)
from drivecare.format import spell_protocol
from drivecare.reading.identity import compare, shown_alike

PRACTICE: Final = "common practice, no source"
MUCH_RISK: Final = 0.03  # twice that of any hard drive that shows nothing: 1.7 % (profiles/risk/hdd-survival.toml)
_RAIL_NAMES: Final = {"3v3": "3.3 V", "5v": "5 V", "12v": "12 V"}


class Swap(Value, frozen=True, kw_only=True):
    """What a candidate is checked against: the host, and what is known of the old drive and its content."""

    host: Host
    source: ReplacedDrive | None = None
    source_link_gbps: float | None = None
    source_protocol: InterfaceProtocol | None = None
    written_per_hour: float | None = None  # bytes written to the old drive per powered-on hour
    used_bytes: int | None = None
    smallest_member_sectors: int | None = None  # of the members left in the array


Checker = Callable[[Candidate, Swap], Iterator[FitCheck]]


def check_same_drive(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """The old drive cannot replace itself."""
    if swap.source is None:
        return
    # A stock list's numbers were read off labels, which is enough not to order the old drive to replace itself.
    by_name = candidate.identity.wwn is not None and candidate.identity.wwn == swap.source.identity.wwn
    if compare(candidate, swap.source) == "yes" or shown_alike(candidate, swap.source) or by_name:
        serial = f", serial {candidate.serial}" if candidate.serial else ""
        yield FitCheck("same-drive", "block", f"this is the old drive itself{serial}", PRACTICE)


def check_obstacle(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:  # noqa: ARG001
    """A volume behind a RAID controller, or a locked drive, cannot go into a unit."""
    if candidate.obstacle is not None:
        yield FitCheck("usable", "block", candidate.obstacle, "its own reading")


def check_health(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:  # noqa: ARG001
    """A candidate that was read must be healthy itself."""
    answers: dict[str, tuple[CheckResult, str]] = {
        "refit": ("pass", "judged as new, its own reading shows nothing against it"),
        "recheck": ("warn", "its own reading asks for a recheck before it is relied on"),
        "replace": ("block", "judged as new, its own reading says replace: send it back, do not fit it"),
        "evacuate": ("block", "its own reading says evacuate: it is losing data"),
        "unproven": ("unknown", "its own reading does not support a verdict; read it another way"),
    }
    if candidate.verdict in answers:
        result, reason = answers[candidate.verdict]
        yield FitCheck("health", result, reason, "drivecare assess --as new")


def check_risk(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:  # noqa: ARG001
    """The chance that a candidate which was read fails within 12 months."""
    chance = candidate.risk_12_months
    if chance is not None:
        reason = f"{chance:.1%} chance of failing within 12 months, by its own reading"
        if chance >= MUCH_RISK:
            yield FitCheck("risk", "warn", f"{reason}; a sound drive is below {MUCH_RISK:.0%}", "our judgement")
        else:
            yield FitCheck("risk", "pass", reason, "drivecare assess of its reading")


def check_form_factor(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """The form factor, as it is or with an adapter."""
    bay = swap.host.bay
    native = form_factors()[bay.form_factor]
    if candidate.form_factor is None:
        yield FitCheck(
            "form-factor", "unknown", f"its form factor is not known; the bay takes {native.name}", bay.source
        )
        return
    body = form_factors()[candidate.form_factor]
    if body.id in (native.id, *bay.also):
        yield FitCheck("form-factor", "pass", f"{body.name} in a bay for {native.name}", bay.source)
    elif body.id in bay.adapters:
        yield FitCheck(
            "form-factor", "warn", f"{body.name} fits into the {native.name} bay with an adapter", bay.source
        )
    else:
        reason = f"{body.outline} does not fit into a bay for {native.outline}"
        yield FitCheck("form-factor", "block", reason, body.source)


def _in_adapter(candidate: Candidate, swap: Swap) -> bool:
    return candidate.form_factor in swap.host.bay.adapters


def _height_of(candidate: Candidate) -> float | None:
    """Its height in mm, which need not be measured where its form factor comes in one height only."""
    if candidate.height_mm is None and candidate.form_factor is not None:
        classes = form_factors()[candidate.form_factor].heights
        return classes[0].mm if len(classes) == 1 else None
    return candidate.height_mm


def check_height(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """The height, with the tolerance of its class; a low drive may need a spacer."""
    bay = swap.host.bay
    if _in_adapter(candidate, swap):
        yield _height_in_adapter(candidate, swap)
        return
    if candidate.form_factor not in (None, bay.form_factor, *bay.also):
        return
    body = form_factors()[candidate.form_factor or bay.form_factor]
    source = f"{bay.source}; {body.source}"
    height = _height_of(candidate)
    greatest = body.greatest_height(bay.height_mm)
    if height is None:
        if bay.height_mm >= body.tallest_mm and body.bounded:
            reason = f"the bay takes {bay.height_mm:g} mm, the tallest {body.name} drives are {body.tallest_mm:g} mm"
            yield FitCheck("height", "pass", reason, source)
        else:
            spreader = "" if body.bounded else ", and a heat spreader adds to it"
            reason = f"its height is not known{spreader}; the bay takes up to {bay.height_mm:g} mm: measure it"
            yield FitCheck("height", "unknown", f"{reason} (--height-mm)", source)
        return
    hand = ", measured by hand" if "height" in candidate.by_hand else ""
    if height > greatest + 1e-9:
        reason = f"{height:g} mm{hand}, {height - greatest:.2f} mm more than the {greatest:g} mm the bay takes"
        yield FitCheck("height", "block", reason, source)
    elif bay.least_height_mm is not None and height < bay.least_height_mm - 0.5:
        reason = f"{height:g} mm{hand}, lower than the {bay.least_height_mm:g} mm the bay can hold"
        yield FitCheck("height", "block", reason, source)
    elif bay.spacer and height < bay.height_mm - 0.5:
        reason = f"{height:g} mm{hand} in a {bay.height_mm:g} mm bay: needs a {bay.height_mm - height:.1f} mm spacer"
        yield FitCheck("height", "warn", reason, source)
    else:
        yield FitCheck("height", "pass", f"{height:g} mm{hand} in a bay for up to {bay.height_mm:g} mm", source)


def _height_in_adapter(candidate: Candidate, swap: Swap) -> FitCheck:
    """An adapter gives a drive the outline of a larger one; it must still stay within the bay's own height."""
    bay = swap.host.bay
    body = form_factors()[candidate.form_factor or ""]
    height = _height_of(candidate)
    room = form_factors()[bay.form_factor].greatest_height(bay.height_mm)
    source = f"{bay.source}; {body.source}; {PRACTICE}"
    if height is None and not (body.bounded and body.tallest_mm <= room):
        reason = f"its height is not known; the bay takes up to {room:g} mm: measure it (--height-mm)"
        return FitCheck("height", "unknown", reason, source)
    if (height or 0) > room + 1e-9:
        reason = f"{height:g} mm, {(height or 0) - room:.2f} mm more than the {room:g} mm the bay takes"
        return FitCheck("height", "block", reason, source)
    purpose = f"drives of {height:g} mm" if height is not None else "this drive's height"
    return FitCheck("height", "pass", f"the bay has {room:g} mm; take an adapter made for {purpose}", source)


def check_holes(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """Whether the drive has the threaded holes that the bay's screws need."""
    bay = swap.host.bay
    if bay.screws is None or candidate.form_factor != bay.form_factor:
        return
    limits = form_factors()[bay.form_factor].screws
    assert limits is not None  # a profile with screws for a form factor without threads is refused
    holes = bay.screws.holes
    height = _height_of(candidate)
    if candidate.mounting is None and holes == "bottom" and (height or 0) <= limits.bottom_optional_to_mm > 0:
        reason = f"drives up to {limits.bottom_optional_to_mm:g} mm may lack the bottom holes the unit needs: look"
        yield FitCheck("mounting-holes", "unknown", reason, limits.source)
        return
    present = _has_holes(candidate.mounting, bay.screws, limits)
    if present is None:
        usual = f" in the {' or '.join(bay.screws.pattern)} row" if bay.screws.pattern else ""
        reason = f"the unit's {bay.screws.count} screws need {holes} holes{usual}; some drives lack some of these: look"
        yield FitCheck("mounting-holes", "unknown", reason, limits.source)
    elif candidate.mounting is not None:
        reason = f"{'has' if present else 'lacks'} the {holes} holes that the {bay.screws.count} screws need"
        yield FitCheck("mounting-holes", "pass" if present else "block", reason, bay.source)
    else:
        yield FitCheck("mounting-holes", "pass", f"{holes} holes are part of this form factor", limits.source)


def _has_holes(mounting: tuple[str, ...] | None, screws: Screws, limits: ScrewLimits) -> bool | None:
    """Whether a drive has the holes that the unit's screws use; None where that is not known."""
    if mounting is not None and not any(hole.startswith(screws.holes) for hole in mounting):
        return False
    optional = {hole for hole in limits.optional_holes if hole.startswith(screws.holes)}
    usable = {f"{screws.holes}-{place}" for place in screws.pattern}
    if not optional or usable - optional or (len(optional) > 1 and usable == optional):
        return True  # every drive has these, or one of them
    present = {hole for hole in mounting or () if "-" in hole} & optional
    if not usable:
        return True if present == optional else None
    return bool(usable & present) if present else None


def check_screw_depth(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """Whether the unit's own screws reach too far into this drive."""
    bay = swap.host.bay
    if bay.screws is None or candidate.form_factor != bay.form_factor:
        return
    limits = form_factors()[bay.form_factor].screws
    assert limits is not None
    height = _height_of(candidate)
    depth = bay.screws.depth_mm
    least = limits.depth(bay.screws.holes, height if height is not None else 0.0)
    screws = f"{bay.screws.count} screws {bay.screws.thread}"
    if depth <= least:
        yield FitCheck("screw-depth", "pass", f"{screws} reach {depth:g} mm in, {least:g} mm is safe", limits.source)
    elif height is None:
        reason = f"{screws} reach {depth:g} mm in; a low drive takes {least:g} mm, and its height is not known"
        yield FitCheck("screw-depth", "unknown", reason, limits.source)
    else:
        reason = f"{screws} reach {depth:g} mm in, more than {least:g} mm: use shorter ones or washers"
        yield FitCheck("screw-depth", "warn", reason, limits.source)


def check_connector(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """Whether the drive's plug goes into the unit's socket."""
    socket = connectors()[swap.host.interface.connector]
    if socket.soldered:
        reason = f"the unit has {socket.name}: no drive goes in"
        yield FitCheck("connector", "block", reason, swap.host.interface.source)
        return
    if candidate.connector is None:
        yield FitCheck("connector", "unknown", f"its plug is not known; the unit has {socket.name}", socket.source)
        return
    plug = connectors()[candidate.connector]
    if plug.id in socket.accepts:
        yield FitCheck("connector", "pass", f"{plug.name} into {socket.name}", socket.source)
    else:
        yield FitCheck("connector", "block", f"{plug.name} does not go into {socket.name}", socket.source)


def check_protocol(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """The protocol: a card that fits mechanically may still not be detected."""
    interface = swap.host.interface
    protocol = spoken_protocol(candidate)
    accepted = " or ".join(spell_protocol(protocol) for protocol in interface.protocols)
    if protocol is None:
        yield FitCheck(
            "protocol", "unknown", f"its protocol is not known; the unit speaks {accepted}", interface.source
        )
    elif _starts_otherwise(protocol, swap):
        reason = f"{spell_protocol(protocol)}, the old drive {spell_protocol(swap.source_protocol or '')}"
        risk = "a copied system may lack the driver to start from it; try it before you hand it over"
        yield FitCheck("protocol", "warn", f"{reason}: {risk}", PRACTICE)
    elif protocol in interface.protocols:
        yield FitCheck("protocol", "pass", f"{spell_protocol(protocol)}, like the unit", interface.source)
    else:
        reason = f"speaks {spell_protocol(protocol)}, the unit only {accepted}: it would not be detected"
        yield FitCheck("protocol", "block", reason, interface.source)


def _starts_otherwise(protocol: InterfaceProtocol, swap: Swap) -> bool:
    """Whether a slot for two protocols gets a copy of a system that started over the other one."""
    slot, old = swap.host.interface.protocols, swap.source_protocol
    copied = swap.host.moving.kind == "sector-copy"
    return copied and {protocol, old} <= set(slot) and old != protocol and "nvme" in (old, protocol)


def link_payload(candidate: Candidate, host: Host) -> float | None:
    """Payload in MB/s of the link at the lower rate of drive and unit; None where that of either is unknown."""
    interface = host.interface
    if candidate.link_gbps is not None and interface.link_gbps is not None:
        return sata_payload_mb_s(min(candidate.link_gbps, interface.link_gbps))
    generations = [n for n in (candidate.pcie_generation, interface.pcie_generation) if n is not None]
    lanes = [n for n in (candidate.pcie_lanes, interface.pcie_lanes) if n is not None]
    if len(generations) != 2 or len(lanes) != 2:
        return None
    plugs = (interface.connector, candidate.connector or interface.connector)
    wired = [n for n in (connectors()[plug].lanes for plug in plugs) if n is not None]
    return pcie_payload_mb_s(min(generations), min(*lanes, *wired))


def check_link(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """The rate that both ends agree on. A slower link costs time, but does not stop the drive from working."""
    payload = link_payload(candidate, swap.host)
    if payload is None or spoken_protocol(candidate) not in swap.host.interface.protocols:
        return
    if candidate.link_gbps is not None and swap.host.interface.link_gbps is not None:
        lower = min(candidate.link_gbps, swap.host.interface.link_gbps)
        speed = f"runs at {lower:.1f} Gb/s, {payload:,.0f} MB/s of payload"
        if lower < candidate.link_gbps:
            speed += f" (the drive could do {candidate.link_gbps:.1f} Gb/s)"
        source = interfaces().links.source
    else:
        speed = f"its PCIe link carries {payload:,.0f} MB/s"
        source = interfaces().pcie.source
    if (candidate.sustained_mb_s or 0) > payload:
        yield FitCheck(
            "link", "warn", f"{speed}; the drive itself could do {candidate.sustained_mb_s:,.0f} MB/s", source
        )
    else:
        yield FitCheck("link", "pass", speed, source)


def check_supply(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """Rails and peak current; a hard drive's greatest draw is its spin-up."""
    supply = swap.host.supply
    source = PRACTICE if supply is None else supply.source
    carried = connectors()[swap.host.interface.connector].rails
    peaks = {"3v3": candidate.peak_3v3_amps, "5v": candidate.peak_5v_amps, "12v": candidate.peak_12v_amps}
    draws = possible_draws(candidate, spoken_protocol(candidate))
    doubtful = []
    fed = [rail for rail in carried if supply is None or getattr(supply, f"rail_{rail}_amps") is not None]
    for rail, peak in peaks.items():
        needed = [rail in draw.rails_fed_by(fed) for draw in draws]
        if peak == 0 or (peak is None and not any(needed)) or can_spare(draws, fed, rail):
            continue
        available = None if supply is None else getattr(supply, f"rail_{rail}_amps")
        if rail in carried and (supply is None or available is not None):
            if available is not None:
                yield _compare_current(_RAIL_NAMES[rail], peak, available, source)
        elif (peak is None and not all(needed)) or can_spare(draws, fed, rail) is None:
            doubtful.append(_RAIL_NAMES[rail])
        else:
            current = "" if peak is None else f" ({peak:g} A)"
            reason = f"needs {_RAIL_NAMES[rail]}{current}, which the unit does not supply"
            yield FitCheck("supply", "block", reason, source)
    # What it draws follows from its form factor and plug: where these are not known, they are asked for already.
    if doubtful and candidate.form_factor is not None and candidate.connector is not None:
        reason = f"drives like it may need {' or '.join(doubtful)}, which the unit does not supply: see its label"
        yield FitCheck("supply", "unknown", reason, source)


def _compare_current(rail: str, peak: float | None, available: float, source: str) -> FitCheck:
    if peak is None:
        reason = f"its peak current on {rail} is not known (see its label); the unit supplies {available:g} A"
        return FitCheck("supply", "unknown", reason, source)
    if peak > available:
        excess = f"{peak - available:.2g} A more than the {available:g} A that the unit supplies"
        return FitCheck("supply", "block", f"peaks at {peak:g} A on {rail}, {excess}", source)
    return FitCheck("supply", "pass", f"peaks at {peak:g} A on {rail}, the unit supplies {available:g} A", source)


def check_power_disable(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """A unit that feeds pin 3 of the power plug holds a drive that obeys it in reset."""
    if not swap.host.interface.power_disable_held or candidate.connector not in ("sata", "sas", None):
        return
    source = "SATA 3.3 power disable (pin 3); vendor technical brief"
    if candidate.power_disable is None:
        reason = "whether it obeys the power-disable pin is not known; this unit holds that pin at 3.3 V"
        yield FitCheck("power-disable", "unknown", reason, source)
    elif candidate.power_disable:
        reason = "obeys the power-disable pin, which this unit holds at 3.3 V: it would never spin up"
        yield FitCheck("power-disable", "block", f"{reason}; an adapter without 3.3 V solves that", source)
    else:
        yield FitCheck(
            "power-disable", "pass", "does not obey the power-disable pin, which the unit holds at 3.3 V", source
        )


BODY_CHECKS: Final[tuple[Checker, ...]] = (
    check_same_drive,
    check_obstacle,
    check_health,
    check_risk,
    check_form_factor,
    check_height,
    check_holes,
    check_screw_depth,
    check_connector,
    check_protocol,
    check_link,
    check_supply,
    check_power_disable,
)
