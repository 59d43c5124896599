"""The catalogue of host profiles: load them, and find the one that a label means."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Final

from drivecare.documents import MOST_PROFILE_BYTES, Strict, Value, decode_shipped, decode_toml, read_bytes
from drivecare.errors import BadInput, DriveCareError
from drivecare.fit.host_profile import Host, HostDocument, Symptom
from drivecare.fit.labels import describing_words, label_matches, near_misses, split_words
from drivecare.fit.model import HostSummary
from drivecare.fit.profile_check import decode_profile
from drivecare.fit.standards import connectors, form_factors
from drivecare.fit.unit_part import PartReader
from drivecare.shell import command_line

SHIPPED: Final = "profiles/hosts"


class BadProfile(Value, frozen=True, kw_only=True):
    """A profile of the shop's that cannot be used, and everything that is wrong with it."""

    file: str
    problems: tuple[str, ...]

    def lines(self) -> Iterator[str]:
        """Yield a sentence for each problem, and one on what to do."""
        for problem in self.problems:
            yield f"{self.file}: {problem}"
        yield f"{self.file}: left out until that is corrected. See: {command_line('hosts', 'check', self.file)}"


class Profiles(Value, frozen=True, kw_only=True):
    """The profiles that can be used, sorted by id, and those of the shop's that cannot."""

    hosts: tuple[HostDocument, ...]
    bad: tuple[BadProfile, ...] = ()


class _Identified(Value, frozen=True, kw_only=True):
    id: str = ""


class _Symptoms(Strict, frozen=True, kw_only=True):
    symptom: tuple[Symptom, ...]


def common_symptoms() -> tuple[Symptom, ...]:
    """The symptoms of any unit, which a profile may override."""
    return decode_shipped(_Symptoms, "symptoms.toml").symptom


def load_hosts(folders: Iterable[Path] = ()) -> Profiles:
    """Load every profile that ships, then those in `folders`; a later one replaces an earlier one with the same id.

    A profile that cannot be used is left out and named. The earlier one that it would have replaced is left out too:
    its numbers are not what the shop measured.
    """
    hosts: dict[str, HostDocument] = {}
    bad: list[BadProfile] = []
    for entry in _shipped_folder().iterdir():
        if entry.name.endswith(".toml"):
            _add_profile(hosts, bad, entry.read_bytes(), origin=f"{SHIPPED}/{entry.name}", read_part=_read_shipped_part)
    for folder in folders:
        if not folder.is_dir():
            bad.append(BadProfile(file=str(folder), problems=("is not a folder of profiles: check $DRIVECARE_HOSTS",)))
        for path in sorted(folder.glob("*.toml")):
            try:
                data = read_bytes(path, limit_bytes=MOST_PROFILE_BYTES)
            except DriveCareError as error:
                bad.append(BadProfile(file=str(path), problems=(error.problem,)))
            else:
                _add_profile(hosts, bad, data, origin=str(path), read_part=read_part_beside(folder))
    return Profiles(hosts=tuple(hosts[key] for key in sorted(hosts)), bad=tuple(bad))


def read_part_beside(folder: Path) -> PartReader:
    """Make the reader of the parts that profiles in `folder` share: its own units/ first, then those that ship."""

    def read_part(name: str) -> bytes | None:
        path = folder / "units" / f"{name}.toml"
        return read_bytes(path, limit_bytes=MOST_PROFILE_BYTES) if path.exists() else _read_shipped_part(name)

    return read_part


def _read_shipped_part(name: str) -> bytes | None:
    entry = _shipped_folder().joinpath("units", f"{name}.toml")
    return entry.read_bytes() if entry.is_file() else None


def _shipped_folder() -> Traversable:
    return resources.files("drivecare.profiles").joinpath("hosts")


def _add_profile(
    hosts: dict[str, HostDocument], bad: list[BadProfile], data: bytes, *, origin: str, read_part: PartReader
) -> None:
    host, problems = decode_profile(data, origin=origin, read_part=read_part)
    if host is not None and not problems:
        fields = {name: getattr(host, name) for name in host.__struct_fields__}
        hosts[host.id] = HostDocument(origin=origin, **fields)
        return
    sentences = (f"{problem.key}: {problem.reason}" if problem.key else problem.reason for problem in problems)
    bad.append(BadProfile(file=origin, problems=tuple(sentences)))
    with contextlib.suppress(BadInput):
        hosts.pop(decode_toml(_Identified, data, origin=origin).id, None)


def summarize_host(host: Host) -> HostSummary:
    """Summarize a profile for a list."""
    return HostSummary(
        id=host.id,
        name=host.name,
        bay=describe_bay(host),
        interface=describe_interface(host),
        migration=host.moving.kind,
    )


def describe_bay(host: Host) -> str:
    """Describe the bay: "2.5-inch, to 9.5 mm"."""
    return f"{form_factors()[host.bay.form_factor].name}, to {host.bay.height_mm:g} mm"


def describe_interface(host: Host) -> str:
    """Describe connector and link: "SATA, 3.0 Gb/s"."""
    interface = host.interface
    name = connectors()[interface.connector].name
    if interface.link_gbps is not None:
        return f"{name}, {interface.link_gbps:.1f} Gb/s"
    if interface.pcie_generation is not None:
        return f"{name}, PCIe {interface.pcie_generation}.0 x{interface.pcie_lanes or 1}"
    return name


def find_host(label: str, hosts: Iterable[HostDocument]) -> HostDocument:
    """Find the one profile that `label` means: an id, a name, or the text of a unit's label.

    The revision digits must agree, the country digits are ignored; a unit is never chosen by its name without the
    revision. Of several bays with one plug, the plainest is meant: "mSATA" is not its half-size slot. Several matches
    raise BadInput with the choices, none with the near misses.
    """
    hosts = tuple(hosts)
    name, words = label.strip().casefold(), split_words(label)
    matches = [host for host in hosts if name in (host.id.casefold(), host.name.casefold())]
    matches = matches or [host for host in hosts if label_matches(label, host)]
    described = [host for host in hosts if words and words <= describing_words(host)]
    if not matches and {host.kind for host in described} == {"bay"}:
        matches = _plainest(described)
    if len(matches) == 1:
        return matches[0]
    choices = matches or (described if len(described) > 1 else [])
    if choices:
        ids = ", ".join(sorted(host.id for host in choices))
        raise BadInput("means more than one unit or bay", location=f"label {label!r}", hint=f"Choose one: {ids}.")
    near = near_misses(label, hosts)
    hint = f"Similar: {', '.join(near)}." if near else "See drivecare hosts list."
    raise BadInput("matches no unit or bay", location=f"label {label!r}", hint=hint)


def _plainest(bays: list[HostDocument]) -> list[HostDocument]:
    """Those of which nothing is told that is not told of the others too; none where the plugs differ."""
    if len({bay.interface.connector for bay in bays}) > 1:
        return []
    return [bay for bay in bays if all(describing_words(bay) <= describing_words(other) for other in bays)]
