"""Write every schema beside this file: `python -m drivecare.schemas`."""

from __future__ import annotations

from pathlib import Path

from drivecare.schemas import DOCUMENTS, schema_bytes


def write_all(folder: Path) -> None:
    """Write NAME.json for every document, and remove those of documents that are gone."""
    for stale in set(folder.glob("*.json")) - {folder / f"{name}.json" for name in DOCUMENTS}:
        stale.unlink()
    for name in DOCUMENTS:
        (folder / f"{name}.json").write_bytes(schema_bytes(name))


if __name__ == "__main__":
    write_all(Path(__file__).parent)
