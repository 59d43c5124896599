"""What was lost, in the customer's words."""

from __future__ import annotations

import pytest

from drivecare.job.losses import describe_losses
from drivecare.transfer.holds import AreaContents, FileKind, Hold


def area(*holds: Hold, length: int = 512) -> AreaContents:
    return AreaContents(offset=0, length=length, holds=holds)


def damaged(number: int, kind: FileKind | None, hit: int = 512, path: str | None = None) -> Hold:
    return Hold(kind="file", partition=1, file=number, path=path, file_kind=kind, size_bytes=9000, bytes=hit)


PHOTOS = (damaged(1, "photo"), damaged(2, "photo"), damaged(3, "photo"), damaged(4, "video"))


@pytest.mark.parametrize(
    ("areas", "sentences"),
    [
        pytest.param((area(),), [], id="nobody looked"),
        pytest.param(
            (area(*PHOTOS), area(damaged(1, "photo"))),
            ["Damaged, as the copy's own list of files says: 3 photos and 1 video. Ask us which."],
            id="a file in two areas is one file",
        ),
        pytest.param((area(damaged(1, "photo", hit=0)),), [], id="not damaged"),
        pytest.param(
            (area(damaged(1, None)),),
            ["Damaged, as the copy's own list of files says: 1 other file. Ask us which."],
            id="no kind",
        ),
        pytest.param(
            (area(Hold(kind="directory", bytes=512)),),
            ["Part of what keeps the files in order was hit, so that more may be missing than is named here."],
            id="directory",
        ),
        pytest.param(
            (area(Hold(kind="unknown", bytes=512)),),
            ["Of 1 area nobody can tell, or not of all of it, what was stored there."],
            id="unknown",
        ),
        pytest.param(
            (area(Hold(kind="free", bytes=512)), area(Hold(kind="free", bytes=100))),
            ["In 1 area no file that existed was hit; deleted files may have been there."],
            id="free only where all of it is",
        ),
        pytest.param(
            (area(Hold(kind="deleted", bytes=512)), area(Hold(kind="free", bytes=512))),
            [
                "In 1 area no file that existed was hit; deleted files may have been there.",
                "In 1 area a file lay that had been deleted. If you still want it, tell us.",
            ],
            id="deleted",
        ),
        pytest.param(
            (area(damaged(1, "photo", path="/beach.jpg")), area(damaged(1, "photo", path="/beach.jpg"))),
            ["Damaged, as the copy's own list of files says: 1 photo: /beach.jpg."],
            id="one name",
        ),
        pytest.param(
            tuple(area(damaged(number, "photo", path=f"/{number}.jpg")) for number in range(1, 8)),
            ["Damaged, as the copy's own list of files says: 7 photos: /1.jpg, /2.jpg and 5 more. Ask us which."],
            id="many names",
        ),
        pytest.param(
            (area(damaged(1, "photo", path="/" + "long/" * 40 + "a\u202e.jpg"), damaged(2, None)),),
            [
                "Damaged, as the copy's own list of files says: 1 photo and 1 other file: "
                "…ng/long/long/long/long/long/long/long/long/long/a\\u202e.jpg. Ask us which."
            ],
            id="a long name, and one that is not there",
        ),
    ],
)
def test_what_the_customer_reads(areas: tuple[AreaContents, ...], sentences: list[str]) -> None:
    assert list(describe_losses(areas)) == sentences
