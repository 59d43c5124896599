"""The drive's own logs: errors, self-tests in their three layouts, device statistics."""

from __future__ import annotations

import re

from drivecare.reading.gaps import GapNotes
from drivecare.reading.locale_numbers import leading_count
from drivecare.reading.model import FAILED_TESTS, LoggedErrors, SelfTest, TestResult, Values
from drivecare.reading.report_text import Report

_ERROR_COUNT = re.compile(r"^\s*(?:ATA|Device) Error Count:\s*(\d+)", re.I)
_ERROR_HEAD = re.compile(r"^\s*Error (\d+)(?: \[\d+\])? occurred at disk power-on lifetime:\s*(\d+) hours", re.I)
_ERROR_KIND = re.compile(r"\bError: ([A-Z][A-Z0-9, ]*?)(?= \d+ sectors| at LBA|$)", re.I)
_ERROR_NAMES = {
    "UNC": "uncorrectable",
    "IDNF": "not found",
    "ICRC": "link checksum",
    "ABRT": "aborted",
    "AMNF": "address mark not found",
    "WP": "write protected",
    "BBK": "bad block",
    "CCTO": "timed out",
    "NM": "no medium",
    "MC": "medium changed",
    "TK0NF": "track 0 not found",
}

_NVME_ERROR = re.compile(r"^\s*\d+\s+\d+\s+\d+\s+0x[0-9a-f]{4}\s+0x([0-9a-f]{4})\s+\S+\s+(\S+)\s+\S+\s+\S+", re.I)
_PENDING = re.compile(r"^\s*\d+\s+(\d+)\s+(?:\d+|-)\s*$")
_PENDING_COLUMNS = re.compile(r"\s*Index\s+LBA\b", re.I)
_PENDING_HEAD = re.compile(r"\s*Pending Defects log \(GP Log 0x0c\)(?!.*not supported)", re.I)
_PHY = re.compile(r"^\s*0x([0-9a-f]{4})\s+[248]\s+(\d+)\+?\s+\S", re.I)
# Command failed over a damaged transfer, R_ERR in its kinds, CRC errors. Left out: 8h retries of a non-data transfer,
# 9h and Ah, which count every start of the link (Serial ATA 3.1, phy event counters; from memory).
_DAMAGED_TRANSFERS = frozenset({*range(0x001, 0x008), 0x00B, 0x00D, 0x00F, 0x010, 0x012, 0x013})

