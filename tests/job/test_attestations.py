"""Facts: what may be recorded, and how a slip is answered."""

from __future__ import annotations

import pytest

from drivecare.errors import BadInput
from drivecare.job.attestations import FACTS, make_fact
from drivecare.transfer.areas import Area


def record(fact: str, about: str | None = None, note: str | None = None) -> tuple[str, str | None]:
    areas = (Area(offset=1048576, length=4096), Area(offset=8192, length=512))
    made = make_fact(fact, about, note=note, at="2026-11-25T10:00:00+00:00", by="ann", areas=areas)
    assert (made.at, made.by, made.note) == ("2026-11-25T10:00:00+00:00", "ann", note)
    return made.fact, made.about


def test_facts_with_and_without_a_value() -> None:
    assert record("consent", note="signed") == ("consent", None)
    assert record("route", "new-drive-data") == ("route", "new-drive-data")
    assert record("weak-identity", "KX25-00417") == ("weak-identity", "KX25-00417")
    assert record("way-out", note="new cable, read 100 GB") == ("way-out", None)


@pytest.mark.parametrize("typed", ["1048576", "1,048,576", "1048576+4096"])
def test_an_area_is_kept_with_its_length(typed: str) -> None:
    assert record("unreadable", typed) == ("unreadable", "1048576+4096")


@pytest.mark.parametrize(
    ("fact", "about", "message"),
    [
        ("agreed", None, "'agreed' is not a fact to record. Choose one of: consent, route, "),
        ("consent", "yes", "consent takes no value, got 'yes'. Put words into --note."),
        ("unreadable", None, "unreadable needs a value. drivecare job record ID unreadable OFFSET"),
        ("unreadable", "0x10", "no unreadable area starts at '0x10'. The job's receipts list: 1048576, 8192."),
        ("route", "east", "'east' is not a route. Choose one of: same-drive, new-drive-data, new-drive-empty."),
        ("way-out", None, "way-out needs a note. drivecare job record ID way-out --note"),
    ],
)
def test_a_slip_is_answered_in_one_line(fact: str, about: str | None, message: str) -> None:
    with pytest.raises(BadInput) as caught:
        record(fact, about)
    assert caught.value.message().startswith(message)


def test_every_fact_says_what_it_means() -> None:
    assert all(len(meaning.says) > 20 for meaning in FACTS.values())
