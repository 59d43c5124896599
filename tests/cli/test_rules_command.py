"""`drivecare rules`: readable, as JSON, and one line where nothing matches."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from drivecare.cli.main import cli
from drivecare.errors import BadInput


def test_rules_about_one_signal_in_words() -> None:
    result = CliRunner().invoke(cli, ["rules", "crc_errors"])
    assert result.exit_code == 0
    assert result.output.startswith(
        "crc_errors: transfers damaged on the cable (every drive; fault class link)\n"
        "  at least 10: recheck\n"
        "  above 0: note\n"
    )
    assert "  Source, measured: Backblaze" in result.output


@pytest.mark.parametrize(
    ("number", "signal"), [("197", "pending"), ("smart_5_raw", "reallocated"), ("9", "power_on_hours")]
)
def test_rules_by_the_number_of_an_attribute(number: str, signal: str) -> None:
    named = CliRunner().invoke(cli, ["rules", signal]).output
    assert CliRunner().invoke(cli, ["rules", number]).output == named
    assert named.startswith(f"{signal}: ")


def test_all_rules_end_with_the_verdict_table() -> None:
    result = CliRunner().invoke(cli, ["rules"])
    assert result.exit_code == 0
    assert result.output.rstrip().endswith("refit otherwise")


def test_rules_as_json() -> None:
    document = json.loads(CliRunner().invoke(cli, ["rules", "--json"]).output)
    assert document["schema"] == "drivecare/rules-1"
    assert all(rule["source"]["kind"] in ("measured", "published", "judgement") for rule in document["rules"])
    assert document["verdict_table"][-1]["verdict"] == "refit"


def test_unknown_signal_is_bad_input() -> None:
    result = CliRunner().invoke(cli, ["rules", "moon"])
    assert isinstance(result.exception, BadInput)
    assert result.exception.message() == "moon: no rule mentions this. `drivecare rules` lists them all."


def test_help_shows_an_example() -> None:
    assert "drivecare rules pending" in CliRunner().invoke(cli, ["rules", "--help"]).output
