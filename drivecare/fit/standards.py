"""Bodies, plugs and links: the tables in profiles/, loaded once, and the arithmetic on them."""

from __future__ import annotations

import functools
import re
from importlib import resources
from typing import Annotated

import msgspec

from drivecare.documents import Strict, decode_toml
from drivecare.fit.model import InterfaceProtocol


class HeightClass(Strict, frozen=True, kw_only=True):
    """A height drives are made in, in mm, and by how much one may exceed or undercut it."""

    mm: float
    plus: float = 0.0
    minus: float = 0.0


class ScrewLimits(Strict, frozen=True, kw_only=True):
    """How deep a screw may go into a drive, in mm; drives up to `thin_mm` high take less from the side.

    Drives up to `bottom_optional_to_mm` high may lack the bottom holes.
    """

    thread: str
    side_mm: float
    bottom_mm: float
    thin_mm: float = 0.0
    thin_side_mm: float = 0.0
    bottom_optional_to_mm: float = 0.0
    source: Annotated[str, msgspec.Meta(min_length=1)]

    def depth(self, holes: str, height_mm: float) -> float:
        """The greatest safe depth for those holes in a drive of that height."""
        if holes == "bottom":
            return self.bottom_mm
        return self.thin_side_mm if height_mm <= self.thin_mm else self.side_mm


class FormFactor(Strict, frozen=True, kw_only=True):
    """A body: its outline, the heights it is made in, the rails drives of it draw from, its screws."""

    id: str
    name: str
    aliases: tuple[str, ...]
    width_mm: float
    width_plus_mm: float = 0.0
    length_mm: float
    heights: tuple[HeightClass, ...]
    draws: tuple[str, ...]
    screws: ScrewLimits | None = None
    source: Annotated[str, msgspec.Meta(min_length=1)]

    def greatest_height(self, bay_mm: float) -> float:
        """The tallest a drive may measure that goes into a bay built for `bay_mm`, tolerance of its class included.

        A taller bay never takes less: the tolerance of every lower class stays allowed.
        """
        return max([bay_mm, *(one.mm + one.plus for one in self.heights if one.mm <= bay_mm)])

    def class_of(self, height_mm: float) -> HeightClass | None:
        """The class a measured height belongs to; None where it lies between classes."""
        return next((one for one in self.heights if one.mm - one.minus <= height_mm <= one.mm + one.plus), None)


class Connector(Strict, frozen=True, kw_only=True):
    """A plug: which drive plugs go into it, what is spoken over it, the rails it carries.

    `draws`: the rails drives with this plug draw from, where it is not as their body has it.
    """

    id: str
    name: str
    aliases: tuple[str, ...]
    accepts: tuple[str, ...]
    protocols: tuple[InterfaceProtocol, ...]
    rails: tuple[str, ...]
    draws: tuple[str, ...] = ()
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


class _FormFactors(Strict, frozen=True, kw_only=True):
    form_factor: tuple[FormFactor, ...]


class Interfaces(Strict, frozen=True, kw_only=True):
    """The whole of interfaces.toml."""

    connector: tuple[Connector, ...]
    links: Links
    pcie: Pcie


def _data(name: str) -> bytes:
    return resources.files("drivecare.profiles").joinpath(name).read_bytes()


@functools.cache
def form_factors() -> dict[str, FormFactor]:
    """Every body by its id."""
    table = decode_toml(_FormFactors, _data("form-factors.toml"), origin="form-factors.toml")
    return {one.id: one for one in table.form_factor}


@functools.cache
def interfaces() -> Interfaces:
    """Plugs, links and PCIe rates."""
    return decode_toml(Interfaces, _data("interfaces.toml"), origin="interfaces.toml")


@functools.cache
def connectors() -> dict[str, Connector]:
    """Every plug by its id."""
    return {one.id: one for one in interfaces().connector}


def _squeeze(text: str) -> str:
    return re.sub(r"[\s\"″”'_-]+", "", text.lower())


def find_form_factor(text: str) -> FormFactor | None:
    """The body that `text` names in any common spelling; None where it names none, or a family such as "M.2" alone."""
    wanted = _squeeze(text)
    for one in form_factors().values():
        if wanted in {_squeeze(name) for name in (one.id, one.name, *one.aliases)}:
            return one
    return None


def find_connector(text: str) -> Connector | None:
    """The plug that `text` names in any common spelling."""
    wanted = _squeeze(text)
    for one in connectors().values():
        if wanted in {_squeeze(name) for name in (one.id, one.name, *one.aliases)}:
            return one
    return None


def sata_payload_mb_s(gbps: float) -> float:
    """Payload of a SATA or SAS link (8b/10b: eight bits of data in ten on the wire), in MB/s of 10^6 bytes."""
    return gbps * 1000 * 8 / 10 / 8


def pcie_payload_mb_s(generation: int, lanes: int) -> float:
    """Payload of a PCIe link before packet headers, in MB/s of 10^6 bytes; 8b/10b to generation 2, then 128b/130b."""
    coding = 8 / 10 if generation <= 2 else 128 / 130
    return interfaces().pcie.gigatransfers[generation - 1] * 1000 * coding / 8 * lanes
