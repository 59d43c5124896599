"""A plan in a job: what the job knows need not be typed again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from drivecare.documents import Value
from drivecare.fit.host_profile import HostDocument
from drivecare.hardware.machine import Machine
from drivecare.job.job_state import load_job_state
from drivecare.transfer.counted import Counted
from drivecare.work.plan import PlanRequest, complete_from_job, plan_replacement
from tests.fit.samples import candidate, host, old_drive
from tests.job.carried import NEW, OLD, OTHER, data_route, device, filed, receipt

SYSTEM = Counted(partition=1, file_system="FAT32", encrypted=False, used_bytes=1000, files=211)
DATA = Counted(partition=2, file_system="NTFS", encrypted=False, used_bytes=5000, files=48_000)
LOCKED = Counted(partition=3, file_system="LUKS", encrypted=True, reason="it is encrypted")


def completed(folder: Path, *copies: Value, used_bytes: int | None = None) -> PlanRequest:
    state = load_job_state(filed(folder, [*data_route(), *copies]).read())
    return complete_from_job(PlanRequest(label=None, hosts=(), used_bytes=used_bytes), state)


def test_what_was_counted_on_a_copy_of_the_old_drive_is_known(tmp_path: Path) -> None:
    copy = receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"), counted=(SYSTEM, DATA))
    request = completed(tmp_path, copy)
    assert (request.used_bytes, request.encrypted) == (6000, ())


def test_a_smaller_drive_is_planned_for_by_file_copy_where_the_copy_shows_that_the_files_fit(tmp_path: Path) -> None:
    unit = host(moving={"files_suffice": True})
    document = HostDocument(**msgspec.structs.asdict(unit), origin="a test")
    copy = receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"), counted=(SYSTEM, DATA))
    request = replace(completed(tmp_path, copy), label=unit.id, hosts=(document,), old_drive=old_drive())
    small = candidate(capacity_bytes=320_072_933_376)
    plan = plan_replacement(replace(request, stock=(small,)), Machine())
    assert (plan.migration, plan.chosen, plan.used_bytes) == ("file-copy", small.name, 6000)
    asked = plan_replacement(replace(request, stock=(small,), migration="sector-copy"), Machine())
    assert (asked.migration, asked.chosen) == ("sector-copy", None)


def test_what_a_person_typed_comes_first(tmp_path: Path) -> None:
    copy = receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"), counted=(SYSTEM, DATA))
    assert completed(tmp_path, copy, used_bytes=7).used_bytes == 7


@pytest.mark.promise(3)
def test_what_is_used_is_not_known_where_a_partition_is_encrypted(tmp_path: Path) -> None:
    copy = receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"), counted=(SYSTEM, LOCKED))
    request = completed(tmp_path, copy)
    assert (request.used_bytes, request.encrypted) == (None, ("partition 3 (LUKS)",))


def test_a_copy_of_another_drive_tells_nothing(tmp_path: Path) -> None:
    request = completed(tmp_path, receipt(device(OTHER, "/dev/sdb"), device(NEW, "/dev/sdc"), counted=(LOCKED,)))
    assert (request.used_bytes, request.encrypted) == (None, ())
