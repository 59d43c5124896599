"""The signals of one reading: what the rules are asked about.

Most are fields of `Values`; the others are put together here from attribute rows, self-tests, the error log and a
surface scan, so that no rule has to. A signal that is absent is unknown. Nothing here judges.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator

from drivecare.documents import Value
from drivecare.format import format_bytes
from drivecare.reading.counters import DEFECT_COUNTS, unread_counts
from drivecare.reading.health import missing_health
from drivecare.reading.model import FAILED_TESTS, Attribute, Drive, Reading, SelfTest, Values
from drivecare.reading.surface import SurfaceScan
from drivecare.risk.firmware import find_firmware_defects
from drivecare.risk.model import FaultClass, Observed
from drivecare.risk.rules import AttributeGroup, RuleSet, Thresholds

STOPPED_TESTS = frozenset({"aborted", "interrupted"})
READ_ERRORS = frozenset({"uncorrectable", "not found", "address mark not found", "bad block"})
BEST_VALUES = (100, 200, 253)  # where makers let a normalised value start
HELIUM = frozenset({22, 23, 24})
NUMBERS = tuple(
    name
    for name in Values.__struct_fields__
    if name not in ("critical_warnings", "failure_prediction", "last_selftest", "available_spare_percent")
)


class Signal(Value, frozen=True, kw_only=True):
    """One observation. `name`, `limit` and `fault_class` replace the rule's own; `detail` is shown beside the value."""

    value: Observed
    detail: str = ""
    name: str | None = None
    limit: Observed | None = None
    fault_class: FaultClass | None = None


Signals = dict[str, tuple[Signal, ...]]
Observation = tuple[str, Signal]


def collect(observations: Iterable[Observation]) -> Signals:
    """Gather observations by the name of their signal, in order."""
    signals: dict[str, list[Signal]] = {}
    for name, signal in observations:
        signals.setdefault(name, []).append(signal)
    return {name: tuple(entries) for name, entries in signals.items()}


def spell(field: str) -> str:
    """Spell a field of `Values` in words: "power on hours"."""
    return field.replace("_", " ")


def observe_reading(reading: Reading, rules: RuleSet, scan: SurfaceScan | None = None) -> Signals:
    """Collect every signal of a reading, and of a surface scan of the same drive if there is one.

    Where the health data are missing or junk, only what does not come from them counts as a witness: the drive's own
    alarm, its self-test log, its failure prediction, its lock, our own scan.
    """
    return collect(_observe_reading(reading, rules, scan))


def _observe_reading(reading: Reading, rules: RuleSet, scan: SurfaceScan | None) -> Iterator[Observation]:
    missing = missing_health(reading)
    for gap in missing:
        yield "gap", Signal(value=gap.what, name=gap.code, fault_class="link" if "bridge" in gap.code else None)
    if not missing:
        yield from _observe_numbers(reading)
        yield from _observe_thresholds(reading.attributes, rules)
        yield from _observe_error_log(reading, rules)
        yield from _observe_unread_counts(reading)
        yield from _observe_doubtful_wear(reading)
        yield from _observe_flash(reading)
    yield from _observe_alarms(reading, rules, table_trusted=not missing)
    yield from _observe_self_tests(reading, rules)
    yield from _observe_circumstances(reading)
    if scan is not None:
        yield from _observe_scan(scan)


def _observe_numbers(reading: Reading) -> Iterator[Observation]:
    """The drive's statistics and its values as they are, spare blocks only where the maker uses them."""
    values = reading.values
    for name, number in reading.statistics.items():
        if name not in NUMBERS:
            yield name, Signal(value=number)
    threshold, spare = values.spare_threshold_percent, values.available_spare_percent
    for name in NUMBERS:
        number = getattr(values, name)
        if number is not None and not (name == "spare_threshold_percent" and threshold == 0):
            yield name, Signal(value=number)
    if spare is not None and not (spare == 0 and threshold == 0):  # 0 of 0: a controller that counts no spare
        yield "available_spare_percent", Signal(value=spare)


