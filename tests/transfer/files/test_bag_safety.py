"""A bag stands alone and gives nobody rights: special modes, links, pipes, devices, foreign manifests, other accounts.

RFC 8493 is quoted by section. Links and special files are real ones on this machine's file system. What only root can
make (capabilities, device nodes, files of others) is skipped for a plain user; the rest runs for both.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import itertools
import json
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bagit
import pytest

import drivecare.job.file_names  # noqa: F401  a plain user may not read the interpreter's own modules
from drivecare.cli.copy_files import copy_files as copy_files_command
from drivecare.cli.verify import verify
from drivecare.errors import BadInput, Interrupted, Refused
from drivecare.hardware.machine import Machine
from drivecare.transfer.files import bag, bag_journal
from drivecare.transfer.files.bag import BagReceipt, FileNote
from drivecare.transfer.files.bag_check import check_bag
from drivecare.transfer.files.file_copy import copy_into_bag
from drivecare.transfer.medium import Progress, Watch
from tests.cli.bench import run
from tests.transfer.files.faulty import CLOCK, FILES, NOW, FaultyFiles

NOBODY = 65534
# Version 2, permitted and effective: CAP_SETUID. Source: <linux/capability.h>, struct vfs_cap_data.
CAPABILITY = bytes.fromhex("0100000280000000000000000000000000000000")

root_only = pytest.mark.skipif(os.geteuid() != 0, reason="only root can make these")


@pytest.fixture
def source(tmp_path: Path) -> Path:
    """A customer's folder."""
    folder = tmp_path / "unit"
    (folder / "sub").mkdir(parents=True)
    (folder / "letter").write_bytes(b"dear shop")
    (folder / "sub" / "photo").write_bytes(b"photograph")
    return folder


@pytest.fixture
def filled(source: Path, tmp_path: Path) -> Path:
    """A bag of ours of that folder."""
    copy_into_bag(source, tmp_path / "bag", files=FILES, clock=CLOCK)
    return tmp_path / "bag"


