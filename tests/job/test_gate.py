"""The gate. Each thing it stands on is taken away or altered, one at a time: it must shut and name that thing."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import msgspec
import pytest

from drivecare.documents import Value
from drivecare.fit.model import JudgedCandidate
from drivecare.job.attestations import FACTS
from drivecare.job.gate import ROUTE_ITEMS, judge_gate
from drivecare.job.job_state import load_job_state
from drivecare.job.model import FiledSelfTest, Gate, Route
from drivecare.reading.identity import Identity
from drivecare.reading.model import Drive
from drivecare.reading.surface import SurfaceScan, UnreadableArea
from drivecare.transfer.areas import Area
from drivecare.transfer.files.bag import FileLeftOut, FileNote, TreeEnd
from drivecare.transfer.holds import AreaContents, Hold
from drivecare.transfer.sectors.receipt import Digest, End, Note, Unreadable, Verification
from tests.job.carried import (
    AREA,
    NEW,
    NOW,
    OLD,
    OTHER,
    READ_AGAIN_AT,
    READ_AT,
    SIZE,
    assessment,
    bag,
    data_route,
    device,
    drive,
    empty_route,
    fact,
    filed,
    image,
    pending,
    plan,
    receipt,
    same_route,
)

OPEN: dict[Route, Callable[[], list[Value]]] = {
    "same-drive": same_route,
    "new-drive-data": data_route,
    "new-drive-empty": empty_route,
}


def gate(folder: Path, documents: list[Value], *, later: timedelta = timedelta(0)) -> Gate:
    return judge_gate(load_job_state(filed(folder, documents).read(), now=NOW + later))


def shut(result: Gate) -> set[str]:
    """Names of the items that do not hold; the gate says no more and no less."""
    names = {item.item for item in result.items if not item.holds}
    assert result.open is (not names)
    assert result.exit_code == (40 if names else 0)
    return names


def with_(documents: list[Value], index: int, new: Value) -> list[Value]:
    return [*documents[:index], new, *documents[index + 1 :]]


@pytest.mark.parametrize("route", OPEN)
def test_each_route_opens(tmp_path: Path, route: Route) -> None:
    result = gate(tmp_path, OPEN[route]())
    assert result.route == route
    assert shut(result) == set()
    assert [item.item for item in result.items if item.next is not None] == []
    assert len(result.items) == len(ROUTE_ITEMS[route])


# --- one thing taken away -------------------------------------------------------------------------------------------

# Where no copy can be told to be of these two drives, nothing is known of it.
UNCOPIED = {"copy-verified", "unchanged-since", "unreadable-acknowledged"}

WITHOUT_DATA = {
    0: {"consent"},
    1: {"old-drive-read", "old-drive-identity", *UNCOPIED},
    2: {"plan", "fitted-is-planned"},
    3: {"inspection", "new-drive-identity", "fitted-is-planned", *UNCOPIED},
    4: UNCOPIED,
    5: {"unreadable-acknowledged"},
    6: {"detached"},
}
WITHOUT_EMPTY = {
    0: {"consent"},
    2: {"old-drive-read", "old-drive-identity"},
    3: {"plan", "fitted-is-planned"},
    4: {"inspection", "new-drive-identity", "fitted-is-planned"},
}
WITHOUT_SAME = {0: {"consent"}, 1: {"old-drive-read", "old-drive-identity", "verdict"}}


@pytest.mark.promise(5)
@pytest.mark.parametrize(
    ("route", "index", "names"),
    [
        *(("new-drive-data", index, names) for index, names in WITHOUT_DATA.items()),
        *(("new-drive-empty", index, names) for index, names in WITHOUT_EMPTY.items()),
        *(("same-drive", index, names) for index, names in WITHOUT_SAME.items()),
    ],
)
def test_each_thing_never_filed_shuts_it(tmp_path: Path, route: Route, index: int, names: set[str]) -> None:
    documents = OPEN[route]()
    del documents[index]
    state = load_job_state(filed(tmp_path, documents).read(), now=NOW)
    result = judge_gate(state, route)
    assert shut(result) == names
    assert all(item.next for item in result.items if not item.holds)


@pytest.mark.parametrize(("index", "names"), WITHOUT_DATA.items())
def test_each_file_removed_shuts_it_and_is_missed(tmp_path: Path, index: int, names: set[str]) -> None:
    job = filed(tmp_path, data_route())
    paths = [entry.path for entry in job.result_files()]
    if index + 2 == len(paths):
        job.file(fact("route", "new-drive-data"))
    paths[index + 1].unlink()
    result = judge_gate(load_job_state(job.read(), now=NOW))
    assert shut(result) == {"records", *names}
    assert f"{index + 2:04}" in next(item.evidence for item in result.items if item.item == "records")


def test_without_agreement_to_no_data_the_empty_route_stays_shut(tmp_path: Path) -> None:
    documents = empty_route()
    del documents[1]
    state = load_job_state(filed(tmp_path, documents).read(), now=NOW)
    assert state.route == "new-drive-data"
    assert shut(judge_gate(state, "new-drive-empty")) == {"no-data"}


# --- one thing altered ----------------------------------------------------------------------------------------------

WEAK = Identity(bridge_serial="DOCK123", strength="weak")
AN_HOUR_ON = "2026-11-25T11:50:00+00:00"


def changed(index: int, **fields: object) -> list[Value]:
    documents = data_route()
    return with_(documents, index, msgspec.structs.replace(documents[index], **fields))


def new_drive(of: Drive, verdict: str = "refit") -> list[Value]:
    return with_(data_route(), 3, assessment(of, verdict, sale="new"))  # type: ignore[arg-type]


NAMELESS = End(path="/dev/sdd", kind="device", size_bytes=64 << 20)


def copied(**fields: object) -> list[Value]:
    return changed(4, **fields)


ALTERED: dict[str, tuple[list[Value], set[str]]] = {
    "old drive is another": (
        with_(data_route(), 1, assessment(OTHER, "evacuate")),
        {"plan", "copy-verified", "unchanged-since"},
    ),
    "old drive behind a bridge": (
        with_(data_route(), 1, assessment(msgspec.structs.replace(OLD, identity=WEAK), "evacuate")),
        {"old-drive-identity", "plan", "copy-verified", "unchanged-since"},
    ),
    "two drives read as used": (
        [*data_route(), assessment(OTHER, "refit")],
        {"old-drive-read", "old-drive-identity", *UNCOPIED},
    ),
    "plan for another unit": (changed(2, host="marlow-mc2-r2"), {"plan"}),
    "plan for another drive": (with_(data_route(), 2, plan(source=OTHER)), {"plan"}),
    "plan without the old drive": (changed(2, source=None), {"plan"}),
    "plan chose nothing": (changed(2, chosen=None), {"plan", "fitted-is-planned"}),
    "plan chose one of unknown fit": (
        changed(
            2,
            candidates=(
                JudgedCandidate(
                    name=str(NEW.model), fits="unknown", model=NEW.model, serial=NEW.serial, identity=NEW.identity
                ),
            ),
        ),
        {"plan"},
    ),
    "plan chose another drive of that model": (with_(data_route(), 2, plan(chosen=OTHER)), {"fitted-is-planned"}),
    "plan names a model only": (
        changed(2, candidates=(JudgedCandidate(name=str(NEW.model), fits="yes", model=NEW.model),)),
        {"fitted-is-planned"},
    ),
    "newest plan is another": ([*data_route(), plan(chosen=OTHER)], {"fitted-is-planned"}),
    "new drive is another": (new_drive(OTHER), {"fitted-is-planned", *UNCOPIED}),
    "new drive failed its inspection": (new_drive(NEW, "recheck"), {"inspection"}),
    "new drive's inspection is unproven": (new_drive(NEW, "unproven"), {"inspection"}),
    "a later inspection failed": ([*data_route(), assessment(NEW, "replace", sale="new")], {"inspection"}),
    "new drive judged as used": (
        [*with_(data_route(), 3, assessment(NEW, "refit")), fact("old-drive", "KX25-00417")],
        {"inspection", "new-drive-identity", "fitted-is-planned", *UNCOPIED},
    ),
    "new drive behind a bridge": (
        new_drive(msgspec.structs.replace(NEW, identity=WEAK)),
        {"new-drive-identity", "fitted-is-planned", *UNCOPIED},
    ),
    "receipt not verified": (copied(verified=False), {"copy-verified", "unchanged-since"}),
    "receipt names no read-back": (copied(verification=None), {"copy-verified", "unchanged-since"}),
    "receipt without a whole digest": (
        copied(digest=Digest(whole=None, chunk_bytes=1 << 20)),
        {"copy-verified", "unchanged-since"},
    ),
    "receipt with a mismatch": (
        copied(mismatched=(AreaContents(offset=0, length=512),)),
        {"copy-verified", "unchanged-since"},
    ),
    "target cannot be read back": (
        copied(target_unreadable=(AreaContents(offset=0, length=512),)),
        {"copy-verified", "unchanged-since"},
    ),
    "parts not read yet": (copied(bytes_copied=512), {"copy-verified", "unchanged-since"}),
    "copy of another drive": (copied(source=device(OTHER, "/dev/sdb")), {"copy-verified", "unchanged-since"}),
    "copy to another drive": (copied(target=device(OTHER, "/dev/sdc")), UNCOPIED),
    "copy to an image only": (copied(target=image("/tmp/x.img")), UNCOPIED),
    "copy from an image of unknown origin": (
        copied(source=image("/tmp/x.img"), parents=("ef" * 32,)),
        {"copy-verified", "unchanged-since"},
    ),
    "a later copy onto the new drive failed": (
        [*data_route(), receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"), verified=False), fact("detached")],
        {"copy-verified", "unchanged-since"},
    ),
    "read back yesterday": (
        copied(verification=Verification(method="direct", at="2026-11-24T11:00:00+00:00")),
        {"unchanged-since"},
    ),
    "read back in the future": (
        copied(verification=Verification(method="direct", at="2026-11-25T13:00:00+00:00")),
        {"unchanged-since"},
    ),
    "time of the read-back is no time": (
        copied(verification=Verification(method="direct", at="noon")),
        {"unchanged-since"},
    ),
    "one more unreadable area": (
        copied(
            unreadable=(Unreadable(offset=AREA.offset, length=AREA.length), Unreadable(offset=0, length=512)),
            bytes_copied=(64 << 20) - AREA.length - 512,
        ),
        {"unreadable-acknowledged"},
    ),
    "the acknowledged area grew": (
        copied(
            unreadable=(Unreadable(offset=AREA.offset, length=AREA.length + 512),),
            bytes_copied=(64 << 20) - AREA.length - 512,
        ),
        {"unreadable-acknowledged"},
    ),
    "detached before the copy": (
        [*data_route()[:4], fact("detached"), *data_route()[4:6]],
        {"detached"},
    ),
    "detached before a copy between drives that did not say which they are": (
        [*data_route(), receipt(NAMELESS, NAMELESS)],
        {"detached", "copy-verified", "unchanged-since"},
    ),
    "detached before a copy to an image": (
        [*data_route(), receipt(device(OLD, "/dev/sdb"), image("/x"))],
        {"detached"},
    ),
    "detached before a bag": ([*data_route(), bag()], {"detached"}),
    "the source was written to while it was copied": (
        copied(notes=(Note(code="source-changed", text="The source was written to."),)),
        {"copy-verified", "unchanged-since"},
    ),
}


@pytest.mark.promise(5)
@pytest.mark.parametrize("name", ALTERED)
def test_each_thing_altered_shuts_it_and_is_named(tmp_path: Path, name: str) -> None:
    documents, names = ALTERED[name]
    result = gate(tmp_path, documents)
    assert shut(result) == names
    for item in result.items:
        assert item.holds is (item.next is None)
        assert item.evidence


THREE = (AREA, Area(offset=8 << 20, length=512), Area(offset=32 << 20, length=4096))


@pytest.mark.parametrize("told", [(), (0,), (1,), (2,), (0, 1), (0, 2), (1, 2), (0, 1, 2)], ids=str)
def test_the_customer_knows_of_every_unreadable_area(tmp_path: Path, told: tuple[int, ...]) -> None:
    lost = tuple(Unreadable(offset=area.offset, length=area.length) for area in THREE)
    whole = copied(unreadable=lost, bytes_copied=(64 << 20) - sum(area.length for area in THREE))
    words = [fact("unreadable", str(THREE[number].offset), areas=THREE) for number in told]
    result = gate(tmp_path, [*whole[:5], *words, whole[6]])
    unsaid = [area for number, area in enumerate(THREE) if number not in told]
    assert shut(result) == ({"unreadable-acknowledged"} if unsaid else set())
    item = next(item for item in result.items if item.item == "unreadable-acknowledged")
    for area in THREE:
        assert (f"{area.offset:,}" in item.evidence) is (area in unsaid)
    offsets = " ".join(str(area.offset) for area in unsaid)
    assert item.next == (f'drivecare job record 1042 unreadable {offsets} --note "..."' if unsaid else None)


FREE, OUTSIDE = Hold(kind="free", bytes=512), Hold(kind="outside", bytes=512)
NOT_KNOWN, FILE = Hold(kind="unknown", bytes=512), Hold(kind="file", bytes=512)
HALF = Hold(kind="free", bytes=256)


@pytest.mark.promise(4)
@pytest.mark.parametrize(
    ("holds", "harmless"),
    [
        ((FREE,), True),
        ((OUTSIDE,), True),
        ((HALF, msgspec.structs.replace(OUTSIDE, bytes=256)), True),
        ((HALF,), False),  # of the other half nothing is said
        ((HALF, msgspec.structs.replace(NOT_KNOWN, bytes=256)), False),
        ((FREE, FILE), False),
        ((NOT_KNOWN,), False),
        ((FILE,), False),
        ((Hold(kind="deleted", bytes=512),), False),
        ((), False),
    ],
)
def test_an_area_where_no_file_was_hit_needs_no_call(tmp_path: Path, holds: tuple[Hold, ...], harmless: bool) -> None:
    lost = Unreadable(offset=0, length=512, holds=holds)
    result = gate(tmp_path, copied(unreadable=(lost,), bytes_copied=(64 << 20) - 512))
    assert shut(result) == (set() if harmless else {"unreadable-acknowledged"})
    item = next(item for item in result.items if item.item == "unreadable-acknowledged")
    reason = "1 unreadable area (512 bytes), all in free space or outside any partition: no file that existed was hit"
    assert (item.evidence == reason) is harmless


def test_an_area_known_by_its_parts_or_within_a_larger_one_is_known(tmp_path: Path) -> None:
    halves = (Area(offset=AREA.offset, length=4096), Area(offset=AREA.offset + 4096, length=4096))
    larger = Area(offset=AREA.offset, length=AREA.length * 2)
    for number, (areas, names) in enumerate(
        [(halves, set()), (halves[:1], {"unreadable-acknowledged"}), ((larger,), set()), ((AREA, larger), set())]
    ):
        words = [fact("unreadable", str(area.offset), areas=areas) for area in areas]
        documents = data_route()
        assert shut(gate(tmp_path / str(number), [*documents[:5], *words, documents[6]])) == names


# --- what opens it again --------------------------------------------------------------------------------------------


def test_a_logged_label_lets_a_hidden_identity_count(tmp_path: Path) -> None:
    hidden = msgspec.structs.replace(NEW, identity=WEAK)
    documents = with_(new_drive(hidden), 2, plan(chosen=hidden))
    documents[4] = receipt(device(OLD, "/dev/sdb"), device(hidden, "/dev/sdc"))
    result = gate(tmp_path / "without", documents)
    assert shut(result) == {"new-drive-identity", "fitted-is-planned", *UNCOPIED}
    command = next(item.next for item in result.items if item.item == "new-drive-identity")
    assert command == 'drivecare job record 1042 weak-identity SERIAL --note "..."'
    assert shut(gate(tmp_path / "with", [*documents, fact("weak-identity", "pm6-311842 ")])) == set()
    assert shut(gate(tmp_path / "other", [*documents, fact("weak-identity", "PM6-999999")])) == shut(result)


def test_a_bridge_s_serial_number_is_never_the_drive_s(tmp_path: Path) -> None:
    """Two drives in one dock show the dock's number."""
    old = Drive(model="Dock", serial="DOCK123", identity=WEAK)
    documents = with_(data_route(), 3, assessment(old, "refit", sale="new"))
    documents[2] = plan(chosen=old)
    documents[4] = receipt(device(OLD, "/dev/sdb"), device(old, "/dev/sdc"))
    assert "fitted-is-planned" in shut(gate(tmp_path, documents))


