"""Links, plugs and addressing limits against what is published.

Sources: 8b/10b coding of SATA (1.5, 3.0, 6.0 Gb/s carry 150, 300, 600 MB/s); 128b/130b coding of PCIe 3.0 and later
(computed); SAS keying; SFF-TA-1001 (U.3); SATA slimline and micro power plugs; ATA 28- and 48-bit addresses and the
MBR's 32-bit sector numbers (computed); Hitachi 5K320 specification table 14 and the DB35.4 product manual table 2 for
currents; USB 3: 900 mA for one port (Linux 6.1, drivers/usb/core/hub.c: full_load).
"""

from __future__ import annotations

import pytest

from drivecare.fit.host_catalogue import load_hosts
from drivecare.fit.standards import connectors, find_connector, interfaces, pcie_payload_mb_s, sata_payload_mb_s
from tests.fit.samples import candidate, host, judged, old_drive, result

HOSTS = {host.id: host for host in load_hosts().hosts}


@pytest.mark.parametrize(("gbps", "payload"), [(1.5, 150), (3.0, 300), (6.0, 600)])
def test_a_sata_link_carries_eight_bits_in_ten(gbps: float, payload: float) -> None:
    assert gbps in interfaces().links.sata
    assert sata_payload_mb_s(gbps) == pytest.approx(payload)


@pytest.mark.parametrize(("generation", "payload"), [(1, 1000), (2, 2000), (3, 3938), (4, 7877), (5, 15_754)])
def test_four_pcie_lanes_carry_128_bits_in_130(generation: int, payload: float) -> None:
    assert pcie_payload_mb_s(generation, 4) == pytest.approx(payload, abs=0.6)


@pytest.mark.parametrize(
    ("drive", "socket", "goes"),
    [
        ("sata", "sas", True),  # a SATA drive plugs into a SAS backplane
        ("sas", "sata", False),  # keyed
        ("u3", "u2", True),
        ("u2", "u3", False),
        ("sas", "u3", True),  # one bay for all three (SFF-TA-1001)
        ("sata", "u3", True),
        ("m2-bm", "m2-m", True),
        ("m2-bm", "m2-b", True),
        ("m2-b", "m2-m", False),
        ("m2-m", "m2-b", False),
        ("sata", "sata-slimline", False),
        ("pata-44", "pata-40", False),  # from memory: another pitch, and power on the same plug
    ],
)
def test_which_plug_goes_into_which_socket(drive: str, socket: str, goes: bool) -> None:
    assert (drive in connectors()[socket].accepts) is goes


@pytest.mark.parametrize(
    ("plug", "rails"),
    [
        ("sata", {"3v3", "5v", "12v"}),
        ("sata-slimline", {"5v"}),
        ("sata-micro", {"3v3", "5v"}),
        ("m2-m", {"3v3"}),
        ("u2", {"3v3", "5v", "12v"}),  # SFF-8639, from memory
    ],
)
def test_a_plug_feeds_the_rails_of_its_standard(plug: str, rails: set[str]) -> None:
    assert set(connectors()[plug].rails) == rails


def test_an_m2_socket_of_key_b_wires_two_lanes() -> None:
    """Key B carries PCIe x2, key M x4 (a module's manual that quotes the standard)."""
    assert {plug: connectors()[plug].lanes for plug in ("m2-b", "m2-bm", "m2-m")} == {"m2-b": 2, "m2-bm": 2, "m2-m": 4}
    unit = host(bay={"form_factor": "m2-2280", "height_mm": 3.8, "spacer": False, "screws": None}, supply=None,
                interface={"connector": "m2-b", "protocols": ("nvme",), "link_gbps": None, "pcie_generation": 3,
                           "pcie_lanes": 4})  # fmt: skip
    card = candidate(form_factor="m2-2280", height_mm=2.3, connector="m2-bm", protocol="nvme", link_gbps=None,
                     pcie_generation=3, pcie_lanes=4)  # fmt: skip
    assert "carries 1,969 MB/s" in result(judged(card, unit), "link")[1]