# Phrases of a self-test's end, longest first where one holds another, and what they mean. ATA and NVMe.
_RESULTS: tuple[tuple[str, TestResult], ...] = (
    (r"completed without error", "passed"),
    (r"completed: read failure", "read"),
    (r"completed: electrical failure", "electrical"),
    (r"completed: servo/seek failure", "servo"),
    (r"completed: handling damage\?*", "handling-damage"),
    (r"completed: unknown failure", "unknown-element"),
    (r"completed: (?:unknown )?failed segments?", "unknown-element"),
    (r"fatal or unknown(?: test)? error", "not-completed"),
    (r"interrupted \([^)]*\)", "interrupted"),
    (r"aborted: controller reset", "interrupted"),
    (r"aborted(?: by host|: [a-z][a-z -]*[a-z])?", "aborted"),
    (r"self-test routine in progress(?: *\.\.\.)?", "running"),
    (r"(?:unknown|reserved)[a-z/ -]*(?:\(0x[0-9a-f]+\))?", "unknown"),
    (r"\?", "unknown"),
)
_PHRASES = "|".join(pattern for pattern, _ in _RESULTS)
_ATA_TEST = re.compile(rf"^\s*#\s?(\d+)\s+(\S.*?)\s+({_PHRASES})\s+(\d+)%\s+(\d+)\s+(\S+)\s*$", re.I)
_NVME_TEST = re.compile(rf"^\s*(\d+)\s+([A-Z]\S*)\s+({_PHRASES})\s+(\d+)\s+(\S+)\s+(\S+)\s+\S", re.I)
_SCSI_TEST = re.compile(
    r"^\s*#\s?(\d+)\s+((?:Background|Foreground|Reserved|Default|Abort|Vendor|Self)[\w() -]*?)\s+"
    r"(Completed, segment failed|Completed|Aborted \(.*?\)|Unknown error, incomplete|Interrupted.*?|"
    r"Failed in (?:first|second) segment|Failed in segment.*?|Self test in progress ?\.*)\s+"
    r"(-|\d+)\s+(NOW|\d+)\s+(\S+)\s+\[(\S+)\s+(\S+)\s+(\S+?)\s*\]",
    re.I,
)
_NVME_STATUS = re.compile(r"status: (\w+) self-test in progress(?: \((\d+)% completed\))?", re.I)
_SCSI_STATUS = re.compile(r"Self-test execution status:\s*(\d{1,3})% of test remaining", re.I)
_STATUS = re.compile(r"^\s*Self-test execution status:\s*\(\s*(\d{1,3})\)", re.I)
# The high half of the execution status byte (WD HC580 specification p. 314; ACS for 8).
_STATUS_CODES: dict[int, TestResult] = {
    0: "passed",
    1: "aborted",
    2: "interrupted",
    3: "not-completed",
    4: "unknown-element",
    5: "electrical",
    6: "servo",
    7: "read",
    8: "handling-damage",
    15: "running",
}
_STATISTIC = re.compile(
    r"^\s*(?:0x([0-9a-f]{2})|(\d{1,2}))\s+0x([0-9a-f]{3})\s+\d\s+(-?\d+)[*~]?\s+(?:[A-Z-]{3}\s+)?\S", re.I
)
# Device statistics by page and offset (log 04h, WD HC580 specification p. 198 ff.), under our names.
STATISTICS: dict[tuple[int, int], str] = {
    (1, 0x008): "power_on_resets",
    (1, 0x010): "power_on_hours",
    (1, 0x018): "sectors_written",
    (1, 0x020): "write_commands",
    (1, 0x028): "sectors_read",
    (1, 0x030): "read_commands",
    (3, 0x008): "spindle_hours",
    (3, 0x010): "head_flying_hours",
    (3, 0x018): "head_loads",
    (3, 0x020): "reallocated",
    (3, 0x028): "read_recovery_attempts",
    (3, 0x030): "start_failures",
    (3, 0x038): "reallocation_candidates",
    (3, 0x040): "emergency_unloads",
    (4, 0x008): "reported_uncorrectable",
    (4, 0x010): "resets_between_commands",
    (5, 0x008): "temperature_celsius",
    (5, 0x020): "highest_celsius",
    (5, 0x028): "lowest_celsius",
    (5, 0x050): "minutes_too_hot",
    (5, 0x058): "celsius_limit_high",
    (5, 0x060): "minutes_too_cold",
    (5, 0x068): "celsius_limit_low",
    (6, 0x008): "hardware_resets",
    (6, 0x010): "link_resets",
    (6, 0x018): "crc_errors",
    (7, 0x008): "wear_percent_used",
}


def read_ata_errors(report: Report, gaps: GapNotes) -> LoggedErrors:
    """The ATA error log, short and extended: how many, which kinds, and the power-on hour of the newest."""
    counts: list[int] = []
    newest: tuple[int, int] | None = None
    kinds: list[str] = []
    for line in report.lines:
        if match := _ERROR_COUNT.match(line):
            counts.append(int(match[1]))
        elif match := _ERROR_HEAD.match(line):
            entry = (int(match[1]), int(match[2]))
            newest = max(newest or entry, entry)
        elif match := _ERROR_KIND.search(line):
            words = re.split(r"[, ]+", match[1])
            kinds += [_ERROR_NAMES.get(word.upper(), word.lower()) for word in words if _is_error_name(word)]
    if not counts and report.any_line("No Errors Logged"):
        counts = [0]
    if report.any_line("Invalid Error Log index"):
        gaps.note("log-unreadable", "The error log's index is invalid, so its entries could not be read.")
    return LoggedErrors(
        count=max(counts, default=None),
        newest_hours=newest[1] if newest else None,
        kinds=tuple(dict.fromkeys(kinds)),
    )


def _is_error_name(word: str) -> bool:
    """Whether it is one of the names, or another in the letters that they are printed in."""
    return word.upper() in _ERROR_NAMES or (word.isupper() and word.isalnum())


def count_errors(errors: LoggedErrors, gaps: GapNotes) -> Values:
    """The number of logged errors as a value."""
    return Values(error_log_count=gaps.possible("error_log_count", errors.count, limit=1 << 32))


