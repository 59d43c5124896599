"""Say what is in the wheel and the sdist, and refuse what does not belong: check_wheel.py WHEEL SDIST."""

from __future__ import annotations

import sys
import tarfile
import zipfile
from pathlib import PurePosixPath

NEEDED = (
    "drivecare/py.typed",
    "drivecare/schemas/assessment-1.json",
    "drivecare/profiles/risk/verdict.toml",
    "drivecare/profiles/hosts/",
    "drivecare/demo_data/",
    "drivecare/job/",
    "licenses/LICENSE",
)
UNWANTED = ("tests/", "__pycache__", ".pyc", ".parquet", ".venv")


def problems(wheel: str, sdist: str) -> list[str]:
    """What is missing from the wheel or should not be there, one line each."""
    names = zipfile.ZipFile(wheel).namelist()
    found = [f"missing from the wheel: {need}" for need in NEEDED if not any(need in name for name in names)]
    found += [f"unwanted in the wheel: {name}" for name in names for bad in UNWANTED if bad in name]
    tops = {PurePosixPath(name).parts[0] for name in names}
    found += [f"unwanted at the wheel's top: {top}" for top in tops if not top.startswith("drivecare")]
    with tarfile.open(sdist) as archive:
        packed = archive.getnames()
    found += [f"unwanted in the sdist: {name}" for name in packed if "/.venv" in name or "__pycache__" in name]
    print(f"wheel: {len(names)} files; sdist: {len(packed)} entries")
    return found


if __name__ == "__main__":
    lines = problems(*sys.argv[1:3])
    print(*lines, sep="\n")
    sys.exit(bool(lines))
