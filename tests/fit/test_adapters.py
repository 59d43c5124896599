"""Bodies and plugs of the bench, and adapters between them: the drive that a unit sees behind one.

Which adapters there are and what they draw: common practice, no source. A regulator draws at least the card's current.
"""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from drivecare.fit.adapters import adapters, find_adapter
from drivecare.fit.host_catalogue import load_hosts
from drivecare.fit.host_profile import Capacity, Host, Supply
from drivecare.fit.model import Candidate
from drivecare.fit.plan import make_plan
from drivecare.fit.standards import connectors, find_connector, find_form_factor, form_factors
from tests.fit.samples import candidate, judged, old_drive, result
from tests.fit.test_rails import speech

HOSTS = {host.id: host for host in load_hosts().hosts}
IDE = HOSTS["bay-pata-2.5"]
DISC = 40_007_761_920  # a 40 GB drive
OLD = old_drive(DISC, link_gbps=None)
CARD: dict[str, Any] = {
    "capacity_bytes": 64_023_257_088, "kind": "ssd", "form_factor": "msata", "connector": "msata", "protocol": "sata",
    "height_mm": 4.85, "peak_3v3_amps": 0.8, "peak_5v_amps": None, "rotation_rpm": None, "physical_sector_bytes": 512,
}  # fmt: skip


def ide(amps: float = 1.0, **interface: Any) -> Host:
    supply = Supply(rail_5v_amps=amps, source="measured")
    return msgspec.structs.replace(IDE, supply=supply, interface=msgspec.structs.replace(IDE.interface, **interface))


def fits(unit: Host, **facts: Any) -> str:
    return judged(candidate(**{**CARD, **facts}), unit, OLD).fits


def test_an_msata_card_takes_the_place_of_a_laptop_ide_drive() -> None:
    drive = judged(candidate(**CARD), ide(), OLD)
    assert drive.fits == "yes"
    assert result(drive, "adapter") == (
        "warn",
        "mSATA to 44-pin IDE adapter: the adapter makes 3.3 V from the unit's 5 V; its jumper knows master or slave: "
        "set it as the old drive was",
    )
    assert result(drive, "supply") == ("pass", "peaks at 1 A on 5 V, the unit supplies 1 A")  # 0.8 A and its own 0.2 A


def test_the_jumper_is_set_as_the_unit_wants_it() -> None:
    assert "set it to master" in result(judged(candidate(**CARD), ide(pata_position="master"), OLD), "adapter")[1]
    choosing = judged(candidate(**CARD), ide(pata_position="cable-select"), OLD)
    assert "master if it is alone on its cable" in result(choosing, "adapter")[1]


@pytest.mark.parametrize(
    ("facts", "answer"),
    [
        ({"peak_3v3_amps": 0.9}, "no"),  # 1.1 A on 5 V
        ({"peak_3v3_amps": None}, "unknown"),
        ({"protocol": "nvme"}, "no"),
        ({"form_factor": "m2-2242", "connector": "m2-m"}, "no"),
        ({"form_factor": "m2-2242", "connector": "m2-bm"}, "yes"),
        ({"form_factor": "m2-2242", "connector": "m2-bm", "protocol": None}, "unknown"),
        ({"form_factor": "m2-2242", "connector": "m2-bm", "protocol": "nvme"}, "no"),
        ({"form_factor": "m2-2242", "connector": None}, "unknown"),
        ({"form_factor": None}, "unknown"),
        ({"form_factor": "msata-half"}, "no"),
        ({"form_factor": "cf", "connector": "cf", "protocol": "pata", "peak_5v_amps": 0.5}, "yes"),
        ({"form_factor": "cf", "connector": "cf", "protocol": "pata", "peak_3v3_amps": None}, "unknown"),
        ({"form_factor": "2.5-inch", "connector": "sata", "peak_5v_amps": 0.5}, "no"),  # no adapter for it
        ({"form_factor": "2.5-inch", "connector": "pata-44", "protocol": "pata", "peak_3v3_amps": None,
          "peak_5v_amps": 0.9, "height_mm": 9.5}, "yes"),
    ],
)  # fmt: skip
def test_what_goes_into_an_ide_bay(facts: dict[str, Any], answer: str) -> None:
    assert fits(ide(), **facts) == answer


