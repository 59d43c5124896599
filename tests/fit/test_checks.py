"""Each check, in its four results, with its reason in numbers."""

from __future__ import annotations

from typing import Any

import pytest

from drivecare.fit.host_profile import Screws, Supply
from drivecare.reading.identity import Identity
from drivecare.reading.model import Values
from tests.fit.samples import candidate, host, judged, old_drive, result

M2 = {"form_factor": "m2-2280", "height_mm": 3.8, "spacer": False, "screws": None}
NVME = {"connector": "m2-m", "protocols": ("nvme",), "link_gbps": None, "pcie_generation": 3, "pcie_lanes": 4}
CARD = {"form_factor": "m2-2280", "height_mm": 2.3, "connector": "m2-m", "protocol": "nvme", "link_gbps": None}
BAY35: dict[str, Any] = {
    "bay": {"form_factor": "3.5-inch", "height_mm": 26.1, "spacer": False, "screws": None, "adapters": ("2.5-inch",)},
    "supply": {"rail_5v_amps": 1.0, "rail_12v_amps": 2.0},
}
LOW35 = {**BAY35, "bay": {**BAY35["bay"], "height_mm": 17.8}}

# (facts of the candidate, tables of the host) -> check, result, part of the reason
CASES: list[tuple[dict[str, Any], dict[str, Any], str, str, str]] = [
    ({}, {}, "form-factor", "pass", "2.5-inch in a bay for 2.5-inch"),
    ({"form_factor": None}, {}, "form-factor", "unknown", "its form factor is not known; the bay takes 2.5-inch"),
    ({"form_factor": "3.5-inch"}, {}, "form-factor", "block", "3.5-inch (101.6 x 147 mm) does not fit into a bay"),
    ({}, BAY35, "form-factor", "warn", "2.5-inch fits into the 3.5-inch bay with an adapter"),
    ({**CARD, "form_factor": "m2-2242"}, {"bay": {**M2, "also": ("m2-2242",)}, "interface": NVME}, "form-factor",
     "pass", "M.2 2242 in a bay for M.2 2280"),
    ({}, BAY35, "height", "pass", "the bay has 26.11 mm; take an adapter made for drives of 9.5 mm"),
    ({"height_mm": None}, BAY35, "height", "pass", "take an adapter made for this drive's height"),
    ({"height_mm": 19.05}, LOW35, "height", "block", "19.05 mm, 1.24 mm more than the 17.81 mm the bay takes"),
    ({"height_mm": None}, LOW35, "height", "unknown", "its height is not known; the bay takes up to 17.81 mm"),
    ({"obstacle": "it is a RAID volume, not a drive"}, {}, "usable", "block", "it is a RAID volume"),
    ({"height_mm": 9.5}, {}, "height", "pass", "9.5 mm in a bay for up to 9.5 mm"),
    ({"height_mm": 9.7}, {}, "height", "pass", "9.7 mm in a bay for up to 9.5 mm"),
    ({"height_mm": 9.8}, {}, "height", "block", "9.8 mm, 0.10 mm more than the 9.7 mm the bay takes"),
    ({"height_mm": 12.5}, {}, "height", "block", "12.5 mm, 2.80 mm more than the 9.7 mm"),
    ({"height_mm": 7.0}, {}, "height", "warn", "7 mm in a 9.5 mm bay: needs a 2.5 mm spacer"),
    ({"height_mm": 7.0}, {"bay": {"spacer": False}}, "height", "pass", "7 mm in a bay for up to 9.5 mm"),
    ({"height_mm": 5.0}, {"bay": {"least_height_mm": 7.0}}, "height", "block", "lower than the 7 mm the bay can hold"),
    ({"height_mm": None}, {}, "height", "unknown", "its height is not known; the bay takes up to 9.5 mm: measure it"),
    ({**CARD, "height_mm": None}, {"bay": M2, "interface": NVME}, "height", "unknown", "a heat spreader adds to"),
    ({**CARD, "height_mm": 8.0}, {"bay": M2, "interface": NVME}, "height", "block", "8 mm, 4.20 mm more than the"),
    ({"height_mm": None}, {"bay": {"height_mm": 19.05}}, "height", "pass", "the tallest 2.5-inch drives are"),
    ({"height_mm": 9.5, "by_hand": ("height",)}, {}, "height", "pass", "9.5 mm, measured by hand in a bay"),
    ({}, {}, "mounting-holes", "pass", "side holes are part of this form factor"),
    ({"mounting": ("bottom",)}, {}, "mounting-holes", "block", "lacks the side holes that the 4 screws need"),
    ({"mounting": ("side",)}, {}, "mounting-holes", "pass", "has the side holes"),
    ({}, {}, "screw-depth", "pass", "4 screws M3 reach 3 mm in, 3 mm is safe"),
    ({"height_mm": 7.0}, {}, "screw-depth", "warn", "reach 3 mm in, more than 2 mm: use shorter ones or washers"),
    ({"height_mm": None}, {}, "screw-depth", "unknown", "a low drive takes 2 mm, and its height is not known"),
    ({}, {}, "connector", "pass", "SATA into SATA"),
    ({"connector": None}, {}, "connector", "unknown", "its plug is not known; the unit has SATA"),
    ({"connector": "pata-44"}, {}, "connector", "block", "PATA 44-pin does not go into SATA"),
    ({"connector": "sas", "protocol": "sas"}, {}, "connector", "block", "SAS does not go into SATA"),
    ({**CARD, "connector": "m2-bm"}, {"bay": M2, "interface": NVME}, "connector", "pass", "M.2 keys B and M into M.2"),
    ({**CARD, "connector": "m2-b"}, {"bay": M2, "interface": NVME}, "connector", "block", "M.2 key B does not go into"),
    ({}, {}, "protocol", "pass", "SATA, like the unit"),
    ({"protocol": None}, {}, "protocol", "pass", "SATA, like the unit"),  # a SATA plug speaks nothing else
    ({**CARD, "protocol": None}, {"bay": M2, "interface": NVME}, "protocol", "unknown", "its protocol is not known"),
    ({**CARD, "protocol": "sata"}, {"bay": M2, "interface": NVME}, "protocol", "block", "the unit only NVMe"),
    ({}, {}, "link", "pass", "runs at 3.0 Gb/s, 300 MB/s of payload (the drive could do 6.0 Gb/s)"),
    ({"link_gbps": 1.5}, {}, "link", "pass", "runs at 1.5 Gb/s, 150 MB/s of payload"),
    ({"sustained_mb_s": 520}, {}, "link", "warn", "the drive itself could do 520 MB/s"),
    ({**CARD, "pcie_generation": 4, "pcie_lanes": 2}, {"bay": M2, "interface": NVME}, "link", "pass", "1,969 MB/s"),
    ({}, {}, "supply", "pass", "peaks at 0.9 A on 5 V, the unit supplies 1 A"),
    ({"peak_5v_amps": 1.2}, {}, "supply", "block",
     "peaks at 1.2 A on 5 V, 0.2 A more than the 1 A that the unit supplies"),
    ({"peak_5v_amps": None}, {}, "supply", "unknown",
     "its peak current on 5 V is not known (see its label); the unit supplies 1 A"),
    ({"sector_format": None, "logical_sector_bytes": 512, "physical_sector_bytes": None}, {}, "sector-format", "pass",
     "512e or 512n; the unit takes 512n, 512e"),
    ({"logical_sector_bytes": 4096}, {}, "sector-format", "block", "4Kn drives do not work in this unit"),
    ({"logical_sector_bytes": None, "physical_sector_bytes": None}, {}, "sector-format", "unknown", "takes only 512n"),
    ({"logical_sector_bytes": 520, "physical_sector_bytes": 520}, {}, "sector-format", "block", "520 and 520 bytes"),
    ({}, {}, "raw-copy", "pass", "both drives count in sectors of 512 bytes"),
    ({"logical_sector_bytes": 4096}, {}, "raw-copy", "block", "from 512-byte to 4096-byte sectors"),
    ({"logical_sector_bytes": None}, {}, "raw-copy", "unknown", "its own logical sector size is not known"),
    ({}, {}, "capacity-limit", "pass", "500 GB is within what the unit uses"),
    ({"capacity_bytes": 2_000_398_934_016}, {}, "capacity-limit", "block",
     "2,000,398,934,016 bytes, the unit wants at least 250,000,000,000 and uses at most 1,000,204,886,016: its firm"),
    ({"capacity_bytes": 240_057_409_536}, {}, "capacity-limit", "block", "wants at least 250,000,000,000"),
    ({"capacity_bytes": None}, {}, "capacity-limit", "unknown", "its capacity is not known"),
    ({"kind": "ssd"}, {"recording": {"kinds": ("hdd",)}}, "kind", "block", "a solid-state drive, the unit needs a"),
    ({"kind": None}, {"recording": {"kinds": ("hdd",)}}, "kind", "unknown", "its kind is not known"),
    ({}, {"recording": {"kinds": ("hdd",)}}, "kind", "pass", "a hard drive, as the unit needs"),
    ({}, {}, "recording", "pass", "tracks do not overlap"),
    ({"recording": "shingled"}, {}, "recording", "block", "it is shingled: it stalls"),
    ({"recording": "shingled"}, {"recording": {"shingled": "warn"}}, "recording", "warn", "it is shingled"),
    ({"recording": None}, {}, "recording", "unknown", "a drive need not report it"),
    ({"recording": None}, {"recording": {"shingled": "warn"}}, "recording", "warn", "a drive need not report it"),
    ({"sustained_mb_s": 10}, {"recording": {"sustained_mb_s": 12}}, "sustained", "block", "10 MB/s, the unit needs 12"),
    ({"sustained_mb_s": 12}, {"recording": {"sustained_mb_s": 12}}, "sustained", "pass", "12 MB/s, the unit needs 12"),
    ({}, {"recording": {"sustained_mb_s": 12}}, "sustained", "unknown", "its sustained rate is not known"),
    ({"rated_written_bytes": 150 * 10**12}, {}, "endurance", "pass", "rated for 150 TB: 20.5 years at 20 GB a day"),
    ({"rated_written_bytes": 30 * 10**12}, {}, "endurance", "warn", "rated for 30 TB: 4.1 years at 20 GB a day"),
    ({"error_bits_exponent": 14}, {}, "read-errors", "pass", "0.04 unrecoverable errors in one full read"),
    ({"error_bits_exponent": 12}, {}, "read-errors", "warn", "4 unrecoverable errors in one full read"),
    ({"sustained_mb_s": 100}, {}, "copy-time", "pass", "at least 83 min (100 MB/s, the new drive's medium)"),
    ({"link_gbps": 1.5}, {}, "copy-time", "pass", "at least 56 min (150 MB/s, the new drive's link)"),
    ({}, {}, "copy-time", "pass", "at least 28 min (300 MB/s, the old drive's link)"),
    ({"verdict": "refit"}, {}, "health", "pass", "shows nothing against it"),
    ({"verdict": "recheck"}, {}, "health", "warn", "asks for a recheck"),
    ({"verdict": "replace"}, {}, "health", "block", "do not fit it"),
    ({"verdict": "evacuate"}, {}, "health", "block", "it is losing data"),
    ({"verdict": "unproven"}, {}, "health", "unknown", "does not support a verdict"),
    ({}, {"interface": {"power_disable_held": True}}, "power-disable", "unknown", "holds that pin at 3.3 V"),
    ({"power_disable": True}, {"interface": {"power_disable_held": True}}, "power-disable", "block", "never spin up"),
    ({"power_disable": False}, {"interface": {"power_disable_held": True}}, "power-disable", "pass", "does not obey"),
]  # fmt: skip


