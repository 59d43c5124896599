"""Which drive is this, and is it the same one? Decided here, once, by what the drive itself said.

A drive is its worldwide name (NAA; EUI-64 or NGUID for NVMe), else its own serial number with its model. Names of two
kinds cannot be held against each other: a kernel that shows the NGUID and a report that shows the EUI-64 may both
speak of one drive. A namespace of an NVMe drive is a medium of its own. A bridge's serial number proves nothing. What
a document does not tell is unknown, never different.

Sources, from memory: NVM Express Base Specification, Identify Namespace data structure (EUI64 and NGUID; a field of
zeros is not supported); SPC-4, Device Identification VPD page (NAA designator). That serial numbers are unique only
within a model: common practice, no source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal, Protocol, Self

from drivecare.documents import Value

Strength = Literal["strong", "weak", "none"]
SameDrive = Literal["yes", "no", "unknown"]


class Identity(Value, frozen=True, kw_only=True):
    """The names that identify a drive, in lower-case hexadecimal digits.

    `wwn` is the worldwide name to show: the drive's NAA name, or the namespace's EUI-64 or NGUID for NVMe, which also
    stand in `eui64` and `nguid`. `namespace` is the number of an NVMe namespace. `bridge_serial` is the serial number
    of a dock or adapter and proves nothing about the drive. `strength` is strong where the drive's own name or serial
    number was read from the drive itself, weak where a bridge hid it, none where nothing names the drive.
    """

    wwn: str | None = None
    namespace: int | None = None
    eui64: str | None = None
    nguid: str | None = None
    native_serial: str | None = None
    bridge_serial: str | None = None
    strength: Strength = "none"

    @classmethod
    def from_names(
        cls,
        *,
        wwn: str | None = None,
        namespace: int | None = None,
        eui64: str | None = None,
        nguid: str | None = None,
        native_serial: str | None = None,
        bridge_serial: str | None = None,
        bridged: bool = False,
    ) -> Identity:
        """Make an identity of the names that were read, with its strength.

        `bridged`: a bridge or controller answered in the drive's place, so something is there even without a number.
        """
        own = wwn or eui64 or nguid or native_serial
        return cls(
            wwn=wwn or eui64 or nguid,
            namespace=namespace,
            eui64=eui64,
            nguid=nguid,
            native_serial=native_serial,
            bridge_serial=bridge_serial,
            strength="strong" if own else "weak" if bridge_serial or bridged else "none",
        )

    @property
    def worldwide_names(self) -> dict[int, str]:
        """Worldwide names by their number of digits: 16 for NAA 5 and EUI-64, 32 for NAA 6 and NGUID.

        A document of 0.1.0 has one of the two NVMe names in `wwn`; its length tells which.
        """
        return {len(name): name for name in (self.wwn, self.eui64, self.nguid) if name}


class Named(Protocol):
    """Anything that names a drive: a drive that was read, an end of a copy, a planned drive."""

    @property
    def model(self) -> str | None: ...
    @property
    def serial(self) -> str | None: ...
    @property
    def identity(self) -> Identity: ...


@dataclass(frozen=True, kw_only=True)
class DriveId:
    """A drive as a document names it. `serial` is the number to show, whoever said it."""

    model: str | None = None
    serial: str | None = None
    identity: Identity = field(default_factory=Identity)

    @classmethod
    def of(cls, named: Named) -> Self:
        """Take the names from anything that carries them."""
        return cls(model=named.model, serial=named.serial, identity=named.identity)

    def __str__(self) -> str:
        return " ".join(part for part in (self.model, self.serial) if part) or "a drive without a name"

    @property
    def strong(self) -> bool:
        """Whether the drive itself said which it is."""
        return self.identity.strength == "strong"

    def attested(self, labels: frozenset[str]) -> bool:
        """Whether it is certain which drive this is: it said so, or a person read its label and recorded that."""
        return self.strong or normalise_serial(self.serial) in labels


def compare(a: Named, b: Named, *, labels: frozenset[str] = frozenset()) -> SameDrive:
    """Tell whether two documents name one drive (of an NVMe drive: one namespace).

    `labels`: normalised serial numbers that a person read off a drive's label and recorded.
    """
    first, second = DriveId.of(a), DriveId.of(b)
    if first.strong and second.strong:
        return _compare_strong(first, second)
    if first.attested(labels) and second.attested(labels):
        return _compare_serials(first, second, first.serial, second.serial)
    return "unknown"


def shown_alike(a: Named, b: Named) -> bool:
    """Tell whether both show one model and serial number. A dock may have invented them, so this proves nothing."""
    serial, other = normalise_serial(a.serial), normalise_serial(b.serial)
    return bool(serial) and serial == other and normalise_model(a.model) == normalise_model(b.model)


def search_names(drive: Named) -> frozenset[str]:
    """The names to look a drive up by: whatever `compare` or `shown_alike` may call the same shares one of them."""
    identity = drive.identity
    serials = map(normalise_serial, (drive.serial, identity.native_serial))
    return frozenset(filter(None, (*serials, *identity.worldwide_names.values())))


def called_names(drive: Named) -> frozenset[str]:
    """Every name that people call a drive by: those to look it up by, its model, and each word of that."""
    model = normalise_model(drive.model)
    return search_names(drive) | frozenset(filter(None, (model, *model.split())))


def typed_names(text: str) -> frozenset[str]:
    """What a person may have meant by a name: a serial number, a worldwide name however grouped, a model."""
    names = (normalise_serial(text), normalise_worldwide_name(text), normalise_model(text))
    return frozenset(filter(None, names))


def normalise_serial(serial: str | None) -> str:
    """Drop what docks and typists change in a serial number: outer blanks and case."""
    return (serial or "").strip().casefold()


def normalise_worldwide_name(text: str | None) -> str | None:
    """The 16 or 32 hexadecimal digits of a worldwide name, however they are grouped; None for anything else.

    All zeros and all ones mean that the drive has none.
    """
    digits = re.sub(r"[\s:.-]|^0x", "", (text or "").strip().lower())
    if not re.fullmatch(r"[0-9a-f]{16}|[0-9a-f]{32}", digits) or not digits.strip("0") or not digits.strip("f"):
        return None
    return digits


def _compare_strong(first: DriveId, second: DriveId) -> SameDrive:
    a, b = first.identity, second.identity
    if None not in (a.namespace, b.namespace) and a.namespace != b.namespace:
        return "no"
    names, others = a.worldwide_names, b.worldwide_names
    comparable = names.keys() & others.keys()
    if comparable:
        return "yes" if any(names[digits] == others[digits] for digits in comparable) else "no"
    answer = _compare_serials(first, second, a.native_serial, b.native_serial)
    # The serial number is the controller's: it tells drives apart, but not the namespaces of one drive.
    numbers = {a.namespace, b.namespace}
    unnamed = None in numbers and not numbers <= {None, 1}
    return "unknown" if answer == "yes" and unnamed else answer


def _compare_serials(first: DriveId, second: DriveId, serial: str | None, other: str | None) -> SameDrive:
    if not serial or not other:
        return "unknown"
    if normalise_serial(serial) != normalise_serial(other):
        return "no"
    models = normalise_model(first.model), normalise_model(second.model)
    return "no" if all(models) and models[0] != models[1] else "yes"


def normalise_model(model: str | None) -> str:
    """Drop what differs between a drive's report and the kernel's entry for it: case and runs of blanks."""
    return " ".join((model or "").split()).casefold()
