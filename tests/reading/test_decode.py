"""What the decoder makes of the drive's words, its wordings through the years, and its circumstances."""

from __future__ import annotations

import re

import pytest

from drivecare.reading.attributes import is_whole_row
from drivecare.reading.decode import decode_report
from drivecare.reading.logs import selftest_remaining_percent
from drivecare.reading.model import RawReport, Reading, SelfTest
from drivecare.reading.report_text import lines_of
from drivecare.risk.assess import assess
from tests.reading.recorded import report

CLEAN = report("hdd-nothing-against-it")


def _with(old: str, new: str, text: str = CLEAN) -> Reading:
    assert old in text
    return decode_report(text.replace(old, new))


def _codes(reading: Reading) -> set[str]:
    return {gap.code for gap in reading.gaps}


def test_the_drive_itself() -> None:
    drive = decode_report(CLEAN).drive
    assert (drive.model, drive.serial, drive.firmware, drive.family) == (
        "Kestrel KD-500",
        "KX25-00417",
        "KF04",
        "Kestrel Roost 5400",
    )
    assert (drive.logical_sector_bytes, drive.physical_sector_bytes) == (512, 4096)
    assert (drive.form_factor, drive.rotation_rpm) == ("2.5 inches", 5400)
    assert (drive.link_gbps, drive.link_max_gbps) == (3.0, 6.0)
    assert drive.identity.wwn == "50ab1c2000000417"
    assert drive.identity.strength == "strong"
    assert decode_report(CLEAN).read_at == "2026-11-24T10:31:00+00:00"


@pytest.mark.parametrize(
    ("words", "security"),
    [
        ("Disabled, NOT FROZEN [SEC1]", "off"),
        ("Disabled, frozen [SEC2]", "frozen"),
        ("ENABLED, PW level HIGH, not locked, not frozen [SEC5]", "unlocked"),
        ("ENABLED, PW level MAX, **LOCKED** [SEC4]", "locked"),
        ("ENABLED, PW level HIGH, **LOCKED**, PW ATTEMPTS EXCEEDED [SEC4]", "locked"),
        ("Unavailable", "unsupported"),
        ("Unknown (0x8000)", None),
    ],
)
def test_security(words: str, security: str | None) -> None:
    reading = _with("SMART support is: Enabled", f"ATA Security is:  {words}\nSMART support is: Enabled")
    assert reading.drive.security == security
    assert ("locked" in _codes(reading)) == (security == "locked")


OF_SATA = next(line for line in CLEAN.splitlines() if line.startswith("SATA Version is:"))
OF_ATA = next(line for line in CLEAN.splitlines() if line.startswith("ATA Version is:"))


@pytest.mark.parametrize(
    ("lines", "transport"),
    [
        ((OF_ATA, OF_SATA), "serial"),
        ((OF_ATA, "SATA Version is:  SATA 2.6"), "serial"),
        (("ATA Version is:   ATA8-ACS T13/1699-D revision 3f", "Transport Type:   Parallel, ATA8-APT"), "parallel"),
        (("ATA Version is:   ATA/ATAPI-5 T13 1321D revision 1",), "parallel"),
        (("ATA Version is:   4",), "parallel"),
        (("ATA Version is:   ATA/ATAPI-6 T13 1410D revision 2",), None),  # the first SATA drives said so, too
        (("ATA Version is:   7",), None),
        ((OF_ATA,), None),
        ((), None),
    ],
)
def test_sata_is_told_from_pata_only_where_the_drive_tells(lines: tuple[str, ...], transport: str | None) -> None:
    assert _with(f"{OF_ATA}\n{OF_SATA}", "\n".join(lines)).drive.ata_transport == transport


@pytest.mark.parametrize(
    ("line", "trim"),
    [
        ("TRIM Command:     Available, deterministic, zeroed", True),
        ("TRIM Command:     Available", True),
        ("TRIM Command:     Unavailable", False),
    ],
)
def test_trim(line: str, trim: bool) -> None:
    assert _with("Rotation Rate:    5400 rpm", f"Rotation Rate:    5400 rpm\n{line}").drive.trim is trim


@pytest.mark.parametrize(
    ("line", "zoned"),
    [
        ("Zoned Device:     Host Aware Zones", "host-aware"),
        ("Zoned Device:     Host Managed Zones", "host-managed"),
        ("Zoned Device:     Device managed zones", "device-managed"),
        ("Zoned Device:     Reserved (0x3)", None),
    ],
)
def test_zoned(line: str, zoned: str | None) -> None:
    assert _with("Rotation Rate:    5400 rpm", f"Rotation Rate:    5400 rpm\n{line}").drive.zoned == zoned