def test_a_proof_of_yesterday_is_vouched_for_or_read_again(tmp_path: Path) -> None:
    day = timedelta(hours=25)
    result = gate(tmp_path / "old", data_route(), later=day)
    assert shut(result) == {"unchanged-since"}
    item = next(item for item in result.items if item.item == "unchanged-since")
    assert item.age == "26 hours"
    assert str(item.next).startswith("drivecare verify ")
    assert shut(gate(tmp_path / "vouched", [*data_route(), fact("unchanged")], later=day)) == set()
    before = [*data_route()[:4], fact("unchanged"), *data_route()[4:]]
    assert shut(gate(tmp_path / "before", before, later=day)) == {"unchanged-since"}


def test_drive_to_image_to_drive_counts_with_both_receipt_rows(tmp_path: Path) -> None:
    to_image = receipt(device(OLD, "/dev/sdb"), image("/jobs/a.img"))
    to_drive = receipt(
        image("/jobs/a.img"),
        device(NEW, "/dev/sdc"),
        parents=("ab" * 32,),
        unreadable=(Unreadable(offset=AREA.offset, length=AREA.length, inherited=True),),
        bytes_copied=64 << 20,
    )
    base = data_route()
    both = [*base[:4], to_image, to_drive, *base[5:]]
    result = gate(tmp_path / "both", both)
    assert shut(result) == set()
    assert "through 1 image, read back past this machine's cache" in str(result.items)
    assert shut(gate(tmp_path / "one", [*base[:4], to_drive, *base[5:]])) == {"copy-verified", "unchanged-since"}
    broken_ones = (
        msgspec.structs.replace(to_image, verified=False),
        msgspec.structs.replace(to_image, digest=Digest(whole="ee" * 32, chunk_bytes=1 << 20)),
        msgspec.structs.replace(to_image, source=device(OTHER, "/dev/sdb")),
        msgspec.structs.replace(to_image, target=device(OTHER, "/dev/sdd")),
        msgspec.structs.replace(to_image, bytes_total=512),
    )
    for number, broken in enumerate(broken_ones):
        documents = [*base[:4], broken, to_drive, *base[5:]]
        assert shut(gate(tmp_path / f"broken-{number}", documents)) == {"copy-verified", "unchanged-since"}