@pytest.mark.parametrize(("facts", "tables", "check", "expected", "reason"), CASES)
def test_check(facts: dict[str, Any], tables: dict[str, Any], check: str, expected: str, reason: str) -> None:
    facts = {name: value for name, value in facts.items() if name != "sector_format"}
    observed, explanation = result(judged(candidate(**facts), host(**tables)), check)
    assert observed == expected, explanation
    assert reason in explanation


@pytest.mark.parametrize(("facts", "tables", "check", "expected", "reason"), CASES)
def test_a_drive_fits_as_its_worst_check_says(
    facts: dict[str, Any],
    tables: dict[str, Any],
    check: str,
    expected: str,
    reason: str,
) -> None:
    facts = {name: value for name, value in facts.items() if name != "sector_format"}
    answer = judged(candidate(**facts), host(**tables))
    results = {each.result for each in answer.checks}
    assert answer.fits == ("no" if "block" in results else "unknown" if "unknown" in results else "yes")
    assert (check, expected) in {(each.check, each.result) for each in answer.checks}
    assert all(each.source and each.reason for each in answer.checks), reason


def test_a_drive_that_fits_in_every_respect_passes_every_check() -> None:
    answer = judged(candidate())
    assert answer.fits == "yes"
    assert {each.result for each in answer.checks} == {"pass"}


