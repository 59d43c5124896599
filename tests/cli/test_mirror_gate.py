"""The gate for a member of a mirror: shut with a drive that the unit would not rebuild onto, whatever else is right."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from drivecare.documents import encode
from tests.cli.test_job import Done, drivecare
from tests.fit.samples import old_drive

TWO_TB, HALF_TB = 2_000_398_934_016, 500_107_862_016
HEADINGS = (
    "name,serial,capacity,kind,protocol,connector,form factor,height,sector format,rpm,peak 5V,peak 12V,recording"
)
TRAY = "hdd,sata,SATA,3.5-inch,26.1,512e,5400,0.7,1.7,cmr"


def plan_for_the_mirror(jobs: Path, capacity: str, *facts: str) -> Done:
    """Open a job for the unit that ships, read its pulled 2 TB member, plan with one drive on the shelf."""
    assert drivecare("job", "new", "1050", "--host", "PN-0721", "--complaint", "beeps", jobs=jobs).returncode == 0
    member, stock = jobs / "member.json", jobs / "stock.csv"
    member.write_bytes(encode(old_drive(TWO_TB)))
    stock.write_text(f"{HEADINGS},mounting\nMerlin M-1,ME-1,{capacity},{TRAY},side+bottom-middle+bottom-end\n")
    drivecare("assess", str(member), "--job", "1050", jobs=jobs)
    words = ("plan", "--host", "PN-0721", "--reading", str(member), "--stock", str(stock), "--job", "1050")
    return drivecare(*words, *facts, jobs=jobs)


def gate_item(jobs: Path, name: str) -> Any:
    gate = json.loads(drivecare("gate", "1050", "--json", jobs=jobs).stdout)
    assert not gate["open"]  # the new drive is not fitted yet
    return next(item for item in gate["items"] if item["item"] == name)


@pytest.mark.promise(5)
def test_a_small_drive_opens_no_gate(tmp_path: Path) -> None:
    done = plan_for_the_mirror(tmp_path, str(HALF_TB), "--full")
    assert done.returncode == 30
    screen = " ".join(done.stdout.split())
    assert "the unit would not rebuild onto it" in screen
    assert "The unit sets the new drive up itself." in screen
    assert "The member left holds all of the customer's data now: ask for a backup before the rebuild." in screen
    item = gate_item(tmp_path, "plan")
    assert (item["holds"], item["evidence"]) == (
        False,
        "the drive tried does not fit: order one (plan --order), enter it in the stock list, then plan again",
    )


def test_the_short_form_says_why_none_fits(tmp_path: Path) -> None:
    assert "the unit would not rebuild onto it" in " ".join(plan_for_the_mirror(tmp_path, str(HALF_TB)).stdout.split())


def test_a_drive_as_large_as_the_member_holds(tmp_path: Path) -> None:
    done = plan_for_the_mirror(tmp_path, str(TWO_TB))
    assert done.returncode == 0
    assert "but a member left may be larger" in " ".join(done.stdout.split())
    assert gate_item(tmp_path, "plan")["holds"]


def test_nothing_is_copied_onto_a_drive_that_the_unit_rebuilds(tmp_path: Path) -> None:
    done = plan_for_the_mirror(tmp_path, str(TWO_TB), "--full")
    leave = (
        "Leave the new drive empty: this unit rebuilds it from the members left, over anything copied. Record that: "
    )
    assert f"{leave}drivecare job record 1050 route new-drive-empty." in " ".join(done.stdout.split())
    item = gate_item(tmp_path, "copy-verified")
    assert item["evidence"] == (
        "nothing is copied onto the new drive of this unit: it sets the drive up itself, and a member of a mirror it "
        "rebuilds from the member left, over anything copied; record that route"
    )
    assert item["next"] == 'drivecare job record 1050 route new-drive-empty --note "..."'
    assert drivecare("job", "record", "1050", "route", "new-drive-empty", jobs=tmp_path).returncode == 0
    assert gate_item(tmp_path, "no-data")["evidence"] == (
        "not recorded that the customer agreed to it: nothing is carried over"
    )


def test_a_member_left_that_is_larger_shuts_it_again(tmp_path: Path) -> None:
    done = plan_for_the_mirror(tmp_path, str(TWO_TB), "--fact", f"smallest_member_sectors={TWO_TB // 512 + 1}")
    assert done.returncode == 30
    assert not gate_item(tmp_path, "plan")["holds"]