def test_an_area_lost_on_the_way_to_the_image_is_asked_for(tmp_path: Path) -> None:
    to_image = receipt(device(OLD, "/dev/sdb"), image("/jobs/a.img"))
    to_drive = receipt(
        image("/jobs/a.img"), device(NEW, "/dev/sdc"), parents=("ab" * 32,), unreadable=(), bytes_copied=64 << 20
    )
    base = data_route()
    assert shut(gate(tmp_path, [*base[:4], to_image, to_drive, base[6]])) == {"unreadable-acknowledged"}


def test_images_that_name_each_other_end(tmp_path: Path) -> None:
    one = receipt(image("/a"), image("/b"), parents=("ab" * 32,))
    two = receipt(image("/b"), device(NEW, "/dev/sdc"), parents=("ab" * 32,))
    base = data_route()
    assert "copy-verified" in shut(gate(tmp_path, [*base[:4], one, one, two, *base[5:]]))


def test_files_stand_for_the_data_only_where_the_unit_sets_up_its_drive(tmp_path: Path) -> None:
    base = data_route()
    files = [base[0], base[1], plan(migration="unit-initialises"), base[3], bag(), fact("detached")]
    assert shut(gate(tmp_path / "files", files)) == set()
    sectors = with_(files, 2, plan())
    result = gate(tmp_path / "sectors", sectors)
    assert shut(result) == UNCOPIED
    assert "files alone will not start it" in str(result.items)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"verified": False}, "not read back"),
        ({"verification": None}, "not read back"),
        ({"mismatched": (FileNote(name="a", reason="differs"),)}, "not read back"),
        ({"files": 0, "bytes_total": 0}, "the bag holds no file"),
        ({"target": bag().source}, "copied to a drive not known to be Petrel PM-500 PM6-311842"),
        ({"source": bag().target}, "copied from a drive not known to be Kestrel KD-500 KX25-00417"),
        ({"target": msgspec.structs.replace(bag().target, identity=None)}, "copied to a drive not known"),
    ],
)
def test_a_bag_altered_shuts_it(tmp_path: Path, change: dict[str, object], words: str) -> None:
    base = data_route()
    files = [base[0], base[1], plan(migration="file-copy"), base[3], bag(**change), fact("detached")]
    result = gate(tmp_path, files)
    assert shut(result) == {"copy-verified", "unchanged-since"}
    assert words in next(item.evidence for item in result.items if item.item == "copy-verified")


