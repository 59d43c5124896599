"""Which file a block belongs to, held against what the file systems' own tools say: debugfs, ntfscluster, xfs_db.

They know nothing of drivecare. Blocks are drawn over the whole image, so that files, folders, structures and free space
are among them.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivecare.transfer.areas import Area
from drivecare.transfer.holds import Hold
from tests.contents.conftest import files, image, images
from tests.contents.images import need, run
from tests.contents.test_file_systems import look

pytestmark = [pytest.mark.bench]
__all__ = ["files", "image", "images"]


def drawn(image: Path, block_bytes: int, count: int, share: float = 1.0) -> list[int]:
    """Block numbers over the first `share` of an image, the same at every run."""
    blocks = range(1, int(image.stat().st_size * share) // block_bytes)
    return sorted(random.Random(image.stem).sample(blocks, min(count, len(blocks))))


def first_holds(image: Path, blocks: list[int], block_bytes: int) -> Iterator[tuple[int, tuple[Hold, ...]]]:
    areas = look(image, *(Area(offset=block * block_bytes, length=block_bytes) for block in blocks)).areas
    return zip(blocks, (area.holds for area in areas), strict=True)


@pytest.mark.parametrize("image", ["ext4"], indirect=True)
def test_debugfs_says_the_same_of_ext4(image: Path) -> None:
    need("debugfs")
    block_bytes = int(re.findall(r"Block size: +(\d+)", run("dumpe2fs", "-h", image))[0])
    blocks = drawn(image, block_bytes, 300, share=0.6)
    owners = dict(
        re.findall(r"^(\d+)\t(\d+)$", run("debugfs", "-R", f"icheck {' '.join(map(str, blocks))}", image), re.M)
    )
    listed = run("debugfs", "-R", f"ncheck {' '.join(set(owners.values()))}", image)
    names = {number: "/" + path.lstrip("/") for number, path in re.findall(r"^(\d+)\t(/.*)$", listed, re.M)}
    kinds = set()
    for block, holds in first_holds(image, blocks, block_bytes):
        kinds |= {hold.kind for hold in holds}
        theirs = names.get(owners.get(str(block), ""))
        ours = {hold.path for hold in holds if hold.kind in ("file", "directory")}
        assert ours == ({theirs} if theirs else set()), block
        is_free = "not in use" in run("debugfs", "-R", f"testb {block}", image)
        assert ({hold.kind for hold in holds} == {"free"}) == is_free, block
    assert {"file", "structure", "free"} <= kinds


@pytest.mark.parametrize("image", ["NTFS"], indirect=True)
def test_ntfscluster_says_the_same_of_ntfs(image: Path) -> None:
    need("ntfscluster")
    kinds = set()
    for cluster, holds in first_holds(image, drawn(image, 4096, 60), 4096):
        kinds |= {hold.kind for hold in holds}
        text = run("ntfscluster", "-f", "-c", f"{cluster}-{cluster}", image)
        theirs = {path for path in re.findall(r"^Inode \d+ (/.*)/\$DATA$", text, re.M) if not path.startswith("/$")}
        folders = set(re.findall(r"^Inode \d+ (/.*)/\$INDEX_ALLOCATION", text, re.M))
        ours = {hold.path for hold in holds if hold.kind == "file"}
        assert ours == theirs, cluster
        assert {hold.path for hold in holds if hold.kind == "directory"} == folders, cluster
        assert ({hold.kind for hold in holds} == {"free"}) == ("* no inode found" in text), cluster
    assert {"file", "free"} <= kinds


@pytest.mark.parametrize("image", ["XFS"], indirect=True)
def test_xfs_db_says_the_same_of_xfs(image: Path) -> None:
    need("xfs_db")
    superblock = run("xfs_db", "-r", "-c", "sb 0", "-c", "print agblocks agblklog", image)
    per_group, shift = (int(value) for value in re.findall(r"= (\d+)", superblock))
    blocks = drawn(image, 4096, 200, share=0.1)
    numbers = [(block // per_group << shift) + block % per_group for block in blocks]
    asked = [word for number in numbers for word in ("-c", f"fsblock {number}", "-c", "blockuse -n")]
    text = run("xfs_db", "-r", "-c", "blockget -n", *asked, image)
    theirs = re.findall(r"^block \d+ \(\d+/\d+\) type (\w+)(?: inode \d+ ?(\S*))?", text, re.M)
    assert len(theirs) == len(blocks)
    kinds = set()
    for (block, holds), (kind, path) in zip(first_holds(image, blocks, 4096), theirs, strict=True):
        kinds |= {hold.kind for hold in holds}
        ours = {hold.path for hold in holds if hold.kind == "file"}
        assert ours == ({f"/{path}"} if kind == "data" else set()), block
        assert ({hold.kind for hold in holds} == {"free"}) == kind.startswith("free"), block
    assert {"file", "free"} <= kinds
