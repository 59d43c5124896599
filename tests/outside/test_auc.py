"""The measures of `assess-table --evaluate` against scikit-learn's own."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest

from drivecare.risk.drive_table import Judgement
from drivecare.risk.evaluation import OutcomeCounter


@pytest.fixture(scope="module")
def metrics() -> Any:
    """Imported here, since it takes a second: every worker of a run collects every test, and one runs these."""
    return pytest.importorskip("sklearn.metrics")


def judgement(estimate: float | None) -> Judgement:
    low = None if estimate is None else estimate / 1.5
    return Judgement(
        verdict="refit", estimate=estimate, low=low, high=low and low * 2.25, leading_signal=None, cells=""
    )


@pytest.mark.parametrize("levels", [2, 7, 500], ids=["two estimates", "many ties", "few ties"])
def test_area_and_catch_agree_with_scikit_learn(metrics: Any, levels: int) -> None:
    chance = random.Random(levels)
    estimates = [round((chance.randrange(levels) + 1) / (levels + 1), 4) for _ in range(4000)]
    failed = [chance.random() < estimate**2 for estimate in estimates]
    tally = OutcomeCounter()
    for estimate, fails in zip(estimates, failed, strict=True):
        tally.add(judgement(estimate), failed=fails)
    evaluation = tally.result()
    alarms, caught, _ = metrics.roc_curve(failed, estimates, drop_intermediate=False)
    assert evaluation.auc == pytest.approx(metrics.roc_auc_score(failed, estimates))
    assert evaluation.caught_at_1_percent == pytest.approx(np.interp(0.01, alarms, caught))
    assert evaluation.caught_at_5_percent == pytest.approx(np.interp(0.05, alarms, caught))
    assert sum(band.rows for band in evaluation.bands) == evaluation.rows == 4000
    assert sum(band.failed for band in evaluation.bands) == evaluation.failed == sum(failed)


def test_without_failures_there_is_nothing_to_measure() -> None:
    tally = OutcomeCounter()
    tally.add(judgement(0.02), failed=False)
    tally.add(judgement(None), failed=True)
    evaluation = tally.result()
    assert (evaluation.rows, evaluation.failed, evaluation.unscored) == (2, 0, 1)
    assert evaluation.auc is evaluation.caught_at_1_percent is evaluation.caught_at_5_percent is None
