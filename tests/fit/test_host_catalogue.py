"""Which unit a label means, and which profiles there are."""

from __future__ import annotations

import contextlib
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.errors import BadInput
from drivecare.fit.host_catalogue import (
    common_symptoms,
    find_host,
    load_hosts,
    summarize_host,
)
from drivecare.fit.labels import label_matches
from tests.fit.samples import PROFILE, host

HOSTS = load_hosts().hosts
UNITS = [profile for profile in HOSTS if profile.label is not None]


def test_there_are_units_in_revisions_and_bays() -> None:
    units = {profile.id.rsplit("-", 1)[0] for profile in UNITS}
    assert len(units) >= 4
    assert all(sum(profile.id.startswith(unit) for profile in UNITS) >= 2 for unit in units)
    assert sum(profile.kind == "bay" for profile in HOSTS) >= 10


@pytest.mark.parametrize("profile", HOSTS, ids=lambda profile: profile.id)
def test_every_profile_says_where_its_values_come_from(profile: msgspec.Struct) -> None:
    for table in ("label", "bay", "interface", "supply", "capacity", "recording", "sectors", "moving"):
        chosen = getattr(profile, table)
        if chosen is not None:
            trusted = (
                "SFF",
                "JEDEC",
                "SATA",
                "M.2",
                "LBA28",
                "MBR",
                "USB 3",
                "common practice",
                "from memory",
                "invented",
            )
            assert any(word in chosen.source for word in trusted), (table, chosen.source)


@pytest.mark.parametrize("profile", HOSTS, ids=lambda profile: profile.id)
def test_the_file_is_named_as_the_id(profile: msgspec.Struct) -> None:
    assert Path(profile.origin).stem == profile.id  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("label", "id"),
    [
        ("CH-2103", "corvane-hearth-21"),
        ("ch2103", "corvane-hearth-21"),
        ("CH 21 07", "corvane-hearth-21"),
        ("CH-21/99", "corvane-hearth-21"),
        ("Corvane Hearth CH-2112B", "corvane-hearth-21"),
        ("CH–2103", "corvane-hearth-21"),  # as a word processor turns a hyphen
        ("CH—2103", "corvane-hearth-21"),
        ("CH-2103EUR", "corvane-hearth-21"),
        ("CH-2103-A1", "corvane-hearth-21"),
        ("CH 2103 EU", "corvane-hearth-21"),
        ("CH-21", "corvane-hearth-21"),
        ("CH-2003", "corvane-hearth-20"),
        ("CH-3101", "corvane-hearth-30"),
        ("OT-412", "oskarne-tidewatch-4"),
        ("OT-512", "oskarne-tidewatch-5"),
        ("corvane-hearth-21", "corvane-hearth-21"),
        ("Corvane Hearth, revision 21", "corvane-hearth-21"),
        ("bay-2.5-7", "bay-2.5-7"),
        ("msata", "bay-msata"),
    ],
)
def test_labels(label: str, id: str) -> None:
    assert find_host(label, HOSTS).id == id


@pytest.mark.parametrize(
    ("label", "message"),
    [
        (
            "CH-2203",
            "label 'CH-2203': matches no unit or bay. "
            "Similar: corvane-hearth-21, corvane-hearth-20, corvane-hearth-30.",
        ),
        ("CH-21034", "label 'CH-21034': matches no unit or bay. Similar: corvane-hearth-21, "),
        ("CH-21O3", "label 'CH-21O3': matches no unit or bay. Similar: corvane-hearth-21, "),
        ("CH-21B-03", "label 'CH-21B-03': matches no unit or bay."),
        ("CH-2103-1", "label 'CH-2103-1': matches no unit or bay."),
        ("CH-2103EURO", "label 'CH-2103EURO': matches no unit or bay."),
        ("XCH-2103", "label 'XCH-2103': matches no unit or bay."),
        ("corvane-hearth-12", "label 'corvane-hearth-12': matches no unit or bay. Similar: corvane-hearth-2"),
        (
            "Corvane Hearth",
            "label 'Corvane Hearth': means more than one unit or bay. "
            "Choose one: corvane-hearth-20, corvane-hearth-21, corvane-hearth-30.",
        ),
        ("2.5-inch", "label '2.5-inch': means more than one unit or bay. Choose one: bay-2.5-12.7, bay-2.5-15, "),
        ("zzz", "label 'zzz': matches no unit or bay. See drivecare hosts list."),
        ("", "label '': matches no unit or bay. See drivecare hosts list."),
    ],
)
def test_what_is_refused(label: str, message: str) -> None:
    with pytest.raises(BadInput) as refused:
        find_host(label, HOSTS)
    assert refused.value.message().startswith(message)


