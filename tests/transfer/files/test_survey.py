"""What a target can hold, to the byte: at the limit it holds it, one behind it does not."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.transfer.files.file_system import Abilities
from drivecare.transfer.files.survey import (
    SourceTree,
    find_misfits,
    first_links,
    needed_characters,
    open_source_folder,
    survey_tree,
)
from tests.transfer.files.faulty import FILES

ROOMY = Abilities(
    symlinks=True,
    hard_links=True,
    modes=True,
    sparse=False,
    case_sensitive=True,
    longest_name_bytes=255,
    largest_file_bytes=None,
    free_bytes=1 << 40,
    free_entries=None,
)


def able(**changed: object) -> Abilities:
    values = {name: getattr(ROOMY, name) for name in Abilities.__slots__}
    return Abilities(**(values | changed))


@pytest.fixture
def root(tmp_path: Path) -> Path:
    folder = tmp_path / "source"
    folder.mkdir()
    (folder / "Notes").write_bytes(b"n" * 100)
    (folder / "notes").write_bytes(b"n" * 100)
    (folder / "letters").write_bytes(b"n" * 1000)
    return folder


def surveyed(root: Path) -> SourceTree:
    with open_source_folder(FILES, root) as source:
        return survey_tree(source)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"longest_name_bytes": 7}, None),
        ({"longest_name_bytes": 6}, "letters: its name takes 7 bytes, the target holds 6"),
        ({"largest_file_bytes": 1000}, None),
        ({"largest_file_bytes": 999}, "letters: 1,000 bytes, the target's largest file is 999"),
        ({"case_sensitive": False}, "notes: differs from Notes in letter case only, the target cannot tell them apart"),
        ({"free_bytes": 1200}, None),
        ({"free_bytes": 1199}, "1,200 bytes are needed, 1,199 are free on the target"),
        ({"free_bytes": 2047, "block_bytes": 512}, "2,048 bytes are needed, 2,047 are free on the target"),
        ({"free_bytes": 2048, "block_bytes": 512}, None),
        ({"free_entries": 11}, None),
        ({"free_entries": 10}, "3 entries are needed, 10 are free on the target"),
        ({"unable": frozenset("x")}, None),
        ({"unable": frozenset("l")}, "letters: the target cannot hold 'l' in a name"),
        ({"dot_at_end": False}, None),
    ],
)
def test_what_a_target_holds_to_the_byte(root: Path, changed: dict[str, object], says: str | None) -> None:
    assert list(find_misfits(surveyed(root), able(**changed))) == ([] if says is None else [says])


def test_names_of_two_folders_do_not_meet(root: Path) -> None:
    """Only names that lie in one folder are told apart by their case there."""
    for folder in ("a", "b"):
        (root / folder).mkdir()
        (root / folder / "same").touch()
    (root / "notes").unlink()
    assert list(find_misfits(surveyed(root), able(case_sensitive=False))) == []


def test_a_file_of_two_names_is_written_once_where_the_target_keeps_links(root: Path) -> None:
    (root / "letters again").hardlink_to(root / "letters")
    tree = surveyed(root)
    assert [entry.path for entry in first_links(tree, ROOMY)] == [b"Notes", b"letters", b"notes"]
    assert len(first_links(tree, able(hard_links=False))) == 4
    assert list(find_misfits(tree, able(free_bytes=1200))) == []
    assert list(find_misfits(tree, able(free_bytes=1200, hard_links=False))) != []


def test_only_odd_characters_are_tried_out(tmp_path: Path) -> None:
    (tmp_path / "Straße: 7").touch()
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "b_2").touch()
    assert needed_characters(surveyed(tmp_path)) == {"ß", ":", " ", "_"}
