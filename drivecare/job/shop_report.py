"""What the shop's own jobs came to: verdicts, copies, time, and which units came back, beside the chance printed then.

Coming back is not failing within 12 months: a customer may go elsewhere, and a unit may come back with its drive well.
So each is counted by its own definition, and only among units that left at least 12 months ago.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Literal

from drivecare.clock import format_timestamp, parse_timestamp
from drivecare.job.overview import (
    CopyTotals,
    Definition,
    DrivesThatLeft,
    JobDays,
    JobLine,
    JobOutcome,
    PrintedChance,
    Share,
    ShopReport,
    UnitThatCameBack,
)
from drivecare.risk.model import Chance

_WATCHED = timedelta(days=365)
_SURE = 0.95
DEFINITIONS = (
    Definition(
        word="came back",
        means="brought back within 12 months of closing, for whatever cause, and recorded; whoever went elsewhere is"
        " not counted",
    ),
    Definition(word="drive failed", means="came back, and the drive it had left with had failed"),
    Definition(
        word="printed chance",
        means="such a drive fails within 12 months, whoever notices: measured in data centres or published, not here",
    ),
)


def report_shop(lines: Sequence[JobLine], *, since: datetime | None, now: datetime) -> ShopReport:
    """Sum up jobs, each given in one line. Those that cannot be read are named in `unread`."""
    read = [line for line in lines if line.error is None]
    outcomes = [(line, line.outcome) for line in read if line.outcome is not None]
    left = [outcome for _, outcome in outcomes if outcome.unit_started and _closed_at(outcome) is not None]
    watched = [outcome for outcome in left if now - (_closed_at(outcome) or now) >= _WATCHED]
    return ShopReport(
        at=format_timestamp(now),
        since=format_timestamp(since) if since is not None else None,
        jobs=len(read),
        closed=sum(line.state == "closed" for line in read),
        verdicts=dict(sorted(Counter(line.verdict or "none" for line in read).items())),
        copies=_copy_totals(outcomes),
        days=_job_days(outcomes),
        came_back=tuple(_units_that_came_back(outcomes)),
        watched=tuple(drives for kind in ("same-drive", "new-drive") if (drives := _drives_that_left(kind, watched))),
        too_early=len(left) - len(watched),
        definitions=DEFINITIONS,
        unread=tuple(f"{line.id}: {line.error}" for line in lines if line.error is not None),
    )


def wilson_share(count: int, among: int) -> Share:
    """Give a share its interval, which holds for a few jobs as well as for many, and for none that came back.

    Source, from memory: E. B. Wilson, Probable Inference, the Law of Succession, and Statistical Inference, Journal of
    the American Statistical Association 22 (1927), 209 to 212.
    """
    if not among:
        return Share(count=count, among=among)
    z = statistics.NormalDist().inv_cdf((1 + _SURE) / 2)
    share, scale = count / among, 1 + z * z / among
    middle = (share + z * z / (2 * among)) / scale
    reach = z * math.sqrt(share * (1 - share) / among + z * z / (4 * among * among)) / scale
    low = max(middle - reach, 0.0) if count else 0.0  # where none or all did, rounding would leave a trace
    high = min(middle + reach, 1.0) if count < among else 1.0
    return Share(count=count, among=among, low=low, high=high)


def _drives_that_left(kind: Literal["same-drive", "new-drive"], watched: Sequence[JobOutcome]) -> DrivesThatLeft | None:
    outcomes = [outcome for outcome in watched if (outcome.route == "same-drive") is (kind == "same-drive")]
    if not outcomes:
        return None
    causes = [_causes_within(_WATCHED, outcome) for outcome in outcomes]
    return DrivesThatLeft(
        drive=kind,
        came_back=wilson_share(sum(bool(each) for each in causes), len(outcomes)),
        drive_failed=wilson_share(sum("drive-failed" in each for each in causes), len(outcomes)),
        printed=_mean_chance([outcome.failure_12_months for outcome in outcomes]),
    )


def _causes_within(span: timedelta, outcome: JobOutcome) -> set[str]:
    closed_at = _closed_at(outcome)
    return {
        event.cause
        for event in outcome.came_back
        if closed_at is not None and (at := parse_timestamp(event.at)) is not None and at - closed_at <= span
    }


def _mean_chance(chances: Sequence[Chance | None]) -> PrintedChance | None:
    printed = [chance for chance in chances if chance is not None and chance.estimate is not None]
    estimates = [chance.estimate for chance in printed if chance.estimate is not None]
    lows = [chance.low for chance in printed if chance.low is not None]
    highs = [chance.high for chance in printed if chance.high is not None]
    if not estimates:
        return None
    return PrintedChance(
        drives=len(estimates),
        estimate=statistics.fmean(estimates),
        low=statistics.fmean(lows) if lows else None,
        high=statistics.fmean(highs) if highs else None,
    )


def _units_that_came_back(outcomes: Sequence[tuple[JobLine, JobOutcome]]) -> list[UnitThatCameBack]:
    """List every return, whenever it was, the newest last."""
    units = []
    for line, outcome in outcomes:
        closed_at = _closed_at(outcome)
        for event in outcome.came_back:
            at = parse_timestamp(event.at)
            if at is not None and closed_at is not None:
                days = max((at - closed_at).days, 0)
                units.append((at, UnitThatCameBack(job=line.id, drive=outcome.drive, days=days, cause=event.cause)))
    return [unit for _, unit in sorted(units, key=lambda pair: (pair[0], pair[1].job))]


def _copy_totals(outcomes: Sequence[tuple[JobLine, JobOutcome]]) -> CopyTotals:
    return CopyTotals(
        made=sum(outcome.copies for _, outcome in outcomes),
        with_losses=sum(outcome.copies_with_losses for _, outcome in outcomes),
        bytes_unreadable=sum(outcome.bytes_unreadable for _, outcome in outcomes),
        jobs=tuple(line.id for line, outcome in outcomes if outcome.copies_with_losses),
    )


def _job_days(outcomes: Sequence[tuple[JobLine, JobOutcome]]) -> JobDays | None:
    """How long the closed jobs took. A clock that was set back gives no negative time."""
    spans = [(parse_timestamp(line.opened_at), _closed_at(outcome)) for line, outcome in outcomes]
    days = sorted(
        max((closed - opened) / timedelta(days=1), 0.0)
        for opened, closed in spans
        if opened is not None and closed is not None
    )
    if not days:
        return None
    return JobDays(
        jobs=len(days),
        median=_at_most(0.5, days),
        nine_in_ten=_at_most(0.9, days),
        longest=days[-1],
    )


def _at_most(share: float, days: Sequence[float]) -> float:
    """The days that so large a share of the jobs took at most."""
    return days[math.ceil(share * len(days)) - 1]


def _closed_at(outcome: JobOutcome) -> datetime | None:
    return parse_timestamp(outcome.closed_at)