def test_files_that_were_left_out_are_acknowledged(tmp_path: Path) -> None:
    base = data_route()
    partial = bag(left_out=(FileLeftOut(name="a/b", reason="Input/output error"),))
    files = [base[0], base[1], plan(migration="file-copy"), base[3], fact("left-out"), partial, fact("detached")]
    assert shut(gate(tmp_path / "before", files)) == {"unreadable-acknowledged"}
    assert shut(gate(tmp_path / "after", [*files, fact("left-out")])) == set()


def test_a_person_says_which_drives_the_folders_lie_on_where_the_machine_cannot(tmp_path: Path) -> None:
    base = data_route()
    unnamed = bag(source=TreeEnd(path="/mnt/old"), target=TreeEnd(path="/mnt/new"))
    files = [base[0], base[1], plan(migration="file-copy"), base[3], unnamed, fact("detached")]
    result = gate(tmp_path / "without", files)
    assert shut(result) == {"copy-verified", "unchanged-since"}
    assert "drivecare job record 1042 bag-drives" in str(result.items)
    assert shut(gate(tmp_path / "with", [*files, fact("bag-drives")])) == set()
    assert shut(gate(tmp_path / "before", [fact("bag-drives"), *files])) == {"copy-verified", "unchanged-since"}
    other = msgspec.structs.replace(unnamed, target=TreeEnd(path="/mnt/new", identity=OTHER.identity))
    hidden = Identity(bridge_serial="DOCK0001", strength="weak")
    unsure = msgspec.structs.replace(unnamed, target=TreeEnd(path="/mnt/new", identity=hidden))
    assert shut(gate(tmp_path / "weak", [*files[:4], unsure, *files[5:], fact("bag-drives")])) == set()
    assert "copy-verified" in shut(gate(tmp_path / "known", [*files[:4], other, *files[5:], fact("bag-drives")]))