@pytest.mark.promise(3)
def test_nothing_known_gives_no_pass_on_anything_the_unit_demands() -> None:
    answer = judged(candidate(**dict.fromkeys((
        "capacity_bytes", "kind", "protocol", "connector", "form_factor", "height_mm", "logical_sector_bytes",
        "physical_sector_bytes", "link_gbps", "peak_5v_amps", "recording"))))  # fmt: skip
    assert answer.fits == "unknown"
    passed = {each.check for each in answer.checks if each.result == "pass"}
    assert passed <= {"copy-time"}  # which speaks of the old drive's link


@pytest.mark.parametrize(
    ("facts", "given", "expected"),
    [
        ({"form_factor": "3.5-inch", "peak_12v_amps": 2.0}, {"rail_5v_amps": 1.0}, ("block", "needs 12 V (2 A)")),
        ({"form_factor": "3.5-inch"}, {"rail_5v_amps": 1.0}, ("block", "needs 12 V, which the unit does not supply")),
        (
            {"form_factor": "3.5-inch", "peak_12v_amps": 2.0},
            {"rail_5v_amps": 1.0, "rail_12v_amps": 1.8},
            ("block", "0.2 A more than the 1.8 A that the unit supplies"),
        ),
        ({"form_factor": "3.5-inch"}, {"rail_5v_amps": 1.0, "rail_12v_amps": 2.0}, ("unknown", "current on 12 V")),
        ({"peak_12v_amps": 0.0}, {"rail_5v_amps": 1.0}, None),  # draws nothing there: nothing to say
    ],
)
def test_rails(facts: dict[str, Any], given: dict[str, float], expected: tuple[str, str] | None) -> None:
    unit = host(supply=Supply(source="from memory", **given))
    observed = [(each.result, each.reason) for each in judged(candidate(**facts), unit).checks if "12 V" in each.reason]
    if expected is None:
        assert observed == []
    else:
        ((outcome, reason),) = observed
        assert (outcome, expected[1] in reason) == (expected[0], True)