@pytest.fixture
def begun(source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bag whose copy was stopped after its first file; the journal claims that one."""
    monkeypatch.setattr(bag_journal, "_BATCH_FILES", 1)
    calls = itertools.count()
    watch = Watch(stop_reason=lambda: "x" if next(calls) == 2 else None)
    with pytest.raises(Interrupted):
        copy_into_bag(source, tmp_path / "bag", files=FILES, clock=CLOCK, watch=watch)
    return tmp_path / "bag"


@pytest.fixture
def elsewhere(tmp_path: Path) -> Path:
    """Somebody else's folder."""
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    (folder / "photo").write_bytes(b"not the customer's")
    return folder


@pytest.fixture
def reachable() -> Iterator[Path]:
    """A folder that another account can reach: pytest's own are closed."""
    with tempfile.TemporaryDirectory(prefix="drivecare-test-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder


@contextlib.contextmanager
def as_plain_user() -> Iterator[None]:
    """Whoever runs the tests, without root's rights."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


def foreign_bag(folder: Path, manifest: str, **files: bytes) -> Path:
    """A bag another program made."""
    (folder / "data").mkdir(parents=True)
    (folder / "bagit.txt").write_bytes(bag.BAGIT_TXT)
    (folder / bag.PAYLOAD_MANIFEST).write_text(manifest)
    for name, content in files.items():
        (folder / "data" / name).write_bytes(content)
    return folder


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def names(notes: tuple[FileNote, ...]) -> list[str]:
    return [note.name for note in notes]


def entries(target: Path) -> dict[str, Any]:
    return {row["name"]: row for row in map(json.loads, (target / bag.ENTRY_LIST).read_text().splitlines())}


# Rights that the unit gave


def test_special_mode_bits_are_recorded_and_not_set(source: Path, tmp_path: Path) -> None:
    (source / "letter").chmod(0o6755)
    (source / "sub" / "photo").chmod(0o1644)
    (source / "sub").chmod(0o3775)
    target = tmp_path / "bag"
    ran = run(copy_files_command, source, target)
    assert ran.exit_code == 0
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in (target / "data").rglob("*")}
    assert modes == {"letter": 0o755, "photo": 0o644, "sub": 0o775}
    recorded = {name: row["mode"] for name, row in entries(target).items()}
    assert recorded == {"letter": "6755", "sub/photo": "1644", "sub": "3775"}
    assert "letter: setuid bit (recorded, not set), setgid bit (recorded, not set)" in ran.out
    assert "sub/photo: sticky bit (recorded, not set)" in ran.out
    assert bagit.Bag(str(target)).validate()


@root_only
def test_capabilities_and_trusted_attributes_are_recorded_and_not_set(source: Path, tmp_path: Path) -> None:
    """capabilities(7), xattr(7). What a user set goes along."""
    given = {"security.capability": CAPABILITY, "trusted.note": b"\x00\xff", "user.note": b"kept"}
    try:
        for name, value in given.items():
            os.setxattr(source / "letter", name, value)
    except OSError:
        pytest.skip("this file system keeps no extended attributes")
    target = tmp_path / "bag"
    receipt = copy_into_bag(source, target, files=FILES, clock=CLOCK)
    assert os.listxattr(target / "data" / "letter") == ["user.note"]
    recorded = entries(target)["letter"]["attributes"]
    assert {name: base64.b64decode(text) for name, text in recorded.items()} == {
        "security.capability": CAPABILITY,
        "trusted.note": b"\x00\xff",
    }
    reason = "security.capability (recorded, not set), trusted.note (recorded, not set)"
    assert receipt.not_kept == (FileNote(name="letter", reason=reason),)


@root_only
def test_policy_labels_are_counted_instead_of_listed(source: Path, tmp_path: Path) -> None:
    try:
        os.setxattr(source / "letter", "security.selinux", b"system_u:object_r:usr_t:s0\0")
    except OSError:
        pytest.skip("this file system keeps no extended attributes")
    receipt = copy_into_bag(source, tmp_path / "bag", files=FILES, clock=CLOCK)
    assert "security.selinux" in entries(tmp_path / "bag")["letter"]["attributes"]
    assert not receipt.not_kept
    assert any("(security.selinux) of 1 entry" in notice for notice in receipt.notices)


def test_what_is_not_kept_is_still_listed_after_a_resume(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The journal remembers what the target did not take of a file that an earlier session copied."""
    (source / "letter").chmod(0o4755)
    monkeypatch.setattr(bag_journal, "_BATCH_FILES", 1)
    os.setxattr(source / "letter", "user.note", b"kept")
    calls = itertools.count()
    target = tmp_path / "bag"
    with pytest.raises(Interrupted):
        copy_into_bag(
            source,
            target,
            files=FaultyFiles(keeps_attributes=False),
            clock=CLOCK,
            watch=Watch(stop_reason=lambda: "x" if next(calls) == 2 else None),
        )
    receipt = copy_into_bag(source, target, files=FILES, clock=CLOCK, resume=True)
    assert receipt.not_kept[0].reason == "setuid bit (recorded, not set), extended attributes"


# Who can reach the bag


@pytest.mark.promise(11)
@pytest.mark.parametrize("exists", [False, True])
def test_a_bag_is_open_to_its_owner_alone(source: Path, tmp_path: Path, exists: bool) -> None:
    target = tmp_path / "shelf" / "bag"
    before = os.umask(0)
    try:
        if exists:
            target.mkdir(parents=True)
        seen: list[int] = []
        look = Watch(on_progress=lambda _: seen.append(stat.S_IMODE(target.stat().st_mode)))
        receipt = copy_into_bag(source, target, files=FILES, clock=CLOCK, watch=look)
    finally:
        os.umask(before)
    assert set(seen) == {0o700}
    tags = [path for path in target.iterdir() if path.is_file()]
    assert {stat.S_IMODE(path.stat().st_mode) for path in tags} == {0o600}
    assert len(tags) == 6
    assert not any("others on this machine" in notice for notice in receipt.notices)


@root_only
def test_under_sudo_the_bag_and_all_in_it_belong_to_who_typed_it(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    os.chown(source / "letter", 1234, 1234)
    (source / "link").symlink_to("letter")
    monkeypatch.setenv("SUDO_UID", str(NOBODY))
    monkeypatch.setenv("SUDO_GID", str(NOBODY))
    target = tmp_path / "shelf" / "bag"
    ran = run(copy_files_command, source, target)
    assert "the original owners are recorded in drivecare-entries.jsonl" in ran.out
    assert entries(target)["letter"]["uid"] == 1234
    assert run(verify, target).exit_code == 0
    owners = {path.name: path.lstat().st_uid for path in (target.parent, target, *target.rglob("*"))}
    assert set(owners.values()) == {NOBODY}, owners


@root_only
def test_roots_own_bag_keeps_the_owners(source: Path, tmp_path: Path) -> None:
    os.chown(source / "letter", 1234, 1235)
    copy_into_bag(source, tmp_path / "bag", files=FILES, clock=CLOCK)
    info = (tmp_path / "bag" / "data" / "letter").stat()
    assert (info.st_uid, info.st_gid) == (1234, 1235)


def test_a_plain_user_makes_a_bag_like_any_other(reachable: Path) -> None:
    if os.geteuid() == 0:
        os.chown(reachable, NOBODY, NOBODY)
    with as_plain_user():
        source, target = reachable / "unit", reachable / "bag"
        source.mkdir()
        (source / "tool").write_bytes(b"program")
        (source / "tool").chmod(0o4755)
        (source / "link").symlink_to("tool")
        receipt = copy_into_bag(source, target, files=FILES, clock=CLOCK)
        assert receipt.verified
        assert names(receipt.not_kept) == ["tool"]
        assert check_bag(FILES, target, at=NOW).verified
        assert bagit.Bag(str(target)).validate()


# Nothing is followed out of the bag


@pytest.mark.parametrize(("place", "kind"), [("data", "data (a link)"), ("data/sub", "data/sub (a link)")])
def test_a_folder_of_the_bag_that_became_a_link_is_refused(
    source: Path, begun: Path, elsewhere: Path, place: str, kind: str
) -> None:
    (begun / place).rename(begun / "aside")
    (begun / place).symlink_to(elsewhere)
    ran = run(copy_files_command, source, begun, "--resume")
    assert (ran.exit_code, kind in ran.err) == (22, True)
    assert "continue with --resume" in ran.err
    assert {path.name: path.read_bytes() for path in elsewhere.iterdir()} == {"photo": b"not the customer's"}


def test_a_file_of_the_bag_that_became_a_link_is_refused(source: Path, begun: Path, elsewhere: Path) -> None:
    (begun / "data" / "sub" / "photo").unlink(missing_ok=True)
    (begun / "data" / "sub" / "photo").symlink_to(elsewhere / "photo")
    with pytest.raises(Refused, match=r"data/sub/photo \(a link\)"):
        copy_into_bag(source, begun, files=FILES, clock=CLOCK, resume=True)
    assert (elsewhere / "photo").read_bytes() == b"not the customer's"


def test_a_pipe_in_a_bag_is_not_of_the_copy_that_is_resumed(source: Path, begun: Path) -> None:
    os.mkfifo(begun / "data" / "stray")
    with pytest.raises(Refused, match=r"data/stray \(a named pipe\)"):
        copy_into_bag(source, begun, files=FILES, clock=CLOCK, resume=True)


def test_a_bag_or_a_journal_that_is_a_link_is_refused(source: Path, begun: Path, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(begun)
    with pytest.raises(Refused, match="is a link"):
        copy_into_bag(source, tmp_path / "link", files=FILES, clock=CLOCK, resume=True)
    with pytest.raises(BadInput, match="is a link, not a bag's folder"):
        check_bag(FILES, tmp_path / "link", at=NOW)
    (begun / bag.BAG_JOURNAL).rename(tmp_path / "journal")
    (begun / bag.BAG_JOURNAL).symlink_to(tmp_path / "journal")
    before = (tmp_path / "journal").read_bytes()
    with pytest.raises(BadInput, match="is a link, not a file of the bag"):
        copy_into_bag(source, begun, files=FILES, clock=CLOCK, resume=True)
    assert (tmp_path / "journal").read_bytes() == before


@pytest.mark.promise(9)
def test_a_folder_swapped_for_a_link_while_copying_is_not_written_through(
    source: Path, tmp_path: Path, elsewhere: Path
) -> None:
    target = tmp_path / "bag"

    def swap(_: Progress) -> None:
        if (target / "data" / "sub").is_dir() and not (target / "data" / "sub").is_symlink():
            (target / "data" / "sub").rename(target / "aside")
            (target / "data" / "sub").symlink_to(elsewhere)

    with pytest.raises(Interrupted, match="data/sub is a link, not a folder"):
        copy_into_bag(source, target, files=FILES, clock=CLOCK, watch=Watch(on_progress=swap))
    assert {path.name: path.read_bytes() for path in elsewhere.iterdir()} == {"photo": b"not the customer's"}


@pytest.mark.promise(9)
def test_a_folder_of_the_source_swapped_for_a_link_is_not_read_through(
    source: Path, tmp_path: Path, elsewhere: Path
) -> None:
    (source / "also").mkdir()  # looked at last, so that the other folder is opened again for copying
    (source / "also" / "one").write_bytes(b"one")

    def swap(_: Progress) -> None:
        if not (source / "sub").is_symlink():
            shutil.rmtree(source / "sub")
            (source / "sub").symlink_to(elsewhere)

    receipt = copy_into_bag(source, tmp_path / "bag", files=FILES, clock=CLOCK, watch=Watch(on_progress=swap))
    assert [(note.name, note.reason) for note in receipt.left_out] == [
        ("sub/photo", "could not be opened: sub is a link, not a folder")
    ]
    assert not (tmp_path / "bag" / "data" / "sub" / "photo").exists()


# A bag stands alone


@pytest.mark.parametrize("place", ["data", "data/sub", "data/letter"])
def test_payload_replaced_by_a_link_to_the_source_is_missing(source: Path, filled: Path, place: str) -> None:
    shutil.rmtree(filled / place) if (filled / place).is_dir() else (filled / place).unlink()
    (filled / place).symlink_to(source / place.removeprefix("data").removeprefix("/"))
    ran = run(verify, filled, "--json")
    assert (ran.exit_code, ran.json["verified"]) == (21, False)
    assert any("a link" in note["reason"] for note in ran.json["missing"])
    extra = ["data/sub"] if place == "data/sub" else []  # the link itself, which no manifest names
    assert [note["name"] for note in ran.json["mismatched"]] == extra


def test_links_inside_a_bag_are_judged_by_their_text(source: Path, tmp_path: Path) -> None:
    (source / "sub" / "same").symlink_to("../letter")
    (source / "again").symlink_to("sub/same")
    (source / "folder").symlink_to("sub")
    target = tmp_path / "bag"
    copy_into_bag(source, target, files=FILES, clock=CLOCK)
    assert check_bag(FILES, target, at=NOW).verified
    for text in ("sub/../letter", "../data/letter", "./letter", str(target / "data" / "letter"), "again"):
        (target / "data" / "again").unlink()
        (target / "data" / "again").symlink_to(text)
        assert names(check_bag(FILES, target, at=NOW).missing) == ["data/again"], text


def test_links_that_lead_to_one_another_prove_nothing(tmp_path: Path) -> None:
    """Each names a path with the right digest, and no file is there."""
    digest = sha256(b"never written")
    folder = foreign_bag(tmp_path / "bag", f"{digest}  data/a\n{digest}  data/b\n")
    (folder / "data" / "a").symlink_to("b")
    (folder / "data" / "b").symlink_to("a")
    result = check_bag(FILES, folder, at=NOW)
    assert (result.verified, names(result.missing)) == (False, ["data/a", "data/b"])


@pytest.mark.promise(9)
def test_a_foreign_bag_cannot_ask_for_the_digest_of_another_file(tmp_path: Path) -> None:
    """RFC 8493 section 5.1: files outside the bag are not accessed."""
    secret = tmp_path / "secret"
    secret.write_bytes(b"root alone")
    folder = foreign_bag(tmp_path / "bag", f"{'0' * 64}  data/a\n")
    (folder / "data" / "a").symlink_to(secret)
    (folder / bag.TAG_MANIFEST).write_text(f"{'0' * 64}  extra.txt\n")
    (folder / "extra.txt").symlink_to(secret)
    for options in ((), ("--json",)):
        ran = run(verify, folder, *options)
        assert ran.exit_code == 21
        assert sha256(b"root alone") not in ran.out + ran.err
    assert {"data/a", "extra.txt"} == {note["name"] for note in ran.json["missing"]}


OUTSIDE = {
    "absolute": "/etc/hostname",
    "up": "data/../../secret",
    "up at once": "../secret",
    "home": "~/secret",
    "home of another": "~root/secret",
    "encoded up": "data/%2e%2E/%2e%2e/secret",
    "encoded slash": "data%2F..%2F..%2Fsecret",
    "encoded absolute": "%2Fetc%2Fhostname",
    "encoded home": "%7Eroot/secret",
    "no byte": "data/a\0b",
    "encoded no byte": "data/a%00b",
}


@pytest.mark.promise(9)
@pytest.mark.parametrize("path", OUTSIDE.values(), ids=OUTSIDE.keys())
@pytest.mark.parametrize("listing", [bag.PAYLOAD_MANIFEST, bag.TAG_MANIFEST])
def test_paths_that_leave_the_bag_are_refused(tmp_path: Path, path: str, listing: str) -> None:
    """RFC 8493 section 5.1 for what must not be reached, 2.1.3 for what is encoded."""
    folder = foreign_bag(tmp_path / "bag", f"{sha256(b'x')}  data/a\n", a=b"x")
    (folder / listing).write_text(f"{sha256(b'x')}  {path}\n")
    ran = run(verify, folder)
    assert (ran.exit_code, "line 1 names a path outside the bag" in ran.err) == (3, True), ran.err


def test_names_that_only_look_like_it_are_names(tmp_path: Path) -> None:
    """RFC 8493 section 2.1.3: a percent sign in a name is written %25, and stays one."""
    root = tmp_path / "unit"
    root.mkdir()
    for name in ("%2e%2e", "..x", "...", "a~b", "x\\..\\y"):
        (root / name).write_bytes(name.encode())
    folder = tmp_path / "bag"
    shutil.copytree(root, folder)
    bagit.make_bag(str(folder), checksums=["sha256"])
    manifest = (folder / bag.PAYLOAD_MANIFEST).read_text()
    (folder / bag.PAYLOAD_MANIFEST).write_text(manifest.replace("%2e%2e", "%252e%252e"))
    (folder / bag.TAG_MANIFEST).unlink()
    assert check_bag(FILES, folder, at=NOW).verified
    assert copy_into_bag(root, tmp_path / "ours", files=FILES, clock=CLOCK).verified


def test_a_payload_manifest_lists_what_is_below_data(tmp_path: Path) -> None:
    """RFC 8493 section 2.1.3."""
    folder = foreign_bag(tmp_path / "bag", f"{sha256(bag.BAGIT_TXT)}  bagit.txt\n")
    with pytest.raises(BadInput, match="which is not below data/"):
        check_bag(FILES, folder, at=NOW)


def test_two_digests_for_one_path_are_refused(tmp_path: Path) -> None:
    """Neither says which is meant; with one spelled otherwise the wrong one would stand."""
    folder = foreign_bag(tmp_path / "bag", f"{'0' * 64}  data/a\n{sha256(b'x')}  data/./a\n", a=b"x")
    with pytest.raises(BadInput, match="line 2 gives a second digest for one path"):
        check_bag(FILES, folder, at=NOW)


def test_what_is_to_be_fetched_is_missing(tmp_path: Path) -> None:
    """RFC 8493 section 2.2.3: fetch.txt says where a file may be had. Nothing is fetched."""
    folder = foreign_bag(tmp_path / "bag", f"{sha256(b'x')}  data/a\n{sha256(b'y')}  data/b\n", b=b"y")
    (folder / "fetch.txt").write_text("https://shop.example/a 1 data/a\n")
    assert names(check_bag(FILES, folder, at=NOW).missing) == ["data/a"]


@pytest.mark.timeout(20)
@pytest.mark.parametrize("name", ["data/letter", "bagit.txt", bag.PAYLOAD_MANIFEST, bag.TAG_MANIFEST, bag.BAG_RECEIPT])
@pytest.mark.parametrize("device", [False, pytest.param(True, marks=root_only)], ids=["pipe", "device"])
def test_pipes_and_devices_are_neither_waited_for_nor_read(
    filled: Path, name: str, device: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = filled / name
    place.unlink()
    if device:
        try:
            os.mknod(place, stat.S_IFCHR | 0o666, os.makedev(1, 5))  # endless zeros
        except PermissionError:
            pytest.skip("no device nodes may be made here")
    else:
        os.mkfifo(place)
    opened: list[int] = []
    real = os.open

    def watched(path: Any, flags: int, *rest: Any, **more: Any) -> int:
        descriptor = real(path, flags, *rest, **more)
        if not flags & os.O_PATH and not stat.S_ISREG(os.fstat(descriptor).st_mode):
            opened.append(stat.S_IFMT(os.fstat(descriptor).st_mode))
        return descriptor

    monkeypatch.setattr(os, "open", watched)
    ran = run(verify, filled)
    assert ran.exit_code == (21 if name == "data/letter" else 3)
    assert set(opened) <= {stat.S_IFDIR}
    assert "VERIFIED" not in ran.out


def test_an_empty_bag_is_not_verified(tmp_path: Path) -> None:
    ran = run(verify, foreign_bag(tmp_path / "bag", ""))
    assert (ran.exit_code, ran.out) == (3, "")
    assert "is an empty bag: its manifest names no file" in ran.err
    assert "Check whether the drive was mounted" in ran.err


@pytest.mark.parametrize("link", [False, True])
def test_an_empty_manifest_hides_nothing(tmp_path: Path, elsewhere: Path, link: bool) -> None:
    folder = foreign_bag(tmp_path / "bag", "", stray=b"here")
    if link:
        shutil.rmtree(folder / "data")
        (folder / "data").symlink_to(elsewhere)
    ran = run(verify, folder)
    assert ran.exit_code == 21
    assert ("data is a link, not a folder" if link else "data/stray: is in data/ but in no manifest") in ran.out


def test_missing_payload_is_named(filled: Path) -> None:
    shutil.rmtree(filled / "data")
    ran = run(verify, filled, "--json")
    assert ran.exit_code == 21
    assert [note["name"] for note in ran.json["missing"]] == ["data/letter", "data/sub/photo"]


def test_extra_entries_are_named_by_their_kind(filled: Path, tmp_path: Path) -> None:
    """RFC 8493 section 3: every payload file is listed in every payload manifest."""
    (filled / "data" / "stray").write_bytes(b"")
    (filled / "data" / "way out").symlink_to(tmp_path)
    os.mkfifo(filled / "data" / "pipe")
    with open(os.path.join(os.fsencode(filled / "data"), b"\xe9"), "wb"):
        pass
    ran = run(verify, filled, "--json")
    assert {note["name"]: note["reason"] for note in ran.json["mismatched"]} == {
        "data/stray": "is in data/ but in no manifest",
        "data/way out": "is a link in data/ but in no manifest",
        "data/pipe": "is a named pipe in data/ but in no manifest",
        "data/\\xe9": "is in data/ but in no manifest",
    }


# Could not read, read wrong, not there


def test_unreadable_is_not_a_mismatch(reachable: Path) -> None:
    folder = foreign_bag(reachable / "bag", f"{sha256(b'x')}  data/a\n{sha256(b'y')}  data/b\n", a=b"x", b=b"y")
    (folder / "data" / "a").chmod(0)
    with as_plain_user():
        ran = run(verify, folder, "--json")
        screen = run(verify, folder)
    assert (ran.exit_code, ran.json["verified"], ran.json["mismatched"], ran.json["missing"]) == (20, False, [], [])
    assert ran.json["target_unreadable"] == [{"name": "data/a", "reason": "could not be read: Permission denied"}]
    assert screen.out.startswith("NOT READ   could not be read")
    assert "VERIFIED" not in screen.out
    assert "MISMATCH" not in screen.out
    (folder / "data" / "b").write_bytes(b"z")
    with as_plain_user():
        assert run(verify, folder).exit_code == 21


@pytest.mark.parametrize("closed", ["bag", "data", "each file"])
def test_a_bag_of_which_nothing_can_be_read_was_not_verified(reachable: Path, closed: str) -> None:
    folder = foreign_bag(reachable / "bag", f"{sha256(b'x')}  data/a\n", a=b"x")
    place = {"bag": folder, "data": folder / "data", "each file": folder / "data" / "a"}[closed]
    place.chmod(0)
    try:
        with as_plain_user():
            ran = run(verify, folder)
    finally:
        place.chmod(0o700)
    assert (ran.exit_code, ran.out) == (3, "")
    assert "Permission denied" in ran.err
    assert "with sudo" in ran.err


def test_a_drive_that_goes_while_a_bag_is_verified_stops_it(filled: Path) -> None:
    ran = run(verify, filled, machine=Machine(files=lambda: FaultyFiles(pulled=True)))
    assert (ran.exit_code, "the drive of the bag is no longer there" in ran.err) == (23, True)


def test_what_cannot_be_read_back_is_copied_again(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target, real = tmp_path / "bag", os.preadv
    bad: set[int] = set()

    def preadv(descriptor: int, buffers: list[Any], offset: int) -> int:
        if os.fstat(descriptor).st_size == len(b"photograph"):
            bad.add(os.fstat(descriptor).st_ino)
            raise OSError(5, "Input/output error")
        return real(descriptor, buffers, offset)

    monkeypatch.setattr(os, "preadv", preadv)
    receipt = copy_into_bag(source, target, files=FILES, clock=CLOCK)
    assert (receipt.exit_code, receipt.verified, receipt.mismatched) == (20, False, ())
    assert names(receipt.target_unreadable) == ["data/sub/photo"]
    monkeypatch.undo()
    assert copy_into_bag(source, target, files=FILES, clock=CLOCK, resume=True).verified
    assert len(bad) == 1


def test_a_target_that_returns_nothing_is_not_a_partial_success(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_: object) -> int:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "preadv", gone)
    with pytest.raises(Interrupted, match="no file of the bag can be read back"):
        copy_into_bag(source, tmp_path / "bag", files=FILES, clock=CLOCK)


# Nothing to copy


def test_an_empty_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "mount point" / "empty").mkdir(parents=True)
    ran = run(copy_files_command, tmp_path / "mount point", tmp_path / "bag")
    assert (ran.exit_code, "there is no file to copy" in ran.err) == (22, True)
    assert "Check that the customer's drive is mounted there" in ran.err
    assert not (tmp_path / "bag").exists()


def test_a_resume_from_an_unmounted_drive_takes_nothing_from_the_bag(source: Path, begun: Path) -> None:
    before = sorted(path.name for path in begun.rglob("*"))
    shutil.rmtree(source)
    source.mkdir()
    with pytest.raises(Refused, match="there is no file to copy"):
        copy_into_bag(source, begun, files=FILES, clock=CLOCK, resume=True)
    assert sorted(path.name for path in begun.rglob("*")) == before


def test_what_a_failing_drive_no_longer_shows_stays_in_the_bag(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bag_journal, "_BATCH_FILES", 1)
    (source / "zebra").write_bytes(b"last")
    target = tmp_path / "bag"
    calls = itertools.count()
    with pytest.raises(Interrupted):
        copy_into_bag(
            source, target, files=FILES, clock=CLOCK, watch=Watch(stop_reason=lambda: "x" if next(calls) == 2 else None)
        )
    receipt = copy_into_bag(source, target, files=FaultyFiles(unlistable=frozenset({b"sub"})), clock=CLOCK, resume=True)
    assert [(note.name, note.reason) for note in receipt.left_out] == [
        ("sub", "the folder could not be read: Input/output error")
    ]
    assert (receipt.files, receipt.verified) == (3, True)
    assert any("1 file copied in an earlier session" in notice for notice in receipt.notices)
    assert (target / "data" / "sub" / "photo").read_bytes() == b"photograph"
    assert bagit.Bag(str(target)).validate()


def test_a_copy_of_which_nothing_could_be_read_says_so(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def bad(*_: object) -> bytes:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "pread", bad)
    ran = run(copy_files_command, source, tmp_path / "bag")
    assert ran.exit_code == 20
    assert ran.out.splitlines()[0].startswith("0 files, 0 bytes")
    assert ran.out.splitlines()[1] == "NOTHING COPIED   not one file was copied"
    assert "VERIFIED" not in ran.out
    receipt = json.loads((tmp_path / "bag" / bag.BAG_RECEIPT).read_text())
    assert (receipt["verified"], receipt["verification"]) == (False, None)


def test_a_receipt_of_the_first_version_is_read(filled: Path) -> None:
    """Written before the lists of missing and unreadable files were there."""
    document = json.loads((filled / bag.BAG_RECEIPT).read_text())
    for key in ("missing", "target_unreadable"):
        del document[key]
    (filled / bag.BAG_RECEIPT).write_text(json.dumps(document))
    result = check_bag(FILES, filled, at=NOW)
    assert isinstance(result, BagReceipt)
    assert result.verified