def test_a_sata_drive_in_a_tall_ide_bay_needs_its_room_and_current() -> None:
    unit = HOSTS["bay-pata-3.5"]
    drive = candidate(capacity_bytes=80_026_361_856, physical_sector_bytes=512)
    assert judged(drive, unit, OLD).fits == "yes"
    told = judged(drive, msgspec.structs.replace(unit, supply=Supply(rail_5v_amps=1.0, source="measured")), OLD)
    assert result(told, "supply") == ("block", "peaks at 1.2 A on 5 V, 0.2 A more than the 1 A that the unit supplies")


@pytest.mark.parametrize(
    ("bay", "body", "plug", "protocol", "amps"),
    [
        ("bay-msata-half", "msata-half", "msata", "sata", {"peak_3v3_amps": 0.5}),
        ("bay-msata", "msata-half", "msata", "sata", {"peak_3v3_amps": 0.5}),
        ("bay-1.8-zif", "1.8-inch", "pata-zif", "pata", {"peak_3v3_amps": 0.5}),
        ("bay-1.8-lif", "1.8-inch", "pata-lif", "pata", {"peak_3v3_amps": 0.5}),
        ("bay-1.8-micro", "1.8-inch", "sata-micro", "sata", {"peak_3v3_amps": 0.5}),
        ("bay-cf", "cf", "cf", "pata", {"peak_5v_amps": 0.5}),
        ("bay-cfast", "cfast", "cfast", "sata", {"peak_3v3_amps": 0.5}),
        ("bay-dom-44", "dom", "dom-44", "pata", {"peak_5v_amps": 0.5}),
        ("bay-dom-40", "dom", "dom-40", "pata", {"peak_5v_amps": 0.5}),
        ("bay-usb-board", "2.5-inch", "usb", "usb", {"peak_5v_amps": 0.5}),
        ("bay-m2-2280", "m2-2280", "m2-m", "nvme", {"peak_3v3_amps": 2.0}),
        ("bay-m2-2280", "m2-2280", "m2-bm", "sata", {"peak_3v3_amps": 2.0}),
    ],
)
def test_each_body_goes_into_its_own_bay_and_no_plug_into_anothers(
    bay: str, body: str, plug: str, protocol: str, amps: dict[str, float]
) -> None:
    facts: dict[str, Any] = {**CARD, "peak_3v3_amps": None, **amps, "form_factor": body, "connector": plug,
                             "protocol": protocol, "height_mm": form_factors()[body].heights[0].mm}  # fmt: skip
    assert fits(HOSTS[bay], **facts) == "yes"
    if plug not in ("msata", "m2-bm", "m2-m"):
        assert fits(HOSTS[bay], **{**facts, "connector": "sata"}) == "no"
    assert fits(HOSTS[bay], **{**facts, "connector": None, "protocol": None}) == "unknown"


def test_a_system_copied_from_sata_to_nvme_may_not_start() -> None:
    """In a slot for both. Common practice, no source."""
    slot, old = HOSTS["bay-m2-2280"], old_drive(DISC, protocol="ata", link_max_gbps=6.0)
    facts: dict[str, Any] = {**CARD, "form_factor": "m2-2280", "connector": "m2-m", "height_mm": 2.3}
    answer = result(judged(candidate(**{**facts, "protocol": "nvme"}), slot, old), "protocol")
    assert (answer[0], "may lack the driver to start from it" in answer[1]) == ("warn", True)
    assert result(judged(candidate(**facts), slot, old), "protocol")[0] == "pass"
    assert result(judged(candidate(**{**facts, "protocol": "nvme"}), slot, OLD), "protocol")[0] == "pass"