def test_kind_needs_no_rotation_rate() -> None:
    assert _with("Rotation Rate:    5400 rpm\n", "").drive.kind == "hdd"
    ssd = report("ssd-nothing-against-it")
    assert _with("Rotation Rate:    Solid State Device\n", "", ssd).drive.kind == "ssd"


def test_a_hard_drive_that_calls_itself_solid_state_is_disputed() -> None:
    reading = _with("5400 rpm", "Solid State Device")
    assert "kind-disputed" in _codes(reading)


@pytest.mark.parametrize("name", ["hdd-nothing-against-it", "ssd-nothing-against-it"])
def test_a_report_without_a_verdict_passes_nothing(name: str) -> None:
    """A drive that was not asked, or whose dock does not let the question through, has not said that it is well."""
    text = re.sub(r".*(?:self-assessment test result|Health Status).*\n", "", report(name))
    assert text != report(name)
    reading = decode_report(text)
    assert (reading.drive_says, reading.drive_says_words) == ("silent", None)
    assert "status-missing" in _codes(reading)
    assert "overall verdict is missing" in " ".join(assess(reading).limits)
    for words in ("", "PASSED"):
        line = f"SMART overall-health self-assessment test result: {words}\n"
        says = decode_report(f"{text}\n{line}").drive_says
        assert says == ("passed" if words else "silent")


def test_the_verdict_is_kept_apart_from_threshold_rows() -> None:
    """A temperature row under its threshold does not make the drive say that it fails."""
    row = "194 Temperature_Celsius     0x0022   109   098   000    Old_age   Always       -       38"
    hot = "194 Temperature_Celsius     0x0022   040   040   045    Old_age   Always   FAILING_NOW 60"
    reading = _with(row, hot)
    assert reading.drive_says == "passed"
    assert [(row.id, row.state, row.prefail) for row in reading.attributes if row.state] == [(194, "now", False)]


@pytest.mark.parametrize(
    ("value", "worst", "threshold", "column", "state"),
    [
        ("002", "002", "036", "FAILING_NOW", "now"),
        ("036", "036", "036", "FAILING_NOW", "now"),
        ("036", "036", "036", "    -", "now"),  # the numbers decide, not what the report made of them
        ("001", "001", "000", "FAILING_NOW", None),
        ("100", "030", "036", "In_the_past", "past"),
        ("037", "037", "036", "    -", None),
        ("001", "001", "000", "    -", None),
        ("100", "100", "254", "    -", None),
        ("100", "100", "---", "    -", None),
        ("---", "---", "---", "FAILING_NOW", "now"),
    ],
)
def test_threshold_states(value: str, worst: str, threshold: str, column: str, state: str | None) -> None:
    old = "  5 Reallocated_Sector_Ct   0x0033   200   200   140    Pre-fail  Always       -       0"
    new = f"  5 Reallocated_Sector_Ct   0x0033   {value}   {worst}   {threshold}    Pre-fail  Always   {column}  4049"
    row = next(row for row in _with(old, new).attributes if row.id == 5)
    assert (row.state, row.raw) == (state, 4049)


def test_qualifiers_weaken_the_verdict() -> None:
    passed = "SMART overall-health self-assessment test result: PASSED"
    reading = _with(
        passed,
        "SMART Status not supported: Incomplete response, ATA output registers missing\n"
        f"{passed}\nWarning: This result is based on an Attribute check.",
    )
    assert reading.drive_says == "passed"
    assert reading.qualifiers == ("attribute check only", "status not returned")


def test_unknown_is_not_failing() -> None:
    reading = _with("result: PASSED", "result: UNKNOWN!")
    assert (reading.drive_says, reading.drive_says_words) == ("silent", "UNKNOWN!")
    assert "status-missing" in _codes(reading)


def test_both_layouts_give_the_same_attributes() -> None:
    long = decode_report(CLEAN).attributes
    brief = decode_report(report("hdd-brief-table-with-statistics")).attributes
    assert [(r.id, r.name, r.value, r.worst, r.threshold, r.raw, r.state) for r in long] == [
        (r.id, r.name, r.value, r.worst, r.threshold, r.raw, r.state) for r in brief
    ]
    assert [r.id for r in brief if r.prefail] == [1, 3, 5]


def test_hexadecimal_tables() -> None:
    old = "  5 Reallocated_Sector_Ct   0x0033   200   200   140    Pre-fail  Always       -       0"
    new = "0x05 Reallocated_Sector_Ct   0x0033   0xc8   0xc8   0x8c    Pre-fail  Always       -       7"
    row = next(row for row in _with(old, new).attributes if row.id == 5)
    assert (row.value, row.threshold, row.raw) == (200, 140, 7)


def test_repeated_rows_count_the_worse_one() -> None:
    row = "197 Current_Pending_Sector  0x0032   200   200   000    Old_age   Always       -       0"
    reading = _with(row, f"{row}\n{row[:-1]}24")
    assert reading.values.pending == 24
    assert "repeated-row" in _codes(reading)
    assert "repeated-row" not in _codes(_with(row, f"{row}\n{row}"))


