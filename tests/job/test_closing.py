"""Closing a job: the fate of every image is said, and only images this job made are ever removed."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable
from pathlib import Path

import msgspec
import pytest

from drivecare.documents import Value, encode
from drivecare.errors import BadInput, Unavailable
from drivecare.hardware.held_folder import LocalFileSystem
from drivecare.job.chain import CHAIN
from drivecare.job.closing import (
    GateShut,
    check_closing,
    make_closing,
    match_fates,
    parse_fates,
    removable_copies,
    remove_copy,
    undecided_copies,
)
from drivecare.job.copies import CustomerCopy, copies_made
from drivecare.job.job_state import JobState, load_job_state
from drivecare.job.model import ImageLeft
from drivecare.reading.identity import Identity
from drivecare.record.job_folder import JobFolder
from drivecare.transfer.files.bag import BagReceipt, TreeEnd
from drivecare.transfer.sectors.journal import CopiedRun, Journal
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.receipt import Digest, End, Receipt, Verification
from tests.job.carried import NEW, NOW, OLD, OTHER, bag, data_route, device, fact, filed, image, receipt

CONTENT = b"private" * 100
CHUNK = hashlib.sha256(CONTENT).hexdigest()

FILES = LocalFileSystem()


def of_image(path: Path, **more: object) -> Receipt:
    """The receipt of a copy to an image that holds CONTENT."""
    target = End(path=str(path), kind="image", size_bytes=len(CONTENT))
    digest = Digest(whole=CHUNK, chunk_bytes=1 << 20, chunks=(CHUNK,))
    values = {"bytes_total": len(CONTENT), "bytes_copied": len(CONTENT), "unreadable": (), "digest": digest, **more}
    return receipt(device(OLD, "/dev/sdb"), target, **values)


def with_images(folder: Path, *more: Value) -> tuple[JobState, Path, Path]:
    """A finished job with an image of its own, and one that came from elsewhere."""
    made, brought = folder / "made.img", folder / "brought.img"
    for path in (made, brought):
        path.write_bytes(CONTENT)
    from_brought = receipt(image(str(brought)), device(OLD, "/dev/sdd"), verified=False, job="1042")
    base = data_route()
    documents = [*base[:4], from_brought, of_image(made, job="1042"), *more, *base[4:]]
    return load_job_state(filed(folder / "jobs", documents).read(), now=NOW), made, brought


def paths(copies: Iterable[CustomerCopy]) -> list[Path]:
    return [copy.path for copy in copies]


def test_only_images_this_job_made_are_named(tmp_path: Path) -> None:
    state, made, _ = with_images(tmp_path)
    assert paths(copies_made(state)) == [made]
    assert paths(removable_copies(copies_made(state), {})) == [made]
    assert removable_copies(copies_made(state), {made: "kept"}) == ()


@pytest.mark.promise(11)
def test_what_a_foreign_receipt_names_is_left_alone(tmp_path: Path) -> None:
    """Filed by `verify RECEIPT --job`, where the copy is another job's or was made outside of any."""
    foreign = tmp_path / "foreign.img"
    foreign.write_bytes(CONTENT)
    state, made, _ = with_images(tmp_path, of_image(foreign, job="1041"), of_image(foreign))
    assert paths(copies_made(state)) == [made]


def test_what_only_a_receipt_brought_into_the_folder_names_is_not_removed(tmp_path: Path) -> None:
    foreign = tmp_path / "foreign.img"
    foreign.write_bytes(CONTENT)
    _, made, _ = with_images(tmp_path)
    job = JobFolder(path=tmp_path / "jobs" / "1042")
    (job.path / "0099-receipt-20261125T120000Z.json").write_bytes(encode(of_image(foreign, job="1042")))
    state = load_job_state(job.read(), now=NOW)
    with pytest.raises(
        BadInput, match=r"foreign.img: is named by 0099-receipt-20261125T120000Z.json, which is not known"
    ):
        check_closing(state, copies_made(state), FILES, anyway="x", forget=True, fates={})
    (job.path / "0099-receipt-20261125T120000Z.json").write_bytes(encode(of_image(made, job="1042")))
    again = load_job_state(job.read(), now=NOW)
    assert [(copy.path, copy.doubt) for copy in copies_made(again)] == [(made, None)]  # a filed one names it, too


