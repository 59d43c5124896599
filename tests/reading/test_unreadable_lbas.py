"""The addresses that a drive's own logs name as unreadable: pending defects, self-tests, errors, background scan."""

from __future__ import annotations

from drivecare.reading.decode import decode_report
from drivecare.reading.model import UnreadableLba
from drivecare.risk.assess import assess
from tests.reading.recorded import report

CLEAN = report("hdd-nothing-against-it")


def _lbas(text: str) -> list[tuple[int, str]]:
    return [(place.lba, place.log) for place in decode_report(text).unreadable_lbas]


PENDING = "\nPending Defects log (GP Log 0x0c)\nIndex                LBA    Hours\n"


def test_the_log_of_pending_defects() -> None:
    log = f"{PENDING}    0          233500365    21900\n    1          233500372        -\n"
    assert _lbas(CLEAN + log) == [(233_500_365, "pending-defects"), (233_500_372, "pending-defects")]


def test_addresses_that_the_drive_does_not_have() -> None:
    """A log that is not reset after a size was set, or an address of 28 bits that stands for any higher one."""
    log = f"{PENDING}    0          23350036500000    21900\n    1          77        -\n"
    errors = "  40 51 08 ff ff ff 0f  Error: UNC 8 sectors at LBA = 0x0fffffff = 268435455\n"
    assert _lbas(CLEAN + errors + log) == [(77, "pending-defects")]


def test_the_pending_defects_of_a_sas_drive() -> None:
    log = (
        "  Pending defect count:2 Pending Defects\n  index, LBA and accumulated_power_on_hours follow\n"
        "     1:  0x1a2b3c4d        ,    812\n     2:  0x77              ,    813\n"
    )
    lbas = _lbas(report("sas-nothing-against-it") + log)
    assert lbas == [(0x1A2B3C4D, "pending-defects"), (0x77, "pending-defects")]


def test_self_tests_that_failed_and_no_others() -> None:
    failed = CLEAN + (
        "# 2  Extended offline    Completed: read failure       90%     21800         233500365\n"
        "# 3  Extended offline    Completed: read failure       90%     21700         233500365\n"
        "# 4  Extended offline    Aborted by host               90%     21600         77\n"
    )
    assert _lbas(failed) == [(233_500_365, "self-test")]


def test_uncorrectable_entries_of_the_error_log() -> None:
    log = (
        "ATA Error Count: 2\nError 2 occurred at disk power-on lifetime: 21800 hours (908 days + 8 hours)\n"
        "  40 51 08 6d 0c 5a 0d  Error: UNC 8 sectors at LBA = 0x0d5a0c6d = 224005229\n"
        "  84 51 08 6e 0c 5a 0d  Error: ICRC, ABRT 8 sectors at LBA = 0x0d5a0c6e = 224005230\n"
    )
    assert _lbas(CLEAN + log) == [(224_005_229, "errors")]


def test_nvme_errors_of_lost_data() -> None:
    log = (
        "\nError Information (NVMe Log 0x01, 16 of 64 entries)\n"
        "Num   ErrCount  SQId   CmdId  Status  PELoc          LBA  NSID    VS\n"
        "  0         12     3  0x0018  0x4502  0x000     41943040     1     -\n"
        "  1         11     3  0x0018  0x4004  0x000     41943048     1     -\n"
    )
    assert _lbas(report("nvme-nothing-against-it") + log) == [(41_943_040, "errors")]


def test_the_background_scan_of_a_sas_drive() -> None:
    log = (
        "\nBackground scan results log\n  Status: scan is active\n"
        "   1     812:14  000000001a2b3c4d  [3,11,0]  Require Write or Reassign Blocks command\n"
        "   2     812:15  000000001a2b3c50  [1,17,1]  Reassigned by disk\n"
    )
    assert _lbas(report("sas-nothing-against-it") + log) == [(0x1A2B3C4D, "background-scan")]


def test_a_drive_without_a_background_scan_counts_none() -> None:
    text = report("sas-nothing-against-it") + "\nDevice does not support Background scan results logging\n"
    assert decode_report(text).values.background_scan_errors is None


def test_an_address_that_two_logs_name_is_said_once_and_the_assessment_has_it() -> None:
    text = CLEAN + (
        "# 2  Extended offline    Completed: read failure       90%     21800         4711\n"
        "\nPending Defects log (GP Log 0x0c)\nIndex                LBA    Hours\n    0          4711    21900\n"
    )
    assessment = assess(decode_report(text))
    assert assessment.unreadable_lbas == (UnreadableLba(lba=4711, log="pending-defects"),)


def test_a_quiet_drive_names_none() -> None:
    assert _lbas(CLEAN) == []