def test_two_profiles_with_one_label_are_ambiguous() -> None:
    (profile,) = [each for each in HOSTS if each.id == "corvane-hearth-21"]
    twin = msgspec.structs.replace(profile, id="corvane-hearth-21-shop", name="Ours")
    with pytest.raises(BadInput, match="Choose one: corvane-hearth-21, corvane-hearth-21-shop"):
        find_host("CH-2103", [profile, twin])


@given(
    unit=st.sampled_from(UNITS),
    data=st.data(),
    separator=st.sampled_from(["-", " ", "", "_", ".", "–", "\u2011"]),
    suffix=st.sampled_from(["", "B", " ab", "EUR", "-A1", "/EU"]),
)
def test_a_label_never_crosses_revisions(unit: object, data: st.DataObject, separator: str, suffix: str) -> None:
    """Leading digits name the revision, the trailing two only the country: another revision is never taken."""
    rule = unit.label  # type: ignore[attr-defined]
    revision = data.draw(st.text("0123456789", min_size=len(rule.revisions[0]), max_size=len(rule.revisions[0])))
    region = data.draw(st.text("0123456789", min_size=rule.region_digits, max_size=rule.region_digits))
    label = f"{rule.prefix}{separator}{revision}{region}{suffix}"
    chosen = [profile for profile in UNITS if label_matches(label, profile)]
    owners = [
        profile
        for profile in UNITS
        if profile.label and profile.label.prefix == rule.prefix and revision in profile.label.revisions
    ]
    assert chosen == owners
    if not owners:
        with pytest.raises(BadInput):
            find_host(label, HOSTS)


@given(st.text(max_size=40))
def test_any_text_is_matched_or_refused_in_words(label: str) -> None:
    chosen = None
    with contextlib.suppress(BadInput):  # and no other error
        chosen = find_host(label, HOSTS)
    assert chosen is None or chosen in HOSTS


def test_a_line_in_the_list() -> None:
    summary = summarize_host(host())
    assert (summary.id, summary.bay, summary.interface, summary.migration) == (
        "testbox-7",
        "2.5-inch, to 9.5 mm",
        "SATA, 3.0 Gb/s",
        "sector-copy",
    )


def test_a_shops_folder_adds_and_replaces(tmp_path: Path) -> None:
    (tmp_path / "testbox-7.toml").write_text(PROFILE)
    ours = PROFILE.replace("testbox-7", "bay-msata").replace('"Testbox, revision 7"', '"Our mSATA"')
    (tmp_path / "bay-msata.toml").write_text(ours)
    (tmp_path / "notes.txt").write_text("no profile")
    hosts = {profile.id: profile for profile in load_hosts([tmp_path]).hosts}
    assert hosts["testbox-7"].origin == str(tmp_path / "testbox-7.toml")
    assert hosts["bay-msata"].name == "Our mSATA"
    assert len(hosts) == len(HOSTS) + 1


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    profiles = load_hosts([tmp_path / "missing"])
    assert profiles.hosts == HOSTS
    assert next(profiles.bad[0].lines()) == f"{tmp_path}/missing: is not a folder of profiles: check $DRIVECARE_HOSTS"


def test_a_wrong_profile_in_a_shops_folder_is_named(tmp_path: Path) -> None:
    """Every fault of it at once; the others go on."""
    path = tmp_path / "wrong.toml"
    text = PROFILE.replace('connector = "sata"', 'connector = "scart"').replace("height_mm = 9.5", "height_mm = 95")
    path.write_text(text)
    (tmp_path / "torn.toml").write_text("id = ")
    (tmp_path / "folder.toml").mkdir()
    profiles = load_hosts([tmp_path])
    assert profiles.hosts == HOSTS
    assert [Path(profile.file).name for profile in profiles.bad] == ["folder.toml", "torn.toml", "wrong.toml"]
    bay, connector, left_out = profiles.bad[-1].lines()
    assert bay.startswith(f"{path}: bay.height_mm: 95 mm is not a height of a 2.5-inch drive")
    assert connector.startswith(f"{path}: interface.connector: 'scart' is none of: sata, ")
    assert left_out == f"{path}: left out until that is corrected. See: drivecare hosts check {path}"


@pytest.mark.parametrize("slip", ["height_mm = 95", 'height_mm = "tall"'], ids=["cannot be", "another type"])
def test_the_profile_that_a_wrong_one_would_have_replaced_is_not_used_either(tmp_path: Path, slip: str) -> None:
    text = PROFILE.replace('"testbox-7"', '"corvane-hearth-21"').replace("height_mm = 9.5", slip)
    (tmp_path / "ours.toml").write_text(text)
    names = {profile.id for profile in load_hosts([tmp_path]).hosts}
    assert names == {profile.id for profile in HOSTS} - {"corvane-hearth-21"}


def test_common_symptoms_have_a_source_and_words() -> None:
    symptoms = common_symptoms()
    assert len({profile.id for profile in symptoms}) == len(symptoms) >= 5
    assert all(profile.words and profile.source and profile.first for profile in symptoms)
