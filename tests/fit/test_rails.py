"""Which rails a drive draws from: by its body, plug, protocol and speed, and never guessed where nobody told.

Sources: Hitachi 5K320 specification, table 14 (a 2.5-inch drive on 5 V alone); DB35.4 product manual, table 2 (5 V and
12 V); M.2 carries 3.3 V only. SAS and 10,000 rpm: common practice, no source. U.2: from memory.
"""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.fit.host_profile import Host, Supply
from drivecare.fit.model import Candidate
from drivecare.fit.standards import connectors, possible_draws, spoken_protocol
from tests.fit.samples import candidate, host, judged, old_drive

LAPTOP: dict[str, Any] = {"form_factor": "2.5-inch", "connector": "sata", "protocol": "sata", "height_mm": 9.5}
SAS: dict[str, Any] = {"form_factor": "2.5-inch", "connector": "sas", "protocol": "sas", "height_mm": 15.0}
CARD: dict[str, Any] = {"form_factor": "m2-2280", "connector": "m2-m", "protocol": "nvme", "height_mm": 2.3}
CASES: list[tuple[dict[str, Any], list[set[str]]]] = [
    (LAPTOP, [{"5v"}]),
    ({**LAPTOP, "rotation_rpm": None}, [{"5v"}]),  # too low to turn at 10,000 rpm
    ({**LAPTOP, "height_mm": 15.0, "rotation_rpm": 10_000}, [{"5v", "12v"}]),
    ({**LAPTOP, "height_mm": 15.0, "rotation_rpm": None}, [{"5v", "12v"}, {"5v"}]),
    ({**LAPTOP, "height_mm": 15.0, "kind": "ssd", "rotation_rpm": None}, [{"5v"}]),
    (SAS, [{"5v", "12v"}]),
    ({**SAS, "kind": "ssd"}, [{"5v", "12v"}]),
    ({**SAS, "protocol": None}, [{"5v", "12v"}]),  # a SAS plug speaks SAS
    ({**LAPTOP, "connector": None, "protocol": None}, [{"12v"}, {"5v", "12v"}, {"5v"}]),
    ({**LAPTOP, "connector": "u2", "protocol": "nvme", "height_mm": 15.0}, [{"12v"}]),
    ({"form_factor": "3.5-inch", "connector": "sata"}, [{"5v", "12v"}]),
    (CARD, [{"3v3"}]),
]


@pytest.mark.parametrize(("facts", "rails"), CASES)
def test_rails_of_a_drive(facts: dict[str, Any], rails: list[set[str]]) -> None:
    drive = candidate(**facts)
    assert [set(draw.rails) for draw in possible_draws(drive, spoken_protocol(drive))] == rails


def sas_bay(**rails: float) -> Host:
    return host(
        bay={"height_mm": 15.0, "spacer": False, "screws": None},
        interface={"connector": "sas", "protocols": ("sas", "sata"), "link_gbps": 12.0},
        supply=Supply(source="from memory", **rails),
    )


@pytest.mark.promise(3)
@pytest.mark.parametrize("told", [{}, {"peak_5v_amps": None}, {"peak_12v_amps": 0.8}])
def test_a_sas_drive_does_not_fit_where_12_v_is_missing_whether_its_current_was_told_or_not(
    told: dict[str, float | None],
) -> None:
    assert judged(candidate(**SAS, **told), sas_bay(rail_5v_amps=1.0)).fits == "no"


def test_a_sas_drive_whose_12_v_current_nobody_told_may_fit() -> None:
    unit = sas_bay(rail_5v_amps=1.0, rail_12v_amps=1.0)
    assert judged(candidate(**SAS), unit).fits == "unknown"
    assert judged(candidate(**SAS, peak_12v_amps=0.8), unit).fits == "yes"


def test_a_tall_hard_drive_of_unknown_speed_may_need_12_v() -> None:
    unit = sas_bay(rail_5v_amps=1.0)
    drive = candidate(**{**LAPTOP, "height_mm": 15.0, "rotation_rpm": None})
    reasons = [each.reason for each in judged(drive, unit).checks if each.result == "unknown"]
    assert reasons == ["drives like it may need 12 V, which the unit does not supply: see its label"]
    assert judged(msgspec.structs.replace(drive, rotation_rpm=7200), unit).fits == "yes"
    assert judged(msgspec.structs.replace(drive, rotation_rpm=10_000), unit).fits == "no"


@pytest.mark.parametrize("plug", sorted(connectors()))
def test_no_drive_fits_a_unit_that_lacks_a_rail_it_certainly_draws_from(plug: str) -> None:
    """Every plug, fed nothing but the two rails that a drive of it does not need."""
    body = {"m2": "m2-2280", "ms": "msata", "sa": "2.5-inch", "u2": "2.5-inch", "u3": "2.5-inch"}.get(plug[:2])
    drive = candidate(connector=plug, protocol=None, form_factor=body or "3.5-inch")
    certain = set.intersection(*(set(draw.rails) for draw in possible_draws(drive, spoken_protocol(drive))))
    feeds = {f"rail_{rail}_amps": 9.0 for rail in {"3v3", "5v", "12v"} - certain}
    answer = judged(drive, host(supply=Supply(source="from memory", **feeds)))
    assert {each.result for each in answer.checks if each.check == "supply"} >= {"block"}


