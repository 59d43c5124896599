"""The order list: what it states, and that a drive as ordered fits."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.documents import decode, encode
from drivecare.fit.host_catalogue import load_hosts
from drivecare.fit.host_profile import Host
from drivecare.fit.model import SECTOR_FORMATS, Candidate, Order, OrderRail, Plan
from drivecare.fit.order import smallest_label
from drivecare.fit.plan import exit_code, make_plan
from drivecare.reading.capacity import standard_bytes
from drivecare.reading.model import Values
from tests.fit.samples import host, old_drive, result

HOSTS = load_hosts().hosts


def order(unit: Host, **plan: Any) -> Order:
    """The order list of a plan with nothing to try."""
    document = make_plan(unit, [], **plan)
    assert document.order is not None
    return document.order


def test_what_a_supplier_is_told() -> None:
    """Worked out by hand from the test profile: 2.5-inch, 9.5 mm, 1 A on 5 V, at most 1 TB, 20 GB written a day."""
    ordered = order(host(), reading=old_drive())
    assert msgspec.structs.replace(ordered, notes=()) == Order(
        search="2.5-inch SATA drive, 500 GB to 1 TB, up to 9.5 mm high",
        form_factor="2.5-inch",
        height_mm_max=9.5,
        connector="sata",
        protocol="sata",
        capacity_bytes_min=500_107_862_016,
        capacity_bytes_max=1_000_204_886_016,
        logical_sector_bytes=512,
        rails=(OrderRail(volts=5.0, amps_max=1.0),),
    )
    notes = "\n".join(ordered.notes)
    for told in (
        "usually sold as 500 GB or more; a label in GB promises no count: ask for at least 976,773,168 LBAs",
        "spacer that makes up the difference to 9.5 mm",
        "threaded holes M3 in its side, for 4 screws",
        "a drive of 7 mm or less also needs screws that reach at most 2 mm in: the unit's reach 3 mm",
        "must not be shingled (SMR): it stalls",
        "rated for at least 36.5 TB written: 20 GB a day, as units of this kind do, for 5 years",  # 20 x 365 x 5
        "sector format 512n, 512e",
    ):
        assert told in notes


def test_an_old_drive_larger_than_the_unit_takes_is_searched_for_by_its_size_alone() -> None:
    ordered = order(host(), reading=old_drive(3_000_592_982_016))
    assert ordered.search == "2.5-inch SATA drive, 3 TB, up to 9.5 mm high"
    assert "the old drive is larger than this unit takes by its profile: ask before you order" in ordered.notes


def test_a_reason_for_two_demands_is_given_once() -> None:
    (recorder,) = [unit for unit in HOSTS if unit.id == "oskarne-tidewatch-5"]
    notes = order(recorder).notes
    assert "a hard drive only" in notes
    assert [note for note in notes if "records two programmes" in note] == [
        "a hard drive must not be shingled (SMR): it records two programmes and plays a third without a pause"
    ]


def test_nothing_tried_is_not_nothing_fits() -> None:
    plan = make_plan(host(), [], reading=old_drive())
    assert (exit_code(plan), plan.candidates) == (31, ())
    assert "order list" in plan.steps[-1]


def test_a_plan_of_0_1_0_has_none_and_is_read() -> None:
    document = encode(make_plan(host(), []))
    fields = {name: value for name, value in msgspec.json.decode(document).items() if name != "order"}
    assert decode(Plan, msgspec.json.encode(fields), origin="plan.json").order is None


@pytest.mark.parametrize(
    ("unit", "plan", "least", "note"),
    [
        ({}, {}, 250_000_000_000, "read the old drive (--reading), which may be larger"),
        ({"capacity": None}, {}, None, "read the old drive first (--reading)"),
        ({"moving": {"kind": "file-copy"}}, {"used_bytes": 300 * 10**9}, 300 * 10**9, "sector format"),
        ({"moving": {"kind": "file-copy"}}, {}, 250_000_000_000, "say how much of the old drive is used (--used)"),
        ({"moving": {"kind": "unit-initialises"}}, {"reading": old_drive()}, 500_107_862_016, "sector format"),
        ({}, {"reading": old_drive(2 * 10**12)}, 2 * 10**12, "larger than this unit takes by its profile"),
    ],
    ids=["not read", "nothing known", "files", "files, amount not told", "sets up itself", "too large"],
)
def test_the_least_size_and_what_is_missing_for_it(
    unit: dict[str, Any], plan: dict[str, Any], least: int | None, note: str
) -> None:
    ordered = order(host(**unit), **plan)
    assert ordered.capacity_bytes_min == least
    assert note in "\n".join(ordered.notes)


def test_a_supply_nobody_described_is_asked_for() -> None:
    ordered = order(host(supply=None), reading=old_drive())
    assert {rail.amps_max for rail in ordered.rails} == {None}
    assert "compare the new drive's label with the old one's" in "\n".join(ordered.notes)


@given(st.integers(1, 30 * 10**12))
def test_the_label_named_is_the_smallest_whose_standard_count_is_enough(least: int) -> None:
    """IDEMA LBA1-03 from 50 GB, SFF-8447 above 8 TB."""
    label = smallest_label(least)
    if label is None:
        assert least < standard_bytes(50)[0]
    else:
        assert min(standard_bytes(label)) >= least
        assert label == 50 or min(standard_bytes(label - 1)) < least


def as_ordered(ordered: Order, unit: Host, **facts: Any) -> Candidate:
    """The drive that a supplier sends who follows every line of the order list."""
    amps = {3.3: "peak_3v3_amps", 5.0: "peak_5v_amps", 12.0: "peak_12v_amps"}
    formats = [SECTOR_FORMATS[name] for name in unit.sectors.formats]
    logical, physical = next(pair for pair in formats if ordered.logical_sector_bytes in (None, pair[0]))
    kinds = ("ssd",) if unit.recording is None else unit.recording.kinds
    return Candidate(
        name="as ordered",
        capacity_bytes=ordered.capacity_bytes_min,
        kind=kinds[0],
        protocol=unit.interface.protocols[0],
        connector=ordered.connector,
        form_factor=ordered.form_factor,
        height_mm=ordered.height_mm_max,
        logical_sector_bytes=logical,
        physical_sector_bytes=physical,
        recording="conventional",
        mounting=("side", "bottom", "bottom-middle"),
        power_disable=False,
        sustained_mb_s=200,
        **{**{amps[rail.volts]: rail.amps_max or 0.5 for rail in ordered.rails}, **facts},
    )


@pytest.mark.parametrize("unit", HOSTS, ids=lambda unit: unit.id)
@pytest.mark.parametrize("size", [120_034_123_776, 500_107_862_016, 1_000_204_886_016])
def test_a_drive_as_ordered_fits(unit: Host, size: int) -> None:
    limits = unit.capacity
    if limits is not None and limits.most_bytes is not None and size > limits.most_bytes:
        return
    reading = old_drive(size, Values(power_on_hours=10_000, host_bytes_written=10**12))
    ordered = order(unit, reading=reading)
    if unit.id == "bay-soldered":
        assert ordered.search == "no drive: the unit has flash soldered to its board"
        return
    (judged,) = make_plan(unit, [as_ordered(ordered, unit)], reading=reading).candidates
    assert judged.fits == "yes", [check for check in judged.checks if check.result not in ("pass", "warn")]


@pytest.mark.parametrize("unit", HOSTS, ids=lambda unit: unit.id)
def test_one_sector_less_or_a_tenth_of_a_millimetre_more_than_ordered_does_not(unit: Host) -> None:
    """The list asks for no more than the checks do. The tolerance of a height class is allowed besides."""
    reading = old_drive(120_034_123_776)
    ordered = order(unit, reading=reading)
    assert ordered.capacity_bytes_min is not None
    facts = {"capacity_bytes": ordered.capacity_bytes_min - 512, "height_mm": ordered.height_mm_max + 0.3}
    wrong = msgspec.structs.replace(as_ordered(ordered, unit), **facts)
    (judged,) = make_plan(unit, [wrong], reading=reading).candidates
    assert result(judged, "height")[0] == "block"
    if unit.moving.kind == "sector-copy":
        sizes = {check.result for check in judged.checks if check.check in ("capacity", "capacity-limit")}
        assert "block" in sizes
