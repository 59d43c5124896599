"""Drives pulled from an array: what a rebuild needs, and what one member is worth.

A member of an array holds at least as many sectors as the smallest other one (common practice, no source).
"""

from __future__ import annotations

import msgspec
import pytest

from drivecare.errors import BadInput
from drivecare.fit.host_catalogue import load_hosts
from drivecare.fit.host_profile import Host
from drivecare.fit.plan import exit_code, make_plan
from drivecare.work.plan import parse_sectors
from tests.fit.samples import candidate, host, judged, old_drive, result

TWO_TB = 2_000_398_934_016
HOSTS = {host.id: host for host in load_hosts().hosts}


def unit_of(array: str | None) -> Host:
    return host(moving={"kind": "unit-initialises", "array": array}, capacity=None)


def outcome(array: str | None, size: int, *, member: int | None = None, old: int | None = TWO_TB) -> tuple[str, str]:
    drive = judged(candidate(capacity_bytes=size), unit_of(array), old_drive(old), smallest_member_sectors=member)
    return result(drive, "capacity")


@pytest.mark.promise(5)
def test_a_small_drive_does_not_replace_a_2_tb_member_of_the_mirror_that_ships() -> None:
    unit = HOSTS["pondera-shelf-07"]
    tray = {"form_factor": "3.5-inch", "height_mm": 26.1, "peak_12v_amps": 1.7, "rotation_rpm": 5400,
            "mounting": ("side", "bottom")}  # fmt: skip
    plan = make_plan(unit, [candidate(capacity_bytes=500_107_862_016, **tray)], reading=old_drive(TWO_TB))
    assert (plan.candidates[0].fits, plan.chosen, int(exit_code(plan))) == ("no", None, 30)
    whole = make_plan(unit, [candidate(capacity_bytes=TWO_TB, **tray)], reading=old_drive(TWO_TB))
    assert (whole.candidates[0].fits, int(exit_code(whole))) == ("yes", 0)


@pytest.mark.parametrize("array", ["mirror", "parity", "stripe"])
def test_the_smallest_member_decides_to_the_sector(array: str) -> None:
    sectors = TWO_TB // 512 - 1000
    assert outcome(array, sectors * 512, member=sectors)[0] == "pass"
    assert outcome(array, (sectors - 1) * 512, member=sectors) == (
        "block",
        f"{sectors - 1:,} sectors, 1 sector fewer than the {sectors:,} sectors of the smallest member left: "
        "the unit would not rebuild onto it",
    )


@pytest.mark.parametrize("array", ["mirror", "parity", "stripe"])
def test_until_it_is_told_the_pulled_member_stands_for_it_with_a_caution(array: str) -> None:
    observed, reason = outcome(array, TWO_TB)
    assert observed == "warn"
    assert reason.endswith("but a member left may be larger: read the drives left in the unit and give the fewest "
                           "sectors: --fact smallest_member_sectors=N")  # fmt: skip
    assert outcome(array, TWO_TB - 512)[0] == "block"


@pytest.mark.parametrize("array", ["mirror", None])
def test_without_any_size_of_a_member_nothing_is_certain(array: str | None) -> None:
    assert outcome(array, TWO_TB, old=None)[0] == "unknown"


