"""Readings count in the order in which the drives were read, and only for the job in which they were read."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import msgspec
import pytest

from drivecare.documents import Value
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import load_job_state
from drivecare.job.model import Gate
from drivecare.reading.identity import Identity
from drivecare.reading.model import Drive
from drivecare.risk.model import Assessment
from tests.job.carried import NEW, NOW, OLD, OTHER, READ_AGAIN_AT, assessment, data_route, fact, filed, pending

BEFORE_THE_JOB = "2026-11-25T08:54:59+00:00"  # the job was opened at 09:00; clocks may differ by five minutes
LONG_AGO = "2021-03-18T10:00:00+00:00"
AHEAD = "2026-11-25T12:05:01+00:00"


def same_drive_goes_back(folder: Path, *documents: Value) -> Gate:
    return judge_gate(load_job_state(filed(folder, [fact("consent"), *documents]).read(), now=NOW), "same-drive")


def shut(gate: Gate) -> set[str]:
    return {item.item for item in gate.items if not item.holds}


def evidence(gate: Gate, name: str) -> str:
    return next(item.evidence for item in gate.items if item.item == name)


def recheck(count: int = 3, read_at: str | None = "2026-11-25T10:00:00+00:00", drive: Drive = OLD) -> Assessment:
    return assessment(drive, "recheck", findings=(pending(count, "recheck"),), read_at=read_at)


WAY_OUT = fact("way-out", note="new cable, read 100 GB")  # recorded at 11:30


@pytest.mark.promise(5)
@pytest.mark.parametrize(
    ("second", "words"),
    [
        (recheck(), "not read again since"),
        (recheck(read_at="2026-08-25T10:00:00+00:00"), "not read again since"),
        (recheck(read_at="2026-11-25T11:30:00+00:00"), "not read again since"),
        (recheck(read_at=None), "not read again since"),
    ],
    ids=["the same report", "a report three months older", "taken no later than the way out", "without a time"],
)
def test_what_was_not_read_after_the_way_out_clears_nothing(tmp_path: Path, second: Value, words: str) -> None:
    gate = same_drive_goes_back(tmp_path, recheck(), WAY_OUT, second)
    assert shut(gate) == {"verdict"}
    assert words in evidence(gate, "verdict")


def test_what_was_read_after_the_way_out_clears_it_in_whatever_order_it_is_filed(tmp_path: Path) -> None:
    again = recheck(read_at=READ_AGAIN_AT)
    for number, documents in enumerate(
        ([recheck(), WAY_OUT, again], [again, recheck(), WAY_OUT], [WAY_OUT, again, recheck()])
    ):
        assert shut(same_drive_goes_back(tmp_path / str(number), *documents)) == set()


def test_a_first_reading_after_the_way_out_has_nothing_to_compare_with(tmp_path: Path) -> None:
    gate = same_drive_goes_back(tmp_path, recheck(read_at=READ_AGAIN_AT), WAY_OUT)
    assert shut(gate) == {"verdict"}
    assert "there is no earlier reading to compare with" in evidence(gate, "verdict")


def link(count: int, read_at: str) -> Assessment:
    damaged = msgspec.structs.replace(
        pending(count, "recheck"), signal="crc_errors", label="transfers damaged on the cable", fault_class="link"
    )
    return assessment(OLD, "recheck", findings=(damaged,), read_at=read_at)


@pytest.mark.parametrize(
    ("documents", "words", "command"),
    [
        (
            [link(72_380, "2026-11-25T10:00:00+00:00")],
            "recheck, its way out not taken: another cable, read 100 GB, read again",
            'drivecare job record 1042 way-out --note "..."',
        ),
        (
            [link(72_380, "2026-11-25T10:00:00+00:00"), link(72_380, "2026-11-25T11:00:00+00:00")],
            "not taken: another cable, read 100 GB, read again (transfers damaged on the cable: 72,380 before, 72,380"
            " now)",
            'drivecare job record 1042 way-out --note "..."',
        ),
        (
            [link(72_380, "2026-11-25T10:00:00+00:00"), link(72_380, "2026-11-25T11:00:00+00:00"), WAY_OUT],
            "recheck: way out recorded, but not read again since (transfers damaged on the cable: 72,380 before, 72,380"
            " now); read the drive once more",
            "drivecare assess /dev/sdb --job 1042",
        ),
        (
            [WAY_OUT, link(72_380, "2026-11-25T11:40:00+00:00"), link(72_380, "2026-11-25T11:50:00+00:00")],
            "recheck: way out recorded before the drive was read, so there is no earlier reading to compare with"
            " (transfers damaged on the cable: 72,380 before, 72,380 now); do it again and record it, then read the"
            " drive once more",
            'drivecare job record 1042 way-out --note "..."',
        ),
        (
            [link(72_380, "2026-11-25T10:00:00+00:00"), WAY_OUT, link(72_391, "2026-11-25T11:50:00+00:00")],
            "recheck: worse since the way out: transfers damaged on the cable: 72,380 before, 72,391 now; the cable,"
            " port or dock in use now is still at fault: change one, record that, then read again",
            'drivecare job record 1042 way-out --note "..."',
        ),
        (
            [link(72_380, "2026-11-25T10:00:00+00:00"), WAY_OUT, link(72_380, "2026-11-25T11:50:00+00:00")],
            "recheck cleared: nothing has grown since the way out: transfers damaged on the cable: 72,380 before,"
            " 72,380 now",
            None,
        ),
    ],
    ids=["read", "read twice", "read twice, recorded", "recorded, read twice", "grown", "cleared"],
)
def test_whichever_order_is_taken_it_is_said_what_is_still_needed(
    tmp_path: Path, documents: list[Value], words: str, command: str | None
) -> None:
    gate = same_drive_goes_back(tmp_path, *documents)
    assert words in evidence(gate, "verdict")
    assert next(item.next for item in gate.items if item.item == "verdict") == command


def test_a_finding_without_a_number_is_cleared_while_its_words_stay_the_same(tmp_path: Path) -> None:
    def old_burst(detail: str, read_at: str) -> Assessment:
        finding = msgspec.structs.replace(pending(1, "recheck"), observed=None, detail=detail)
        return assessment(OLD, "recheck", findings=(finding,), read_at=read_at)

    first, same = old_burst("5 errors", "2026-11-25T10:00:00+00:00"), old_burst("5 errors", READ_AGAIN_AT)
    assert shut(same_drive_goes_back(tmp_path / "a", first, WAY_OUT, same)) == set()
    more = old_burst("6 errors", READ_AGAIN_AT)
    assert shut(same_drive_goes_back(tmp_path / "b", first, WAY_OUT, more)) == {"verdict"}


def test_what_another_drive_showed_before_the_way_out_is_no_comparison(tmp_path: Path) -> None:
    """Two drives in one dock bear the dock's number, so that they look alike."""
    dock = Drive(model="Dock", serial="DOCK123", identity=Identity(bridge_serial="DOCK123", strength="weak"))
    gate = same_drive_goes_back(tmp_path, recheck(9, drive=dock), WAY_OUT, recheck(3, READ_AGAIN_AT, dock))
    assert shut(gate) == {"old-drive-identity", "verdict"}