def test_a_rail_the_plug_does_not_carry() -> None:
    unit = host(interface={"connector": "pata-44", "protocols": ("pata",), "link_gbps": None}, supply=None)
    answer = judged(candidate(connector="pata-44", protocol="pata", form_factor="3.5-inch", peak_12v_amps=2.0), unit)
    assert result(answer, "supply") == ("block", "needs 12 V (2 A), which the unit does not supply")


@pytest.mark.parametrize("height", [7.0, 9.5])
def test_bottom_holes_are_optional_in_thin_drives(height: float) -> None:
    unit = host(bay={"screws": Screws(count=4, thread="M3", head="PH1", depth_mm=2.5, holes="bottom")})
    observed, reason = result(judged(candidate(height_mm=height), unit), "mounting-holes")
    assert observed == ("unknown" if height == 7.0 else "pass")
    assert ("may lack the bottom holes" in reason) == (height == 7.0)


TRAY = {"form_factor": "3.5-inch", "height_mm": 26.1, "spacer": False}
DISC = {"form_factor": "3.5-inch", "height_mm": 26.1}


@pytest.mark.parametrize(
    ("holes", "pattern", "mounting", "expected"),
    [
        ("bottom", ("middle",), None, "unknown"),
        ("bottom", ("middle",), ("side", "bottom"), "unknown"),
        ("bottom", ("middle",), ("side", "bottom-middle"), "pass"),
        ("bottom", ("middle",), ("side", "bottom-end"), "block"),
        ("bottom", ("end",), None, "unknown"),
        ("bottom", ("end",), ("bottom-end",), "pass"),
        ("bottom", ("middle", "end"), None, "pass"),  # a tray for both takes every drive
        ("bottom", ("middle", "end"), ("side",), "block"),
        ("bottom", (), None, "unknown"),  # a profile of 0.1.0 does not say which
        ("bottom", (), ("bottom-middle", "bottom-end"), "pass"),
        ("side", ("end",), None, "pass"),
        ("side", ("middle",), None, "unknown"),
        ("side", ("middle",), ("side-middle",), "pass"),
        ("side", (), None, "unknown"),
    ],
)
def test_middle_holes_of_3_5_inch_drives_are_not_taken_as_given(
    holes: Any, pattern: Any, mounting: tuple[str, ...] | None, expected: str
) -> None:
    """SFF-8301 table 3-1: A6 and A13; that drives of many discs lack the middle ones: common practice, no source."""
    screws = Screws(count=4, thread="6-32 UNC", head="PH2", depth_mm=3.0, holes=holes, pattern=pattern)
    unit = host(bay={**TRAY, "screws": screws}, supply=None)
    assert result(judged(candidate(**DISC, mounting=mounting), unit), "mounting-holes")[0] == expected