def test_a_name_that_contradicts_the_id_is_not_that_signal() -> None:
    row = "197 Current_Pending_Sector  0x0032   200   200   000    Old_age   Always       -       0"
    assert _with(row, row.replace("Current_Pending_Sector", "Host_Reads_GiB        ")).values.pending is None


def test_damaged_rows_are_told() -> None:
    row = "197 Current_Pending_Sector  0x0032   200   200   000    Old_age   Always       -       0"
    reading = _with(row, row.replace("0x0032   200   200", "0x0032   20z   200"))
    assert reading.values.pending is None
    assert "row-damaged" in _codes(reading)


def test_swapped_flags() -> None:
    row = "  5 Reallocated_Sector_Ct   0x0033   200   200   140    Pre-fail  Always       -       0"
    swapped = "  5 Reallocated_Sector_Ct   0x3300   200   200   140    Old_age   Offline      -       0"
    reading = _with(row, swapped)
    assert next(row.prefail for row in reading.attributes if row.id == 5) is True
    assert "flags-swapped" in _codes(reading)


def test_error_log() -> None:
    errors = decode_report(report("hdd-old-error-burst")).errors
    assert (errors.count, errors.newest_hours, errors.kinds) == (37, 3120, ("uncorrectable",))
    crc = report("hdd-old-error-burst").replace("Error: UNC 8 sectors", "Error: ICRC, ABRT 8 sectors")
    assert decode_report(crc).errors.kinds == ("link checksum", "aborted")
    unread = _with("No Errors Logged", "Invalid Error Log index = 0x20 (T13/1321D rev 1c Section 8.41.6.8.2.2 ...")
    assert unread.values.error_log_count is None
    assert "log-unreadable" in _codes(unread)


ATA_ROWS = [
    ("# 1  Short offline       Completed without error       00%     21890         -", "passed", None),
    ("# 1  Extended offline    Completed: read failure       90%     21890         379252423", "read", 379252423),
    ("# 1  Extended offline    Completed: servo/seek failure 60%     21890         0x0012d687", "servo", 0x12D687),
    ("# 1  Short offline       Completed: electrical failure 10%     21890         -", "electrical", None),
    ("# 1  Short offline       Completed: unknown failure    90%     21890         0", "unknown-element", 0),
    ("# 1  Short offline       Completed: handling damage??  10%     21890         -", "handling-damage", None),
    ("# 1  Short captive       Fatal or unknown error        90%     21890         -", "not-completed", None),
    ("# 1  Extended offline    Aborted by host               90%     21890         -", "aborted", None),
    ("# 1  Short offline       Interrupted (host reset)      10%     21890         -", "interrupted", None),
    ("# 1  Conveyance offline  Completed without error       00%     21890         -", "passed", None),
    ("# 1  Vendor (0x50)       Completed without error       00%     21890         -", "passed", None),
    ("# 1 Short offline Completed without error 00% 21890 -", "passed", None),
    ("#1  Extended offline     Self-test routine in progress 30%     21890         -", "running", None),
]


@pytest.mark.parametrize(("row", "result", "lba"), ATA_ROWS)
def test_ata_self_test_rows(row: str, result: str, lba: int | None) -> None:
    newest = _with("# 1  Short offline       Completed without error       00%     21890         -", row)
    test = newest.values.last_selftest
    assert test is not None
    assert (test.result, test.hours, test.lba) == (result, 21890, lba)
    assert ("selftest-running" in _codes(newest)) == (result == "running")


def test_execution_status_speaks_where_the_log_does_not() -> None:
    log = CLEAN[CLEAN.index("SMART Self-test log structure") :]
    bare = CLEAN.replace(log, "")
    failed = decode_report(bare.replace("(   0)", "( 121)")).values.last_selftest
    assert failed == SelfTest(kind="unknown", result="read", remaining_percent=90)
    running = decode_report(CLEAN.replace("(   0)", "( 243)"))
    assert running.values.last_selftest == SelfTest(kind="unknown", result="running", remaining_percent=30)
    assert running.selftests[1].result == "passed"
    assert decode_report(bare).values.last_selftest is None


SCSI_ROWS = [
    ("# 1  Background short  Completed                   -   30100      - [-   -    -]", "passed", None),
    ("# 1  Background long   Failed in segment -->       3   30100   2987 [0x3 0x11 0x0]", "read", 2987),
    ("# 1  Background long   Completed, segment failed   -   30100      - [-   -    -]", "unknown-element", None),
    ("# 1  Foreground short  Aborted (by user command)   -   30100      - [-   -    -]", "aborted", None),
    ("# 1  Background short  Aborted (device reset ?)    -   30100      - [-   -    -]", "interrupted", None),
    ("# 1  Background long   Self test in progress ...   -     NOW      - [-   -    -]", "running", None),
    ("# 1  Background long   Failed in first segment     1   30100   0x1f [0x4 0x15 0x0]", "unknown-element", 0x1F),
]