def test_what_an_altered_receipt_names_is_not_removed(tmp_path: Path) -> None:
    state, made, brought = with_images(tmp_path)
    filed_as = next(one.file.path for one in state.receipts if one.document.target.path == str(made))
    filed_as.write_bytes(filed_as.read_bytes().replace(b"made.img", b"brought.img"))
    altered = load_job_state(JobFolder(path=filed_as.parent).read(), now=NOW)
    with pytest.raises(Unavailable, match="is not known to be unaltered, so it is not removed"):
        remove_copy(removable_copies(copies_made(altered), {})[0], FILES)
    assert brought.exists()


@pytest.mark.parametrize("own", [True, False], ids=["own", "brought in"])
def test_a_receipt_of_0_1_0_counts_where_the_copy_left_its_own_beside_it(tmp_path: Path, own: bool) -> None:
    at = "2026-11-25T11:00:00+00:00"
    made = tmp_path / "made.img"
    made.write_bytes(CONTENT)
    old = of_image(made, finished=at, verification=Verification(method="direct", at=at))
    later = of_image(made, finished=at, verification=Verification(method="direct", at="2026-11-25T11:30:00+00:00"))
    job = filed(tmp_path / "jobs", [*data_route(), old, later])
    (job.path / CHAIN).unlink()
    assert copies_made(load_job_state(job.read(), now=NOW)) == ()
    kept = old if own else of_image(made, started="2026-11-25T10:29:00+00:00")
    (job.path / "made.img.receipt.json").write_bytes(encode(kept))
    assert paths(copies_made(load_job_state(job.read(), now=NOW))) == ([made] if own else [])


def test_a_copy_begun_before_a_job_of_0_1_0_was_opened_is_not_that_jobs(tmp_path: Path) -> None:
    at, made = "2026-11-25T11:00:00+00:00", tmp_path / "made.img"
    verified = Verification(method="direct", at=at)
    earlier = of_image(made, started="2026-11-25T08:59:00+00:00", finished=at, verification=verified)
    job = filed(tmp_path / "jobs", [earlier])
    (job.path / "made.img.receipt.json").write_bytes(encode(earlier))
    assert copies_made(load_job_state(job.read(), now=NOW)) == ()


def journal_of(path: Path, job: str | None, content: bytes = CONTENT) -> Journal:
    """Of a copy to an image that was cut short."""
    digest = hashlib.sha256(content).digest()
    return Journal(
        source=device(OLD, "/dev/sdb"),
        target=End(path=str(path), kind="image", size_bytes=len(content)),
        bytes_total=len(content),
        chunk_bytes=1 << 20,
        fill="x",
        started="2026-11-25T10:30:00+00:00",
        job=job,
        copied=(CopiedRun(offset=0, length=len(content), digests=digest),),
    )


@pytest.mark.parametrize("job_id", ["1042", None], ids=["own", "of 0.1.0"])
def test_the_image_of_an_unfinished_copy_is_the_jobs_too(tmp_path: Path, job_id: str | None) -> None:
    part = tmp_path / "part.img"
    part.write_bytes(CONTENT)
    job = filed(tmp_path / "jobs", data_route())
    JournalFile(job.path / "part.img.journal.json").save(journal_of(part, job_id))
    JournalFile(job.path / "foreign.img.journal.json").save(journal_of(tmp_path / "foreign.img", "1041"))
    state = load_job_state(job.read(), now=NOW)
    assert [(copy.path, copy.contents) for copy in removable_copies(copies_made(state), {})] == [
        (part, "700 bytes, of an unfinished copy")
    ]
    check_closing(state, copies_made(state), FILES, anyway=None, forget=True, fates={})
    remove_copy(removable_copies(copies_made(state), {})[0], FILES)
    assert not part.exists()