def test_members_are_counted_in_the_sectors_of_the_old_drive() -> None:
    reading = old_drive(TWO_TB, logical_sector_bytes=4096)
    drive = judged(candidate(capacity_bytes=TWO_TB), unit_of("mirror"), reading,
                   smallest_member_sectors=TWO_TB // 4096 + 1)  # fmt: skip
    assert result(drive, "capacity")[0] == "block"


def test_a_label_of_the_members_size_promises_no_count() -> None:
    drive = candidate(capacity_bytes=None, labelled_gb=2000)
    assert result(judged(drive, unit_of("mirror"), old_drive(TWO_TB)), "capacity")[0] == "unknown"


def test_a_profile_that_does_not_say_may_be_of_an_array() -> None:
    """Profiles written for 0.1.0 have no `array`: a smaller drive may fit, but certainly only one as large."""
    observed, reason = outcome(None, TWO_TB - 512)
    assert (observed, "may join its drives to an array" in reason) == ("unknown", True)
    assert outcome(None, TWO_TB)[0] == "pass"
    assert outcome(None, TWO_TB - 512, member=TWO_TB // 512)[0] == "block"


def test_a_unit_without_an_array_takes_a_smaller_drive() -> None:
    smaller = judged(candidate(capacity_bytes=250_059_350_016), unit_of("none"), old_drive(TWO_TB))
    assert smaller.fits == "yes"


def test_every_unit_that_ships_says_how_it_joins_its_drives() -> None:
    assert {id for id, unit in HOSTS.items() if unit.kind == "unit" and unit.moving.array is None} == set()


@pytest.mark.parametrize(
    ("array", "words"),
    [
        ("stripe", "One member of a stripe set is not a copy of the customer's data"),
        ("parity", "One member of a parity set is not a copy of the customer's data"),
        ("mirror", "The member left holds all of the customer's data now"),
        (None, "Find out whether this unit joins its drives to an array"),
    ],
)
def test_the_steps_say_what_one_member_is_worth(array: str | None, words: str) -> None:
    drive = candidate(capacity_bytes=TWO_TB)
    assert any(words in step for step in make_plan(unit_of(array), [drive], reading=old_drive(TWO_TB)).steps)
    assert any(words in step for step in make_plan(unit_of(array), [], reading=old_drive(TWO_TB)).steps)
    alone = make_plan(unit_of("none"), [drive], reading=old_drive(TWO_TB)).steps
    assert not any("member" in step for step in alone)


def test_the_plan_keeps_what_it_was_told_of_the_array() -> None:
    plan = make_plan(unit_of("mirror"), [], reading=old_drive(TWO_TB), smallest_member_sectors=3_907_029_168)
    assert msgspec.to_builtins(plan)["smallest_member_sectors"] == 3_907_029_168


@pytest.mark.parametrize(
    ("text", "sectors"), [("3907029168", 3_907_029_168), ("3,907,029,168", 3_907_029_168), ("3.907.029.168 sectors",
                                                                                            3_907_029_168)]
)  # fmt: skip
def test_sectors_are_read_as_people_write_them(text: str, sectors: int) -> None:
    assert parse_sectors(text) == sectors


@pytest.mark.parametrize("text", ["", "0", "2 TB", "-5", "many"])
def test_what_is_not_a_number_of_sectors_is_refused(text: str) -> None:
    with pytest.raises(BadInput, match="is not a number of sectors"):
        parse_sectors(text)


def test_the_order_asks_for_the_smallest_member() -> None:
    fewest = TWO_TB // 512 - 1000
    order = make_plan(unit_of("mirror"), [], reading=old_drive(TWO_TB), smallest_member_sectors=fewest).order
    assert order is not None
    assert order.capacity_bytes_min == fewest * 512
    untold = make_plan(unit_of("mirror"), [], reading=old_drive(TWO_TB)).order
    assert untold is not None
    assert untold.capacity_bytes_min == TWO_TB
    assert any("read the ones left" in note for note in untold.notes)


def test_the_order_names_the_exact_sizes() -> None:
    sizes = (TWO_TB, 4_000_787_030_016)
    unit = host(capacity={"least_bytes": None, "most_bytes": None, "exact_bytes": sizes})
    order = make_plan(unit, [], reading=old_drive(2_500_000_000_000)).order
    assert order is not None
    assert (order.capacity_bytes_min, order.capacity_bytes_max) == (sizes[1], sizes[1])
    assert order.search == "2.5-inch SATA drive, exactly 4 TB, up to 9.5 mm high"
    assert not any("sold as" in note for note in order.notes)
    assert any(note.startswith("exactly 2,000,398,934,016 bytes (3,907,029,168 LBAs) or ") for note in order.notes)
