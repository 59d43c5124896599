"""`drivecare hosts` as a person types it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner, Result

from drivecare.cli.main import cli
from drivecare.errors import BadInput
from drivecare.schemas import make_schema
from tests.fit.samples import PROFILE


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["hosts", *arguments])


def document(*arguments: str, schema: str) -> Any:
    found = json.loads(run(*arguments, "--json").stdout)
    assert found["schema"] == f"drivecare/{schema}"
    jsonschema.validate(found, make_schema(schema))
    return found


def test_list() -> None:
    hosts = document("list", schema="hosts-1")["hosts"]
    assert set(hosts[0]) == {"id", "name", "bay", "interface", "migration"}
    assert {"bay-2.5-9.5", "corvane-hearth-21"} <= {one["id"] for one in hosts}
    text = run("list").stdout
    assert all(one["id"] in text for one in hosts)


def test_show() -> None:
    assert document("show", "bay-u2", schema="host-1")["interface"]["connector"] == "u2"
    text = run("show", "corvane-hearth-21").stdout
    assert run("show", "CH-2103").stdout == text  # what stands on the unit does as well
    assert "link_gbps 3.0 [invented unit; common practice, no source]" in " ".join(text.split())
    assert "Tool: Torx T8 with centre pin" in " ".join(text.split())


def test_show_of_an_unknown_id() -> None:
    found = run("show", "corvane-hearth-22").exception
    assert isinstance(found, BadInput)
    assert "Similar: corvane-hearth-2" in found.message()


def test_match() -> None:
    assert run("match", "CH-2103").stdout == "corvane-hearth-21   Corvane Hearth, revision 21\n"
    assert document("match", "CH-2103", schema="host-1")["id"] == "corvane-hearth-21"
    assert isinstance(run("match", "CH-2203").exception, BadInput)


def test_check_says_where(tmp_path: Path) -> None:
    path = tmp_path / "box.toml"
    path.write_text(PROFILE)
    assert (run("check", str(path)).exit_code, run("check", str(path)).stdout) == (0, f"{path}: nothing wrong\n")
    path.write_text(PROFILE.replace("link_gbps = 3.0", "link_gbps = 4.0"))
    found = run("check", str(path))
    assert (found.exit_code, found.stdout) == (
        3,
        f"{path}: interface.link_gbps: 4 is none of 1.5, 3, 6, 12 Gb/s\n",
    )
    listed = document("check", str(path), schema="host-check-1")
    assert (listed["valid"], listed["problems"][0]["key"]) == (False, "interface.link_gbps")


def test_check_of_a_missing_file(tmp_path: Path) -> None:
    assert isinstance(run("check", str(tmp_path / "none.toml")).exception, BadInput)


@pytest.mark.parametrize("where", ["environment", "configuration"])
def test_a_shops_own_profiles(where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "drivecare" / "hosts"
    folder.mkdir(parents=True)
    (folder / "testbox-7.toml").write_text(PROFILE)
    if where == "environment":
        monkeypatch.setenv("DRIVECARE_HOSTS", str(folder))
    else:
        monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert run("match", "TB-7003").stdout.startswith("testbox-7 ")


def test_a_shops_folder_that_is_gone_is_named_and_the_rest_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DRIVECARE_HOSTS", str(tmp_path / "gone"))
    ran = run("match", "CH-2103")
    assert (ran.exit_code, ran.stdout) == (0, "corvane-hearth-21   Corvane Hearth, revision 21\n")
    assert f"{tmp_path}/gone: is not a folder of profiles: check $DRIVECARE_HOSTS" in ran.stderr


@pytest.mark.parametrize(
    "words",
    [
        ["hosts", "list"],
        ["plan", "--host", "CH-2103", "--stock", "s.csv"],
        ["job", "new", "1", "--host", "CH-2103", "--complaint", "x", "--jobs", "jobs"],
    ],
    ids=" ".join,
)
def test_one_bad_profile_stops_nothing_else(words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DRIVECARE_HOSTS", "hosts")
    (tmp_path / "s.csv").write_text("model\nK\n")
    (tmp_path / "hosts").mkdir()
    (tmp_path / "hosts" / "bad.toml").write_text(PROFILE.replace("height_mm = 9.5", "height_mm = 95"))
    ran = CliRunner().invoke(cli, words)
    assert ran.exit_code in (0, 30, 31)
    first, *_, last = [line for line in ran.stderr.splitlines() if line.startswith("hosts/bad.toml: ")]
    assert first.startswith("hosts/bad.toml: bay.height_mm: 95 mm is not a height")
    assert last == "hosts/bad.toml: left out until that is corrected. See: drivecare hosts check hosts/bad.toml"