def _observe_thresholds(attributes: Iterable[Attribute], rules: RuleSet) -> Iterator[Observation]:
    """Attribute rows at, below or close to their threshold, sorted by what that means; helium that is leaking."""
    for row in attributes:
        group = rules.attributes.get(row.id)
        state: str | None = row.state
        if state is None and _is_near(row, group, rules.thresholds):
            state = "near"
        number = row.worst if state == "past" else row.value
        detail = f"attribute {row.id}" + (f" ({row.name})" if row.name else "")
        if state is not None:
            yield (
                f"{_classify_row(row, group)}_{state}",
                Signal(
                    value=row.raw_text or row.id if number is None else number,
                    limit=row.threshold,
                    detail=detail,
                    fault_class=group.fault_class if group else None,
                ),
            )
        if row.id in HELIUM and row.value is not None and _counts_helium(row):
            yield "helium", Signal(value=row.value, detail=detail)


def _counts_helium(row: Attribute) -> bool:
    """Whether the row is named for helium, or has no name and is of the type that makers give it."""
    name = (row.name or "unknown").lower()
    return "helium" in name or (name.startswith("unknown") and bool(row.prefail))


def _is_near(row: Attribute, group: AttributeGroup | None, thresholds: Thresholds) -> bool:
    """Whether a pre-fail row of health has come almost all its way down from where it started to its threshold.

    The value of a packed rate stands low on a healthy drive.
    """
    if row.packed or not row.prefail or not row.value or not row.threshold or (group and group.meaning != "health"):
        return False
    start = next((best for best in BEST_VALUES if best >= max(row.value, row.worst or 0)), None)
    if start is None or row.value == start:
        return False
    return 100 * (row.value - row.threshold) <= thresholds.near_threshold_percent.value * (start - row.threshold)


def _classify_row(row: Attribute, group: AttributeGroup | None) -> str:
    if group and group.meaning != "health":
        return f"{group.meaning}_row"
    return "age" if row.prefail is False else "prefail"  # a row of unknown type is taken seriously


def _observe_unread_counts(reading: Reading) -> Iterator[Observation]:
    """Defect counters that did not come through, or hold an impossible number."""
    for gap in reading.gaps:
        if gap.code == "count-unread":
            yield "unread_count", Signal(value=gap.what)
    for row in unread_counts(reading):
        yield "unread_count", Signal(value=row.raw_text or "nothing", detail=f"attribute {row.id}")


def _observe_doubtful_wear(reading: Reading) -> Iterator[Observation]:
    """Rows of wear that contradict each other or say nothing."""
    used = reading.values.wear_percent_used
    for gap in reading.gaps:
        if gap.code == "wear-doubtful":
            yield "wear_doubtful", Signal(value="unknown" if used is None else used, detail=gap.what)


def _observe_flash(reading: Reading) -> Iterator[Observation]:
    """Pending places of a solid-state drive that has lost others before: there alone two counts make one fault."""
    values = reading.values
    if reading.drive.kind == "ssd" and values.pending and (values.reallocated or values.reported_uncorrectable):
        yield "pending_with_counts", Signal(value=values.pending)


def _observe_error_log(reading: Reading, rules: RuleSet) -> Iterator[Observation]:
    """The error log by the kinds it names: damaged transfers; unreadable sectors recent, old, or with counts beside.

    An old burst is milder only where the drive reports that nothing is replaced or pending; many lack 187 or 198. On a
    solid-state drive the log and attribute 187 count one fact, which has one limit.
    """
    errors, values = reading.errors, reading.values
    if errors.unreadable and not values.media_errors:  # NVMe: where that counter works it has counted them
        yield "logged_read_errors", Signal(value=errors.unreadable)
        return
    count = errors.count if errors.count is not None else values.error_log_count
    if not count or reading.drive.protocol not in ("ata", None):
        return
    age = _hours_between(errors.newest_hours, values.power_on_hours)
    old = age is not None and age >= rules.thresholds.old_error_hours.value
    if "link checksum" in errors.kinds:
        trace = old and values.crc_errors is not None and values.crc_errors < rules.thresholds.link_trace.value
        yield "old_link_errors" if trace else "logged_link_errors", Signal(value=count)
    if not READ_ERRORS & set(errors.kinds):
        return
    if reading.drive.kind != "ssd" and any(getattr(values, name) for name in DEFECT_COUNTS):
        name = "logged_read_errors_with_counts"
    elif old and values.reallocated == 0 and values.pending == 0:
        name = "old_read_errors"
    else:
        name = "logged_read_errors"
    yield name, Signal(value=count, detail="" if age is None else f"the newest {age:,} powered-on hours ago")