def test_a_file_copy_counts_where_kernel_and_report_know_an_nvme_drive_by_different_names(tmp_path: Path) -> None:
    """The kernel shows the NGUID, the report the EUI-64: one drive, by the serial number and namespace both tell."""
    names = {"namespace": 1, "native_serial": "N2-77"}
    by_report = Identity.from_names(eui64="0025385b71b00001", **names)  # type: ignore[arg-type]
    by_kernel = Identity.from_names(nguid="002538b1710000010025385b71b00001", **names)  # type: ignore[arg-type]
    new = msgspec.structs.replace(NEW, serial="N2-77", model="Lumen N2", identity=by_report)
    onto_new = bag(target=TreeEnd(path="/mnt/new", identity=by_kernel))
    base = data_route()
    planned = plan(migration="file-copy", chosen=new)
    files = [base[0], base[1], planned, assessment(new, "refit", sale="new"), onto_new, fact("detached")]
    assert shut(gate(tmp_path, files)) == set()


def test_a_source_written_to_meanwhile_is_acknowledged_once_for_each_copy(tmp_path: Path) -> None:
    changed_source = (Note(code="source-changed", text="The source was written to."),)
    documents = copied(notes=changed_source)
    told = [*documents, fact("source-changed")]
    assert shut(gate(tmp_path / "after", told)) == set()
    early = [fact("source-changed"), *documents]
    assert shut(gate(tmp_path / "before", early)) == {"copy-verified", "unchanged-since"}
    verified_again = msgspec.structs.replace(documents[4], verification=Verification(method="direct", at=AN_HOUR_ON))
    assert shut(gate(tmp_path / "verified", [*told, verified_again, fact("detached")])) == set()
    copied_again = msgspec.structs.replace(documents[4], started="2026-11-25T11:10:00+00:00")
    again = [*told, copied_again, fact("detached")]
    assert shut(gate(tmp_path / "copied", again)) == {"copy-verified", "unchanged-since"}


