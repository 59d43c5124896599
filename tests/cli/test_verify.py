"""`drivecare verify` on a copied image: any time later, on another machine, under another name."""

from __future__ import annotations

import json
import os
import random
from pathlib import Path
from typing import Any

import pytest

from drivecare.cli.copy import copy
from drivecare.cli.copy_files import copy_files
from drivecare.cli.job import show
from drivecare.cli.verify import verify
from drivecare.documents import load
from drivecare.errors import Unavailable
from drivecare.hardware.held_folder import HeldFolder
from drivecare.job.copies import copies_made
from drivecare.job.job_state import load_job_state
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.work import verify_copy
from tests.cli.bench import run
from tests.job.carried import filed

MIB = 1 << 20


@pytest.fixture
def receipt(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    source = tmp_path / "source.img"
    source.write_bytes(random.Random(1).randbytes(3 * MIB) + b"text " * 1000)
    copied = run(copy, source, "target.img")
    assert copied.exit_code == 0, copied.err
    return tmp_path / "target.img.receipt.json"


def flip(path: Path, at: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 1
    path.write_bytes(data)


def test_a_sound_target_is_verified_and_the_receipt_says_when(receipt: Path) -> None:
    before = load(Receipt, receipt)
    ran = run(verify, receipt, "target.img", "--json")
    assert ran.exit_code == 0
    assert ran.json["verified"] is True
    after = load(Receipt, receipt)
    assert json.loads(receipt.read_text()) == ran.json
    assert after.digest == before.digest
    assert after.verification is not None


def test_a_receipt_filed_in_a_job_is_never_rewritten(receipt: Path, tmp_path: Path) -> None:
    """Results are added, never changed; the gate itself proposes to verify the filed one."""
    filed = tmp_path / "0005-receipt-20261125T110000Z.json"
    before = receipt.read_bytes() + b"\n"  # which a receipt written anew does not have
    filed.write_bytes(before)
    assert run(verify, filed, "target.img").exit_code == 0
    assert filed.read_bytes() == before
    assert run(verify, receipt, "target.img").exit_code == 0
    assert receipt.read_bytes() != before


def test_without_a_target_the_receipt_names_it(receipt: Path) -> None:
    assert run(verify, receipt).exit_code == 0


def test_receipt_and_image_moved_together(receipt: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    for name in ("target.img", "target.img.receipt.json"):
        (tmp_path / name).rename(elsewhere / name)
    assert run(verify, elsewhere / receipt.name).exit_code == 0


def test_a_flipped_byte_is_named_and_the_receipt_left_alone(receipt: Path, tmp_path: Path) -> None:
    before = receipt.read_bytes()
    flip(tmp_path / "target.img", 2 * MIB + 17)
    ran = run(verify, receipt)
    assert ran.exit_code == 21
    assert "NOT VERIFIED" in ran.out
    assert f"read back wrong: {MIB:,} bytes at byte {2 * MIB:,}" in ran.out
    found = run(verify, receipt, "--json")
    (area,) = found.json["mismatched"]
    assert (area["offset"], area["length"], area["holds"][0]["kind"]) == (2 * MIB, MIB, "unknown")
    assert found.json["verified"] is False
    assert receipt.read_bytes() == before


def test_a_target_cut_short(receipt: Path, tmp_path: Path) -> None:
    with (tmp_path / "target.img").open("r+b") as target:
        target.truncate(MIB)
    assert run(verify, receipt).exit_code == 21


def test_after_a_power_cycle(receipt: Path) -> None:
    ran = run(verify, receipt, "--after-power-cycle", "--json")
    assert ran.json["verification"]["method"] == "after-power-cycle"


def test_another_image_is_told_as_another_and_the_receipt_left_alone(receipt: Path, tmp_path: Path) -> None:
    (tmp_path / "other.img").write_bytes((tmp_path / "target.img").read_bytes())
    before = receipt.read_bytes()
    ran = run(verify, receipt, "other.img")
    assert ran.exit_code == 0
    first, second = ran.out.splitlines()[:2]
    assert first == "other.img holds what the receipt says; the receipt's own target was not read."
    assert second.startswith("VERIFIED: ")
    told = run(verify, receipt, "other.img", "--json")
    assert told.err.startswith("other.img holds what the receipt says; the receipt's own target was not read.\n")
    assert told.json["target"]["path"] == str(tmp_path / "other.img")
    assert told.json["instead_of"]["path"] == str(tmp_path / "target.img")
    assert receipt.read_bytes() == before


def test_another_image_that_differs(receipt: Path, tmp_path: Path) -> None:
    (tmp_path / "other.img").write_bytes((tmp_path / "target.img").read_bytes())
    flip(tmp_path / "other.img", 17)
    before = receipt.read_bytes()
    ran = run(verify, receipt, "other.img")
    assert ran.exit_code == 21
    assert ran.out.startswith("other.img does not hold what the receipt says; the receipt's own target was not read.\n")
    assert "NOT VERIFIED" in ran.out
    assert receipt.read_bytes() == before


def test_what_was_read_is_filed_as_what_was_read(receipt: Path, tmp_path: Path) -> None:
    job = filed(tmp_path / "jobs", [])
    (tmp_path / "other.img").write_bytes((tmp_path / "target.img").read_bytes())
    in_job = ("--job", "1042", "--jobs", tmp_path / "jobs")
    assert run(verify, receipt, "other.img", *in_job).exit_code == 0
    assert run(verify, receipt, *in_job).exit_code == 0
    targets = [(one.document.target.path, one.document.instead_of) for one in job.results(Receipt)]
    own = load(Receipt, receipt).target
    assert targets == [(str(tmp_path / "other.img"), own), (own.path, None)]
    assert (
        copies_made(load_job_state(job.read())) == ()
    )  # neither was made by this job, so neither is its own to remove
    said = run(show, "1042", "--full", "--jobs", tmp_path / "jobs").out
    assert "read against the copy of" in " ".join(said.split())


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is not valid JSON"),
        (b"{}", "is not a drivecare receipt"),
        (b"\x00\xff\x10", "not"),
        (b'{"schema": "drivecare/reading-1"}', "is drivecare/reading-1, not the receipt needed here"),
        (b"[1, 2]", "is not a drivecare receipt"),
    ],
    ids=["empty", "no keys", "binary", "another document", "a list"],
)
def test_what_is_no_receipt(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "r.json"
    path.write_bytes(content)
    ran = run(verify, path)
    assert ran.exit_code == 3
    assert words in ran.err
    assert ran.err.startswith(f"drivecare: {path}")
    assert ran.err.count("\n") == 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"bytes_total": 2**63 - 1}, "digests where"),
        ({"bytes_total": -1}, "Expected `int` >= 0 at bytes_total"),
        ({"digest": {"chunk_bytes": 0}}, "Expected `int` >= 1 at digest.chunk_bytes"),
        ({"digest": {"chunk_bytes": -5}}, "Expected `int` >= 1 at digest.chunk_bytes"),
        ({"digest": {"chunk_bytes": 1}}, "digests where"),
        ({"unreadable": [{"offset": -512, "length": 512}]}, "Expected `int` >= 0"),
        ({"target": {"path": ""}}, "there is no such file"),
        ({"target": {"path": "/"}}, "is a folder"),
        ({"target": {"path": "a\0b"}}, "Expected `str` matching regex"),
        ({"target": {"path": "target.img/below"}}, "there is no such file"),
    ],
    ids=str,
)
def test_a_receipt_whose_numbers_or_names_are_nonsense(receipt: Path, change: dict[str, Any], words: str) -> None:
    document = json.loads(receipt.read_text())
    for key, value in change.items():
        document[key] = document[key] | value if isinstance(value, dict) else value
    receipt.write_text(json.dumps(document))
    ran = run(verify, receipt)
    assert ran.exit_code == 3
    assert words in ran.err
    assert ran.err.count("\n") == 1


