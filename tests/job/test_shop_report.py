"""What the shop's jobs came to: counted once, by stated definitions, and never told to a customer."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import msgspec
import pytest

from drivecare.job.model import Route
from drivecare.job.overview import CameBack, JobLine, JobOutcome, PrintedChance, Share
from drivecare.job.shop_report import DEFINITIONS, report_shop, wilson_share
from drivecare.risk.model import Chance

NOW = datetime(2027, 12, 1, 12, 0, tzinfo=UTC)
CLOSED = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def line(
    id: str = "1042",
    *,
    closed_at: datetime | None = CLOSED,
    returns: dict[int, str] | None = None,
    route: Route = "same-drive",
    estimate: float | None = 0.02,
    verdict: str | None = "refit",
    **outcome: object,
) -> JobLine:
    """A job opened two days before it was closed; `returns` are causes by the days after."""
    came_back = [
        {"at": (CLOSED + timedelta(days=days)).isoformat(), "cause": cause} for days, cause in (returns or {}).items()
    ]
    values: dict[str, object] = {
        "closed_at": closed_at.isoformat() if closed_at is not None else None,
        "unit_started": True if closed_at is not None else None,
        "route": route,
        "drive": f"Kestrel {id}",
        "failure_12_months": Chance(estimate=estimate, low=0.01, high=0.05, basis="measured"),
        "came_back": tuple(msgspec.convert(event, CameBack) for event in came_back),
        **outcome,
    }
    opened_at = (closed_at or NOW) - timedelta(days=2)
    return JobLine(
        id=id,
        state="closed" if closed_at is not None else "open",
        opened_at=opened_at.isoformat(),
        verdict=verdict,
        outcome=JobOutcome(**values),  # type: ignore[arg-type]
    )


def test_jobs_and_verdicts_are_counted_and_what_cannot_be_read_is_named() -> None:
    lines = [line("1"), line("2", verdict="evacuate", closed_at=None), line("3", verdict=None)]
    report = report_shop([*lines, JobLine(id="4", error="is not valid JSON")], since=None, now=NOW)
    assert (report.jobs, report.closed) == (3, 2)
    assert report.verdicts == {"evacuate": 1, "none": 1, "refit": 1}
    assert report.unread == ("4: is not valid JSON",)


def test_copies_with_losses_name_their_jobs() -> None:
    lines = [line("1", copies=2), line("2", copies=3, copies_with_losses=1, bytes_unreadable=4096)]
    copies = report_shop(lines, since=None, now=NOW).copies
    assert (copies.made, copies.with_losses, copies.bytes_unreadable, copies.jobs) == (5, 1, 4096, ("2",))


def test_days_are_those_of_closed_jobs() -> None:
    lines = [
        msgspec.structs.replace(line(str(days)), opened_at=(CLOSED - timedelta(days=days)).isoformat())
        for days in range(1, 11)
    ]
    days = report_shop([*lines, line("open", closed_at=None)], since=None, now=NOW).days
    assert days is not None
    assert (days.jobs, days.median, days.nine_in_ten, days.longest) == (10, 5, 9, 10)
    assert report_shop([line(closed_at=None)], since=None, now=NOW).days is None


def test_a_unit_that_came_back_is_not_one_whose_drive_failed() -> None:
    lines = [
        line("1", returns={30: "drive-failed"}),
        line("2", returns={40: "other-cause"}),
        line("3", returns={50: "not-known", 60: "drive-failed"}),
        line("4"),
    ]
    (same,) = report_shop(lines, since=None, now=NOW).watched
    assert (same.drive, same.came_back.count, same.drive_failed.count, same.came_back.among) == ("same-drive", 3, 2, 4)
    assert same.came_back == wilson_share(3, 4)


def test_what_came_back_after_twelve_months_is_listed_and_not_compared() -> None:
    report = report_shop([line(returns={366: "drive-failed"})], since=None, now=NOW)
    assert [(unit.job, unit.days, unit.cause) for unit in report.came_back] == [("1042", 366, "drive-failed")]
    assert report.watched[0].came_back.count == 0


@pytest.mark.parametrize(
    ("job", "too_early"),
    [
        (line(closed_at=NOW - timedelta(days=364)), 1),
        (line(unit_started=False), 0),
        (line(closed_at=None), 0),
    ],
    ids=["left eleven months ago", "never started", "not closed"],
)
def test_only_units_that_left_working_a_year_ago_are_compared(job: JobLine, too_early: int) -> None:
    report = report_shop([job], since=None, now=NOW)
    assert (report.watched, report.too_early) == ((), too_early)


def test_the_printed_chance_is_that_of_the_same_drives() -> None:
    lines = [line("1", estimate=0.02), line("2", estimate=0.04), line("3", estimate=None)]
    lines.append(line("4", route="new-drive-data", estimate=0.01))
    same, new = report_shop(lines, since=None, now=NOW).watched
    assert same.printed == PrintedChance(drives=2, estimate=0.03, low=0.01, high=0.05)
    assert new.drive == "new-drive"
    assert new.printed is not None
    assert (new.printed.drives, new.printed.estimate) == (1, 0.01)


def test_few_jobs_say_little_and_none_say_nothing() -> None:
    few, many = wilson_share(0, 3), wilson_share(0, 300)
    assert few.low == many.low == 0
    assert few.high is not None
    assert many.high is not None
    assert few.high > 0.5 > 0.02 > many.high
    assert wilson_share(0, 0) == Share(count=0, among=0)


def test_both_definitions_stand_in_the_report() -> None:
    report = report_shop([line()], since=None, now=NOW)
    assert report.definitions == DEFINITIONS
    assert [definition.word for definition in DEFINITIONS] == ["came back", "drive failed", "printed chance"]
