"""The addresses that a drive's own logs name as unreadable, so that the files on them can be looked up."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from drivecare.reading.logs import find_lost_data, find_pending_defects
from drivecare.reading.model import FAILED_TESTS, Drive, SelfTest, UnreadableLba, UnreadableLog
from drivecare.reading.report_text import Report
from drivecare.reading.scsi import find_pending_rows, find_scan_failures

_UNCORRECTABLE = re.compile(r"\bError: [A-Z, ]*\bUNC\b.* at LBA = 0x[0-9a-f]+ = (\d+)", re.I)
# The short error log has 28 bits for an address and writes this one for all that are higher (from memory).
_HIGHEST_OF_28_BITS = (1 << 28) - 1


def read_unreadable_lbas(report: Report, selftests: tuple[SelfTest, ...], drive: Drive) -> tuple[UnreadableLba, ...]:
    """Every address that a log names as unreadable, once: the first log that names it counts."""
    logs: dict[int, UnreadableLog] = {}
    for log, lbas in _read_logs(report, selftests):
        for lba in lbas:
            if lba is not None and _can_be(lba, drive):
                logs.setdefault(lba, log)
    return tuple(UnreadableLba(lba=lba, log=log) for lba, log in logs.items())


def _read_logs(report: Report, selftests: tuple[SelfTest, ...]) -> Iterator[tuple[UnreadableLog, Iterable[int | None]]]:
    yield "pending-defects", find_pending_defects(report) or find_pending_rows(report)
    yield "self-test", (test.lba for test in selftests if test.result in FAILED_TESTS)
    errors = (int(match[1]) for line in report.lines if (match := _UNCORRECTABLE.search(line)))
    yield "errors", (lba for lba in errors if lba != _HIGHEST_OF_28_BITS)
    yield "errors", find_lost_data(report)
    yield "background-scan", find_scan_failures(report)


def _can_be(lba: int, drive: Drive) -> bool:
    """Whether the drive has that address, as far as its size is known."""
    size, sector = drive.whole_bytes, drive.logical_sector_bytes or 512
    return size is None or lba < size // sector