@pytest.mark.parametrize(
    ("plug", "protocol", "fits"),
    [("u3", None, True), ("sas", None, True), ("sata", None, True), ("u2", None, False)],
)
def test_a_u3_bay_takes_all_three_protocols(plug: str, protocol: str | None, fits: bool) -> None:
    """SFF-TA-1001: NVMe (U.3), SAS and SATA drives go into the same bay."""
    bay = HOSTS["bay-u3"]
    drive = candidate(connector=plug, protocol=protocol, height_mm=15.0)
    answers = {each.check: each.result for each in judged(drive, bay).checks}
    assert (answers["connector"] == answers["protocol"] == "pass") is fits


def test_a_plug_is_recognised_by_its_usual_spellings() -> None:
    plugs = {spelling: find_connector(spelling) for spelling in ("SFF-8639", "uSATA", "M.2 B+M", "mSATA", "SATA")}
    assert {spelling: plug.id for spelling, plug in plugs.items() if plug} == {
        "SFF-8639": "u2",
        "uSATA": "sata-micro",
        "M.2 B+M": "m2-bm",
        "mSATA": "msata",
        "SATA": "sata",
    }


def test_28_bit_addresses_end_at_2_to_the_28_sectors() -> None:
    """2^28 sectors of 512 bytes."""
    limits = HOSTS["oskarne-tidewatch-4"].capacity
    assert limits is not None
    assert limits.most_bytes == 2**28 * 512 == 137_438_953_472


@pytest.mark.parametrize("id", ["oskarne-tidewatch-5", "pondera-shelf-07"])
def test_an_mbr_ends_at_2_to_the_32_sectors(id: str) -> None:
    """2^32 sectors of 512 bytes."""
    limits = HOSTS[id].capacity
    assert limits is not None
    assert limits.most_bytes == 2**32 * 512 == 2_199_023_255_552


def test_an_mbr_unit_refuses_3_tb_and_takes_2_tb() -> None:
    unit = HOSTS["pondera-shelf-07"]
    outcomes = {
        size: result(judged(candidate(capacity_bytes=size), unit, old_drive(None)), "capacity-limit")[0]
        for size in (2_000_398_934_016, 3_000_592_982_016)
    }
    assert outcomes == {2_000_398_934_016: "pass", 3_000_592_982_016: "block"}


def test_a_laptop_drive_starts_on_a_sata_slot_but_not_on_a_weak_port() -> None:
    """Hitachi 5K320, table 14: 5.0 W at start-up on 5 V, which is 1.0 A; a USB 3 port gives 0.9 A (Linux hub.c)."""
    supply = HOSTS["bay-usb-2.5"].supply
    assert supply is not None
    assert supply.rail_5v_amps == 900 / 1000
    drive = candidate(peak_5v_amps=5.0 / 5.0)
    assert result(judged(drive, HOSTS["corvane-hearth-21"]), "supply")[0] == "pass"
    assert result(judged(drive, HOSTS["bay-usb-2.5"]), "supply")[0] == "block"


def test_a_recorder_drive_spins_up_on_the_recorders_supply() -> None:
    """DB35.4 manual, table 2: 2.0 A on 12 V at spin-up; operating 0.641 A on 5 V."""
    drive = candidate(form_factor="3.5-inch", height_mm=26.1, peak_12v_amps=2.0, peak_5v_amps=0.641)
    checks = judged(drive, HOSTS["oskarne-tidewatch-5"]).checks
    assert [check.result for check in checks if check.check == "supply"] == ["pass", "pass"]
    checks = judged(drive, HOSTS["pondera-shelf-07"]).checks
    assert [check.result for check in checks if check.check == "supply"] == ["pass", "block"]


def test_a_500_gb_drive_takes_half_an_hour_at_3_gb_s() -> None:
    """Computed: 500,107,862,016 bytes at 300 MB/s are 27.8 minutes."""
    assert judged(candidate()).copy_minutes == round(500_107_862_016 / 300e6 / 60) == 28
