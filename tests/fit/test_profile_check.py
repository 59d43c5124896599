"""A wrong profile is refused with its key and the reason."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.fit.host_catalogue import load_hosts
from drivecare.fit.host_profile import Host, HostCheck
from drivecare.fit.profile_check import check_profile
from drivecare.fit.profile_types import find_type_faults
from tests.fit.samples import PROFILE

# (what stands in the right profile, what stands in the wrong one, key, part of the reason)
WRONG = {
    "misspelt key": ("height_mm = 9.5", "heigth_mm = 9.5", "bay.heigth_mm", "is not a key of this table"),
    "text for a number": ("height_mm = 9.5", 'height_mm = "9.5"', "bay.height_mm",
                          "must be a number above 0: 9.5, without quotes"),
    "negative height": ("height_mm = 9.5", "height_mm = -9.5", "bay.height_mm", "number above 0"),
    "height in centimetres": ("height_mm = 9.5", "height_mm = 0.95", "bay.height_mm", "is it in millimetres?"),
    "misspelt key that may be left out": ("spacer = true", "spaced = true", "bay.spaced", "is not a key of this table"),
    "missing table": ('[moving]\n', "[recording.moving]\n", "recording.moving", "is not a key"),
    "missing key": ('formats = ["512n", "512e"]\n', "", "sectors.formats", "is missing"),
    "no source": ('spacer = true', 'source = ""\nspacer = true', "", "overwrite"),
    "empty source": ('region_digits = 2\nsource = "common practice, no source"', 'region_digits = 2\nsource = ""',
                     "label.source", "not empty"),
    "unknown form factor": ('"2.5-inch"', '"2.5-zoll"', "bay.form_factor", "is none of: 2.5-inch"),
    "unknown connector": ('connector = "sata"', 'connector = "scart"', "interface.connector", "'scart' is none of"),
    "a plug only drives have": ('connector = "sata"', 'connector = "m2-bm"', "interface.connector", "units do not"),
    "unknown protocol": ('protocols = ["sata"]', 'protocols = ["satan"]', "interface.protocols[0]", "is none of: sata"),
    "protocol not over this plug": ('protocols = ["sata"]', 'protocols = ["nvme"]', "interface.protocols", "not "),
    "link that does not exist": ("link_gbps = 3.0", "link_gbps = 4.0", "interface.link_gbps", "none of 1.5, 3, 6, 12"),
    "rail the plug has not": ('connector = "sata"', 'connector = "msata"', "supply.rail_5v_amps", "does not carry"),
    "wrong thread": ('thread = "M3"', 'thread = "6-32 UNC"', "bay.screws.thread", "whose thread is M3"),
    "screws too deep": ("depth_mm = 3.0", "depth_mm = 5.0", "bay.screws.depth_mm", "more than the safe 3 mm"),
    "screws into a card": ('"2.5-inch"\nheight_mm = 9.5', '"m2-2280"\nheight_mm = 2.3', "bay.screws", "threaded holes"),
    "least above most": ("250_000_000_000", "2_000_000_000_000", "capacity.least_bytes", "is more than most_bytes"),
    "unknown sector format": ('"512e"]', '"520"]', "sectors.formats[1]", "'520' is none of: 512n"),
    "no sector format": ('["512n", "512e"]', "[]", "sectors.formats", "does not name a sector format"),
    "unknown way of moving": ('"sector-copy"', '"magic"', "moving.kind", "'magic' is none of"),
    "prefix that begins with a digit": ('"TB"', '"7TB"', "label.prefix", "a letter first"),
    "revision with letters": ('["70"]', '["7x"]', "label.revisions[0]", "1 to 4 digits in quotes"),
    "revisions of two lengths": ('["70"]', '["70", "700"]', "label.revisions", "same number of digits"),
    "revision twice": ('["70"]', '["70", "70"]', "label.revisions", "names a revision twice"),
    "a bay with a label": ('kind = "unit"', 'kind = "bay"', "label", "a bay does not carry a label"),
    "unknown phase": ('phase = "fit"', 'phase = "hammer"', "steps[1].phase", "'hammer' is none of"),
    "symptom without words": ('words = ["hum", "hums"]', "words = []", "symptoms[0].words", "needs the words"),
    "id with blanks": ('id = "testbox-7"', 'id = "test box"', "id", "lower-case letters"),
    "amperes of a welder": ("rail_5v_amps = 1.0", "rail_5v_amps = 900", "supply.rail_5v_amps", "900 mA is 0.9"),
    "gigabytes for bytes": ("most_bytes = 1_000_204_886_016", "most_bytes = 160", "capacity.most_bytes",
                            "160 GB is 160_000_000_000"),
    "one exact size of gigabytes": ("most_bytes =", "exact_bytes = [500_107_862_016, 500]\nmost_bytes =",
                                    "capacity.exact_bytes", "500 bytes cannot be right"),
    "a hundred screws": ("count = 4", "count = 100", "bay.screws.count", "cannot be right, expected 1 to 12"),
    "text for a whole number": ("least_bytes = 250_000_000_000", 'least_bytes = "250.059.350.016"',
                                "capacity.least_bytes", "whole number above 0: 250059350016, without quotes"),
    "comma in a number that is text": ("depth_mm = 3.0", 'depth_mm = "3,0 mm"', "bay.screws.depth_mm", "9.5, without"),
    "text for yes": ("spacer = true", 'spacer = "yes"', "bay.spacer", "must be true or false, without quotes"),
    "text for a list": ('["512n", "512e"]', '"512e"', "sectors.formats", "a list in square brackets"),
    "text for a table": ("[label]", "[old]", "old", "is not a key of this table"),
    "key with a slip": ("spacer = true", "spacr = true", "bay.spacr", "did you mean spacer?"),
    "not TOML": ("[bay]", "[bay", "", "is not valid TOML"),
}  # fmt: skip


def check(profile: bytes) -> HostCheck:
    return check_profile(profile, origin="my.toml", read_part=lambda name: None)


@pytest.mark.parametrize("case", WRONG)
def test_what_is_wrong_is_named_by_key_and_reason(case: str) -> None:
    right, wrong, key, reason = WRONG[case]
    assert PROFILE.count(right) >= 1
    answer = check(PROFILE.replace(right, wrong, 1).encode())
    assert not answer.valid
    assert answer.file == "my.toml"
    assert (key, True) in [(problem.key, reason in problem.reason) for problem in answer.problems], answer.problems


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_profile_is_not_loaded(case: str, tmp_path: Path) -> None:
    right, wrong, key, _ = WRONG[case]
    (tmp_path / "my.toml").write_text(PROFILE.replace(right, wrong, 1))
    profiles = load_hosts([tmp_path])
    assert "testbox-7" not in {host.id for host in profiles.hosts}
    assert any(problem.startswith(key) for problem in profiles.bad[0].problems)
    assert "\n" not in "".join(profiles.bad[0].lines())


def test_the_right_profile_is_right() -> None:
    assert check(PROFILE.encode()).valid


def test_all_that_is_wrong_is_listed_at_once() -> None:
    wrong = PROFILE.replace('"sata"\nprotocols', '"msata"\nprotocols').replace("250_000_000_000", "2_000_000_000_000")
    keys = [problem.key for problem in check(wrong.encode()).problems]
    assert keys == ["supply.rail_5v_amps", "capacity.least_bytes"]


def test_faults_of_type_and_of_reason_are_listed_at_once() -> None:
    wrong = PROFILE.replace("height_mm = 9.5", 'height_mm = "9.5"').replace("rail_5v_amps = 1.0", "rail_5v_amps = 900")
    wrong = wrong.replace("[moving]", "[movement]").replace('["sata"]', '["nvme"]').replace('"fit"', '"hammer"')
    keys = [problem.key for problem in check(wrong.encode()).problems]
    assert keys == [
        "movement", "bay.height_mm", "moving", "steps[1].phase", "interface.protocols", "supply.rail_5v_amps",
    ]  # fmt: skip


def test_a_value_in_the_place_of_a_table() -> None:
    wrong = 'bay = "2.5-inch"\n' + re.sub(r"\[bay\].*?(?=\[interface\])", "", PROFILE, flags=re.DOTALL)
    (problem,) = check(wrong.encode()).problems
    assert (problem.key, problem.reason) == ("bay", "must be a table: write [bay] on a line of its own")


TOML_VALUES = st.recursive(
    st.just(9.5) | st.booleans() | st.integers(-5, 10**12) | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.sampled_from(["height_mm", "source", "why"]), inner),
    max_leaves=6,
)


@given(st.dictionaries(st.sampled_from(["bay", "supply", "capacity", "steps", "kind"]), TOML_VALUES, min_size=1))
def test_faults_are_named_exactly_where_the_types_refuse_a_profile(values: dict[str, object]) -> None:
    table = {**tomllib.loads(PROFILE), **values}
    faults = tuple(find_type_faults(Host, table))
    try:
        msgspec.convert(table, type=Host)
    except msgspec.ValidationError:
        assert faults
    else:
        assert not faults


def test_bytes_that_are_no_text() -> None:
    (problem,) = check(b"\xff\xfe\x00").problems
    assert (problem.key, problem.reason) == ("", "is not UTF-8 text")


def test_the_profile_in_the_documentation_is_right() -> None:
    text = (Path(__file__).parents[2] / "docs" / "host-profiles.md").read_text()
    (example,) = re.findall(r"```toml\n(.*?)```", text, flags=re.DOTALL)
    assert check(example.encode()).problems == ()
