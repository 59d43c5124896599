"""Which label names which unit, and what is close to one that names none. The units are invented."""

from __future__ import annotations

import pytest

from drivecare.errors import BadInput
from drivecare.fit.host_catalogue import find_host, load_hosts
from drivecare.fit.host_profile import Host, Label
from drivecare.fit.labels import label_matches, near_misses
from tests.fit.samples import host

HOSTS = load_hosts().hosts


def unit(prefix: str, revision: str, region_digits: int = 2) -> Host:
    scheme = Label(prefix=prefix, revisions=(revision,), region_digits=region_digits, source="invented unit")
    return host(id=f"{prefix.lower()}-{revision}", label=scheme)


@pytest.mark.parametrize(
    ("label", "prefix", "revision", "matches"),
    [
        ("RX7B-2103", "RX7B", "21", True),
        ("RX7B2103", "RX7B", "21", True),
        ("RX7-2103", "RX7", "21", True),
        ("RX7 21/03", "RX7", "21", True),
        ("RX72103", "RX7", "21", False),  # RX 72103 as well as RX7 2103: asked
        ("RX72103", "RX", "721", True),
        ("RX7-2103", "RX", "721", False),
        ("RX-7-2103", "RX", "721", False),
        ("RX-721-03", "RX", "721", True),
        ("RX7-2103", "RX7B", "21", False),
        ("RX7B-2103", "RX7", "21", False),
        ("R2103", "R", "21", True),
    ],
)
def test_a_prefix_with_digits(label: str, prefix: str, revision: str, matches: bool) -> None:
    """A sign between numbers can only part the revision from the country, or a prefix from its number."""
    assert label_matches(label, unit(prefix, revision)) is matches


@pytest.mark.parametrize(
    ("label", "nearest"),
    [
        ("CH-21034", ["corvane-hearth-21", "corvane-hearth-20", "corvane-hearth-30"]),
        ("CH-2I03", ["corvane-hearth-21", "corvane-hearth-20", "corvane-hearth-30"]),
        ("HC-2103", ["corvane-hearth-21", "corvane-hearth-20", "corvane-hearth-30"]),
        ("CJ-2103", ["corvane-hearth-21", "corvane-hearth-20", "corvane-hearth-30"]),
        ("C-2103", ["corvane-hearth-21", "corvane-hearth-20", "corvane-hearth-30"]),
        ("CHH-2103", ["corvane-hearth-21", "corvane-hearth-20", "corvane-hearth-30"]),
        ("SN: CH21B0392", ["corvane-hearth-21", "corvane-hearth-20", "corvane-hearth-30"]),
        ("VQ-1404", ["velmora-quire-13", "velmora-quire-12", "velmora-quire-11"]),
        ("VQ–1404", ["velmora-quire-13", "velmora-quire-12", "velmora-quire-11"]),
        ("0T-412", ["oskarne-tidewatch-4", "oskarne-tidewatch-5"]),
        ("velmora quire 12", ["velmora-quire-12", "velmora-quire-11", "velmora-quire-13"]),
        ("corvan-hearth-21", ["corvane-hearth-21", "corvane-hearth-20", "corvane-hearth-30"]),
        ("CH", ["corvane-hearth-20", "corvane-hearth-21", "corvane-hearth-30"]),
        ("2103", ["corvane-hearth-21"]),
        ("TB-2103", []),
        ("XY-2103", []),
        ("zzz", []),
    ],
)
def test_near_misses_are_near(label: str, nearest: list[str]) -> None:
    """One slip of the pen in the prefix, then the nearest revision; nothing that only shares a letter or two."""
    assert near_misses(label, HOSTS) == nearest
    with pytest.raises(BadInput):
        find_host(label, HOSTS)


@pytest.mark.parametrize(("words", "id"), [("2.5 7mm", "bay-2.5-7"), ("m2 2280 nvme", "bay-m2-2280-nvme")])
def test_a_bay_is_found_by_what_it_takes(words: str, id: str) -> None:
    assert find_host(words, HOSTS).id == id


@pytest.mark.parametrize("words", ["3.5 sata", "IDE"])
def test_several_bays_that_take_it_are_asked(words: str) -> None:
    with pytest.raises(BadInput, match="Choose one: bay-"):
        find_host(words, HOSTS)