@pytest.mark.parametrize(("row", "result", "lba"), SCSI_ROWS)
def test_scsi_self_test_rows(row: str, result: str, lba: int | None) -> None:
    reading = _with("No Self-tests have been logged", f"SMART Self-test log\n{row}", report("sas-nothing-against-it"))
    test = reading.values.last_selftest
    assert test is not None
    assert (test.result, test.lba) == (result, lba)


def test_nvme_self_tests() -> None:
    tests = decode_report(report("nvme-test-failed")).selftests
    assert [(test.kind, test.result, test.hours, test.lba) for test in tests] == [
        ("Extended", "read", 3117, 41943040),
        ("Short", "passed", 2980, None),
    ]


@pytest.mark.parametrize(
    ("byte", "names"),
    [
        ("0x00", ()),
        ("0x01", ("spare",)),
        ("0x02", ("temperature",)),
        ("0x04", ("reliability",)),
        ("0x08", ("read-only",)),
        ("0x10", ("power-backup",)),
        ("0x20", ("persistent-memory",)),
        ("0x0d", ("spare", "reliability", "read-only")),
        ("0x80", ("bit-7",)),
    ],
)
def test_nvme_warnings(byte: str, names: tuple[str, ...]) -> None:
    text = report("nvme-nothing-against-it")
    assert (
        _with("Critical Warning:                   0x00", f"Critical Warning: {byte}", text).values.critical_warnings
        == names
    )


def test_nvme_warnings_in_sentences_alone() -> None:
    text = report("nvme-read-only").replace("Critical Warning:                   0x08\n", "")
    assert decode_report(text).values.critical_warnings == ("read-only",)


def test_an_overheated_nvme_drive_is_not_failing() -> None:
    """The backend words NVMe's verdict from the warning bits; heat is no failure (DESIGN: bit 1 means recheck)."""
    hot = decode_report(report("nvme-too-hot"))
    assert (hot.drive_says, hot.drive_says_words) == ("silent", "FAILED!")
    assert decode_report(report("nvme-read-only")).drive_says == "failing"


@pytest.mark.promise(3)
def test_nvme_values_out_of_range_are_none_with_a_gap() -> None:
    text = report("nvme-nothing-against-it")
    hours = _with("Power On Hours:                     3,118", "Power On Hours:   340,282,366,920,938", text)
    assert hours.values.power_on_hours is None
    assert "hours-implausible" in _codes(hours)
    spare = _with("Available Spare:                    100%", "Available Spare:  255%", text)
    assert spare.values.available_spare_percent is None
    used = _with("Percentage Used:                    4%", "Percentage Used:  255%", text)
    assert used.values.wear_percent_used == 255  # 255 is the cap: more than 254 % used


def test_nonsense_temperature_limits_are_no_limits() -> None:
    text = report("nvme-nothing-against-it").replace("84 Celsius", "120 Celsius").replace("88 Celsius", "130 Celsius")
    assert decode_report(text).drive.temperature_limit_celsius is None
    assert decode_report(report("nvme-nothing-against-it")).drive.temperature_limit_celsius == 84


def test_two_namespaces_of_one_drive_are_told_apart() -> None:
    text = report("nvme-nothing-against-it").replace("Namespace 1 ", "Namespace 2 ").replace("0000051200", "0000051201")
    second = decode_report(text).drive
    first = decode_report(report("nvme-nothing-against-it")).drive
    assert (first.identity.namespace, second.identity.namespace) == (1, 2)
    assert first.identity.wwn != second.identity.wwn
    assert first.serial == second.serial


def test_empty_lines_in_a_row_are_one() -> None:
    assert lines_of("a\n\n\n\nb\n") == ["a", "", "b", ""]
    assert lines_of("\n\na") == ["a"]


def test_of_several_namespaces_the_first_is_the_drive_s() -> None:
    """A drive's report lists them all; the one that was asked for stands alone or first."""
    text = report("nvme-nothing-against-it")
    assert "Namespace 1 Size" in text
    more = "".join(
        line.replace("Namespace 1", "Namespace 3") for line in text.splitlines(keepends=True) if "Namespace 1" in line
    )
    assert decode_report(text + more).drive.identity == decode_report(text).drive.identity


def test_empty_identifiers_name_nothing() -> None:
    text = report("nvme-nothing-against-it").replace("0ab1c2 0000051200", "000000 0000000000")
    identity = decode_report(text).drive.identity
    assert (identity.wwn, identity.native_serial) == (None, "MN23-51200")
    assert _with("KX25-00417", "[No Information Found]").drive.serial is None


