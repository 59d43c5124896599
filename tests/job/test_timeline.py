"""A job in order: one sentence a result, and the next step."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.errors import BadInput
from drivecare.job.chain import CHAIN
from drivecare.job.job_state import load_job_state
from drivecare.job.timeline import build_timeline, summarise_job
from drivecare.transfer.holds import AreaContents
from tests.job.carried import NEW, NOW, OLD, bag, data_route, device, filed, receipt
from tests.job.rich_case import refitted, unfinished, usual


def sentences(folder: Path, documents: list) -> list[tuple[str, str]]:  # type: ignore[type-arg]
    job = filed(folder, documents)
    return [(line.kind, line.says) for line in build_timeline(load_job_state(job.read(), now=NOW)).story]


def test_each_result_in_a_sentence(tmp_path: Path) -> None:
    *results, closing = usual()
    assert sentences(tmp_path, [*results, bag(), closing]) == [
        ("opening", "opened for marlow-mc2-r3"),
        ("fact", "consent: signed on the claim ticket"),
        (
            "assessment",
            "evacuate: It is losing data or says so itself. Copy it now, put nothing else on it, do not fit it again.",
        ),
        ("plan", "1 of 9 candidates fit Corvane Hearth, revision 21, Petrel PM-500 chosen"),
        ("assessment", "refit (as new): Nothing found against its being new."),
        ("receipt", "verified (direct), 8,192 bytes in 1 area unreadable: /dev/sdb copied to /dev/sdc"),
        ("readscan", "surface read: 1 unreadable area, 2 slow areas"),
        ("fact", "unreadable 1048576+8192: by telephone"),
        ("fact", "detached: power is off and the old and the new drive are no longer attached together"),
        ("bag", "verified: 12 files copied to /mnt/new"),
        ("closing", "closed: the unit starts, old drive returned"),
    ]


def test_a_copy_that_stopped_at_what_is_used_is_told_as_not_whole(tmp_path: Path) -> None:
    rest = AreaContents(offset=8 << 20, length=1 << 20)
    stopped = receipt(
        device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"), unread=(rest,), verified=False, verification=None
    )
    ((_, says),) = [line for line in sentences(tmp_path, [stopped]) if line[0] == "receipt"]
    assert says.startswith("NOT whole, 1.05 MB unread, 8,192 bytes in 1 area unreadable: ")


def test_the_next_step_is_the_first_thing_missing(tmp_path: Path) -> None:
    job = filed(tmp_path, unfinished())
    timeline = build_timeline(load_job_state(job.read(), now=NOW))
    assert (timeline.state, timeline.gate_open, timeline.route, timeline.verdict) == (
        "open",
        False,
        "new-drive-data",
        "evacuate",
    )
    assert timeline.next == 'drivecare job record 1042 consent --note "..."'
    assert timeline.why == "consent: not recorded yet"


def test_an_open_gate_leads_to_closing_and_a_closed_job_nowhere(tmp_path: Path) -> None:
    job = filed(tmp_path / "a", data_route())
    timeline = build_timeline(load_job_state(job.read(), now=NOW))
    assert timeline.next == "drivecare handover 1042"
    written = load_job_state(job.read(), now=NOW, sheet_is_current=True)
    assert build_timeline(written).next == "drivecare job close 1042"
    job = filed(tmp_path / "b", usual())
    timeline = build_timeline(load_job_state(job.read(), now=NOW))
    assert (timeline.state, timeline.next, timeline.why) == ("closed", None, None)


def test_a_job_in_one_line_and_one_that_cannot_be_read(tmp_path: Path) -> None:
    job = filed(tmp_path, refitted())
    line = summarise_job(job.id, job.read).line
    assert (line.id, line.state, line.verdict, line.serials, line.error) == (
        "1042",
        "open",
        "refit",
        ("PM6-311842",),
        None,
    )
    job.result_files()[1].path.write_text("{")
    altered = summarise_job(job.id, job.read).line
    assert (altered.gate_open, altered.missing, altered.error) == (False, "records", None)
    (job.path / CHAIN).unlink()  # as in a job of 0.1.0, in which no audit names an altered file
    broken = summarise_job(job.id, job.read).line
    assert broken.id == "1042"
    assert "is not valid JSON" in str(broken.error)


def test_a_document_that_is_none_is_named(tmp_path: Path) -> None:
    job = filed(tmp_path, refitted())
    (job.path / CHAIN).unlink()  # as in a job of 0.1.0, in which no audit names an altered file
    (job.path / "0009-reading-20261125T120000Z.json").write_text("[]")
    with pytest.raises(BadInput, match=r"0009-reading-20261125T120000Z\.json: is not a document of a job"):
        build_timeline(load_job_state(job.read(), now=NOW))