class TestCapacityForASectorCopy:
    def test_never_by_the_label(self) -> None:
        """251,000,193,024 bytes do not go onto a drive labelled 250 GB, however alike the labels sound."""
        answer = judged(candidate(capacity_bytes=250_059_350_016), reading=old_drive(251_000_193_024))
        assert result(answer, "capacity") == (
            "block",
            "488,397,168 sectors, short of the old drive's 490,234,752 sectors (251,000,193,024 bytes) "
            "by 1,837,584 sectors (940,843,008 bytes)",
        )
        labelled = judged(candidate(capacity_bytes=None, labelled_gb=250), reading=old_drive(251_000_193_024))
        assert result(labelled, "capacity") == result(answer, "capacity")
        larger = judged(candidate(capacity_bytes=256_060_514_304), reading=old_drive(251_000_193_024))
        observed, reason = result(larger, "capacity")
        assert observed == "pass"
        assert f"{5_060_321_280 // 512:,} to spare" in reason

    @pytest.mark.parametrize(("used", "fit"), [(200 * 10**9, True), (250_059_350_017, False), (None, False)])
    def test_files_that_would_fit_a_smaller_drive_are_pointed_out(self, used: int | None, fit: bool) -> None:
        small, old = candidate(capacity_bytes=250_059_350_016), old_drive(251_000_193_024)
        answer, reason = result(judged(small, reading=old, used_bytes=used), "capacity")
        assert answer == "block"
        assert reason.endswith("; its 200 GB of files would fit by file copy, if the unit takes that") is fit

    def test_equal_is_enough_and_one_sector_less_is_not(self) -> None:
        assert result(judged(candidate()), "capacity")[0] == "pass"
        observed, reason = result(judged(candidate(capacity_bytes=500_107_862_016 - 512)), "capacity")
        assert observed == "block"
        assert "by 1 sector (512 bytes)" in reason

    def test_a_label_promises_no_count(self) -> None:
        answer = judged(candidate(capacity_bytes=None, labelled_gb=500))
        observed, reason = result(answer, "capacity")
        assert observed == "unknown"
        assert "give the LBA number from its label" in reason

    def test_a_larger_label_surely_suffices(self) -> None:
        observed, reason = result(judged(candidate(capacity_bytes=None, labelled_gb=750)), "capacity")
        assert observed == "pass"
        assert "promises" in reason

    def test_two_drives_of_12_tb_are_not_of_one_size(self) -> None:
        unit = host(capacity=None)
        rounded, older = 12_000_138_625_024, 12_001_339_219_968
        assert result(judged(candidate(capacity_bytes=older), unit, old_drive(rounded)), "capacity")[0] == "pass"
        observed, reason = result(judged(candidate(capacity_bytes=rounded), unit, old_drive(older)), "capacity")
        assert observed == "block"
        assert "1,200,594,944 bytes" in reason
        label = candidate(capacity_bytes=None, labelled_gb=12_000)
        assert result(judged(label, unit, old_drive(older)), "capacity")[0] == "unknown"

    @pytest.mark.parametrize("reading", [old_drive(None)])
    def test_without_the_old_drives_size_nothing_passes(self, reading: Any) -> None:
        assert result(judged(candidate(), reading=reading), "capacity")[0] == "unknown"