def test_an_image_begun_anew_is_known_by_its_journal(tmp_path: Path) -> None:
    state, made, _ = with_images(tmp_path)
    made.write_bytes(b"the same drive, some days later")
    folder = tmp_path / "jobs" / "1042"
    anew = journal_of(made, "1042", made.read_bytes())
    JournalFile(folder / "made.img.journal.json").save(anew)
    assert copies_made(load_job_state(JobFolder(path=folder).read(), now=NOW))[0].why_another(FILES) is None
    JournalFile(folder / "made.img.journal.json").save(msgspec.structs.replace(anew, phase="done"))
    filed_copy = copies_made(load_job_state(JobFolder(path=folder).read(), now=NOW))[0]
    assert filed_copy.proof == copies_made(state)[0].proof  # a copy that is done is told of by its receipt


def on(drive: Identity | None, folder: Path) -> BagReceipt:
    return bag(target=TreeEnd(path=str(folder), identity=drive), job="1042")


def test_a_bag_on_the_new_drive_is_the_customers_and_no_copy_of_the_shops(tmp_path: Path) -> None:
    (tmp_path / "new").mkdir()
    base = [*data_route()[:4], on(NEW.identity, tmp_path / "new")]
    assert copies_made(load_job_state(filed(tmp_path / "a", base).read(), now=NOW)) == ()
    bench = [*data_route()[:4], on(OTHER.identity, tmp_path / "new")]
    assert paths(copies_made(load_job_state(filed(tmp_path / "b", bench).read(), now=NOW))) == [tmp_path / "new"]


def test_a_bag_that_may_lie_on_the_new_drive_is_not_removed(tmp_path: Path) -> None:
    """A dock hides its drive: only a person knows where the bag lies."""
    (tmp_path / "new").mkdir()
    job = filed(tmp_path / "jobs", [*data_route()[:4], on(None, tmp_path / "new")])
    state = load_job_state(job.read(), now=NOW)
    with pytest.raises(BadInput, match="may be on the new drive"):
        check_closing(state, copies_made(state), FILES, anyway="x", forget=True, fates={})
    with pytest.raises(Unavailable, match="may be on the new drive"):
        remove_copy(removable_copies(copies_made(state), {})[0], FILES)
    job.file(fact("bag-drives"))
    assert copies_made(load_job_state(job.read(), now=NOW)) == ()


def test_a_bag_named_without_its_folder_is_not_looked_for_where_one_stands(tmp_path: Path) -> None:
    state = load_job_state(filed(tmp_path, [bag(target=TreeEnd(path="bag"), job="1042")]).read(), now=NOW)
    assert (
        copies_made(state)[0].why_another(FILES) == "is named without its folder, so it is not known which one is meant"
    )


def test_every_image_s_fate_must_be_said(tmp_path: Path) -> None:
    state, made, brought = with_images(tmp_path)
    assert paths(undecided_copies(copies_made(state), {})) == [made]
    assert undecided_copies(copies_made(state), {made: "kept"}) == ()
    with pytest.raises(BadInput, match=rf"brought.img: is not a copy that this job made\. It made: {made}\."):
        match_fates(copies_made(state), {brought: "kept"})
    check_closing(state, copies_made(state), FILES, anyway=None, forget=True, fates={})
    made.unlink()
    assert undecided_copies(copies_made(state), {}) == ()