def test_a_bridge_in_its_own_name_gives_a_weak_identity() -> None:
    identity = decode_report(report("usb-bridge-answers-itself")).drive.identity
    assert (identity.strength, identity.bridge_serial, identity.native_serial) == ("weak", "DOCK2600A0", None)


def test_sector_sizes_through_a_bridge() -> None:
    reading = decode_report(RawReport(text=CLEAN, attached_sector_bytes=4096))
    assert (reading.drive.logical_sector_bytes, reading.drive.attached_sector_bytes) == (512, 4096)
    assert "sector-size-bridged" in _codes(reading)
    assert "sector-size-bridged" not in _codes(decode_report(RawReport(text=CLEAN, attached_sector_bytes=512)))


def test_hidden_area() -> None:
    drive = decode_report(report("hdd-hidden-area")).drive
    assert (drive.capacity_bytes, drive.native_capacity_bytes) == (500_106_780_160, 500_107_862_016)
    shortened = decode_report(RawReport(text=CLEAN, native_capacity_bytes=600_000_000_000))
    assert "capacity-hidden" in _codes(shortened)


def test_device_statistics() -> None:
    reading = decode_report(report("hdd-brief-table-with-statistics"))
    assert reading.statistics["power_on_hours"] == 21904
    assert reading.statistics["head_flying_hours"] == 19713
    assert "highest_celsius" not in reading.statistics
    assert reading.drive.temperature_limit_celsius == 60


def test_old_device_statistics_layout() -> None:
    text = CLEAN + "\nDevice Statistics (GP Log 0x04)\nPage Offset Size         Value  Description\n"
    text += (
        "  1  0x010  4            21904  Power-on Hours\n  7  0x008  1               12~ Percentage Used Endurance\n"
    )
    assert decode_report(text).statistics == {"power_on_hours": 21904, "wear_percent_used": 12}


def test_exit_status_is_a_gap() -> None:
    assert _codes(decode_report(RawReport(text=CLEAN, exit_status=0))) == set()
    assert _codes(decode_report(RawReport(text=CLEAN, exit_status=4))) == {"command-failed"}
    assert "open-failed" in _codes(decode_report(RawReport(text=report("hdd-health-missing"), exit_status=2)))


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("Warning! SMART Attribute Data Structure error: invalid SMART checksum.", "checksum-data"),
        ("Warning! SMART Attribute Thresholds Structure error: invalid SMART checksum.", "checksum-thresholds"),
        ("Warning! Drive Identity Structure error: invalid SMART checksum.", "checksum-identity"),
        ("Warning! SMART ATA Error Log Structure error: invalid SMART checksum.", "checksum-log"),
        ("Read SMART Error Log failed: scsi error aborted command", "command-failed"),
        ("Error SMART Thresholds Read failed: Input/output error", "command-failed"),
        ("A mandatory SMART command failed: exiting.", "command-failed"),
        ("Device is in STANDBY mode, exit(2)", "standby"),
    ],
)  # fmt: skip
def test_error_lines_are_gaps(line: str, code: str) -> None:
    assert code in _codes(decode_report(f"{CLEAN}\n{line}\n"))


@pytest.mark.parametrize(
    "text",
    [
        "/dev/sdb: Unknown USB bridge [0x0bda:0x0138 (0x3882)]\nPlease specify device type with the -d option.",
        "/dev/sdb: Unsupported USB bridge [0x152d:0x0578 (0x208)]\n",
        "Read Device Identity failed: scsi error unsupported field in scsi command\n\n"
        "A mandatory SMART command failed: exiting. To continue, add one or more '-T permissive' options.",
        "/dev/sda: Unable to detect device type\nPlease specify device type with the -d option.",
        "Smartctl open device: /dev/sda failed: DELL or MegaRaid controller, please try adding '-d megaraid,N'",
    ],
)
def test_a_drive_that_is_hidden_is_a_reading_not_an_error(text: str) -> None:
    reading = decode_report(f"smartctl 7.3 2022-02-28 r5338 [x86_64-linux] (local build)\n\n{text}\n")
    assert any(gap.blocks for gap in reading.gaps)
    assert reading.drive.identity.strength == "none"


def test_scsi_senses() -> None:
    text = report("sas-nothing-against-it")
    failing = _with(
        "Status: OK", "Status: DATA CHANNEL IMPENDING FAILURE DATA ERROR RATE TOO HIGH [asc=5d, ascq=32]", text
    )
    assert (failing.drive_says, failing.values.failure_prediction) == ("failing", "5d/32")
    test = decode_report(report("sas-alarm-under-test"))
    assert (test.drive_says, test.values.failure_prediction) == ("silent", "5d/ff")
    assert decode_report(report("sas-too-hot")).values.critical_warnings == ("temperature",)


