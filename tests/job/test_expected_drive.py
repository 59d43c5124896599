"""The drive expected in a job: planned, or a row of a stock list; one that is not the unit's own shuts the gate."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from drivecare.documents import Value
from drivecare.fit.host_catalogue import find_host, load_hosts
from drivecare.job.expected_drive import built_for, is_planned_drive, why_unlike
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import load_job_state
from drivecare.job.model import BAY_PREFIX, BuiltFor
from drivecare.reading.identity import DriveId, Identity
from drivecare.reading.model import Drive
from tests.job.carried import NEW, NOW, OLD, OPENING, assessment, data_route, empty_route, fact, filed, same_route

BAY_7_MM = BuiltFor(kind="bay", form_factors=("2.5-inch",), protocols=("sata",))
IN_THAT_BAY = msgspec.structs.replace(OPENING, built_for=BAY_7_MM)


def test_the_id_of_a_kind_of_bay_says_that_it_is_one() -> None:
    """Jobs opened before the kind was recorded have only that."""
    assert {host.id for host in load_hosts().hosts if host.kind == "bay"} == {
        host.id for host in load_hosts().hosts if host.id.startswith(BAY_PREFIX)
    }


def sized(of: Drive, form_factor: str | None, protocol: str | None = "ata") -> Drive:
    return msgspec.structs.replace(of, form_factor=form_factor, protocol=protocol, link_max_gbps=6.0)


def shut(folder: Path, documents: list[Value]) -> dict[str, str]:
    gate = judge_gate(load_job_state(filed(folder, documents, opening=IN_THAT_BAY).read(), now=NOW))
    return {item.item: item.evidence for item in gate.items if not item.holds}


@pytest.mark.promise(5)
def test_a_3_5_inch_drive_is_not_that_of_a_2_5_inch_bay(tmp_path: Path) -> None:
    documents = [same_route()[0], assessment(sized(OLD, "3.5 inches"), "refit")]
    assert shut(tmp_path / "a", documents) == {
        "old-drive-read": "Kestrel KD-500 KX25-00417: refit; it is 3.5-inch, but this unit is built for 2.5-inch: "
        "read the right one, or record unlike-profile KX25-00417"
    }
    explained = fact("unlike-profile", "KX25-00417", note="the customer fitted it outside the state")
    assert shut(tmp_path / "b", [*documents, explained]) == {}
    assert shut(tmp_path / "c", [explained, *documents]).keys() == {"old-drive-read"}  # before that drive was read


def test_nor_is_it_to_be_fitted_whatever_the_stock_list_says_of_it(tmp_path: Path) -> None:
    documents = data_route()
    documents[3] = assessment(sized(NEW, "3.5 inches"), "refit", sale="new")
    assert shut(tmp_path / "data", documents).keys() == {"inspection"}
    documents = empty_route()
    documents[4] = assessment(sized(NEW, "3.5 inches"), "refit", sale="new")
    assert shut(tmp_path / "empty", documents).keys() == {"inspection"}


@pytest.mark.parametrize(
    ("drive", "words"),
    [
        (sized(OLD, "2.5 inches"), ""),
        (sized(OLD, None), ""),
        (sized(OLD, "a body nobody knows"), ""),
        (sized(OLD, None, None), ""),
        (sized(OLD, "3.5 inches"), "it is 3.5-inch, but this unit is built for 2.5-inch"),
        (sized(OLD, "2.5 inches", "scsi"), "it is SAS, but this unit is built for SATA"),
        (sized(OLD, None, "nvme"), "it is NVMe, but this unit is built for SATA"),
    ],
)
def test_only_what_both_sides_tell_speaks_against_a_drive(drive: Drive, words: str) -> None:
    assert why_unlike(drive, BAY_7_MM) == words
    assert why_unlike(drive, None) == ""  # a job of 0.1.0
    assert why_unlike(drive, BuiltFor()) == ""


def test_what_a_job_keeps_of_the_profile() -> None:
    assert built_for(find_host("bay-2.5-7", load_hosts().hosts)) == BAY_7_MM


A, B = "50c0ffe0a1b20417", "50c0ffe0b7031842"
NOBODY: frozenset[str] = frozenset()


def spoken(wwn: str | None, serial: str | None, model: str | None = "Kestrel KD-500") -> DriveId:
    """A drive that said itself who it is."""
    return DriveId(model=model, serial=serial, identity=Identity(wwn=wwn, native_serial=serial, strength="strong"))


def docked(serial: str | None, model: str | None = "Kestrel KD-500") -> DriveId:
    """A drive behind a dock that shows a number of which nobody knows whose it is."""
    return DriveId(model=model, serial=serial, identity=Identity(bridge_serial=serial, strength="weak"))


def written(serial: str | None, model: str | None = "Kestrel KD-500") -> DriveId:
    """A row of a stock list."""
    return DriveId(model=model, serial=serial, identity=Identity())


PLANNED = {
    "read when planned, and it is this one": (spoken(A, "K1"), spoken(A, "K1"), NOBODY, "yes"),
    "read when planned, and it is another": (spoken(A, "K1"), spoken(B, "K2"), NOBODY, "no"),
    "read when planned behind a dock": (docked("K1"), spoken(A, "K1"), NOBODY, "unknown"),
    "read when planned behind a dock, label read": (docked("K1"), spoken(A, "K1"), frozenset({"k1"}), "yes"),
    "a row of the stock list names it": (written("K1"), spoken(A, "k1"), NOBODY, "yes"),
    "a row of the stock list names another": (written("K2"), spoken(A, "K1"), NOBODY, "no"),
    "a row of the stock list of another model": (written("K1", "Petrel PM-500"), spoken(A, "K1"), NOBODY, "no"),
    "a row of the stock list without a number": (written(None), spoken(A, "K1"), NOBODY, "unknown"),
    "a row of the stock list, fitted behind a dock": (written("K1"), docked("K1"), NOBODY, "unknown"),
    "the same, its label was read": (written("K1"), docked("K1"), frozenset({"k1"}), "yes"),
}


@pytest.mark.parametrize("rule", PLANNED)
def test_the_drive_that_was_planned(rule: str) -> None:
    chosen, fitted, labels, answer = PLANNED[rule]
    assert is_planned_drive(chosen, fitted, labels) == answer