class TestLabelsBelowEveryStandard:
    """IDEMA LBA1-03 counts from 50 GB on; below that a label says little (0.90 to 1.07 of it: our judgement)."""

    def test_a_drive_of_the_old_ones_label_may_be_large_enough(self) -> None:
        answer = judged(candidate(capacity_bytes=None, labelled_gb=40), host(capacity=None), old_drive(40_020_664_320))
        (check,) = [each for each in answer.checks if each.check == "capacity"]
        assert check.result == "unknown"
        assert "labelled 40 GB, which does not promise a sector count; it may be enough" in check.reason
        assert "IDEMA" not in check.source
        assert "no standard counts drives below 50 GB" in check.source

    @pytest.mark.parametrize(
        ("label", "old", "expected"),
        [(32, 28_800_000_000, "pass"), (32, 28_800_000_512, "unknown"), (32, 32 << 30, "unknown"),
         (32, (32 << 30) + 512, "block"), (49, 49_000_000_000, "unknown"), (50, 50_000_000_000, "pass")],
    )  # fmt: skip
    def test_where_it_certainly_is_and_is_not(self, label: int, old: int, expected: str) -> None:
        drive = candidate(capacity_bytes=None, labelled_gb=label)
        assert result(judged(drive, host(capacity=None), old_drive(old)), "capacity")[0] == expected


