"""A drive larger than the old one: what stays unused, where the tables end, and how the unit takes it.

MBR counts 2^32 sectors; GPT keeps its second header in the last sector (UEFI, section 5.3, from memory). Computed here.
"""

from __future__ import annotations

from typing import Any

import pytest

from drivecare.fit.host_profile import Host
from drivecare.fit.plan import make_plan
from drivecare.fit.size_checks import promised_bytes
from tests.fit.samples import candidate, host, judged, old_drive, result

OLD_BYTES = 500_107_862_016  # 976,773,168 sectors
NEW_BYTES = 1_000_204_886_016  # 1,953,525,168 sectors


def unit(larger: str | None = None, **moving: Any) -> Host:
    return host(moving={"larger": larger, **moving}, capacity=None, recording=None)


def larger(unit_: Host, *, old: int = OLD_BYTES, **facts: Any) -> tuple[str, str] | None:
    drive = judged(candidate(**facts), unit_, old_drive(old))
    return result(drive, "larger-drive") if "larger-drive" in {check.check for check in drive.checks} else None


def test_what_stays_unused_and_where_the_second_header_lies() -> None:
    assert larger(unit(), capacity_bytes=NEW_BYTES) == (
        "pass",
        "976,752,000 sectors (500 GB) at its end stay unused after a sector copy; a GPT's second header then lies at "
        "sector 976,773,167, not at the end; the unit's profile does not say how it takes a larger drive: try it "
        "before you hand it over",
    )


@pytest.mark.parametrize(
    ("takes", "words"),
    [
        ("unused", "the unit leaves them so"),
        ("grows", "the unit takes them into use by itself"),
    ],
)
def test_how_the_unit_takes_it(takes: str, words: str) -> None:
    answer = larger(unit(takes), capacity_bytes=NEW_BYTES)
    assert answer is not None
    assert (answer[0], words in answer[1], "does not say" in answer[1]) == ("pass", True, False)


def test_a_unit_that_takes_no_larger_drive() -> None:
    assert larger(unit("refused"), capacity_bytes=OLD_BYTES) is None
    assert larger(unit("refused"), capacity_bytes=NEW_BYTES) == (
        "block",
        "976,752,000 sectors more than the old drive, and the unit takes no larger one",
    )
    assert larger(unit("refused"), capacity_bytes=None, labelled_gb=500) is None  # the standard count is the old one
    label: dict[str, Any] = {"capacity_bytes": None, "labelled_gb": 10_000}  # two standards count it differently
    least = promised_bytes(candidate(**label))
    assert least is not None
    maybe = larger(unit("refused"), old=least, **label)
    assert maybe is not None
    assert (maybe[0], "give the LBA number" in maybe[1]) == ("unknown", True)
    order = make_plan(unit("refused"), [], reading=old_drive(OLD_BYTES)).order
    assert order is not None
    assert order.capacity_bytes_max == order.capacity_bytes_min == OLD_BYTES


@pytest.mark.parametrize(
    ("old", "new", "end"),
    [
        (2_000_398_934_016, 4_000_787_030_016, True),
        (2_000_398_934_016, 2_199_023_255_552, False),  # 2 TiB exactly
        (4_000_787_030_016, 6_001_175_126_016, False),  # cannot be an MBR drive any more
    ],
)
def test_an_mbr_ends_at_2_tib(old: int, new: int, end: bool) -> None:
    drive = judged(candidate(capacity_bytes=new), unit(), old_drive(old))
    assert ("with an MBR nothing beyond 2,199,023,255,552 bytes" in result(drive, "larger-drive")[1]) is end


def test_an_array_uses_no_more_than_its_smallest_member() -> None:
    mirror = unit(kind="unit-initialises", array="mirror")
    answer = larger(mirror, capacity_bytes=NEW_BYTES)
    assert answer == ("pass", "976,752,000 sectors (500 GB) beyond the old drive's stay unused: an array uses no more "
                              "of a member than its smallest one has")  # fmt: skip


def test_nothing_is_said_where_nothing_is_larger_or_known() -> None:
    assert larger(unit(), capacity_bytes=OLD_BYTES) is None
    assert larger(unit(), capacity_bytes=None) is None
    assert larger(unit(kind="file-copy"), capacity_bytes=NEW_BYTES) is None


def test_the_steps_say_it_and_change_nothing_before_the_gate() -> None:
    plan = make_plan(unit(), [candidate(capacity_bytes=NEW_BYTES)], reading=old_drive(OLD_BYTES))
    (step,) = [step for step in plan.steps if "976,752,000 sectors" in step]
    assert step.startswith("Know that the new drive is larger: ")
    assert "Change nothing on it before the gate is open" in step
    assert plan.steps.index(step) < next(index for index, text in enumerate(plan.steps) if "Ask the gate" in text)
