"""What is installed: one version, pins within their ranges, and nothing heavy loaded before it is needed."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

import drivecare

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
REPORT = ROOT / "fixtures" / "demo" / "failing-drive.txt"
STOCK = ROOT / "fixtures" / "demo" / "stock.csv"

# Runs drivecare and tells on stderr which packages from outside it loaded.
TELL = """
import sys
from drivecare.cli.main import main
try:
    main()
except SystemExit:
    pass
if_there = {"typing_extensions", "attr"}  # msgspec and rich look whether another package has brought them
names = {name.partition(".")[0] for name in sys.modules} - sys.stdlib_module_names - {"drivecare"} - if_there
print(*sorted(name for name in names if not name.startswith("_")), file=sys.stderr)
"""


def python(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *arguments], capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    ("arguments", "loaded"),
    [
        (["--help"], "click"),
        (["--version"], "click"),
        (["assess", str(REPORT), "--json"], "click msgspec"),
        (["assess", str(REPORT)], "click msgspec rich"),
        (["rules", "pending"], "click msgspec rich"),
        (["hosts", "list"], "click msgspec rich"),
        (["plan", "--host", "CH-2103", "--reading", str(REPORT), "--stock", str(STOCK)], "click msgspec rich"),
        (["drives"], "click msgspec rich"),
        (["copy", "--help"], "click msgspec"),
        (["handover", "--help"], "click msgspec"),
    ],
    ids=lambda value: value if isinstance(value, str) else " ".join(value[:2]).replace(str(REPORT), "REPORT"),
)
def test_only_what_is_needed_is_loaded(arguments: list[str], loaded: str) -> None:
    done = python("-c", TELL, *arguments)
    assert done.stderr.splitlines()[-1] == loaded, done.stderr


def test_the_version_is_the_one_in_the_package() -> None:
    assert "version" not in PROJECT["project"]
    assert metadata.version("drivecare") == drivecare.__version__
    assert python("-m", "drivecare", "--version").stdout == f"drivecare, version {drivecare.__version__}\n"


def test_the_changelog_ends_releases_with_this_version() -> None:
    """Keep a Changelog 1.1.0: unreleased on top, then number and ISO date, newest first; Semantic Versioning 2.0.0."""
    text = (ROOT / "CHANGELOG.md").read_text("utf-8")
    first, *released = re.findall(r"^## (.*)$", text, re.MULTILINE)
    assert first == "Unreleased"
    numbers = []
    for heading in released:
        found = re.fullmatch(r"(\d+\.\d+\.\d+) - (\d{4}-\d\d-\d\d)", heading)
        assert found, heading
        numbers.append(Version(found[1]))
    assert numbers == sorted(numbers, reverse=True)
    assert str(numbers[0]) == drivecare.__version__
    kinds = {"Added", "Changed", "Deprecated", "Removed", "Fixed", "Security"}
    assert set(re.findall(r"^### (.*)$", text, re.MULTILINE)) <= kinds


def test_every_requirement_has_a_range_and_a_pin_in_it() -> None:
    extras = PROJECT["project"]["optional-dependencies"]
    lines = [*PROJECT["project"]["dependencies"], *(line for extra in extras.values() for line in extra)]
    pins = dict(
        line.split("==")
        for line in (ROOT / ".ci" / "constraints.txt").read_text("utf-8").splitlines()
        if not line.startswith("#")
    )
    pinned = {canonicalize_name(name): version for name, version in pins.items()}
    for asked in map(Requirement, lines):
        if asked.name != "drivecare":
            assert {">=", "<"} == {limit.operator for limit in asked.specifier}, asked
            assert pinned[canonicalize_name(asked.name)] in asked.specifier, asked


def test_the_shell_completes_commands() -> None:
    asking = {"_DRIVECARE_COMPLETE": "bash_complete", "COMP_WORDS": "drivecare ass", "COMP_CWORD": "1"}
    installed = Path(sys.executable).with_name("drivecare")
    done = subprocess.run([installed], capture_output=True, text=True, env=os.environ | asking, check=False)
    assert done.stdout.splitlines() == ["plain,assess", "plain,assess-table"]