@pytest.mark.parametrize("older", [LONG_AGO, "2026-11-25T09:59:59+00:00"])
def test_an_older_report_filed_last_is_not_the_newest(tmp_path: Path, older: str) -> None:
    gate = same_drive_goes_back(tmp_path, assessment(OLD, "replace"), assessment(OLD, "refit", read_at=older))
    assert shut(gate) == {"verdict"}
    assert evidence(gate, "verdict").startswith("replace")


@pytest.mark.promise(5)
@pytest.mark.parametrize(
    ("read_at", "words"),
    [
        (LONG_AGO, "before this job was opened: read it again, or record earlier-reading KX25-00417"),
        (BEFORE_THE_JOB, "before this job was opened"),
        (AHEAD, "ahead of this clock"),
        (None, "does not say when it was taken"),
        ("noon", "does not say when it was taken"),
    ],
)
def test_a_reading_from_outside_the_job_needs_a_reason(tmp_path: Path, read_at: str | None, words: str) -> None:
    reading = assessment(OLD, "refit", read_at=read_at)
    gate = same_drive_goes_back(tmp_path / "a", reading)
    assert shut(gate) == {"old-drive-read"}
    assert words in evidence(gate, "old-drive-read")
    why = fact("earlier-reading", "kx25-00417", note="lay sealed in its bag")
    assert shut(same_drive_goes_back(tmp_path / "b", reading, why)) == set()
    assert shut(same_drive_goes_back(tmp_path / "c", why, reading)) == {"old-drive-read"}  # before it was filed
    other = fact("earlier-reading", str(OTHER.serial), note="lay sealed in its bag")
    assert shut(same_drive_goes_back(tmp_path / "d", reading, other)) == {"old-drive-read"}


def test_an_inspection_from_before_the_job_needs_a_reason(tmp_path: Path) -> None:
    documents = data_route()
    documents[3] = assessment(NEW, "refit", sale="new", path="/dev/sdc", read_at=LONG_AGO)
    gate = judge_gate(load_job_state(filed(tmp_path / "a", documents).read(), now=NOW))
    assert shut(gate) == {"inspection"}
    assert "record earlier-reading PM6-311842" in evidence(gate, "inspection")
    documents.append(fact("earlier-reading", "PM6-311842", note="sealed since"))
    assert shut(judge_gate(load_job_state(filed(tmp_path / "b", documents).read(), now=NOW))) == set()


def test_a_reading_is_listed_once_and_as_it_was_judged_last(tmp_path: Path) -> None:
    first, again = assessment(OLD, "refit"), assessment(OLD, "recheck")
    state = load_job_state(
        filed(tmp_path, [first, assessment(OLD, "refit", read_at=READ_AGAIN_AT), again]).read(), now=NOW
    )
    assert [(reading.document.read_at, reading.document.verdict) for reading in state.old_drive_readings] == [
        (first.read_at, "recheck"),
        (READ_AGAIN_AT, "refit"),
    ]


def test_clocks_that_differ_a_little_are_no_reason_to_doubt(tmp_path: Path) -> None:
    for number, read_at in enumerate(("2026-11-25T08:55:00+00:00", str(NOW + timedelta(minutes=5)))):
        assert shut(same_drive_goes_back(tmp_path / str(number), assessment(OLD, "refit", read_at=read_at))) == set()
