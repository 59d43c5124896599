"""What is known by a maker's name is data, and says how sure it is."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import drivecare
from drivecare.reading.families import Family, has_trait, load_families, pattern_of
from drivecare.reading.wear import WearRule, load_wear_rules

ROWS = (*load_families(), *load_wear_rules())


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.source)
def test_every_row_has_a_pattern_that_works_and_a_source(row: Family | WearRule) -> None:
    pattern = row.pattern if isinstance(row, Family) else row.name
    assert re.search(pattern, "") is None, "it would match every name"
    assert row.source.strip()


@pytest.mark.parametrize(
    ("label", "trait", "has"),
    [
        ("ST4000DM004-2CV104", "packed-rates", True),
        ("SEAGATE ST4000", "packed-rates", True),
        ("WDC WD40EZRZ", "packed-rates", False),
        ("ST4000NM000A", "hard-drive", True),
        ("ST400FM0053", "hard-drive", False),
        ("HGST HUS724040ALE640", "hard-drive", True),
        ("KESTREL KD4000", "hard-drive", False),
        ("DELL PERC H730", "raid-volume", True),
        ("SEAGATE ST4000NM000A", "raid-volume", False),
    ],
)
def test_families_are_known_by_name(label: str, trait: str, has: bool) -> None:
    assert has_trait(label, trait) is has  # type: ignore[arg-type]


MAKERS = re.compile(
    r"seagate|hitachi|samsung|fujitsu|toshiba|sandisk|\bwdc|apple|megaraid|adaptec|areca|3ware|cciss", re.I
)


def test_makers_are_named_in_data_and_not_in_code() -> None:
    """In code only docstrings and comments name them, as sources."""
    named = []
    for path in sorted(Path(drivecare.__file__).parent.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        docstrings = {
            id(node.body[0].value)
            for node in ast.walk(tree)
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
            and node.body
            and isinstance(node.body[0], ast.Expr)
        }
        named += [
            f"{path.name}:{node.lineno}"
            for node in ast.walk(tree)
            if isinstance(node, ast.Constant) and id(node) not in docstrings and MAKERS.search(str(node.value))
        ]
    assert named == []
    assert MAKERS.search(pattern_of("packed-rates")), "the names still stand where they are looked for"
