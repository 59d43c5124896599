"""Closing a job: the fate of every image is said, and only images this job made are ever removed."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.documents import Value
from drivecare.errors import BadInput, Unavailable
from drivecare.job.case import Case, load_case
from drivecare.job.close import (
    GateShut,
    check_closing,
    forget,
    images_made,
    make_closing,
    read_fates,
    to_forget,
)
from drivecare.job.model import ImageLeft
from tests.job.carried import NEW, NOW, OLD, data_route, device, filed, image, receipt


def with_images(folder: Path) -> tuple[Case, Path, Path]:
    """A finished job that went through an image, and an image that came from elsewhere."""
    made, brought = folder / "made.img", folder / "brought.img"
    for path in (made, brought):
        path.write_bytes(b"private")
    base: list[Value] = data_route()
    to_image = receipt(device(OLD, "/dev/sdb"), image(str(made)))
    from_brought = receipt(image(str(brought)), device(OLD, "/dev/sdd"), verified=False)
    to_drive = receipt(image(str(made)), device(NEW, "/dev/sdc"), parents=("ab" * 32,))
    documents = [*base[:4], from_brought, to_image, to_drive, *base[5:]]
    return load_case(filed(folder / "jobs", documents), now=NOW), made, brought


def test_only_images_this_job_made_are_named(tmp_path: Path) -> None:
    case, made, _ = with_images(tmp_path)
    assert images_made(case) == (made,)
    assert to_forget(case, {}) == (made,)
    assert to_forget(case, {made: "kept"}) == ()


def test_every_image_s_fate_must_be_said(tmp_path: Path) -> None:
    case, made, brought = with_images(tmp_path)
    with pytest.raises(BadInput, match="what becomes of this image was not said"):
        check_closing(case, anyway=None, forget=False, fates={})
    with pytest.raises(BadInput, match="is no image of this job"):
        check_closing(case, anyway=None, forget=True, fates={brought: "kept"})
    check_closing(case, anyway=None, forget=True, fates={})
    check_closing(case, anyway=None, forget=False, fates={made: "kept"})
    made.unlink()
    check_closing(case, anyway=None, forget=False, fates={})


def test_a_link_or_a_folder_is_never_taken_for_an_image(tmp_path: Path) -> None:
    case, made, brought = with_images(tmp_path)
    made.unlink()
    made.symlink_to(brought)
    assert to_forget(case, {}) == ()
    made.unlink()
    made.mkdir()
    assert to_forget(case, {}) == ()


def test_a_shut_gate_needs_a_reason(tmp_path: Path) -> None:
    documents = data_route()
    del documents[0]
    case = load_case(filed(tmp_path, documents), now=NOW)
    with pytest.raises(GateShut) as caught:
        check_closing(case, anyway=None, forget=False, fates={})
    assert caught.value.exit_code == 40
    assert caught.value.message() == (
        "job 1042: the gate is shut. See drivecare gate 1042, or say why with --anyway REASON."
    )
    check_closing(case, anyway="customer declined", forget=False, fates={})


def test_the_record_tells_every_fate(tmp_path: Path) -> None:
    case, made, _ = with_images(tmp_path)
    forget(made)
    assert not made.exists()
    closing = make_closing(
        case, unit_started=True, old_drive="returned", fates={}, removed=(made,), at="2026-11-25T12:00:00+00:00"
    )
    assert closing.images == (ImageLeft(path=str(made), fate="removed"),)
    assert closing.gate_open
    gone = make_closing(case, unit_started=True, old_drive="returned", fates={}, at="x")
    assert gone.images == (ImageLeft(path=str(made), fate="gone"),)
    with pytest.raises(Unavailable, match="cannot be removed"):
        forget(made)


def test_a_job_is_closed_once(tmp_path: Path) -> None:
    job = filed(tmp_path, data_route())
    case = load_case(job, now=NOW)
    job.file(make_closing(case, unit_started=True, old_drive="kept", fates={}, at="x"))
    with pytest.raises(BadInput, match="job 1042: is closed already"):
        check_closing(load_case(job, now=NOW), anyway=None, forget=False, fates={})


def test_fates_as_they_are_typed() -> None:
    assert read_fates((("/a", "kept"), ("/b", "handed-over"))) == {Path("/a"): "kept", Path("/b"): "handed-over"}
    with pytest.raises(BadInput, match="'removed' is no fate of an image"):
        read_fates((("/a", "removed"),))
    assert read_fates((("b.img", "kept"),)) == {Path("b.img").absolute(): "kept"}