def speech(plug: str | None) -> tuple[str, ...]:
    """What drives with this plug speak."""
    connector = connectors()[plug or ""]
    return connector.speaks or connector.protocols


def without_unlike_currents(drive: Candidate) -> Candidate:
    """The drive without currents on rails from which no drive like it draws."""
    drawn = {rail for draw in possible_draws(drive, drive.protocol) for rail in draw.rails}
    return msgspec.structs.replace(drive, **{f"peak_{rail}_amps": 0.0 for rail in {"3v3", "5v", "12v"} - drawn})


SIZES = st.sampled_from([None, 250_059_350_016, 500_107_862_016, 1_000_204_886_016])
DRIVES = st.builds(
    candidate,
    connector=st.sampled_from(["sata", "sas", "u2", "u3", "m2-m"]),
    protocol=st.sampled_from(["sata", "sas", "nvme"]),
    form_factor=st.sampled_from(["2.5-inch", "3.5-inch", "m2-2280"]),
    height_mm=st.sampled_from([2.3, 7.0, 9.5, 26.1]),  # a 2.5-inch drive as low as these turns at 7,200 rpm at most
    rotation_rpm=st.sampled_from([5400, 7200]),
    peak_3v3_amps=st.sampled_from([0.0, 2.0]),
    peak_5v_amps=st.sampled_from([0.0, 0.9]),
    peak_12v_amps=st.sampled_from([0.0, 0.8]),
    capacity_bytes=SIZES.filter(bool),
    kind=st.sampled_from(["hdd", "ssd"]),
    recording=st.sampled_from(["conventional", "shingled"]),
    verdict=st.sampled_from(["refit", "replace"]),
    mounting=st.sampled_from([("side",), ("bottom",), ("side", "bottom"), ("side", "bottom-middle")]),
    sustained_mb_s=st.sampled_from([10.0, 150.0]),
    power_disable=st.booleans(),
)
# A drive that speaks what its plug does not carry is told wrongly, and no fact the less makes that right.
DRIVES = DRIVES.filter(lambda drive: drive.protocol in speech(drive.connector))
# Nor does one that draws from a rail from which no drive like it does: its label is known, or it is taken for the like.
DRIVES = DRIVES.map(without_unlike_currents)
UNITS = st.builds(
    lambda interface, bay, rails, moving, held: host(
        bay={"spacer": False, "screws": None, **bay},
        interface={"link_gbps": None, **interface, "power_disable_held": held},
        supply=rails and Supply(source="from memory", **rails),
        moving=moving,
    ),
    st.sampled_from([
        {"connector": "sata", "protocols": ("sata",)}, {"connector": "sas", "protocols": ("sas", "sata")},
        {"connector": "u2", "protocols": ("nvme",)}, {"connector": "u3", "protocols": ("nvme", "sas", "sata")},
        {"connector": "m2-m", "protocols": ("nvme", "sata")},
    ]),
    st.sampled_from([
        {"form_factor": "2.5-inch", "height_mm": 15.0}, {"form_factor": "m2-2280", "height_mm": 3.8},
        {"form_factor": "3.5-inch", "height_mm": 26.1, "adapters": ("2.5-inch",)},
    ]),
    st.sampled_from([None, {"rail_5v_amps": 1.0}, {"rail_12v_amps": 1.0}, {"rail_5v_amps": 1.0, "rail_12v_amps": 1.0},
                     {"rail_3v3_amps": 3.0}]),
    st.sampled_from([{"kind": "sector-copy"}, {"kind": "unit-initialises", "array": "mirror"},
                     {"kind": "unit-initialises", "array": None}, {"kind": "unit-initialises", "array": "none"}]),
    st.booleans(),
)  # fmt: skip
# Told by the program itself, or of no consequence for fitting; "mounting" without a detail is told less than with one.
FORGETTABLE = sorted(set(Candidate.__struct_fields__) - {"name", "by_hand", "identity", "serial", "model", "obstacle"})


@pytest.mark.promise(3)
@given(DRIVES, UNITS, st.sets(st.sampled_from(FORGETTABLE)), SIZES)
def test_told_less_never_fits_more(drive: Candidate, unit: Host, forgotten: set[str], old: int | None) -> None:
    """Whatever is forgotten about a drive, it fits only if it fits with everything told."""
    defaults = {entry.name: entry.default for entry in msgspec.structs.fields(Candidate)}
    less = msgspec.structs.replace(drive, **{name: defaults[name] for name in forgotten})
    if "verdict" in forgotten and drive.verdict == "replace":
        return  # a drive that was not read is judged at its incoming inspection, which the gate asks for
    if judged(less, unit, old_drive(old)).fits == "yes":
        assert judged(drive, unit, old_drive(old)).fits == "yes"


@given(DRIVES, UNITS, SIZES)
def test_a_volume_behind_a_controller_never_fits(drive: Candidate, unit: Host, old: int | None) -> None:
    volume = msgspec.structs.replace(drive, obstacle="it is a RAID volume, not a drive")
    assert judged(volume, unit, old_drive(old)).fits == "no"