def test_a_zif_ribbon_does_not_hold_a_lif_drive() -> None:
    drive = {**CARD, "form_factor": "1.8-inch", "connector": "pata-lif", "protocol": "pata", "height_mm": 5.0}
    assert fits(HOSTS["bay-1.8-zif"], **drive) == "no"


def test_nothing_goes_where_flash_is_soldered() -> None:
    unit = HOSTS["bay-soldered"]
    plan = make_plan(unit, [candidate(**CARD), Candidate(name="unknown")], reading=OLD)
    assert [drive.fits for drive in plan.candidates] == ["no", "no"]
    assert plan.order is not None
    assert plan.order.search == "no drive: the unit has flash soldered to its board"
    assert plan.order.notes == ("nothing can be ordered: what holds the content is part of the board",)
    assert plan.steps[-1].startswith("Nothing can be fitted here: save the content through the unit itself")


@pytest.mark.parametrize(
    ("old", "new", "answer"),
    [
        (DISC, 80_026_361_856, "pass"),  # 40 GB: the unit is past 33.8 GB already
        (DISC, 160_041_885_696, "unknown"),
        (160_041_885_696, 320_072_933_376, "n/a"),  # past 137 GB already
        (20_003_880_960, 40_007_761_920, "unknown"),
        (4_000_000_000, 8_000_000_000, "pass"),
        (4_000_000_000, 16_000_000_000, "unknown"),
    ],
)
def test_an_ide_unit_has_proven_no_more_than_its_old_drive(old: int, new: int, answer: str) -> None:
    """8.4 GB, 33.8 GB, 137.4 GB: cylinders, heads and sectors, then 28 bits of address (computed)."""
    drive = judged(candidate(**{**CARD, "capacity_bytes": new}), ide(), old_drive(old, link_gbps=None))
    assert [check.result for check in drive.checks if check.check == "ide-limit"] == [answer] * (answer != "n/a")


def test_a_profile_that_says_how_much_the_unit_takes_settles_it() -> None:
    size = Capacity(most_bytes=500_107_862_016, why="tried", source="measured")
    unit = msgspec.structs.replace(ide(), capacity=size)
    assert fits(unit, capacity_bytes=160_041_885_696) == "yes"


def test_the_order_names_the_adapters_and_the_limit() -> None:
    order = make_plan(ide(), [], reading=OLD).order
    assert order is not None
    assert order.capacity_bytes_max == 137_438_953_472
    limit = "no more than 137,438,953,472 bytes unless you know that the unit takes more: "
    assert limit + "a unit with 28-bit sector addresses (ATA before ATA/ATAPI-6) reaches no further" in order.notes
    assert any("mSATA (SATA) with the mSATA to 44-pin IDE adapter: order that too" in note for note in order.notes)
    assert any(note.startswith("set by its jumper: master, slave or cable select") for note in order.notes)


@pytest.mark.parametrize("adapter", adapters().values(), ids=lambda adapter: adapter.id)
def test_an_adapter_names_only_what_there_is(adapter: Any) -> None:
    assert {*adapter.form_factors, adapter.becomes_form_factor} <= form_factors().keys()
    socket = connectors()[adapter.socket]
    assert set(adapter.protocols) <= set(socket.protocols)
    assert adapter.becomes_protocol in connectors()[adapter.becomes_connector].protocols
    fed = set(adapter.feeds.values())
    assert fed <= set(connectors()[adapter.becomes_connector].rails)


