"""A copy of which nothing came across was read back faultlessly, and nothing in a job takes it for a copy."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.errors import Refused
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import load_job_state
from drivecare.job.sheet import _receipt_rows
from drivecare.job.timeline import build_timeline
from drivecare.reading.model import Reading
from drivecare.transfer.sectors.receipt import Receipt, Unreadable
from drivecare.work.load_guard import refuse_load
from tests.job.carried import AREA, NEW, NOW, OLD, SIZE, assessment, data_route, device, fact, filed, pending, receipt

ALL = Unreadable(offset=0, length=SIZE)


def nothing_copied() -> Receipt:
    return receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"), unreadable=(ALL,), bytes_copied=0)


def test_the_gate_stays_shut_and_asks_for_a_copy(tmp_path: Path) -> None:
    documents = [*data_route(), nothing_copied(), fact("detached")]
    state = load_job_state(filed(tmp_path, documents).read(), now=NOW)
    item = next(item for item in judge_gate(state).items if item.item == "copy-verified")
    assert not item.holds
    assert item.evidence.startswith(f"nothing was copied: 0 of {SIZE:,} bytes could be read")
    assert str(item.next).startswith("drivecare copy ")


def test_what_is_missing_is_part_of_the_evidence(tmp_path: Path) -> None:
    state = load_job_state(filed(tmp_path, data_route()).read(), now=NOW)
    assert (
        f" except for {AREA.length:,} bytes that could not be read, read back past this machine's cache"
        in state.proof.evidence
    )


def test_the_timeline_and_the_sheet_say_so(tmp_path: Path) -> None:
    job = filed(tmp_path, [*data_route(), nothing_copied()])
    state = load_job_state(job.read(), now=NOW)
    assert "NOTHING copied, " in str(build_timeline(state))
    assert _receipt_rows(state.proof)[0]["how"] == "NOTHING copied"
    whole_copy = load_job_state(filed(tmp_path / "b", data_route()).read(), now=NOW)
    assert _receipt_rows(whole_copy.proof)[0]["how"] != "NOTHING copied"


@pytest.mark.parametrize("unreadable", [ALL, Unreadable(offset=0, length=512)], ids=["nothing", "nearly all"])
def test_a_drive_that_is_losing_data_is_loaded_only_after_a_copy_of_something(
    tmp_path: Path, unreadable: Unreadable
) -> None:
    copied = receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"), unreadable=(unreadable,))
    folder = filed(tmp_path, [assessment(OLD, "evacuate", findings=(pending(24),)), copied])
    reading = Reading(path="/dev/sdb", drive=OLD)
    if unreadable is ALL:
        with pytest.raises(Refused, match="it is losing data"):
            refuse_load(reading, "a self-test", allow_load=None, folder=folder)
    else:
        refuse_load(reading, "a self-test", allow_load=None, folder=folder)
