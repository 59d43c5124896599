"""Every recorded report gives the values, the gaps and the verdict that its index entry writes down."""

from __future__ import annotations

import msgspec
import pytest

from drivecare.reading.decode import decode_report
from drivecare.reading.reading_files import load_reading
from drivecare.risk.assess import assess
from tests.reading.recorded import FOLDER, INDEX, report


def test_index_and_folder_hold_the_same_reports() -> None:
    assert {path.stem for path in FOLDER.glob("*.txt")} == set(INDEX)


@pytest.mark.parametrize("name", INDEX)
def test_values(name: str) -> None:
    values = load_reading(FOLDER / f"{name}.txt").values
    expected = INDEX[name].get("values", {})
    document = msgspec.json.decode(msgspec.json.encode(values))
    assert {key: document[key] for key in expected} == expected


@pytest.mark.parametrize("name", [name for name in INDEX if "kind" in INDEX[name]])
def test_kind(name: str) -> None:
    assert decode_report(report(name)).drive.kind == INDEX[name]["kind"]


@pytest.mark.parametrize("name", INDEX)
def test_gaps(name: str) -> None:
    reading = decode_report(report(name))
    codes = {gap.code for gap in reading.gaps}
    assert set(INDEX[name].get("gaps", ())) <= codes
    if INDEX[name]["verdict"] in ("refit", "recheck", "replace", "evacuate"):
        assert not [gap for gap in reading.gaps if gap.blocks]


@pytest.mark.parametrize("name", INDEX)
def test_verdict(name: str) -> None:
    entry = INDEX[name]
    assert assess(decode_report(report(name))).verdict in (entry["verdict"], *entry.get("also", ()))


@pytest.mark.parametrize("name", [name for name in INDEX if "unit" in INDEX[name]])
def test_what_it_says_about_its_unit(name: str) -> None:
    signs = assess(decode_report(report(name))).unit
    assert [sign.sign for sign in signs] == INDEX[name]["unit"]
    assert all("fits with" in sign.text for sign in signs)


def test_every_gap_has_advice() -> None:
    for name in INDEX:
        for gap in decode_report(report(name)).gaps:
            assert gap.what.endswith(".")
            assert gap.advice