CF: dict[str, Any] = {"form_factor": "cf", "connector": "cf", "protocol": "pata", "peak_5v_amps": 0.5, "height_mm": 5.0}
FACTS: dict[str, Any] = {
    "form_factor": st.sampled_from(["msata", "m2-2242", "cf", "2.5-inch", "1.8-inch"]),
    "connector": st.sampled_from(["msata", "m2-bm", "m2-m", "cf", "pata-44", "sata"]),
    "protocol": st.sampled_from(["sata", "nvme", "pata"]),
    "peak_3v3_amps": st.sampled_from([0.5, 0.9]),
    "peak_5v_amps": st.sampled_from([0.5, 1.5]),
    "height_mm": st.sampled_from([5.0, 9.5, 12.5]),
    "capacity_bytes": st.sampled_from([20_003_880_960, 64_023_257_088, 160_041_885_696]),
}


def as_drives_are(facts: dict[str, Any]) -> dict[str, Any]:
    """The drive no taller than its body is made, and without currents on rails that its own plug does not carry."""
    carried = {f"peak_{rail}_amps" for rail in connectors()[facts["connector"]].rails}
    absent = {fact for fact in facts if fact.startswith("peak_") and fact not in carried}
    height_mm = min(facts["height_mm"], form_factors()[facts["form_factor"]].tallest_mm)
    return {**facts, **dict.fromkeys(absent), "height_mm": height_mm}


SPEAKING = st.fixed_dictionaries(FACTS).filter(lambda facts: facts["protocol"] in speech(facts["connector"]))
DRIVES = SPEAKING.map(as_drives_are)


@given(DRIVES, st.sets(st.sampled_from(sorted(FACTS))), st.sampled_from(sorted(HOSTS)))
def test_told_less_never_fits_more(facts: dict[str, Any], hidden: set[str], bay: str) -> None:
    """In any bay, behind any adapter: what nobody told about a drive never makes it fit."""
    whole = candidate(**{**CARD, **facts})
    told = candidate(**{**CARD, **facts, **dict.fromkeys(hidden)})
    unit = ide() if bay == "bay-pata-2.5" else HOSTS[bay]
    if judged(told, unit, OLD).fits == "yes":
        assert judged(whole, unit, OLD).fits == "yes"


@given(DRIVES, st.sets(st.sampled_from(sorted(FACTS))), st.sampled_from(["ide", "cf"]))
@example({**CF, "peak_3v3_amps": 0.5}, {"form_factor"}, "ide")
@example({**CF, "peak_3v3_amps": 0.5}, {"form_factor"}, "cf")
@example({**CARD, "protocol": "sata", "peak_3v3_amps": 0.5}, {"connector", "form_factor", "capacity_bytes"}, "ide")
def test_told_less_never_shuts_out_what_fits(facts: dict[str, Any], hidden: set[str], bay: str) -> None:
    supply = Supply(rail_5v_amps=1.0, source="measured")
    unit = ide() if bay == "ide" else msgspec.structs.replace(HOSTS["bay-cf"], supply=supply)
    whole = candidate(**{**CARD, **facts})
    told = candidate(**{**CARD, **facts, **dict.fromkeys(hidden)})
    if judged(whole, unit, OLD).fits == "yes":
        assert judged(told, unit, OLD).fits != "no"


@pytest.mark.parametrize(
    ("text", "body"),
    [("CF Type II", "cf"), ("CompactFlash", "cf"), ("CFast 2.0", "cfast"), ("half-size mSATA", "msata-half")],
)
def test_bodies_as_people_spell_them(text: str, body: str) -> None:
    spelled = find_form_factor(text)
    assert spelled is not None
    assert spelled.id == body


@pytest.mark.parametrize(("text", "plug"), [("ZIF", "pata-zif"), ("LIF 40", "pata-lif"), ("40-pin DOM", "dom-40")])
def test_plugs_as_people_spell_them(text: str, plug: str) -> None:
    spelled = find_connector(text)
    assert spelled is not None
    assert spelled.id == plug


def test_a_drive_that_goes_in_as_it_is_gets_no_adapter() -> None:
    assert find_adapter(candidate(connector="pata-44"), IDE) is None
    assert find_adapter(candidate(connector=None), IDE) is None
