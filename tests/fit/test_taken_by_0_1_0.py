"""Profiles and stock lists that 0.1.0 took are taken, and nothing that they leave out counts as fitting.

The files in taken_by_0_1_0/ are those that shipped with it, unchanged.
"""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from drivecare.fit.host_catalogue import load_hosts
from drivecare.fit.host_profile import Host
from drivecare.fit.model import Candidate
from drivecare.fit.plan import make_plan
from drivecare.fit.stock_list import read_stock
from tests.fit.samples import old_drive

FOLDER = Path(__file__).parent / "taken_by_0_1_0"
PROFILES = {host.id: host for host in load_hosts([FOLDER]).hosts if host.origin.startswith(str(FOLDER))}
STOCK = read_stock((FOLDER / "stock.csv").read_bytes(), origin="stock.csv")


def test_every_profile_is_taken() -> None:
    assert PROFILES.keys() == {path.stem for path in FOLDER.glob("*.toml")}
    assert load_hosts([FOLDER]).bad == ()


def test_every_row_of_the_stock_list_is_taken() -> None:
    assert (STOCK.faults, STOCK.ignored) == ((), ())
    assert len(STOCK.candidates) == len((FOLDER / "stock.csv").read_text().splitlines()) - 1


def test_the_old_profiles_leave_the_new_keys_open() -> None:
    """Their absence is the cautious reading, not a promise."""
    for profile in PROFILES.values():
        assert (profile.moving.array, profile.moving.larger, profile.interface.pata_position) == (None, None, None)
    small = msgspec.structs.replace(STOCK.candidates[0], form_factor="3.5-inch", height_mm=26.1, peak_12v_amps=1.0)
    assert fits(PROFILES["pondera-shelf-07"], small, 2_000_398_934_016) == "unknown"  # it may join its drives


def fits(profile: Host, drive: Candidate, old: int) -> str:
    (judged,) = make_plan(profile, [drive], reading=old_drive(old)).candidates
    return judged.fits


@pytest.mark.parametrize(
    ("name", "answer"),
    [("Petrel PM-500", "yes"), ("Harrier Slim 500", "yes"), ("Wren W-500", "unknown")],
)
def test_the_drives_that_fitted_the_console_still_do(name: str, answer: str) -> None:
    drive = next(candidate for candidate in STOCK.candidates if candidate.name.startswith(name))
    assert fits(PROFILES["corvane-hearth-21"], drive, 500_107_862_016) == answer