def _observe_alarms(reading: Reading, rules: RuleSet, *, table_trusted: bool) -> Iterator[Observation]:
    """The alarms that the drive itself raises: failure prediction, warnings, overall verdict."""
    if reading.values.failure_prediction is not None:
        yield "failure_prediction", Signal(value=reading.values.failure_prediction)
    for warning in reading.values.critical_warnings or ():
        yield "critical_warnings", Signal(value=warning)
    if reading.drive_says == "failing" and not _verdict_from_table_alone(reading, rules, table_trusted=table_trusted):
        yield "drive_says", Signal(value="failing", detail="; ".join(reading.qualifiers))


def _verdict_from_table_alone(reading: Reading, rules: RuleSet, *, table_trusted: bool) -> bool:
    """Whether "failing" was worked out from an attribute table that is junk or shows no more than heat or age.

    Some bridges do not pass on the drive's own answer; the table stands in for it then.
    """
    if not any("attribute check" in qualifier for qualifier in reading.qualifiers):
        return False
    crossed = [row for row in reading.attributes if row.state == "now"]
    meanings = {group.meaning if (group := rules.attributes.get(row.id)) else "health" for row in crossed}
    return not table_trusted or (bool(meanings) and "health" not in meanings)


def _observe_self_tests(reading: Reading, rules: RuleSet) -> Iterator[Observation]:
    """The self-tests, newest first; a test that was stopped neither fails nor clears anything.

    One that failed long ago is milder where every count of bad sectors has stayed at zero.
    """
    tests = reading.selftests or tuple(test for test in (reading.values.last_selftest,) if test)
    if tests and tests[0].result == "running":
        yield "running_selftest", Signal(value=tests[0].kind)
    elif tests and tests[0].result in STOPPED_TESTS:
        yield "unjudged_selftest", Signal(value=tests[0].result, detail=tests[0].kind)
    completed = [test for test in tests if test.result == "passed" or test.result in FAILED_TESTS]
    if not completed:
        return
    hours = reading.values.power_on_hours
    newest, older_failed = completed[0], [test for test in completed[1:] if test.result in FAILED_TESTS]
    newest_extended = next((test for test in completed if test.name == "extended"), newest)
    standing = newest_extended if newest.result == "passed" else newest
    age = _hours_between(standing.hours, hours)
    old = age is not None and age >= rules.thresholds.old_error_hours.value and _nothing_lost(reading)
    if old and standing.result in FAILED_TESTS:
        yield "old_failed_selftest", Signal(value=standing.result, detail=_describe_test(standing, hours))
    elif newest.result == "passed" and newest_extended.result in FAILED_TESTS:
        yield "uncleared_selftest", Signal(value=newest_extended.kind)
    if standing is not newest or not old or newest.result == "passed":
        yield "last_selftest", Signal(value=newest.result, detail=_describe_test(newest, hours))
    if older_failed and newest.result == "passed":
        yield "older_failed_selftests", Signal(value=len(older_failed))
    places = Counter(test.lba for test in older_failed if test.lba is not None)
    if places:
        lba, times = places.most_common(1)[0]
        yield "failed_selftests_one_lba", Signal(value=times, detail=f"LBA {lba:,}")


def _nothing_lost(reading: Reading) -> bool:
    """Whether the drive counts what it has lost, and every such count is zero."""
    values, drive = reading.values, reading.drive
    counted = {
        "nvme": ("media_errors",),
        "scsi": ("grown_defects", "uncorrected_reads"),
    }.get(drive.protocol or "", ("reallocated",) if drive.kind == "ssd" else ("reallocated", "pending"))
    zero = all(getattr(values, name) == 0 for name in counted)
    others = (
        *DEFECT_COUNTS,
        "spin_retries",
        "background_scan_unreadable",
        "uncorrected_verifies",
        "uncorrected_writes",
    )
    quiet = not reading.errors.unreadable and not READ_ERRORS & set(reading.errors.kinds)
    return zero and quiet and not any(getattr(values, name) for name in others)