def test_a_copy_is_known_however_its_folder_is_typed(tmp_path: Path) -> None:
    (tmp_path / "shelf").mkdir()
    state, made, _ = with_images(tmp_path / "shelf")
    (tmp_path / "linked").symlink_to("shelf")
    for typed in (made, made.parent / ".." / "shelf" / "made.img", tmp_path / "linked" / "made.img"):
        assert match_fates(copies_made(state), {typed: "kept"}) == {made: "kept"}
    (tmp_path / "another.img").symlink_to(made)
    with pytest.raises(BadInput, match="is not a copy that this job made"):
        match_fates(copies_made(state), {tmp_path / "another.img": "kept"})


@pytest.mark.promise(11)
@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda made, brought: made.symlink_to(brought), "is a link, not a file"),
        (lambda made, _: made.mkdir(), "is not a regular file"),
        (lambda made, _: os.mkfifo(made), "is not a regular file"),
        (lambda made, _: made.write_bytes(CONTENT + b"x"), "holds 701 bytes; the copy made there held 700"),
        (lambda made, _: made.write_bytes(b"X" + CONTENT[1:]), "does not hold what was copied there"),
    ],
    ids=["link", "folder", "pipe", "size", "content"],
)
def test_what_lies_there_by_now_is_never_taken_for_the_image(
    tmp_path: Path, change: Callable[[Path, Path], None], why: str
) -> None:
    state, made, brought = with_images(tmp_path)
    made.unlink()
    change(made, brought)
    with pytest.raises(BadInput, match=f"made.img: {why}. It is left alone"):
        check_closing(state, copies_made(state), FILES, anyway=None, forget=True, fates={})
    with pytest.raises(Unavailable, match=f"{why}, so it is not removed"):
        remove_copy(
            removable_copies(copies_made(state), {})[0], FILES
        )  # as where it came to lie there after it was shown
    assert brought.read_bytes() == CONTENT
    check_closing(state, copies_made(state), FILES, anyway=None, forget=True, fates={made: "kept"})


def test_a_shut_gate_needs_a_reason(tmp_path: Path) -> None:
    documents = data_route()
    del documents[0]
    state = load_job_state(filed(tmp_path, documents).read(), now=NOW)
    with pytest.raises(GateShut) as caught:
        check_closing(state, copies_made(state), FILES, anyway=None, forget=False, fates={})
    assert caught.value.exit_code == 40
    assert caught.value.message() == (
        "job 1042: the gate is shut. See drivecare gate 1042, or say why with --anyway REASON."
    )
    check_closing(state, copies_made(state), FILES, anyway="customer declined", forget=False, fates={})


def test_the_record_tells_every_fate(tmp_path: Path) -> None:
    state, made, _ = with_images(tmp_path)
    assert remove_copy(removable_copies(copies_made(state), {})[0], FILES) == ()
    assert not made.exists()
    closing = make_closing(
        state,
        copies_made(state),
        unit_started=True,
        old_drive="returned",
        fates={},
        removed=(made,),
        at="2026-11-25T12:00:00+00:00",
    )
    assert closing.images == (ImageLeft(path=str(made), fate="removed"),)
    assert closing.gate_open
    gone = make_closing(state, copies_made(state), unit_started=True, old_drive="returned", fates={}, at="x")
    assert gone.images == (ImageLeft(path=str(made), fate="gone"),)


def test_a_job_is_closed_once(tmp_path: Path) -> None:
    job = filed(tmp_path, data_route())
    state = load_job_state(job.read(), now=NOW)
    job.file(make_closing(state, copies_made(state), unit_started=True, old_drive="kept", fates={}, at="x"))
    with pytest.raises(BadInput, match="job 1042: is already closed"):
        check_closing(load_job_state(job.read(), now=NOW), (), FILES, anyway=None, forget=False, fates={})


def test_fates_as_they_are_typed() -> None:
    assert parse_fates((("/a", "kept"), ("/b", "handed-over"))) == {Path("/a"): "kept", Path("/b"): "handed-over"}
    with pytest.raises(BadInput, match="'removed' is not a fate of an image"):
        parse_fates((("/a", "removed"),))
    assert parse_fates((("b.img", "kept"),)) == {Path("b.img").absolute(): "kept"}