def test_an_image_written_to_on_its_way_counts_as_well(tmp_path: Path) -> None:
    changed_image = (Note(code="source-changed", text="The source was written to."),)
    to_image = receipt(device(OLD, "/dev/sdb"), image("/jobs/a.img"), notes=changed_image)
    to_drive = receipt(image("/jobs/a.img"), device(NEW, "/dev/sdc"), parents=("ab" * 32,))
    base = data_route()
    assert shut(gate(tmp_path, [*base[:4], to_image, to_drive, *base[5:]])) == {"copy-verified", "unchanged-since"}


def test_a_proof_is_overtaken_by_a_copy_to_a_drive_that_may_be_this_one(tmp_path: Path) -> None:
    documents = [*data_route(), receipt(device(OLD, "/dev/sdb"), NAMELESS, verified=False), fact("detached")]
    result = gate(tmp_path / "a", documents)
    assert shut(result) == {"copy-verified", "unchanged-since"}
    item = next(item for item in result.items if item.item == "copy-verified")
    assert "it may have been Petrel PM-500 PM6-311842" in item.evidence
    assert str(item.next).startswith("drivecare verify ")
    assert shut(gate(tmp_path / "b", [*documents, documents[4], fact("detached")])) == set()
    elsewhere = receipt(device(OLD, "/dev/sdb"), device(OTHER, "/dev/sdd"), verified=False)
    assert shut(gate(tmp_path / "c", [*data_route(), elsewhere, fact("detached")])) == set()


# --- the same drive goes back ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("verdict", ["replace", "evacuate", "unproven"])
def test_no_other_verdict_lets_a_drive_go_back(tmp_path: Path, verdict: str) -> None:
    documents = with_(same_route(), 1, assessment(OLD, verdict))  # type: ignore[arg-type]
    assert shut(judge_gate(load_job_state(filed(tmp_path, documents).read(), now=NOW), "same-drive")) == {"verdict"}


@pytest.mark.promise(4)
def test_a_copy_of_nothing_but_zeros_is_asked_about(tmp_path: Path) -> None:
    """A dock that answers for a dead drive copies without an error."""
    zeros = receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"), looks="zero")
    documents = with_(data_route(), 4, zeros)
    result = gate(tmp_path / "a", documents)
    assert "copy-verified" in shut(result)
    item = next(item for item in result.items if item.item == "copy-verified")
    assert "every byte that was copied is zero" in item.evidence
    assert str(item.next).startswith("drivecare job record 1042 all-zero ")
    assert shut(gate(tmp_path / "b", [*documents, fact("all-zero")])) == set()


def test_the_newest_reading_speaks(tmp_path: Path) -> None:
    documents = [*same_route(), assessment(OLD, "recheck"), fact("route", "same-drive")]
    assert shut(gate(tmp_path, documents)) == {"verdict"}


def lost_and_clean(*between: Value) -> list[Value]:
    """The drive was losing data; what was done then; a reading with nothing against it. Meant to go back."""
    losing = assessment(OLD, "evacuate", findings=(pending(24),))
    clean = assessment(OLD, "refit", read_at=READ_AGAIN_AT)
    return [fact("consent"), losing, *between, clean, fact("route", "same-drive")]


