"""Every document type has its schema, and the shipped file says what the type says."""

from __future__ import annotations

import json
from importlib import resources

import jsonschema
import pytest

from drivecare.documents import encode
from drivecare.reading.model import Reading
from drivecare.schemas import DOCUMENTS, document_type, schema_bytes


@pytest.mark.parametrize("name", DOCUMENTS)
def test_shipped_schema_is_made_from_the_type(name: str) -> None:
    shipped = resources.files("drivecare.schemas").joinpath(f"{name}.json").read_bytes()
    assert shipped == schema_bytes(name), "run: python -m drivecare.schemas"


@pytest.mark.parametrize("name", DOCUMENTS)
def test_schema_is_valid_and_names_its_document(name: str) -> None:
    schema = json.loads(schema_bytes(name))
    jsonschema.Draft202012Validator.check_schema(schema)
    kind = document_type(name)
    assert kind.__struct_defaults__
    field = schema["$defs"][kind.__name__]["properties"]["schema"]
    assert f"drivecare/{name}" in json.dumps(field)


def test_an_empty_reading_validates_and_a_wrong_one_does_not() -> None:
    schema = json.loads(schema_bytes("reading-1"))
    document = json.loads(encode(Reading()))
    jsonschema.validate(document, schema)
    document["drive"]["capacity_bytes"] = "large"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, schema)
