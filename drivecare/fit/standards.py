"""Form factors, connectors and links: the tables in profiles/, loaded once, and the arithmetic on them."""

from __future__ import annotations

import re
from collections.abc import Collection
from functools import cache
from typing import Annotated, TypeVar

import msgspec

from drivecare.documents import Strict, decode_shipped
from drivecare.fit.model import Candidate, InterfaceProtocol, MediaKind


class HeightClass(Strict, frozen=True, kw_only=True):
    """A height that drives are made in, in mm, and by how much a drive may exceed it or fall short of it."""

    mm: float
    plus: float = 0.0
    minus: float = 0.0


class ScrewLimits(Strict, frozen=True, kw_only=True):
    """How far a screw may reach into a drive, in mm; less from the side in drives up to `thin_mm` high.

    Drives up to `bottom_optional_to_mm` high may lack the bottom holes. `optional_holes`: those that some drives lack,
    as "bottom-middle"; every drive has one of them on a side that has any.
    """

    thread: str
    side_mm: float
    bottom_mm: float
    thin_mm: float = 0.0
    thin_side_mm: float = 0.0
    bottom_optional_to_mm: float = 0.0
    optional_holes: tuple[str, ...] = ()
    source: Annotated[str, msgspec.Meta(min_length=1)]

    def depth(self, holes: str, height_mm: float) -> float:
        """The greatest safe depth for these holes in a drive of this height."""
        if holes == "bottom":
            return self.bottom_mm
        return self.thin_side_mm if height_mm <= self.thin_mm else self.side_mm


class FormFactor(Strict, frozen=True, kw_only=True):
    """A form factor: its outline, the heights it comes in, its screws.

    `inches`: its standard gives every height in inches too, to three places, which differ from the millimetres by up to
    a hundredth. `bounded`: no such drive is higher than the highest class.
    """

    id: str
    name: str
    aliases: tuple[str, ...]
    width_mm: float | None = None
    width_plus_mm: float = 0.0
    length_mm: float | None = None
    heights: tuple[HeightClass, ...]
    inches: bool = False
    bounded: bool = True
    screws: ScrewLimits | None = None
    source: Annotated[str, msgspec.Meta(min_length=1)]

    def greatest_height(self, bay_mm: float) -> float:
        """The greatest height that goes into a bay built for `bay_mm`, the tolerance of its class included.

        A taller bay never takes less: the tolerance of every lower class remains allowed.
        """
        return max([bay_mm, *(self._greatest_of(height) for height in self.heights if height.mm <= bay_mm)])

    def _greatest_of(self, height: HeightClass) -> float:
        """The greatest height of a class: by its tolerance, or as a data sheet prints it from the inches."""
        from_inches = round(round(height.mm / 25.4, 3) * 25.4, 2) if self.inches else 0.0
        return max(height.mm + height.plus, from_inches)

    @property
    def outline(self) -> str:
        """The name with width and length, where a standard gives them."""
        size = f" ({self.width_mm:g} x {self.length_mm:g} mm)" if self.width_mm and self.length_mm else ""
        return self.name + size

    @property
    def tallest_mm(self) -> float:
        """The greatest height that such drives are made in."""
        return max(height.mm for height in self.heights)


class Connector(Strict, frozen=True, kw_only=True):
    """A connector: the drive plugs that go into it, the protocols and rails it carries.

    `speaks`: what drives with this plug speak, where that is less than its socket carries. `lanes`: of PCIe at the
    most. `soldered`: part of the unit, so that nothing goes in.
    """

    id: str
    name: str
    aliases: tuple[str, ...]
    accepts: tuple[str, ...]
    protocols: tuple[InterfaceProtocol, ...]
    speaks: tuple[InterfaceProtocol, ...] = ()
    lanes: int | None = None
    soldered: bool = False
    rails: tuple[str, ...]
    source: Annotated[str, msgspec.Meta(min_length=1)]


class Links(Strict, frozen=True, kw_only=True):
    """Line rates in Gb/s."""

    sata: tuple[float, ...]
    sas: tuple[float, ...]
    source: str


class Pcie(Strict, frozen=True, kw_only=True):
    """Transfers per lane in GT/s, generation 1 first."""

    gigatransfers: tuple[float, ...]
    source: str


