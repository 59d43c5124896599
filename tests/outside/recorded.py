"""The 34 real reports in the source distribution of pySMART 1.4.3, fetched with pip into a cache; never kept here.

Offline the tests that need them skip; with DRIVECARE_REQUIRE_REPORTS=1 (as .ci/run sets) that skip is a failure.
DRIVECARE_REPORT_CACHE names another cache folder.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import tempfile
from functools import cache
from pathlib import Path

import pytest

_DISTRIBUTION = "pysmart-1.4.3"
_INSIDE = f"{_DISTRIBUTION}/tests/dataset/singletests/"


def _folder() -> Path:
    chosen = os.environ.get("DRIVECARE_REPORT_CACHE")
    return Path(chosen) if chosen else Path(__file__).parents[2] / ".cache" / "reports"


@cache
def _reports() -> dict[str, bytes] | str:
    """Reports by the name of their folder, or why there are none."""
    folder = _folder()
    archive = folder / f"{_DISTRIBUTION}.tar.gz"
    if not archive.exists():
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-binary", "pysmart"]
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryDirectory(dir=folder) as fresh:  # other workers may want it in the same moment
                command += ["--dest", fresh, "pysmart==1.4.3"]
                subprocess.run(command, check=True, capture_output=True, timeout=90)
                (Path(fresh) / archive.name).replace(archive)
        except (subprocess.SubprocessError, OSError):
            return "the real reports (pySMART's source distribution) could not be fetched with pip"
    contents: dict[str, bytes] = {}
    with tarfile.open(archive) as stream:
        for member in sorted(stream.getmembers(), key=lambda member: member.name):
            folder_name, _, name = member.name.removeprefix(_INSIDE).partition("/")
            if member.isfile() and member.name.startswith(_INSIDE) and "--all" in name:
                content = stream.extractfile(member)
                assert content is not None
                contents.setdefault(folder_name, content.read())
    return contents


def real_reports() -> dict[str, bytes]:
    """All reports by name; skips, or fails where they are required, when they cannot be had."""
    reports = _reports()
    if isinstance(reports, dict):
        return reports
    if os.environ.get("DRIVECARE_REQUIRE_REPORTS") == "1":
        pytest.fail(reports)
    pytest.skip(reports)