def read_nvme_errors(report: Report) -> LoggedErrors:
    """The NVMe error log (log 01h): the entries that name data which could not be read; most others are refusals."""
    entries = find_lost_data(report)
    if entries or report.any_line("Error Information (NVMe Log 0x01"):
        return LoggedErrors(unreadable=len(entries), kinds=("uncorrectable",) if entries else ())
    return LoggedErrors()


def find_lost_data(report: Report) -> list[int | None]:
    """The address in each entry of the NVMe error log about data that could not be read; None where it has none."""
    entries = [match for line in report.lines if (match := _NVME_ERROR.match(line)) and _names_lost_data(match)]
    return [_parse_lba(entry[2]) for entry in entries]


def _names_lost_data(entry: re.Match[str]) -> bool:
    """Whether an entry's status is 281h, unrecovered read error: type 2, media errors; code 81h (NVMe base
    specification). Printed as it lies in the log, above the phase bit, or without that bit."""
    status = int(entry[1], 16)
    return 0x281 in (status & 0x7FF, status >> 1 & 0x7FF)


def read_pending_defects(report: Report) -> Values:
    """The pending-defects log (log 0Ch, ACS-4): one row for each sector that cannot be read."""
    lbas = find_pending_defects(report)
    return Values(pending_log_entries=None if lbas is None else len(lbas))


def find_pending_defects(report: Report) -> list[int] | None:
    """The addresses in the pending-defects log; None where the report has no such log.

    The rows follow its head, or in a log that was turned round stand above the names of its columns and the head.
    """
    lbas: list[int] | None = None
    inside, rows, rows_above = False, list[int](), list[int]()
    for line in report.lines:
        if _PENDING_HEAD.match(line):
            inside, lbas = True, [*(lbas or ()), *rows_above]
        elif match := _PENDING.match(line):
            rows.append(int(match[1]))
            if inside and lbas is not None:
                lbas.append(rows[-1])
        elif _PENDING_COLUMNS.match(line):
            rows_above = [] if inside else [*rows]
        elif line.strip():
            inside, rows, rows_above = False, [], []
    return lbas


def read_link_errors(report: Report, gaps: GapNotes) -> Values:
    """SATA phy event counters (log 11h): the most of any that counts damaged transfers."""
    counts = [int(m[2]) for line in report.lines if (m := _PHY.match(line)) and int(m[1], 16) in _DAMAGED_TRANSFERS]
    return Values(phy_errors=gaps.possible("phy_errors", max(counts, default=None), limit=1 << 32))


_LOG_ROW = re.compile(
    r"\s*(?:#\s?\d+\s+[A-Z]|\d+\s+(?:Short|Extended|Vendor)\b|\d+\s+\d+\s+\d+\s+0x[0-9a-f]{4}\s+0x[0-9a-f]{4}\s)"
)


def begins_log_row(line: str) -> bool:
    """Whether a line is a row of a log of self-tests or NVMe errors, or the beginning of one."""
    return _LOG_ROW.match(line) is not None


def is_whole_log_row(line: str) -> bool:
    """Whether a line is a whole row of such a log."""
    return any(pattern.match(line) for pattern in (_SCSI_TEST, _ATA_TEST, _NVME_TEST, _NVME_ERROR))


def _parse_lba(text: str) -> int | None:
    if re.fullmatch(r"0x[0-9a-f]+", text, re.I):
        return int(text, 16)
    return int(text) if text.isdigit() else None


def _parse_result(phrase: str) -> TestResult:
    return next((result for pattern, result in _RESULTS if re.fullmatch(pattern, phrase, re.I)), "unknown")


def _parse_ata_test(match: re.Match[str]) -> SelfTest:
    _, kind, phrase, remaining, hours, lba = match.groups()
    return SelfTest(
        kind=kind,
        result=_parse_result(phrase),
        remaining_percent=int(remaining) if int(remaining) <= 100 else None,
        hours=int(hours),
        lba=_parse_lba(lba),
    )


def _parse_nvme_test(match: re.Match[str]) -> SelfTest:
    _, kind, phrase, hours, lba, _ = match.groups()
    result, failing = _parse_result(phrase), _parse_lba(lba)
    if result == "unknown-element" and failing is not None:
        result = "read"  # a failing segment with an address is one that could not be read
    return SelfTest(kind=kind, result=result, hours=int(hours), lba=failing)


