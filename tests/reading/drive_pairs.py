"""Pairs of drives as two documents name them, and whether they are one drive. Every room is held against this table."""

from __future__ import annotations

from dataclasses import dataclass

from drivecare.reading.identity import DriveId, Identity, SameDrive

NAA, OTHER_NAA = "5000c500a1b2c3d4", "5000c500ffffffff"
EUI, OTHER_EUI = "0025385b71b00001", "0025385b71b00002"
NGUID, OTHER_NGUID = "002538b1710000010025385b71b00001", "002538b1710000020025385b71b00002"


def drive(
    serial: str | None = "KX25-00417",
    model: str | None = "Kestrel KD-500",
    *,
    wwn: str | None = None,
    namespace: int | None = None,
    eui64: str | None = None,
    nguid: str | None = None,
) -> DriveId:
    """A drive that named itself."""
    identity = Identity.from_names(wwn=wwn, namespace=namespace, eui64=eui64, nguid=nguid, native_serial=serial)
    return DriveId(model=model, serial=serial, identity=identity)


def docked(serial: str | None = "DOCK-0001", model: str | None = "Tern USB Dock") -> DriveId:
    """A drive behind a bridge that hides it: number and model are the dock's."""
    return DriveId(model=model, serial=serial, identity=Identity.from_names(bridge_serial=serial, bridged=True))


NAMELESS = DriveId()


@dataclass(frozen=True)
class Pair:
    """Two names, whether they mean one drive, and why."""

    why: str
    first: DriveId
    second: DriveId
    answer: SameDrive
    labels: frozenset[str] = frozenset()


PAIRS = (
    Pair("one WWN", drive(wwn=NAA), drive(wwn=NAA), "yes"),
    Pair("one WWN, another serial", drive(wwn=NAA), drive("KX25-00999", wwn=NAA), "yes"),
    Pair("one WWN, one names no serial", drive(wwn=NAA), drive(None, wwn=NAA), "yes"),
    Pair("one serial, another WWN", drive(wwn=NAA), drive(wwn=OTHER_NAA), "no"),
    Pair("one serial and model, no WWN", drive(), drive(), "yes"),
    Pair("one serial, a WWN on one side", drive(wwn=NAA), drive(), "yes"),
    Pair("one serial, typed in lower case", drive(), drive(" kx25-00417 "), "yes"),
    Pair("one serial, model with other blanks", drive(), drive(model="KESTREL  KD-500"), "yes"),
    Pair("one serial, another model", drive(), drive(model="Kestrel KD-1000"), "no"),
    Pair("one serial, no model", drive(), drive(model=None), "yes"),
    Pair("another serial, one model", drive(), drive("KX25-00999"), "no"),
    Pair("another serial, no model", drive(model=None), drive("KX25-00999", model=None), "no"),
    Pair("a WWN alone, a serial alone", drive(None, wwn=NAA), drive(), "unknown"),
    Pair("one namespace", drive(namespace=1, eui64=EUI), drive(namespace=1, eui64=EUI), "yes"),
    Pair("two namespaces", drive(namespace=1, eui64=EUI), drive(namespace=2, eui64=OTHER_EUI), "no"),
    Pair("two namespaces, by number alone", drive(namespace=1), drive(namespace=2), "no"),
    Pair("two namespaces with one EUI-64", drive(namespace=1, eui64=EUI), drive(namespace=2, eui64=EUI), "no"),
    Pair("one EUI-64, a number on one side", drive(eui64=EUI), drive(namespace=2, eui64=EUI), "yes"),
    Pair("first namespace, and a drive of one", drive(namespace=1), drive(), "yes"),
    Pair("second namespace, and no number", drive(namespace=2), drive(), "unknown"),
    Pair("kernel NGUID, report EUI-64", drive(namespace=1, nguid=NGUID), drive(namespace=1, eui64=EUI), "yes"),
    Pair("both names, report EUI-64", drive(eui64=EUI, nguid=NGUID), drive(eui64=EUI), "yes"),
    Pair("both names, another NGUID", drive(eui64=EUI, nguid=NGUID), drive(nguid=OTHER_NGUID), "no"),
    Pair("NGUID and EUI-64 of two drives", drive(nguid=NGUID), drive("PN24-1", eui64=OTHER_EUI), "no"),
    Pair("an old document's NGUID", drive(wwn=NGUID, namespace=1), drive(namespace=1, nguid=NGUID, eui64=EUI), "yes"),
    Pair("an old document's EUI-64", drive(wwn=EUI, namespace=1), drive(namespace=1, nguid=NGUID), "yes"),
    Pair("an old document without namespace", drive(wwn=EUI), drive(namespace=1, eui64=EUI, nguid=NGUID), "yes"),
    Pair("one dock", docked(), docked(), "unknown"),
    Pair("a dock and a drive", docked(), drive(wwn=NAA), "unknown"),
    Pair("a dock that shows the drive's serial", docked("KX25-00417", "Kestrel KD-500"), drive(), "unknown"),
    Pair(
        "a dock whose drive's label was read", docked("KX25-00417"), drive(model=None), "yes", frozenset({"kx25-00417"})
    ),
    Pair("a dock whose label is another's", docked("KX25-00999"), drive(), "no", frozenset({"kx25-00999"})),
    Pair("two docks, one label read", docked("KX25-1"), docked("KX25-2"), "unknown", frozenset({"kx25-1"})),
    Pair("two docks, both labels read", docked("K1", "K"), docked("k1", "K"), "yes", frozenset({"k1"})),
    Pair("a label read, another model", docked("KX25-00417"), drive(), "no", frozenset({"kx25-00417"})),
    Pair("an empty label proves nothing", docked(None), docked(None), "unknown", frozenset({""})),
    Pair("a row of a stock list", DriveId(model="Kestrel KD-500", serial="KX25-00417"), drive(), "unknown"),
    Pair("nothing and a drive", NAMELESS, drive(wwn=NAA), "unknown"),
    Pair("nothing and nothing", NAMELESS, NAMELESS, "unknown"),
)