COPIED = receipt(device(OLD, "/dev/sdb"), image("/images/old.img"))


def scanned(finished: str = "2026-11-25T11:40:00+00:00", **more: object) -> SurfaceScan:
    scan = SurfaceScan(
        serial=OLD.serial,
        identity=OLD.identity,
        started=READ_AT,
        finished=finished,
        bytes_total=SIZE,
        bytes_read=SIZE,
    )
    return msgspec.structs.replace(scan, **more)


@pytest.mark.parametrize(
    ("between", "needed"),
    [
        ((), "a verified copy of all of it"),
        ((scanned(),), "a verified copy of all of it"),
        ((msgspec.structs.replace(COPIED, verified=False), scanned()), "a verified copy of all of it"),
        ((msgspec.structs.replace(COPIED, bytes_total=SIZE - 512), scanned()), "a verified copy of all of it"),
        ((COPIED,), "a scan of its whole surface that reads everything"),
        ((COPIED, scanned(sample_percent=5.0)), "a scan of its whole surface that reads everything"),
        ((COPIED, scanned(complete=False)), "a scan of its whole surface that reads everything"),
        ((COPIED, scanned(finished="2026-11-25T09:59:00+00:00")), "a scan of its whole surface that reads everything"),
        ((COPIED, scanned(finished="2026-11-25T11:50:00+00:00")), "another reading, after the scan"),
        ((COPIED, scanned()), None),
    ],
)
def test_one_clean_reading_does_not_undo_an_observed_loss(
    tmp_path: Path, between: tuple[Value, ...], needed: str | None
) -> None:
    result = gate(tmp_path, lost_and_clean(*between))
    assert shut(result) == (set() if needed is None else {"verdict"})
    item = next(item for item in result.items if item.item == "verdict")
    if needed is not None:
        assert item.evidence == (
            "refit, but on 25 November 2026 it was evacuate (sectors waiting to be remapped), which a later reading"
            f" alone does not undo. Needed: {needed}"
        )


def test_a_drive_that_was_losing_data_goes_the_way_of_a_new_one_unless_a_person_says_otherwise(tmp_path: Path) -> None:
    *documents, _ = lost_and_clean()
    assert gate(tmp_path, documents).route == "new-drive-data"


def rechecked(before: int, after: int | None, *, way_out: bool = True) -> list[Value]:
    documents: list[Value] = [fact("consent"), assessment(OLD, "recheck", findings=(pending(before, "recheck"),))]
    if way_out:
        documents.append(fact("way-out", note="new cable, read 100 GB"))
    if after is not None:
        again = assessment(OLD, "recheck", findings=(pending(after, "recheck"),), read_at=READ_AGAIN_AT)
        documents.append(again)
    return documents


@pytest.mark.parametrize(
    ("documents", "names"),
    [
        (rechecked(3, 3), set()),
        (rechecked(3, 2), set()),
        (rechecked(3, 4), {"verdict"}),
        (rechecked(3, None), {"verdict"}),
        (rechecked(3, 3, way_out=False), {"verdict"}),
    ],
    ids=["same", "fewer", "grown", "not read since", "nothing done"],
)
def test_a_recheck_opens_once_its_way_out_is_done(tmp_path: Path, documents: list[Value], names: set[str]) -> None:
    assert shut(gate(tmp_path, documents)) == names


def test_a_new_signal_after_the_way_out_is_growth(tmp_path: Path) -> None:
    documents = rechecked(3, 3)
    more = msgspec.structs.replace(pending(1, "recheck"), signal="crc_errors", label="link errors")
    documents[-1] = assessment(OLD, "recheck", findings=(pending(3, "recheck"), more), read_at=READ_AGAIN_AT)
    result = gate(tmp_path, documents)
    assert shut(result) == {"verdict"}
    assert "worse since the way out: link errors" in str(result.items)


# --- the dead drive, and odd inputs ---------------------------------------------------------------------------------


def test_a_dead_drive_lets_only_the_empty_route_open(tmp_path: Path) -> None:
    documents = [*empty_route()[:2], fact("dead-drive", "KX25-00417"), *empty_route()[3:]]
    assert shut(gate(tmp_path, documents)) == set()
    data = [data_route()[0], fact("dead-drive", "KX25-00417"), *data_route()[2:]]
    assert {"old-drive-read", "old-drive-identity"} <= shut(
        judge_gate(load_job_state(filed(tmp_path / "data", data).read(), now=NOW), "new-drive-data")
    )