def test_a_corrupt_time_is_no_time() -> None:
    assert _with("Tue Nov 24 10:31:00 2026 UTC", "Tue Nov 34 10:31:00 2026 UTC").read_at is None
    assert _with("Tue Nov 24 10:31:00 2026 UTC", "Tue Nov 24 10:31:00 2026 CST").read_at is None  # of three countries


@pytest.mark.parametrize(
    ("hours", "year", "possible"),
    [("210000", 2026, True), ("211000", 2026, False), ("211000", 1970, True), ("131000", 2010, False)],
    ids=["at most", "minutes", "minutes, but the clock is not set", "in an old report"],
)
def test_hours_that_no_drive_of_its_kind_can_have_run(hours: str, year: int, possible: bool) -> None:
    """Serial ATA is of 2003: by 2026 such a drive has run 24 years at most."""
    text = CLEAN.replace("-       21904", f"-       {hours}")
    assert text != CLEAN
    reading = decode_report(text, read_at=f"{year}-11-24T10:31:00+00:00")
    assert reading.values.power_on_hours == (int(hours) if possible else None)
    assert ("hours-implausible" in _codes(reading)) is not possible


def test_hours_are_the_standard_statistics_where_the_table_counts_minutes() -> None:
    counted = "0x01  0x010  4            2184  ---  Power-on Hours"
    reading = decode_report(CLEAN.replace("-       21904", "-       131040") + counted)
    assert reading.values.power_on_hours == 2184
    assert "hours-implausible" in _codes(reading)
    agreeing = decode_report(CLEAN + counted.replace("2184", "21903"))
    assert (agreeing.values.power_on_hours, _codes(agreeing)) == (21904, _codes(decode_report(CLEAN)))


PENDING_LOG = "Pending Defects log (GP Log 0x0c)\n"


def test_the_log_of_pending_defects_is_counted() -> None:
    rows = "Index                LBA    Hours\n    0          123456789     8790\n    1         1953525000        -\n"
    reading = decode_report(CLEAN + PENDING_LOG + rows + "\n    2   3   4\nSCT Status Version: 3\n    3   4   5\n")
    assert (reading.values.pending_log_entries, reading.values.pending) == (3, 3)  # the worse counts
    without = "\n".join(line for line in CLEAN.splitlines() if "Current_Pending_Sector" not in line) + "\n"
    assert decode_report(without + PENDING_LOG + rows).values.pending == 2
    assert decode_report(without + PENDING_LOG.replace("\n", ", 2 entries\n") + rows).values.pending == 2
    assert decode_report(without + PENDING_LOG + "No Defects Logged\n").values.pending == 0
    assert decode_report(without + PENDING_LOG.replace("\n", " not supported\n")).values.pending is None


def test_a_log_of_pending_defects_is_counted_with_its_lines_turned_round_too() -> None:
    turned = "    1          123456790        -\n    0          123456789     8790\nIndex                LBA    Hours\n"
    for blank in ("", "\n"):
        reading = decode_report(CLEAN + "\n" + turned + blank + PENDING_LOG)
        assert (reading.values.pending_log_entries, assess(reading).verdict) == (2, "evacuate")
        assert {area.lba for area in reading.unreadable_lbas} == {123456790, 123456789}
    whole = report("hdd-pending-in-its-log-alone").splitlines()
    assert decode_report("\n".join(reversed(whole))).values.pending == decode_report("\n".join(whole)).values.pending
    empty = decode_report(CLEAN + "\n    7          123456789     8790\nSCT Status\n" + PENDING_LOG)
    assert empty.values.pending_log_entries == 0


def test_damaged_transfers_on_the_link_and_not_its_starts() -> None:
    """Identifiers: Serial ATA, phy event counters; 9h and Ah count every start of the link."""
    table = (
        "ID      Size     Value  Description\n"
        "0x0001  2            3  Command failed due to ICRC error\n"
        "0x0004  2        65535+ R_ERR response for host-to-device data FIS\n"
        "0x0009  2       70,000  Transition from drive PhyRdy to drive PhyNRdy\n"
        "0x000a  2        70000  Device-to-host register FISes sent due to a COMRESET\n"
        "0x8000  4      9920281  Vendor specific\n"
    )
    assert decode_report(CLEAN + "SATA Phy Event Counters (GP Log 0x11)\n" + table).values.phy_errors == 65535
    assert decode_report(CLEAN).values.phy_errors is None


