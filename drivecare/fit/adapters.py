"""Adapters that let a drive of another plug take a bay's place: the drive that the unit sees behind one.

A candidate in an adapter is checked as that drive: the adapter's body, plug and protocol, and on the unit's rails the
current that the drive draws through it. Whether the drive goes into the adapter is a check of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Annotated, Literal

import msgspec

from drivecare.documents import Strict, decode_shipped
from drivecare.fit.host_profile import Host
from drivecare.fit.model import Candidate, FitCheck, InterfaceProtocol
from drivecare.fit.standards import can_spare, connectors, form_factors, possible_draws, spoken_protocol
from drivecare.format import spell_protocol

PataPosition = Literal["master", "slave", "cable-select"]
Rail = Literal["3v3", "5v", "12v"]


class Adapter(Strict, frozen=True, kw_only=True):
    """An adapter: which drives go in, and which drive the unit sees.

    `feeds`: the voltage that the drive gets, and the unit's rail that it is made from; `own_amps`: what the adapter
    itself draws from 5 V. `positions`: what its jumper can be set to on an IDE cable. `mind`: what to mind with it.
    """

    id: str
    name: str
    form_factors: tuple[str, ...]
    socket: str
    protocols: tuple[InterfaceProtocol, ...]
    becomes_form_factor: str
    becomes_height_mm: float
    becomes_connector: str
    becomes_protocol: InterfaceProtocol
    holes: tuple[str, ...] | None = None
    feeds: dict[Rail, Rail]
    own_amps: float
    positions: tuple[PataPosition, ...] = ()
    mind: str
    source: Annotated[str, msgspec.Meta(min_length=1)]


class _Adapters(Strict, frozen=True, kw_only=True):
    adapter: tuple[Adapter, ...]


@cache
def adapters() -> dict[str, Adapter]:
    """Every adapter by its id."""
    return {adapter.id: adapter for adapter in decode_shipped(_Adapters, "adapters.toml").adapter}


def adapter_name(name: str) -> str:
    """The name of an entry of a bay's `adapters`, which is an adapter or a smaller form factor."""
    if name in adapters():
        adapter = adapters()[name]
        bodies = " or ".join(form_factors()[body].name for body in adapter.form_factors)
        spoken = " or ".join(map(spell_protocol, adapter.protocols))
        return f"{bodies} ({spoken}) with the {adapter.name}"
    return f"{form_factors()[name].name} with an adapter"


def find_adapter(candidate: Candidate, host: Host) -> Adapter | None:
    """The adapter in which this candidate goes into the bay; None where it goes in as it is, or not at all.

    A candidate of unknown form factor is known by its plug, one of unknown plug by speaking what the unit does not. Of
    several adapters, the first that nothing known about the candidate speaks against.
    """
    native = connectors()[host.interface.connector].accepts
    if candidate.form_factor in (host.bay.form_factor, *host.bay.also) and candidate.connector in (None, *native):
        return None
    usable = (adapters()[name] for name in host.bay.adapters if name in adapters())
    fitting = [adapter for adapter in usable if _may_hold(adapter, candidate, host)]
    return next((adapter for adapter in fitting if _may_connect(adapter, candidate)), next(iter(fitting), None))


def _may_hold(adapter: Adapter, candidate: Candidate, host: Host) -> bool:
    if candidate.form_factor is not None:
        return candidate.form_factor in adapter.form_factors
    if candidate.connector is not None:
        return _takes_plug(adapter, candidate)
    protocol = spoken_protocol(candidate)
    return protocol in adapter.protocols and protocol not in host.interface.protocols


def _may_connect(adapter: Adapter, candidate: Candidate) -> bool:
    return (candidate.connector is None or _takes_plug(adapter, candidate)) and spoken_protocol(candidate) in (
        None,
        *adapter.protocols,
    )


def _takes_plug(adapter: Adapter, candidate: Candidate) -> bool:
    return candidate.connector in connectors()[adapter.socket].accepts


def behind(adapter: Adapter, candidate: Candidate) -> Candidate:
    """The drive that the unit sees: the candidate in this adapter."""
    amps = _currents_behind(adapter, candidate)
    same_protocol = adapter.becomes_protocol in adapter.protocols
    return msgspec.structs.replace(
        candidate,
        form_factor=None if candidate.form_factor is None else adapter.becomes_form_factor,
        height_mm=adapter.becomes_height_mm,
        connector=adapter.becomes_connector,
        protocol=adapter.becomes_protocol,
        mounting=adapter.holes,
        rotation_rpm=None,
        link_gbps=candidate.link_gbps if same_protocol else None,
        peak_3v3_amps=amps["3v3"],
        peak_5v_amps=amps["5v"],
        peak_12v_amps=amps["12v"],
        power_disable=False,
    )


def _currents_behind(adapter: Adapter, candidate: Candidate) -> dict[Rail, float | None]:
    """The peak current on each of the unit's rails; None where what the drive draws is not known."""
    card = msgspec.structs.replace(candidate, form_factor=candidate.form_factor or adapter.form_factors[0])
    draws = possible_draws(card, spoken_protocol(candidate))
    needed = {rail for draw in draws for rail in draw.rails_fed_by(adapter.feeds)}
    amps: dict[Rail, float | None] = {"3v3": 0.0, "5v": adapter.own_amps, "12v": 0.0}
    peaks: dict[Rail, float | None] = {
        "3v3": candidate.peak_3v3_amps,
        "5v": candidate.peak_5v_amps,
        "12v": candidate.peak_12v_amps,
    }
    for rail, peak in peaks.items():
        if rail in needed or (peak and not can_spare(draws, adapter.feeds, rail)):
            unit_rail = adapter.feeds.get(rail, rail)
            drawn = amps[unit_rail]
            amps[unit_rail] = None if peak is None or drawn is None else drawn + peak
    return amps


def check_adapter(adapter: Adapter, candidate: Candidate, host: Host) -> Iterator[FitCheck]:
    """Whether the drive itself goes into the adapter, and what to buy and to set."""
    protocol, socket = spoken_protocol(candidate), connectors()[adapter.socket]
    accepted = " or ".join(map(spell_protocol, adapter.protocols))
    if candidate.connector is not None and not _takes_plug(adapter, candidate):
        reason = f"{connectors()[candidate.connector].name} does not go into the {adapter.name}"
        yield FitCheck("adapter", "block", reason, socket.source)
    elif protocol is not None and protocol not in adapter.protocols:
        reason = f"speaks {spell_protocol(protocol)}, the {adapter.name} only {accepted}: it would not be detected"
        yield FitCheck("adapter", "block", reason, adapter.source)
    elif candidate.connector is None or protocol is None:
        fact = "plug" if candidate.connector is None else "protocol"
        reason = f"its {fact} is not known; the {adapter.name} takes {socket.name}, {accepted}"
        yield FitCheck("adapter", "unknown", reason, adapter.source)
    else:
        yield FitCheck("adapter", "warn", f"{adapter.name}: {_instruct(adapter, host)}", adapter.source)


def _instruct(adapter: Adapter, host: Host) -> str:
    """What to mind with an adapter, and how to set its jumper."""
    position = host.interface.pata_position
    if not adapter.positions:
        return adapter.mind
    if position in adapter.positions:
        return f"{adapter.mind}; set it to {position}"
    choices = " or ".join(adapter.positions)
    usual = "as the old drive was" if position is None else "master if it is alone on its cable"
    return f"{adapter.mind}; its jumper knows {choices}: set it {usual}"
