"""How well the estimates of a table tell failed drives from the others, when the table says which failed.

Streamed: memory holds two counts for each different estimate.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from typing import Literal

from drivecare.documents import Value
from drivecare.risk.drive_table import Judgement
from drivecare.risk.model import Verdict

WORST_FIRST: tuple[Verdict, ...] = ("evacuate", "replace", "unproven", "recheck", "refit")
BAND_STARTS = (0.0, 0.02, 0.05, 0.10, 0.20, 0.30, 0.45, 0.65)


class CalibrationBand(Value, frozen=True, kw_only=True):
    """Rows whose estimate lies in one range: what was printed on average, and the share of them marked as failed."""

    rows: int
    failed: int
    estimate: float
    low: float
    high: float
    observed: float


class VerdictCount(Value, frozen=True, kw_only=True):
    """Rows with one verdict, and those of them that are marked as failed."""

    verdict: Verdict
    rows: int
    failed: int


class Evaluation(Value, frozen=True, kw_only=True):
    """The document of `assess-table --evaluate`. The measures are None where no row, or every row, is marked as failed.

    Two kinds of rows are left out: `unscored`, without an estimate, and `unmarked`, whose outcome is not known.
    `caught_at_1_percent`: the share of failed rows at or above the estimate that flags 1 % of the others; between two
    estimates on the straight line. `verdicts`: of the rows whose outcome is known, the worst verdict first.
    """

    schema: Literal["drivecare/evaluation-1"] = "drivecare/evaluation-1"
    rows: int
    failed: int
    unscored: int
    unmarked: int = 0
    auc: float | None
    caught_at_1_percent: float | None
    caught_at_5_percent: float | None
    bands: tuple[CalibrationBand, ...]
    verdicts: tuple[VerdictCount, ...] = ()


class OutcomeCounter:
    """Count rows by estimate and outcome."""

    def __init__(self) -> None:
        self._failed: Counter[tuple[float, float, float]] = Counter()
        self._others: Counter[tuple[float, float, float]] = Counter()
        self._verdicts: Counter[tuple[Verdict, bool]] = Counter()
        self._unscored = 0
        self._unmarked = 0

    def add(self, judgement: Judgement, *, failed: bool | None) -> None:
        """Count one row; `failed` is None where its outcome is not known."""
        if failed is not None:
            self._verdicts[judgement.verdict, failed] += 1
        if failed is None:
            self._unmarked += 1
        elif judgement.estimate is None or judgement.low is None or judgement.high is None:
            self._unscored += 1
        else:
            (self._failed if failed else self._others)[judgement.estimate, judgement.low, judgement.high] += 1

    def result(self) -> Evaluation:
        """The measures over everything counted."""
        curve = list(self._curve())
        comparable = bool(self._failed) and bool(self._others)
        area = sum((x2 - x1) * (y1 + y2) / 2 for (x1, y1), (x2, y2) in pairwise(curve))
        return Evaluation(
            rows=self._failed.total() + self._others.total() + self._unscored + self._unmarked,
            failed=self._failed.total(),
            unscored=self._unscored,
            unmarked=self._unmarked,
            auc=area if comparable else None,
            caught_at_1_percent=_read_off(curve, 0.01) if comparable else None,
            caught_at_5_percent=_read_off(curve, 0.05) if comparable else None,
            bands=tuple(self._bands()),
            verdicts=tuple(self._count_verdicts()),
        )

    def _count_verdicts(self) -> Iterator[VerdictCount]:
        for verdict in WORST_FIRST:
            failed = self._verdicts[verdict, True]
            if rows := failed + self._verdicts[verdict, False]:
                yield VerdictCount(verdict=verdict, rows=rows, failed=failed)

    def _curve(self) -> Iterator[tuple[float, float]]:
        """(false alarms, caught) from the highest estimate down, one point for each estimate."""
        failed: Counter[float] = Counter()
        others: Counter[float] = Counter()
        for counted, sums in ((self._failed, failed), (self._others, others)):
            for (estimate, _, _), number in counted.items():
                sums[estimate] += number
        caught = alarms = 0
        yield 0.0, 0.0
        for estimate in sorted(failed.keys() | others.keys(), reverse=True):
            caught += failed[estimate]
            alarms += others[estimate]
            yield alarms / max(others.total(), 1), caught / max(failed.total(), 1)

    def _bands(self) -> Iterator[CalibrationBand]:
        for start, end in zip(BAND_STARTS, (*BAND_STARTS[1:], 2.0), strict=True):
            inside = [key for key in self._failed.keys() | self._others.keys() if start <= key[0] < end]
            rows = {key: self._failed[key] + self._others[key] for key in inside}
            total = sum(rows.values())
            if total:
                failed = sum(self._failed[key] for key in inside)
                estimate, low, high = (sum(key[i] * n for key, n in rows.items()) / total for i in range(3))
                yield CalibrationBand(
                    rows=total, failed=failed, estimate=estimate, low=low, high=high, observed=failed / total
                )


def _read_off(curve: list[tuple[float, float]], x: float) -> float:
    """Read off the curve's highest value at x, on the straight line between its points."""
    for (x1, y1), (x2, y2) in zip(reversed(curve[:-1]), reversed(curve[1:]), strict=True):
        if x1 <= x:
            return y2 if x2 <= x else y1 + (y2 - y1) * (x - x1) / (x2 - x1)
    return 0.0
