"""The signals of one reading: what rules are asked about.

Most are fields of `Values`; the rest are put together here from attribute rows, self-tests, the error log and a surface
scan, because a rule should not have to. A signal that is not there was not said. Nothing here judges.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from drivecare.documents import Value
from drivecare.reading.counters import DEFECT_COUNTS, unread_counts
from drivecare.reading.health import missing_health
from drivecare.reading.model import Attribute, Reading, SelfTest, Values
from drivecare.reading.surface import SurfaceScan
from drivecare.risk.model import FaultClass
from drivecare.risk.rules import AttributeGroup, RuleSet

FAILED_TESTS = frozenset({"read", "servo", "electrical", "unknown-element", "handling-damage", "not-completed"})
STOPPED_TESTS = frozenset({"aborted", "interrupted"})
READ_ERRORS = frozenset({"uncorrectable", "not found", "address mark not found", "bad block"})
OLD_ERROR_HOURS = 500  # powered-on hours since the newest logged error from which the burst is called old
NUMBERS = tuple(
    name
    for name in Values.__struct_fields__
    if name not in ("critical_warnings", "failure_prediction", "last_selftest", "available_spare_percent")
)


class Signal(Value, frozen=True, kw_only=True):
    """One thing seen. `name`, `limit` and `fault_class` stand in for the rule's own; `detail` is said beside it."""

    value: int | float | str
    detail: str = ""
    name: str | None = None
    limit: int | float | str | None = None
    fault_class: FaultClass | None = None


Signals = dict[str, tuple[Signal, ...]]


def observe_reading(reading: Reading, rules: RuleSet, scan: SurfaceScan | None = None) -> Signals:
    """Every signal of a reading, and of a surface scan of the same drive where there is one.

    Where the health data are missing or junk, only what does not come from them is a witness: the drive's own alarm,
    its self-test log, its failure prediction, its lock, our own scan.
    """
    missing = missing_health(reading)
    signals: Signals = {}
    if missing:
        signals["gap"] = tuple(
            Signal(value=gap.what, name=gap.code, fault_class="link" if "bridge" in gap.code else None)
            for gap in missing
        )
    else:
        signals |= {name: _one(number) for name, number in reading.statistics.items() if name not in NUMBERS}
        signals |= _counts(reading.values)
        signals |= _threshold_rows(reading.attributes, rules)
        signals |= _logged_errors(reading)
        signals["unread_count"] = _unread_counts(reading)
    signals |= _own_alarm(reading, rules, table_trusted=not missing)
    signals |= _selftests(reading)
    signals |= _circumstances(reading)
    if scan is not None:
        signals |= _scan(scan)
    return signals


def _one(value: int | float | str | None, **more: str) -> tuple[Signal, ...]:
    return () if value is None else (Signal(value=value, **more),)  # type: ignore[arg-type]


def _counts(values: Values) -> Signals:
    """The numbers as they are, the warnings by name, spare only where the maker uses it."""
    signals = {name: _one(number) for name in NUMBERS if (number := getattr(values, name)) is not None}
    threshold, spare = values.spare_threshold_percent, values.available_spare_percent
    if threshold == 0:
        signals.pop("spare_threshold_percent")
    if spare is not None and not (spare == 0 and threshold == 0):  # 0 of 0: a controller that counts no spare
        signals["available_spare_percent"] = _one(spare)
    return signals


def _threshold_rows(attributes: Iterable[Attribute], rules: RuleSet) -> Signals:
    """Attribute rows at or under their threshold, sorted by what that means."""
    found: dict[str, list[Signal]] = {}
    for row in attributes:
        if row.state is None:
            continue
        group = rules.groups.get(row.id)
        number = row.value if row.state == "now" else row.worst
        signal = Signal(
            value=row.raw_text or row.id if number is None else number,
            limit=row.threshold,
            detail=f"attribute {row.id}" + (f" ({row.name})" if row.name else ""),
            fault_class=group.fault_class if group else None,
        )
        found.setdefault(f"{_row_kind(row, group)}_{row.state}", []).append(signal)
    return {name: tuple(several) for name, several in found.items()}


def _row_kind(row: Attribute, group: AttributeGroup | None) -> str:
    if group and group.meaning != "health":
        return f"{group.meaning}_row"
    return "age" if row.prefail is False else "prefail"  # a row of unknown type is taken seriously


def _unread_counts(reading: Reading) -> tuple[Signal, ...]:
    """Defect counters that did not come through, or hold no possible number."""
    unread = [Signal(value=gap.what) for gap in reading.gaps if gap.code == "count-unread"]
    unread += [Signal(value=row.raw_text or "nothing", detail=f"attribute {row.id}") for row in unread_counts(reading)]
    return tuple(unread)


def _logged_errors(reading: Reading) -> Signals:
    """The error log, by what it names: damaged transfers, or unreadable sectors recent, old, or with counts beside.

    An old burst eases only where the drive says that nothing is replaced or pending; many makers have no 187 or 198.
    """
    errors, values = reading.errors, reading.values
    if errors.unreadable and not values.media_errors:  # NVMe: where that counter works it has counted them
        return {"logged_read_errors": _one(errors.unreadable)}
    count = errors.count if errors.count is not None else values.error_log_count
    if not count or reading.drive.protocol not in ("ata", None):
        return {}
    signals: Signals = {}
    if "link checksum" in errors.kinds:
        signals["logged_link_errors"] = _one(count)
    if not READ_ERRORS & set(errors.kinds):
        return signals
    age = None
    if values.power_on_hours is not None and errors.newest_hours is not None:
        age = _hours_since(errors.newest_hours, values.power_on_hours)
    detail = "" if age is None else f"the newest {age:,} powered-on hours ago"
    if any(getattr(values, name) for name in DEFECT_COUNTS):
        name = "logged_read_errors_with_counts"
    elif age is not None and age >= OLD_ERROR_HOURS and values.reallocated == 0 and values.pending == 0:
        name = "old_read_errors"
    else:
        name = "logged_read_errors"
    signals[name] = _one(count, detail=detail)
    return signals