def _parse_scsi_test(match: re.Match[str]) -> SelfTest:
    _, kind, phrase, _, hours, lba, sense_key, _, _ = match.groups()
    lower = phrase.lower()
    result: TestResult = "passed"
    if "fail" in lower:
        result = "read" if sense_key.lower() in ("0x3", "3") else "unknown-element"  # sense key 3: medium error
    elif lower.startswith("aborted (by"):
        result = "aborted"
    elif lower.startswith(("aborted", "interrupted")):
        result = "interrupted"
    elif lower.startswith("unknown"):
        result = "not-completed"
    elif lower.startswith("self test"):
        result = "running"
    return SelfTest(
        kind=kind.strip(), result=result, hours=int(hours) if hours.isdigit() else None, lba=_parse_lba(lba)
    )


def read_selftests(report: Report, gaps: GapNotes) -> tuple[SelfTest, ...]:
    """Every self-test row of any layout, newest (lowest number) first."""
    rows: dict[int, SelfTest] = {}
    for line in report.lines:
        if match := _SCSI_TEST.match(line):
            rows.setdefault(int(match[1]), _parse_scsi_test(match))
        elif match := _ATA_TEST.match(line):
            rows.setdefault(int(match[1]), _parse_ata_test(match))
        elif match := _NVME_TEST.match(line):
            rows.setdefault(int(match[1]), _parse_nvme_test(match))
    tests = [rows[number] for number in sorted(rows)]
    now = _read_status(report)
    if now is not None and (not tests or _outranks(now, tests[0])):
        tests.insert(0, now)
    if tests and tests[0].result == "running":
        left = tests[0].remaining_percent
        gaps.note("selftest-running", "A self-test is running" + (f", {left} % to go." if left is not None else "."))
    return tuple(tests)


def _outranks(now: SelfTest, logged: SelfTest) -> bool:
    """Whether the status says something worse of the newest test, or that one is running, than the log's newest row."""
    fails = now.result in FAILED_TESTS and logged.result not in FAILED_TESTS
    return fails or (now.result == "running" and logged.result != "running")


def tell_newest_selftest(selftests: tuple[SelfTest, ...]) -> Values:
    """The newest self-test as a value."""
    return Values(last_selftest=selftests[0] if selftests else None)


def _read_status(report: Report) -> SelfTest | None:
    """What the drive's status says of its newest self-test, beside the log; None where it never ran one or passed."""
    if status := _read_execution_status(report):
        result, remaining = status
        return None if result == "passed" else SelfTest(kind="unknown", result=result, remaining_percent=remaining)
    if nvme := _NVME_STATUS.search(report.any_line("Self-test status:") or ""):
        if nvme[1].lower() == "no":
            return None
        left = 100 - int(nvme[2]) if nvme[2] and int(nvme[2]) <= 100 else None
        return SelfTest(kind=nvme[1], result="running", remaining_percent=left)
    if scsi := _SCSI_STATUS.search(report.any_line("% of test remaining") or ""):
        return SelfTest(kind="unknown", result="running", remaining_percent=min(int(scsi[1]), 100))
    return None


def selftest_remaining_percent(text: str) -> int | None:
    """Percent of a running self-test still to go, 100 where the drive tells none; None where none is running."""
    report = Report.of(text)
    test = _read_status(report)
    if test is None and report.any_line("Self test in progress"):  # a row of SCSI's log
        return 100
    if test is None or test.result != "running":
        return None
    return 100 if test.remaining_percent is None else test.remaining_percent


def _read_execution_status(report: Report) -> tuple[TestResult, int] | None:
    """The ATA self-test execution status byte: (state, percent remaining)."""
    for line in report.lines:
        if (match := _STATUS.match(line)) and int(match[1]) <= 255:
            code = int(match[1])
            return _STATUS_CODES.get(code >> 4, "unknown"), min((code & 15) * 10, 100)
    return None


def read_statistics(report: Report) -> dict[str, int]:
    """Device statistics (log 04h) under our names."""
    statistics: dict[str, int] = {}
    for line in report.lines:
        match = _STATISTIC.match(line)
        if not match:
            continue
        page = int(match[1], 16) if match[1] else int(match[2])
        name = STATISTICS.get((page, int(match[3], 16)))
        number = leading_count(match[4].lstrip("-"))
        if name and number is not None:
            statistics.setdefault(name, -number if match[4].startswith("-") else number)
    return dict(sorted(statistics.items()))
