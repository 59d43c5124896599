"""Host profiles: loading them, and finding the one that a label means."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Final

from drivecare.documents import Strict, decode_toml, read_bytes
from drivecare.errors import BadInput
from drivecare.fit.host import Host, HostDocument, Symptom
from drivecare.fit.model import HostLine
from drivecare.fit.profile_check import examine
from drivecare.fit.reference import connectors, form_factors

_LIMIT_BYTES: Final = 1 << 20


class _Symptoms(Strict, frozen=True, kw_only=True):
    symptom: tuple[Symptom, ...]


def common_symptoms() -> tuple[Symptom, ...]:
    """Symptoms of any unit; a profile's own come before them."""
    data = resources.files("drivecare.profiles").joinpath("symptoms.toml").read_bytes()
    return decode_toml(_Symptoms, data, origin="symptoms.toml").symptom


def decode_host(data: bytes, *, origin: str) -> Host:
    """A profile from its TOML. Raises BadInput naming the file, the first wrong key and the reason."""
    host, problems = examine(data, origin=origin)
    if host is None or problems:
        first = problems[0]
        more = f" ({len(problems) - 1} more: drivecare hosts check)" if len(problems) > 1 else ""
        raise BadInput(first.reason + more, where=f"{origin}: {first.key}" if first.key else origin)
    return host


def load_hosts(folders: Iterable[Path] = ()) -> tuple[HostDocument, ...]:
    """Every profile that ships, then those in `folders`, sorted by id; a later one replaces an earlier of the same id.

    Raises BadInput for a folder that is not there and for a profile that is wrong.
    """
    found: dict[str, HostDocument] = {}
    shipped: Traversable = resources.files("drivecare.profiles").joinpath("hosts")
    for entry in shipped.iterdir():
        if entry.name.endswith(".toml"):
            _add(found, entry.read_bytes(), origin=f"profiles/hosts/{entry.name}")
    for folder in folders:
        if not folder.is_dir():
            raise BadInput("is not a folder of host profiles", where=str(folder), hint="Check $DRIVECARE_HOSTS.")
        for path in sorted(folder.glob("*.toml")):
            _add(found, read_bytes(path, limit_bytes=_LIMIT_BYTES), origin=str(path))
    return tuple(found[key] for key in sorted(found))


def _add(found: dict[str, HostDocument], data: bytes, *, origin: str) -> None:
    host = decode_host(data, origin=origin)
    fields = {name: getattr(host, name) for name in host.__struct_fields__}
    found[host.id] = HostDocument(origin=origin, **fields)


def line(host: Host) -> HostLine:
    """The profile in a list."""
    return HostLine(
        id=host.id, name=host.name, bay=say_bay(host), interface=say_interface(host), migration=host.moving.kind
    )


def say_bay(host: Host) -> str:
    """The bay in words: "2.5-inch, to 9.5 mm"."""
    return f"{form_factors()[host.bay.form_factor].name}, to {host.bay.height_mm:g} mm"


def say_interface(host: Host) -> str:
    """Plug and link in words: "SATA, 3.0 Gb/s"."""
    interface = host.interface
    name = connectors()[interface.connector].name
    if interface.link_gbps is not None:
        return f"{name}, {interface.link_gbps:.1f} Gb/s"
    if interface.pcie_generation is not None:
        return f"{name}, PCIe {interface.pcie_generation}.0 x{interface.pcie_lanes or 1}"
    return name


def match(label: str, hosts: Iterable[HostDocument]) -> HostDocument:
    """The one profile that `label` means: an id, a name, or the text of a unit's label.

    A unit's revision digits must agree and its country digits are ignored; a unit is never taken by its name without
    the revision. Anything else raises BadInput with the near misses; several answers are refused with the choices.
    """
    known = tuple(hosts)
    wanted = label.strip().casefold()
    found = [host for host in known if wanted in (host.id.casefold(), host.name.casefold())]
    found = found or [host for host in known if reads(label, host)]
    words = _words(label)
    described = [host for host in known if words and words <= _words(f"{host.id} {host.name} {host.what}")]
    if not found and [host.kind for host in described] == ["bay"]:
        found = described
    if len(found) == 1:
        return found[0]
    choices = found or (described if len(described) > 1 else [])
    if choices:
        ids = ", ".join(sorted(host.id for host in choices))
        raise BadInput("means more than one unit or bay", where=f"label {label!r}", hint=f"Choose one: {ids}.")
    near = near_misses(label, known)
    hint = f"Near it: {', '.join(near)}." if near else "See drivecare hosts list."
    raise BadInput("matches no unit or bay", where=f"label {label!r}", hint=hint)


def _words(text: str) -> set[str]:
    return set(re.findall(r"[a-z0-9.]+", text.casefold()))


def reads(label: str, host: Host) -> bool:
    """Whether the label names this unit in this revision."""
    if host.label is None:
        return False
    rule = host.label
    for digits in _digits_after(rule.prefix, label):
        if any(
            digits.startswith(revision) and len(digits) - len(revision) in (0, rule.region_digits)
            for revision in rule.revisions
        ):
            return True
    return False


def _digits_after(prefix: str, label: str) -> Iterator[str]:
    """Every number after `prefix` as a word of its own; separators and a trailing letter or two do not count."""
    pattern = rf"(?<![A-Z0-9]){prefix}[\s._/-]*([0-9]+(?:[._/-][0-9]+)?)(?:[\s-]?[A-Z]{{1,2}})?(?![A-Z0-9])"
    for found in re.findall(pattern, label.upper()):
        yield re.sub(r"[^0-9]", "", found)


def near_misses(label: str, hosts: Iterable[Host]) -> list[str]:
    """Ids worth a second look, most alike first: same prefix but another revision, misread letters, part of a name."""
    scores = {host.id: _likeness(label, host) for host in hosts}
    return sorted((key for key, score in scores.items() if score >= 0.5), key=lambda key: (-scores[key], key))[:6]


def _likeness(label: str, host: Host) -> float:
    """0 to 1 by shared words and spelling; 2 where the prefix is right, 3 where only O and 0, I and 1 were mixed up."""
    words = _words(label)
    shared = len(words & _words(f"{host.id} {host.name} {host.what}")) / (len(words) or 1)
    spelling = difflib.SequenceMatcher(None, label.casefold(), host.id).ratio()
    if host.label is None:
        return max(shared, spelling)
    prefix, upper = host.label.prefix, label.strip().upper()
    misread = str.maketrans("OIL", "011")
    start, rest = upper[: len(prefix)].translate(misread), upper[len(prefix) :].translate(misread)
    if start == prefix.translate(misread) and reads(prefix + rest, host):
        return 3.0
    if any(True for _ in _digits_after(prefix, label)):
        return 2.0
    letters = re.match(r"[A-Z]*", upper)
    alike = difflib.SequenceMatcher(None, letters[0] if letters else "", prefix).ratio()
    return max(shared, spelling, alike)
