"""Documents of real commands against the shipped schemas, by a validator we did not write."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner

from drivecare.cli.main import cli
from drivecare.schemas import schema_bytes

FIXTURES = Path(__file__).parents[2] / "fixtures"
REPORT = str(FIXTURES / "demo" / "failing-drive.txt")
STOCK = str(FIXTURES / "demo" / "stock.csv")


def errors(document: Any) -> Iterator[str]:
    """What the validator says against a document, by the schema that the document names."""
    schema = json.loads(schema_bytes(document["schema"].removeprefix("drivecare/")))
    for error in jsonschema.Draft202012Validator(schema).iter_errors(document):
        yield f"{document['schema']} {error.json_path}: {error.message}"


def test_everything_a_job_files_fits_its_schema(tmp_path: Path) -> None:
    assert CliRunner().invoke(cli, ["demo", str(tmp_path / "demo")]).exit_code == 0
    documents = [json.loads(path.read_bytes()) for path in (tmp_path / "demo").rglob("*.json")]
    kinds = {document["schema"].removeprefix("drivecare/") for document in documents}
    assert kinds >= {"opening-1", "fact-1", "assessment-1", "plan-1", "receipt-1"}
    assert [line for document in documents for line in errors(document)] == []


@pytest.mark.parametrize(
    "arguments",
    [
        ["assess", REPORT],
        ["assess", "--explain", REPORT],
        ["assess", *(str(path) for path in sorted((FIXTURES / "reports").glob("*.txt")))],
        ["plan", "--host", "CH-2103", "--reading", REPORT, "--stock", STOCK],
        ["rules"],
        ["hosts", "list"],
        ["hosts", "show", "corvane-hearth-21"],
        ["drives"],
        ["doctor"],
        ["job", "list"],
    ],
    ids=lambda arguments: " ".join(Path(word).name for word in arguments[:3]),
)
def test_what_a_command_prints_fits_its_schema(arguments: list[str]) -> None:
    document = json.loads(CliRunner().invoke(cli, [*arguments, "--json"]).stdout)
    assert list(errors(document)) == []