class TestUnitsOfAnExactSize:
    SIZES = (500_107_862_016, 1_000_204_886_016)
    UNIT = host(capacity={"least_bytes": None, "most_bytes": None, "exact_bytes": SIZES})

    @pytest.mark.parametrize(
        ("facts", "expected"),
        [
            ({"capacity_bytes": 500_107_862_016}, "pass"),
            ({"capacity_bytes": 1_000_204_886_016}, "pass"),
            ({"capacity_bytes": 500_107_862_016 + 512}, "block"),
            ({"capacity_bytes": 750_156_374_016}, "block"),
            ({"capacity_bytes": None, "labelled_gb": 500}, "unknown"),
            ({"capacity_bytes": None, "labelled_gb": 1000}, "unknown"),
            ({"capacity_bytes": None, "labelled_gb": 750}, "block"),
            ({"capacity_bytes": None}, "unknown"),
        ],
    )
    def test_only_the_sizes_of_the_list(self, facts: dict[str, Any], expected: str) -> None:
        assert result(judged(candidate(**facts), self.UNIT), "capacity-limit")[0] == expected

    def test_the_reason_names_the_sizes(self) -> None:
        reason = result(judged(candidate(capacity_bytes=750_156_374_016), self.UNIT), "capacity-limit")[1]
        assert reason == (
            "750,156,374,016 bytes, the unit takes exactly 500,107,862,016 or 1,000,204,886,016: its firmware says so"
        )

    @pytest.mark.parametrize("size", [500_107_862_016, 500_107_862_016 - 512])
    def test_least_and_most_of_one_size_are_that_size(self, size: int) -> None:
        """As profiles of 0.1.0 wrote an exact size: the drive of that label is asked for its count, not refused."""
        unit = host(capacity={"least_bytes": 500_107_862_016, "most_bytes": 500_107_862_016})
        labelled = candidate(capacity_bytes=None, labelled_gb=500)
        assert result(judged(labelled, unit), "capacity-limit")[0] == "unknown"
        counted = judged(candidate(capacity_bytes=size), unit)
        assert result(counted, "capacity-limit")[0] == ("pass" if size == 500_107_862_016 else "block")


class TestCapacityForFiles:
    UNIT = host(moving={"kind": "file-copy"})

    @pytest.mark.parametrize(
        ("used", "facts", "expected"),
        [
            (212 * 10**9, {}, ("pass", "212 GB of files fit on 500 GB")),
            (600 * 10**9, {}, ("block", "600 GB of files do not fit on 500 GB")),
            (None, {}, ("unknown", "how much of the old drive is used is not known: give --used")),
            (212 * 10**9, {"capacity_bytes": None}, ("unknown", "its capacity is not known")),
        ],
    )
    def test_used_space_counts(self, used: int | None, facts: dict[str, Any], expected: tuple[str, str]) -> None:
        assert result(judged(candidate(**facts), self.UNIT, used_bytes=used), "capacity") == expected

    def test_other_sectors_are_no_matter(self) -> None:
        unit = host(moving={"kind": "file-copy"}, sectors={"formats": ("512n", "512e", "4Kn")})
        answer = judged(candidate(logical_sector_bytes=4096), unit, used_bytes=10**9)
        assert answer.fits == "yes"
        assert "raw-copy" not in {each.check for each in answer.checks}


def test_a_unit_that_sets_the_drive_up_needs_no_old_size() -> None:
    unit = host(moving={"kind": "unit-initialises", "array": "none"})
    assert judged(candidate(), unit, old_drive(None)).fits == "yes"
    assert judged(candidate(capacity_bytes=None), unit, old_drive(None)).fits == "unknown"


@pytest.mark.parametrize(
    ("facts", "reason"),
    [
        (
            {"identity": Identity(wwn="500c0ffe00000007", strength="strong"), "serial": None},
            "this is the old drive itself",
        ),
        ({"model": "Rook R-500", "serial": "RO-7"}, "this is the old drive itself, serial RO-7"),
    ],
)
def test_the_old_drive_cannot_replace_itself(facts: dict[str, Any], reason: str) -> None:
    assert result(judged(candidate(**facts)), "same-drive") == ("block", reason)


def test_years_come_from_what_the_old_drive_was_told_to_write() -> None:
    values = Values(power_on_hours=10_000, host_bytes_written=5 * 10**12)  # 12 GB a day
    answer = judged(candidate(rated_written_bytes=44 * 10**12), reading=old_drive(values=values))
    assert result(answer, "endurance") == (
        "pass",
        "rated for 44 TB: 10.0 years at 12 GB a day, as the old drive's reading shows",
    )


def test_nothing_is_said_of_life_where_a_number_is_missing() -> None:
    names = {each.check for each in judged(candidate(), host(recording=None)).checks}
    assert not names & {"endurance", "read-errors", "recording", "kind", "sustained"}