def _own_alarm(reading: Reading, rules: RuleSet, *, table_trusted: bool) -> Signals:
    """What the drive itself raises: overall verdict, failure prediction, warnings."""
    values = reading.values
    signals: Signals = {}
    if values.failure_prediction is not None:
        signals["failure_prediction"] = _one(values.failure_prediction)
    if values.critical_warnings:
        signals["critical_warnings"] = tuple(Signal(value=name) for name in values.critical_warnings)
    if reading.drive_says == "failing" and not _verdict_from_table_alone(reading, rules, table_trusted=table_trusted):
        signals["drive_says"] = _one("failing", detail="; ".join(reading.qualifiers))
    return signals


def _verdict_from_table_alone(reading: Reading, rules: RuleSet, *, table_trusted: bool) -> bool:
    """Whether "failing" was worked out from the attribute table, which is junk or says no more than heat or age.

    Through some bridges the drive's own answer does not pass and the table stands in for it.
    """
    if not any("attribute check" in words for words in reading.qualifiers):
        return False
    crossed = [row for row in reading.attributes if row.state == "now"]
    meanings = {group.meaning if (group := rules.groups.get(row.id)) else "health" for row in crossed}
    return not table_trusted or (bool(meanings) and "health" not in meanings)


def _selftests(reading: Reading) -> Signals:
    """What the self-tests say; a stopped test neither fails nor clears anything."""
    tests = reading.selftests or tuple(test for test in (reading.values.last_selftest,) if test)
    if not tests:
        return {}
    signals: Signals = {}
    if tests[0].result == "running":
        signals["running_selftest"] = _one(tests[0].kind)
    elif tests[0].result in STOPPED_TESTS:
        signals["unjudged_selftest"] = _one(tests[0].result, detail=tests[0].kind)
    judged = [test for test in tests if test.result == "passed" or test.result in FAILED_TESTS]
    if not judged:
        return signals
    newest, older_failed = judged[0], [test for test in judged[1:] if test.result in FAILED_TESTS]
    signals["last_selftest"] = _one(newest.result, detail=_test_words(newest, reading.values.power_on_hours))
    if older_failed and newest.result == "passed":
        signals["older_failed_selftests"] = _one(len(older_failed))
    places = Counter(test.lba for test in older_failed if test.lba is not None)
    if places:
        lba, times = places.most_common(1)[0]
        signals["failed_selftests_one_lba"] = _one(times, detail=f"LBA {lba:,}")
    newest_extended = next((test for test in judged if _is_extended(test)), newest)
    if newest.result == "passed" and newest_extended.result in FAILED_TESTS:
        signals["uncleared_selftest"] = _one(newest_extended.kind)
    return signals


def _is_extended(test: SelfTest) -> bool:
    return any(word in test.kind.lower() for word in ("extended", "long"))


def _test_words(test: SelfTest, hours_now: int | None) -> str:
    words = [test.kind]
    if test.lba is not None:
        words.append(f"stopped at LBA {test.lba:,}")
    if test.hours is not None and hours_now is not None:
        ago = _hours_since(test.hours, hours_now)
        words += [] if ago is None else [f"{ago:,} powered-on hours ago"]
    return ", ".join(words)


def _hours_since(then: int, now: int) -> int | None:
    """Hours between a log's entry and now, at the least: ATA logs keep 16 bits, so that after 65,535 comes 0."""
    return (now - then) % 65_536 if now >= then else None


def _circumstances(reading: Reading) -> Signals:
    """The lock, hidden bytes, a slow link, the drive's temperature limit."""
    drive = reading.drive
    signals: Signals = {}
    if drive.security is not None:
        signals["security"] = _one(drive.security)
    if drive.native_capacity_bytes and drive.capacity_bytes and drive.native_capacity_bytes > drive.capacity_bytes:
        signals["hidden_area"] = _one(drive.native_capacity_bytes - drive.capacity_bytes)
    if drive.link_gbps and drive.link_max_gbps and drive.link_gbps < drive.link_max_gbps:
        signals["slow_link"] = (Signal(value=drive.link_gbps, limit=drive.link_max_gbps, detail="Gb/s"),)
    if drive.temperature_limit_celsius is not None:
        signals["temperature_limit_celsius"] = _one(drive.temperature_limit_celsius)
    return signals


def _scan(scan: SurfaceScan) -> Signals:
    """What our own read of the surface met, in bytes."""
    unreadable = sum(area.length for area in scan.unreadable)
    slow = sum(area.length for area in scan.slow)
    return {
        "scan_unreadable": _one(unreadable, detail=f"bytes in {len(scan.unreadable):,} areas"),
        "scan_slow": _one(slow, detail=f"bytes in {len(scan.slow):,} areas"),
    }
