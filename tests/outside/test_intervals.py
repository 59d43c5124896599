"""The interval of a share, held against scipy, which we did not make."""

from __future__ import annotations

import pytest

from drivecare.job.shop_report import wilson_share


@pytest.mark.parametrize(("count", "among"), [(0, 1), (1, 1), (0, 15), (2, 15), (15, 15), (7, 400), (999, 1000)])
def test_the_interval_of_a_share_is_that_of_wilson(count: int, among: int) -> None:
    from scipy.stats import binomtest  # not when the tests are collected, which every worker does: it takes a second

    expected = binomtest(count, among).proportion_ci(0.95, method="wilson")
    share = wilson_share(count, among)
    assert share.low == pytest.approx(expected.low, abs=1e-9)
    assert share.high == pytest.approx(expected.high, abs=1e-9)