def test_a_receipt_that_cannot_be_written_again_does_not_spoil_the_result(
    receipt: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a medium mounted read-only."""
    before = receipt.read_bytes()
    monkeypatch.setattr(verify_copy, "write_file", read_only)
    ran = run(verify, receipt, "--json")
    assert (ran.exit_code, ran.json["verified"]) == (0, True)
    assert "this verification stands only here" in ran.err
    assert receipt.read_bytes() == before


def read_only(path: Path, _: bytes, *, replace: bool) -> None:
    raise Unavailable("cannot be written: Read-only file system", location=str(path))


def unwritable(*_: object) -> None:
    raise OSError(30, "Read-only file system")


def test_missing_things(receipt: Path, tmp_path: Path) -> None:
    assert run(verify, "no-such.json").exit_code == 3
    (tmp_path / "target.img").unlink()
    ran = run(verify, receipt)
    assert ran.exit_code == 3
    assert "target.img" in ran.err


def test_a_bag_and_a_bag_that_changed(tmp_path: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    (folder / "letter.txt").write_text("dear shop")
    bag = tmp_path / "bag"
    assert run(copy_files, folder, bag).exit_code == 0
    assert run(verify, bag).exit_code == 0
    (bag / "data" / "letter.txt").write_text("dear ship")
    ran = run(verify, bag, "--json")
    assert ran.exit_code == 21
    assert ran.json["verified"] is False


def test_a_bag_tells_of_a_verification_that_agrees_and_of_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, bag = tmp_path / "files", tmp_path / "bag"
    folder.mkdir()
    (folder / "letter.txt").write_text("dear shop")
    run(copy_files, folder, bag)
    before = (bag / "drivecare-receipt.json").read_bytes()
    (bag / "data" / "letter.txt").write_text("dear ship")
    assert run(verify, bag).exit_code == 21
    assert (bag / "drivecare-receipt.json").read_bytes() == before
    (bag / "data" / "letter.txt").write_text("dear shop")
    monkeypatch.setattr(HeldFolder, "save", unwritable)
    ran = run(verify, bag, "--json")
    assert (ran.exit_code, ran.json["verified"]) == (0, True)
    assert "this verification stands only here" in ran.json["notices"][-1]


def test_a_pipe_among_the_files_of_a_bag_is_named_and_waited_for_by_nobody(tmp_path: Path) -> None:
    folder, bag = tmp_path / "files", tmp_path / "bag"
    folder.mkdir()
    (folder / "letter.txt").write_text("dear shop")
    run(copy_files, folder, bag)
    (bag / "data" / "letter.txt").unlink()
    os.mkfifo(bag / "data" / "letter.txt")
    ran = run(verify, bag, "--json")
    assert ran.exit_code == 21
    reason = "data/letter.txt is a named pipe, not a file: the file itself is not in the bag"
    assert ran.json["missing"] == [{"name": "data/letter.txt", "reason": reason}]
    assert ran.json["mismatched"] == []


def test_a_bag_made_elsewhere(tmp_path: Path) -> None:
    bagit = pytest.importorskip("bagit")
    folder = tmp_path / "bag"
    folder.mkdir()
    (folder / "letter.txt").write_text("dear shop")
    bagit.make_bag(str(folder), checksums=["sha256"])
    ran = run(verify, folder, "--json")
    assert (ran.exit_code, ran.json["schema"], ran.json["verified"]) == (0, "drivecare/bagcheck-1", True)
    (folder / "data" / "letter.txt").write_text("dear ship")
    ran = run(verify, folder)
    assert ran.exit_code == 21
    assert "letter.txt" in ran.out


def test_a_folder_that_is_no_bag(tmp_path: Path) -> None:
    ran = run(verify, tmp_path)
    assert ran.exit_code == 3
    assert "is not a BagIt bag" in ran.err