def _describe_test(test: SelfTest, power_on_hours: int | None) -> str:
    age = _hours_between(test.hours, power_on_hours)
    stop = None if test.lba is None else f"stopped at LBA {test.lba:,}"
    return ", ".join(
        filter(None, (f"{test.name} test", stop, None if age is None else f"{age:,} powered-on hours ago"))
    )


def _hours_between(logged: int | None, now: int | None) -> int | None:
    """Hours since a log entry, at the least: ATA logs keep 16 bits of them, so that 65,535 is followed by 0."""
    return (now - logged) % 65_536 if logged is not None and now is not None and now >= logged else None


def _observe_circumstances(reading: Reading) -> Iterator[Observation]:
    """The lock, hidden bytes, overlapping tracks, odd sectors, a slow link, the drive's temperature limit."""
    drive = reading.drive
    if drive.firmware_warning is not None:
        yield "firmware_warning", Signal(value=drive.firmware_warning)
    for defect in find_firmware_defects(drive):
        yield (
            "firmware_defect",
            Signal(value=str(drive.firmware), detail=defect.describe(reading.values.power_on_hours)),
        )
    if drive.security is not None:
        yield "security", Signal(value=drive.security, detail=_describe_lock(drive))
    if drive.native_capacity_bytes and drive.capacity_bytes and drive.native_capacity_bytes > drive.capacity_bytes:
        hidden = drive.native_capacity_bytes - drive.capacity_bytes
        if drive.protocol == "nvme":
            yield "other_namespaces", Signal(value=hidden, detail=_describe_namespaces(drive))
        else:
            yield "hidden_area", Signal(value=hidden)
    if drive.shingled:
        yield "shingled", Signal(value=drive.zoned or "has a TRIM command")
    if drive.logical_sector_bytes and drive.logical_sector_bytes % 512:
        yield "array_sectors", Signal(value=drive.logical_sector_bytes, detail=_describe_sectors(drive))
    if drive.link_gbps and drive.link_max_gbps and drive.link_gbps < drive.link_max_gbps:
        yield "slow_link", Signal(value=drive.link_gbps, limit=drive.link_max_gbps, detail="Gb/s")
    if drive.temperature_limit_celsius is not None:
        yield "temperature_limit_celsius", Signal(value=drive.temperature_limit_celsius)


def _describe_lock(drive: Drive) -> str:
    """Say what a password can still do (ATA security feature set; ACS-3, 2014)."""
    level = {
        "high": "level high: the user's or the master password unlocks it",
        "maximum": "level maximum: only the user's password unlocks it, the master password can only erase it",
    }.get(drive.password_level or "", "")
    attempts = "the attempts are used up, and even the right password is refused until its power was off"
    return "; ".join(filter(None, (level, attempts if drive.password_attempts_exceeded else "")))


def _describe_namespaces(drive: Drive) -> str:
    if len(drive.namespaces) < 2:
        return "bytes outside the namespace that was read"
    return "namespaces " + ", ".join(
        f"{space.number} ({format_bytes(space.capacity_bytes)})" for space in drive.namespaces
    )


def _describe_sectors(drive: Drive) -> str:
    """Say what a copy of sectors with an array's check data means."""
    data = (drive.logical_sector_bytes or 0) // 512 * 512
    return (
        f"bytes, {(drive.logical_sector_bytes or 0) - data} of them an array's own check data: no copy to an ordinary "
        f"drive keeps these, so the array will not take it; formatting the drive to {data} bytes erases everything"
    )


def _observe_scan(scan: SurfaceScan) -> Iterator[Observation]:
    """The bytes that our own scan could not read, or read slowly."""
    for name, areas in (("scan_unreadable", scan.unreadable), ("scan_slow", scan.slow)):
        yield name, Signal(value=sum(area.length for area in areas), detail=f"bytes in {len(areas):,} areas")