@pytest.mark.parametrize(
    ("status", "unreadable"),
    [("0x4502", 1), ("0x4503", 1), ("0x2281", 1), ("0x0281", 1), ("0xc005", 0), ("0x4004", 0), ("0x0281f", None)],
    ids=["as in the log", "with its phase bit", "without", "plain", "refused field", "refused", "no status"],
)
def test_nvme_error_log_names_what_could_not_be_read(status: str, unreadable: int | None) -> None:
    """281h: type 2 (media), code 81h, unrecovered read error (NVMe base specification)."""
    text = report("nvme-nothing-against-it")
    head = "Num   ErrCount  SQId   CmdId  Status  PELoc          LBA  NSID    VS  Message\n"
    entry = f"  0       1356     2  0x0012  {status}      -    123456789     1     -  in words\n"
    title = "Error Information (NVMe Log 0x01, 16 of 64 entries)\n"
    text = "\n".join(line for line in text.splitlines() if "NVMe Log 0x01" not in line) + "\n"
    assert decode_report(text + title + head + entry).errors.unreadable == (unreadable or 0)
    assert decode_report(text).errors.unreadable is None


def test_a_missing_nvme_sensor_is_said() -> None:
    text = report("nvme-nothing-against-it")
    cold = re.sub(r"(?m)^Temperature: .*$", "Temperature:                        -273 Celsius", text)
    reading = decode_report(cold)
    assert reading.values.temperature_celsius is None
    assert "temperature-implausible" in _codes(reading)


@pytest.mark.parametrize(
    ("row", "value", "number"),
    [
        ("160 Uncorrectable_Error_Cnt", "reported_uncorrectable", 3),
        ("160 Unknown_Attribute", "reported_uncorrectable", None),
        ("181 Program_Fail_Cnt_Total", "program_failures", 3),
        ("171 Program_Fail_Count", "program_failures", 3),
        ("181 Non4k_Aligned_Access", "program_failures", None),
        ("172 Erase_Fail_Count", "erase_failures", 3),
        ("182 Unknown_Attribute", "erase_failures", None),
    ],
)
def test_rows_of_solid_state_drives_that_only_their_name_explains(row: str, value: str, number: int | None) -> None:
    text = "\n".join(
        line for line in report("ssd-nothing-against-it").splitlines() if not re.match(r" *1[678]\d ", line)
    )
    reading = decode_report(f"{text}\n{row}   0x0032   100   100   000    Old_age   Always       -       3\n")
    assert getattr(reading.values, value) == number


@pytest.mark.parametrize(
    ("transport", "line", "member"),
    [
        ("megaraid,16", "", "megaraid,16"),
        ("sat+megaraid,60", "", "megaraid,60"),
        (None, "/dev/bus/0 [megaraid_disk_25] [SAT]: Device open changed type\n", "megaraid_disk_25"),
        ("sat", "/dev/sda [SAT]: Device open changed type from 'scsi' to 'sat'\n", None),
    ],
)
def test_a_drive_behind_a_controller_says_so(transport: str | None, line: str, member: str | None) -> None:
    reading = decode_report(line + CLEAN, transport=transport)
    behind = [gap.what for gap in reading.gaps if gap.code == "behind-controller"]
    assert behind == ([] if member is None else [f"It was read through a RAID controller ({member})."])
    assert reading.values == decode_report(CLEAN).values


@pytest.mark.parametrize(
    ("raw", "pending", "verdict"),
    [("1,024", 1024, "evacuate"), ("1\u2019024", 1024, "evacuate"), ("-1", None, "recheck"), ("??", None, "recheck")],
)
def test_a_count_that_cannot_be_read_is_never_taken_for_zero(raw: str, pending: int | None, verdict: str) -> None:
    row = re.compile(r"(?m)^(197 Current_Pending_Sector .* )\S+$")
    assert row.search(CLEAN)
    reading = decode_report(row.sub(rf"\g<1>{raw}", CLEAN))
    assert reading.values.pending == pending
    assert assess(reading).verdict == verdict


def test_a_report_that_ends_in_its_table_is_not_healthy() -> None:
    head, _ = CLEAN.split("196 Reallocated_Event_Count")
    for cut in (head, head.rstrip("\n")[:-30], head + "196", head + "196 Reallocated_Eve"):
        reading = decode_report(cut)
        assert "count-unread" in _codes(reading), cut[-60:]
        assert (reading.values.reallocated, assess(reading).verdict) == (0, "recheck")
    assert "count-unread" not in _codes(decode_report(CLEAN))


@pytest.mark.parametrize(
    "name", ["ssd-nothing-against-it", "ssd-an-eighth-left", "ssd-empty-columns-nothing-against-it"]
)
def test_a_solid_state_drives_report_that_ends_before_its_wear_is_not_healthy(name: str) -> None:
    whole = report(name)
    assert assess(decode_report(whole)).verdict == "refit"
    rows = [line for line in whole.splitlines() if is_whole_row(line)]
    for row in rows:
        if int(row.split()[0]) >= 169:
            break
        cut = decode_report(whole[: whole.index(row)] + row + "\n")
        assert assess(cut).verdict in ("recheck", "unproven"), row
    whole_table = whole[: whole.index(rows[-1])] + rows[-1] + "\n"
    assert assess(decode_report(whole_table)).verdict == "refit"


