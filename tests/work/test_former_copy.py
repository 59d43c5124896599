"""Which journal a copy goes on from, whatever names the kernel gives the two drives today."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from drivecare.errors import Refused
from drivecare.job.job_state import load_job_state
from drivecare.job.model import Opening
from drivecare.reading.identity import Identity
from drivecare.record.folder import FolderRecord
from drivecare.record.job_folder import JobFolder
from drivecare.transfer.areas import Area
from drivecare.transfer.sectors.guards import Consent, Endpoint
from drivecare.transfer.sectors.journal import Journal, new_journal, pack
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.receipt import End
from drivecare.transfer.sectors.segments import Segment
from drivecare.work.copy_paperwork import CopyRequest
from drivecare.work.former_copy import find_journal, refuse_nothing_to_resume

SIZE = 8 << 20
OPENING = Opening(
    id="7", opened_at="2026-11-25T10:00:00+00:00", host="h", label="h", complaint="c", tool_version="0.2.0"
)


def device(path: str, serial: str | None, *, size: int = SIZE, attachment: str | None = None) -> End:
    identity = Identity.from_names(native_serial=serial) if serial is not None else Identity()
    return End(path=path, kind="device", size_bytes=size, serial=serial, identity=identity, attachment=attachment)


OLD, NEW = device("/dev/sdb", "KX25-00417"), device("/dev/sdc", "PM6-311842")
NAMELESS = device("/dev/sdc", None, attachment="boot 8")


@pytest.fixture
def job(tmp_path: Path) -> JobFolder:
    return FolderRecord(root=tmp_path / "jobs").create(OPENING)


def keep(folder: JobFolder, name: str, source: End, target: End, **facts: object) -> Journal:
    fresh = new_journal(source, target, started="2026-11-25T10:00:00+01:00")
    copied = pack([Segment(Area.between(0, 1 << 20), bytes(32))], fresh.chunk_bytes)
    values: dict[str, object] = {"job": folder.id, "copied": copied, **facts}
    journal = msgspec.structs.replace(fresh, **values)
    JournalFile(folder.path / name).save(journal)
    return journal


def find(
    job: JobFolder,
    source: End,
    target: End,
    *,
    resume: bool = True,
    content: str | None = None,
    typed: str | None = None,
) -> tuple[str, Journal | None]:
    """The name of the receipt, and the journal that was found."""
    request = CopyRequest(
        source=source.path, target=target.path, folder=job, resume=resume, consent=Consent(allow_overwrite=typed)
    )
    state = load_job_state(job.read())
    request, journal = find_journal(request, Endpoint(end=source), Endpoint(end=target, content=content), state)
    return request.receipt_path.name, journal and msgspec.structs.replace(journal, check="")


def renamed(end: End, path: str, attachment: str = "boot 9") -> End:
    return msgspec.structs.replace(end, path=path, attachment=attachment)


def test_a_drive_that_got_another_letter_is_found_by_its_identity(job: JobFolder) -> None:
    journal = keep(job, "sdc.journal.json", OLD, NEW)
    assert find(job, renamed(OLD, "/dev/sde"), renamed(NEW, "/dev/sdf")) == ("sdc.receipt.json", journal)


def test_another_drive_under_the_old_letter_is_not(job: JobFolder) -> None:
    keep(job, "sdc.journal.json", OLD, device("/dev/sdc", "PM6-999999"))
    journal = keep(job, "sdd.journal.json", OLD, NEW)
    assert find(job, OLD, NEW) == ("sdd.receipt.json", journal)


@pytest.mark.promise(5)
def test_a_nameless_drive_is_found_by_job_and_size(job: JobFolder) -> None:
    journal = keep(job, "sdc.journal.json", OLD, NAMELESS)
    assert find(job, OLD, renamed(NAMELESS, "/dev/sdf")) == ("sdc.receipt.json", journal)
    keep(job, "sdc.journal.json", OLD, NAMELESS, job="8")
    assert find(job, OLD, renamed(NAMELESS, "/dev/sdf")) == ("sdf.receipt.json", None)
    larger = device("/dev/sdf", None, size=2 * SIZE)
    keep(job, "sdc.journal.json", OLD, NAMELESS)
    assert find(job, OLD, larger) == ("sdf.receipt.json", None)


def test_outside_a_job_only_names_and_the_usual_place_count(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    named = msgspec.structs.replace(new_journal(OLD, NEW, started="2026-11-25T10:00:00+01:00"))
    JournalFile(tmp_path / "sdc.journal.json").save(named)
    request = CopyRequest(source="/dev/sdb", target="/dev/sdf", resume=True)
    found, journal = find_journal(request, Endpoint(end=OLD), Endpoint(end=renamed(NEW, "/dev/sdf")), None)
    assert (found.receipt_path.name, journal is not None) == ("sdc.receipt.json", True)
    nameless = msgspec.structs.replace(named, target=NAMELESS)
    JournalFile(tmp_path / "sdc.journal.json").save(nameless)
    found, journal = find_journal(request, Endpoint(end=OLD), Endpoint(end=renamed(NAMELESS, "/dev/sdf")), None)
    assert (found.receipt_path.name, journal) == ("sdf.receipt.json", None)


@pytest.mark.promise(6)
def test_a_letter_whose_journal_is_of_another_target_is_no_hindrance(job: JobFolder) -> None:
    keep(job, "sdc.journal.json", OLD, device("/dev/sdc", "PM6-999999"))
    assert find(job, OLD, NEW, resume=False) == ("sdc-2.receipt.json", None)
    journal = keep(job, "sdc-2.journal.json", OLD, NEW)
    assert find(job, OLD, NEW) == ("sdc-2.receipt.json", journal)
    assert find(job, OLD, device("/dev/sdc", "PM6-700000"), resume=False) == ("sdc-3.receipt.json", None)


@pytest.mark.promise(6)
@pytest.mark.parametrize("target", [NEW, NAMELESS], ids=["known by name", "perhaps another"])
def test_the_journal_of_a_copy_to_this_very_target_stays_in_the_way(job: JobFolder, target: End) -> None:
    keep(job, "sdc.journal.json", device("/dev/sdb", "KX25-99999"), target)
    with pytest.raises(Refused, match="is the journal of an unfinished copy"):
        find(job, OLD, target, resume=False)


def test_what_is_unfinished_comes_before_what_is_done(job: JobFolder) -> None:
    keep(job, "sda.journal.json", OLD, NEW, phase="done")
    journal = keep(job, "sdz.journal.json", OLD, NEW)
    assert find(job, OLD, renamed(NEW, "/dev/sdf")) == ("sdz.receipt.json", journal)


def test_several_that_may_be_meant_are_named(job: JobFolder) -> None:
    keep(job, "sdc.journal.json", OLD, NAMELESS)
    keep(job, "sdd.journal.json", OLD, renamed(NAMELESS, "/dev/sdd", "boot 7"))
    with pytest.raises(
        Refused, match=r"several unfinished copies may be meant: sdc\.journal\.json, sdd\.journal\.json"
    ):
        find(job, OLD, renamed(NAMELESS, "/dev/sdf"))


@pytest.mark.promise(6)
def test_a_new_copy_does_not_throw_the_work_of_an_unfinished_one_away(job: JobFolder) -> None:
    keep(job, "sdc.journal.json", OLD, NEW)
    with pytest.raises(Refused, match="an unfinished copy from this source to this target"):
        find(job, OLD, renamed(NEW, "/dev/sdf"), resume=False, typed="PM6-311842")
    keep(job, "sdc.journal.json", OLD, NAMELESS)
    nameless = renamed(NAMELESS, "/dev/sdf")
    with pytest.raises(Refused, match="an unfinished copy may have written what is on the target"):
        find(job, OLD, nameless, resume=False, content="it has partitions")
    assert find(job, OLD, nameless, resume=False) == ("sdf.receipt.json", None)  # an empty one is none of its
    assert find(job, OLD, nameless, resume=False, content="it has partitions", typed="/dev/sdf")[1] is None


def test_an_image_of_the_same_drive_is_another_copy(job: JobFolder, tmp_path: Path) -> None:
    def image(name: str) -> End:
        return End(path=str(tmp_path / name), kind="image", size_bytes=SIZE)

    (tmp_path / "a.img").touch()
    keep(job, "a.img.journal.json", OLD, image("a.img"))
    assert find(job, OLD, image("b.img"), resume=False) == ("b.img.receipt.json", None)
    assert find(job, OLD, image("b.img")) == ("b.img.receipt.json", None)
    (tmp_path / "a.img").rename(tmp_path / "b.img")
    assert find(job, OLD, image("b.img"))[0] == "a.img.receipt.json"


def test_nothing_to_resume_begins_where_the_target_is_empty(tmp_path: Path) -> None:
    request = CopyRequest(source="/dev/sdb", target=str(tmp_path / "t.img"), resume=True)
    says = refuse_nothing_to_resume(request, Endpoint(end=NEW))
    assert says == (
        f"there is nothing to resume: no journal of a copy from /dev/sdb to {tmp_path / 't.img'} in {tmp_path}. "
        "The copy begins anew."
    )
    with pytest.raises(Refused) as caught:
        refuse_nothing_to_resume(request, Endpoint(end=NEW, content="it has partitions"))
    assert caught.value.exit_code == 22