def test_a_stock_row_that_names_its_serial_plans_that_drive(tmp_path: Path) -> None:
    row = JudgedCandidate(name="A3 shelf", fits="yes", model=NEW.model, serial="PM6-311842")
    documents = with_(data_route(), 2, msgspec.structs.replace(plan(), candidates=(row,), chosen="A3 shelf"))
    assert shut(gate(tmp_path / "a", documents)) == set()
    other = msgspec.structs.replace(row, model="Petrel PM-320")
    documents = with_(data_route(), 2, msgspec.structs.replace(plan(), candidates=(other,), chosen="A3 shelf"))
    assert shut(gate(tmp_path / "b", documents)) == {"fitted-is-planned"}


def test_without_world_wide_names_serial_and_model_decide(tmp_path: Path) -> None:
    old, new = drive("Kestrel KD-500", "KX25-00417", None), drive("Petrel PM-500", "PM6-311842", None)
    documents = data_route()
    documents[1:5] = [
        assessment(old, "evacuate"),
        plan(source=old, chosen=new),
        assessment(new, "refit", sale="new"),
        receipt(device(old, "/dev/sdb"), device(new, "/dev/sdc")),
    ]
    assert shut(gate(tmp_path / "a", documents)) == set()
    documents[4] = receipt(device(old, "/dev/sdb"), device(drive("Petrel PM-320", "PM6-311842", None), "/dev/sdc"))
    assert "copy-verified" in shut(gate(tmp_path / "b", documents))


def test_an_empty_job_is_shut_on_every_route(tmp_path: Path) -> None:
    state = load_job_state(filed(tmp_path, []).read(), now=NOW)
    for route in ROUTE_ITEMS:
        result = judge_gate(state, route)
        assert not result.open
        assert [item.item for item in result.items if item.holds] in (
            ["records"],
            ["records", "unreadable-acknowledged"],
        )


def test_every_recording_the_gate_asks_for_can_be_made(tmp_path: Path) -> None:
    state = load_job_state(filed(tmp_path, []).read(), now=NOW)
    asked = {
        str(item.next).split()[4]
        for route in ROUTE_ITEMS
        for item in judge_gate(state, route).items
        if " job record " in str(item.next)
    }
    assert asked
    assert asked <= set(FACTS)


def test_commands_name_the_folder_of_jobs_where_a_person_did(tmp_path: Path) -> None:
    state = load_job_state(filed(tmp_path, []).read(), now=NOW, jobs=Path("/srv/my jobs"))
    commands = [item.next for item in judge_gate(state).items]
    assert "drivecare job record 1042 consent --jobs '/srv/my jobs' --note \"...\"" in commands


SEEN_AT = "2026-11-25T11:00:00+00:00"


def surface(serial: str | None, *holes: UnreadableArea) -> SurfaceScan:
    return SurfaceScan(
        serial=serial, started="", finished=SEEN_AT, bytes_total=1 << 30, bytes_read=1 << 30, unreadable=holes
    )


HOLE = UnreadableArea(offset=4096, length=512)
FAILED = FiledSelfTest(drive=OLD, state="failed", finished_at=SEEN_AT)


@pytest.mark.parametrize(
    ("seen", "says"),
    [
        (surface("kx25-00417", HOLE), "refit, but since then a surface scan found 1 unreadable area: judge it again"),
        (FAILED, "refit, but since then its self-test failed: judge it again"),
    ],
    ids=["surface", "self-test"],
)
def test_what_was_seen_after_the_verdict_shuts_it_until_judged_again(tmp_path: Path, seen: Value, says: str) -> None:
    judged = gate(tmp_path / "a", [*same_route(), seen])
    assert shut(judged) == {"verdict"}
    (verdict,) = [item for item in judged.items if item.item == "verdict"]
    assert verdict.evidence == says
    assert verdict.next == "drivecare assess /dev/sdb --job 1042"
    assert not shut(gate(tmp_path / "b", [*same_route(), seen, assessment(OLD, "refit", read_at=READ_AGAIN_AT)]))


def test_the_same_report_filed_again_clears_nothing_that_was_seen_since(tmp_path: Path) -> None:
    documents = [*same_route(), surface("KX25-00417", HOLE), *same_route()[1:]]
    assert shut(gate(tmp_path, documents)) == {"verdict"}


@pytest.mark.parametrize(
    "seen",
    [surface("KX25-00417"), surface("PM6-999999", HOLE), surface(None, HOLE), FiledSelfTest(drive=OLD, state="passed")],
    ids=["clean", "another drive's", "an image's", "passed"],
)
def test_what_speaks_not_against_this_drive_leaves_it_open(tmp_path: Path, seen: Value) -> None:
    assert not shut(gate(tmp_path, [*same_route(), seen]))


def test_a_new_drive_that_showed_holes_after_its_inspection_is_not_fitted(tmp_path: Path) -> None:
    assert shut(gate(tmp_path, [*data_route(), surface("PM6-311842", HOLE)])) == {"inspection"}