class Draw(Strict, frozen=True, kw_only=True):
    """The rails that drives of one description draw from; an empty condition holds for every drive.

    `either`: one of the rails is enough.
    """

    form_factors: tuple[str, ...] = ()
    connectors: tuple[str, ...] = ()
    protocols: tuple[InterfaceProtocol, ...] = ()
    kinds: tuple[MediaKind, ...] = ()
    over_rpm: int = 0
    least_height_mm: float = 0.0
    rails: tuple[str, ...]
    either: bool = False
    source: Annotated[str, msgspec.Meta(min_length=1)]

    def rails_fed_by(self, fed: Collection[str]) -> tuple[str, ...]:
        """The rails that such a drive draws from where these are fed."""
        chosen = tuple(rail for rail in self.rails if rail in fed)[:1] if self.either else ()
        return chosen or self.rails

    def describes(self, drive: Candidate, protocol: InterfaceProtocol | None) -> bool | None:
        """Whether a drive is one of these; None where a fact that decides it is not known."""
        answers = (
            _is_one_of(drive.form_factor, self.form_factors),
            _is_one_of(drive.connector, self.connectors),
            _is_one_of(protocol, self.protocols),
            _is_one_of(drive.kind, self.kinds),
            _is_at_least(drive.rotation_rpm, self.over_rpm + 1 if self.over_rpm else 0),
            _is_at_least(drive.height_mm, self.least_height_mm),
        )
        return False if False in answers else None if None in answers else True


def _is_one_of(fact: str | None, choices: tuple[str, ...]) -> bool | None:
    return True if not choices else None if fact is None else fact in choices


def _is_at_least(fact: float | None, least: float) -> bool | None:
    return True if not least else None if fact is None else fact >= least


class _FormFactors(Strict, frozen=True, kw_only=True):
    form_factor: tuple[FormFactor, ...]


class Interfaces(Strict, frozen=True, kw_only=True):
    """The whole of interfaces.toml."""

    connector: tuple[Connector, ...]
    links: Links
    pcie: Pcie
    draw: tuple[Draw, ...]


Standard = TypeVar("Standard", bound=FormFactor | Connector)


@cache
def form_factors() -> dict[str, FormFactor]:
    """Every form factor by its id."""
    return {body.id: body for body in decode_shipped(_FormFactors, "form-factors.toml").form_factor}


@cache
def interfaces() -> Interfaces:
    """Connectors, links and PCIe rates."""
    return decode_shipped(Interfaces, "interfaces.toml")


@cache
def connectors() -> dict[str, Connector]:
    """Every connector by its id."""
    return {connector.id: connector for connector in interfaces().connector}


def possible_draws(drive: Candidate, protocol: InterfaceProtocol | None) -> list[Draw]:
    """Every description that a drive may have; one only where enough about it is known."""
    possible = []
    for draw in interfaces().draw:
        answer = draw.describes(drive, protocol)
        if answer is not False:
            possible.append(draw)
        if answer:
            break
    return possible


def spoken_protocol(candidate: Candidate) -> InterfaceProtocol | None:
    """Its protocol, as given, or as its connector leaves no choice."""
    if candidate.protocol is None and candidate.connector is not None:
        plug = connectors()[candidate.connector]
        protocols = plug.speaks or plug.protocols
        return protocols[0] if len(protocols) == 1 else None
    return candidate.protocol


def can_spare(draws: Collection[Draw], fed: Collection[str], rail: str) -> bool | None:
    """Whether a drive works without this rail, for it takes another of those fed; None where only some like it do."""
    answers = {draw.either and rail in draw.rails and rail not in draw.rails_fed_by(fed) for draw in draws}
    return None if len(answers) > 1 else answers == {True}


def find_form_factor(text: str) -> FormFactor | None:
    """Find the form factor that `text` spells in any common way; None for a family such as "M.2" alone."""
    return _find_spelled(text, form_factors())


def find_connector(text: str) -> Connector | None:
    """Find the connector that `text` spells in any common way."""
    return _find_spelled(text, connectors())


def _find_spelled(text: str, standards: dict[str, Standard]) -> Standard | None:
    for entry in standards.values():
        if _squeeze(text) in map(_squeeze, (entry.id, entry.name, *entry.aliases)):
            return entry
    return None


def _squeeze(text: str) -> str:
    return re.sub(r"[\s\"″”'_-]+", "", text.lower())


def sata_payload_mb_s(gbps: float) -> float:
    """Payload of a SATA or SAS link (8b/10b: eight bits of data in ten on the wire), in MB/s of 10^6 bytes."""
    return gbps * 1000 * 8 / 10 / 8


def pcie_payload_mb_s(generation: int, lanes: int) -> float:
    """Payload of a PCIe link before packet headers, in MB/s of 10^6 bytes; 8b/10b to generation 2, then 128b/130b."""
    coding = 8 / 10 if generation <= 2 else 128 / 130
    return interfaces().pcie.gigatransfers[generation - 1] * 1000 * coding / 8 * lanes
