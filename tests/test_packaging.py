"""What is installed: one version, pins within their ranges, and nothing heavy loaded before it is needed."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from functools import cache
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

# Runs drivecare where it is asked for anything, and tells on stderr what is then loaded.
TELL = """
import sys
if sys.argv[1:]:
    from drivecare.cli.main import main
    try:
        main()
    except SystemExit:
        pass
print(*sorted({name.partition(".")[0] for name in sys.modules}), file=sys.stderr)
"""
IF_THERE = {"typing_extensions", "attr"}  # msgspec and rich look whether another package has brought them


def python(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *arguments], capture_output=True, text=True, check=False)


@cache
def loaded_by(*arguments: str) -> set[str]:
    """The top-level modules in memory after `drivecare ARGUMENTS`; without arguments those of a bare interpreter."""
    return set(python("-c", TELL, *arguments).stderr.splitlines()[-1].split())


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
        (["job", "list"], "click msgspec rich"),
        (["records", "push"], "click msgspec rich"),
        (["copy", "--help"], "click msgspec"),
        (["handover", "--help"], "click msgspec"),
    ],
    ids=lambda value: value if isinstance(value, str) else " ".join(value[:2]).replace(str(REPORT), "REPORT"),
)
def test_only_what_is_needed_is_loaded(arguments: list[str], loaded: str) -> None:
    """What a machine loads into every interpreter (Debian: `sitecustomize`) is no doing of ours."""
    ours = loaded_by(*arguments) - loaded_by() - sys.stdlib_module_names - IF_THERE
    assert ours == {"drivecare", *loaded.split()}


def test_the_bench_is_collected_without_libfuse() -> None:
    """mfusepy ends with an OSError at import where the library is missing: README's second line was lost by it."""
    done = python("-c", "import sys; sys.modules['mfusepy'] = None; from tests.bench import conftest, test_loop_copies")
    assert done.returncode == 0, done.stderr


def test_every_room_is_in_the_wheel() -> None:
    rooms = {".".join(path.parent.relative_to(ROOT).parts) for path in (ROOT / "drivecare").rglob("__init__.py")}
    listed = {name for name in PROJECT["tool"]["setuptools"]["packages"] if "profiles" not in name}
    assert listed - {"drivecare.demo_data"} == rooms


def test_every_table_of_the_profiles_is_in_the_wheel() -> None:
    patterns = PROJECT["tool"]["setuptools"]["package-data"]
    tables = {path.relative_to(ROOT) for path in (ROOT / "profiles").rglob("*.toml")}
    shipped = {
        path.relative_to(ROOT)
        for package, globs in patterns.items()
        if package.startswith("drivecare.profiles")
        for pattern in globs
        for path in ROOT.joinpath(*package.split(".")[1:]).glob(pattern)
    }
    assert tables == shipped


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
        release = re.fullmatch(r"(\d+\.\d+\.\d+) - (\d{4}-\d\d-\d\d)", heading)
        assert release, heading
        numbers.append(Version(release[1]))
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