@pytest.mark.parametrize(("row", "verdict"), [("197 Current_Pending_Sector", "recheck"), ("  4 Start_Stop", "refit")])
def test_a_damaged_row_counts_where_it_is_a_defect_count(row: str, verdict: str) -> None:
    damaged = re.sub(rf"(?m)^({row}\S*\s+0x\w+).*$", r"\1   2x0", CLEAN)
    assert damaged != CLEAN
    assert assess(decode_report(damaged)).verdict == verdict


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("ssd-nothing-against-it", "177 Wear_Leveling_Count     0x0013   0o7   097   005    Pre-fail  Always"),
        ("sas-nothing-against-it", "Elements in grown defect l1st: 0"),
        ("nvme-nothing-against-it", "Critical Warning:                   0xO8"),
        ("nvme-nothing-against-it", "Available Spare:                    l%"),
        ("nvme-nothing-against-it", "Percentage Used:                    l04%"),
        ("nvme-nothing-against-it", "Media and Data Integrity Errors:    5l"),
    ],
)
def test_a_damaged_line_of_what_health_rests_on_asks_for_another_reading(name: str, line: str) -> None:
    text = report(name)
    damaged = re.sub(rf"(?m)^{line[:16]}.*$", line, text, count=1)
    assert damaged != text
    assert (assess(decode_report(text)).verdict, assess(decode_report(damaged)).verdict) == ("refit", "recheck")


@pytest.mark.parametrize(
    ("name", "before"), [("nvme-nothing-against-it", "Media and Data"), ("sas-nothing-against-it", "Error counter log")]
)
def test_a_report_that_ends_before_its_error_counts_is_not_healthy(name: str, before: str) -> None:
    whole = report(name)
    assert assess(decode_report(whole)).verdict == "refit"
    cut = decode_report(whole[: whole.index(before)])
    assert "count-unread" in _codes(cut)
    assert assess(cut).verdict == "recheck"


def test_the_first_link_rate_that_a_sas_drive_negotiated_is_its_link() -> None:
    text = report("sas-nothing-against-it")
    lines = "\n".join(f"    negotiated logical link rate: phy enabled; {rate} Gbps" for rate in (12, 6))
    assert decode_report(text).drive.link_gbps is None
    assert decode_report(f"{text}\n{lines}\n").drive.link_gbps == 12.0


@pytest.mark.parametrize(
    ("line", "protocol"),
    [
        ("", None),
        ("Transport protocol: SAS (SPL-3)", "scsi"),
        ("Device: MOORHEN MS-300 Version: 0001", "scsi"),
        ("Device: MOORHEN MS-300", None),
        ("SMART Attributes Data Structure revision number: 16", "ata"),
        ("NVMe Version: 1.4", "nvme"),
    ],
)
def test_the_protocol_is_known_by_what_only_it_prints(line: str, protocol: str | None) -> None:
    assert decode_report(f"Serial number: MS300-5\n{line}\n").drive.protocol == protocol


@pytest.mark.parametrize("transport", ["SAS (SPL-3)", None])
def test_a_scsi_drive_is_itself_where_its_transport_is_one_of_scsi(transport: str | None) -> None:
    """A dock answers SCSI questions, too, and says nothing of a transport or of defects."""
    information = report("sas-nothing-against-it").partition("Local Time is")[0]
    line = "Transport protocol:   SAS (SPL-3)\n"
    assert line in information
    identity = decode_report(information if transport else information.replace(line, "")).drive.identity
    assert identity.strength == ("strong" if transport else "weak")


@pytest.mark.parametrize(
    ("text", "remaining"),
    [
        # The byte of a real report, 243 = F3h: in progress, 30 % left (self-test status of ACS-3: low half in tenths).
        ("Self-test execution status:      ( 243)\tSelf-test routine in progress...", 30),
        ("Self-test execution status:      ( 240)\tSelf-test routine in progress...", 0),
        ("Self-test execution status:      ( 117)\tThe previous self-test failed", None),
        ("Self-test execution status:      (   0)\tThe previous self-test routine completed", None),
        ("Self-test status: Extended self-test in progress (15% completed)", 85),
        ("Self-test status: Extended self-test in progress", 100),
        ("Self-test status: No self-test in progress", None),
        ("Self-test execution status:\t\t37% of test remaining", 37),
        ("# 1  Background short  Self test in progress ...   -     NOW", 100),
        ("No self-tests have been logged", None),
    ],
)
def test_a_running_selftest_tells_its_progress_in_any_protocol(text: str, remaining: int | None) -> None:
    assert selftest_remaining_percent(text) == remaining
