"""The statistics behind the survival table: plain numpy, each step a few lines that can be checked by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

POINTS_PER_LOG = 10  # ten points multiply the odds by e


def survival_curve(days: Numbers, failed: Numbers, weight: Numbers, horizon: int) -> Floats:
    """Kaplan-Meier: the share surviving each of the days 0 to `horizon`.

    `days`: followed until then, at most the horizon; `failed`: 1 where that day ended in a failure, 0 where nothing
    more is known; `weight`: how many such drives. (Kaplan and Meier, JASA 53, 1958.)
    """
    deaths = np.bincount(days, weight * failed, horizon + 1)
    leaving = np.bincount(days, weight, horizon + 1)
    at_risk = leaving[::-1].cumsum()[::-1]
    return np.cumprod(1 - deaths / np.maximum(at_risk, 1))


def failing(days: Numbers, failed: Numbers, weight: Numbers, horizon: int) -> float:
    """The Kaplan-Meier chance of failing within the horizon; never quite 0 or 1, which no data prove."""
    return float(np.clip(1 - survival_curve(days, failed, weight, horizon)[-1], 0.0005, 0.995))


def hazard(chance: float) -> float:
    """Cumulative hazard -ln(1 - p)."""
    return -math.log1p(-chance)


def probability(cumulative_hazard: float) -> float:
    """1 - exp(-H)."""
    return -math.expm1(-cumulative_hazard)


def rising(values: Floats, weights: Floats, *, xs: Floats | None = None, slope: float = 0.0) -> Floats:
    """The nearest sequence that rises by at least `slope` per unit of `xs`: neighbours that dip are pooled.

    Pool adjacent violators (Ayer et al., Ann. Math. Stat. 26, 1955) on what is left after the slope is taken off.
    """
    tilt = np.zeros_like(values) if xs is None else slope * xs
    blocks: list[list[float]] = []  # mean, weight, length
    for value, weight in zip(values - tilt, weights, strict=True):
        blocks.append([float(value), float(weight), 1])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            mean, total, length = blocks.pop()
            last = blocks[-1]
            last[0] = (last[0] * last[1] + mean * total) / (last[1] + total)
            last[1] += total
            last[2] += length
    return np.concatenate([np.full(int(length), mean) for mean, _, length in blocks]) + tilt


def fit_points(reached: Floats, drives: Numbers, failed: Numbers, *, sweeps: int = 500) -> Numbers:
    """Points that each further level adds, at least one, from the last states of failed and surviving drives.

    `reached[i, j]` is 1 where the drives of state i have reached level j. A logistic regression on all levels together,
    so that counters which rise together share what they tell, no level counting less than the one before. Solved by one
    coordinate after the other, each a Newton step kept above the least allowed.
    """
    least = 1 / POINTS_PER_LOG
    columns = np.hstack([reached, np.ones((len(reached), 1))])
    floor = np.where(np.arange(columns.shape[1]) < reached.shape[1], least, -np.inf)
    weights = np.where(np.isfinite(floor), 3 * least, 0.0)
    weights[-1] = math.log(failed.sum() / max(drives.sum() - failed.sum(), 1))
    for _ in range(sweeps):
        steps = []
        for j, column in enumerate(columns.T):
            expected = 1 / (1 + np.exp(-(columns @ weights)))
            towards = weights[j] - least if j < reached.shape[1] else 0.0  # a level without evidence counts little
            gradient = column @ (failed - drives * expected) - towards
            curvature = column @ (drives * expected * (1 - expected)) + 1
            step = max(float(np.clip(gradient / curvature, -1, 1)), floor[j] - weights[j])
            weights[j] += step
            steps.append(abs(step))
        if max(steps) < 1e-4:
            break
    points: Numbers = np.maximum(np.rint(weights[: reached.shape[1]] * POINTS_PER_LOG), 1).astype(np.int64)
    return points


def spread_between(observed: Floats, expected: Floats) -> float:
    """How much models differ beyond chance: the standard deviation of their hazards relative to their band's.

    Failed drives per model and band against those expected; what remains of the squared difference after the Poisson
    variance is taken off. Large models weigh more.
    """
    if not np.any(expected > 0):
        return 0.0
    excess = np.sum((observed - expected) ** 2 - expected) / np.sum(expected**2)
    return math.sqrt(max(float(excess), 0.0))


def stratified_ratio(failed: Floats, days: Floats) -> float:
    """How much more often the second group fails than the first, compared within strata only: columns are the groups,
    rows the strata, which may differ in their own rates and in how their days fall on the groups.

    Mantel and Haenszel, J. Natl. Cancer Inst. 22, 1959, for rates. 0 where no stratum has both groups.
    """
    both = days.sum(axis=1)
    share = np.divide(days, both[:, None], out=np.zeros_like(days), where=both[:, None] > 0)
    first, second = (failed[:, 0] * share[:, 1]).sum(), (failed[:, 1] * share[:, 0]).sum()
    return float(second / first) if first > 0 else 0.0


def interval(chance: float, failed: int, spread: float, *, z: float, widest: float) -> tuple[float, float]:
    """(low, high): `z` standard deviations of sampling error and spread together, on the logarithm of the hazard.

    Sampling error is taken from the number of different drives that failed, since one drive is read on many days. Cut
    where the ends would lie more than a factor `widest` apart.
    """
    half = z * math.sqrt(spread**2 + 1 / max(failed, 1))
    level = hazard(chance)
    while probability(level * math.exp(half)) > widest * probability(level * math.exp(-half)):
        half *= 0.99
    return probability(level * math.exp(-half)), min(probability(level * math.exp(half)), 0.999)


def roc(failed: Numbers, score: Floats) -> tuple[Floats, Floats]:
    """(false alarms, caught) as fractions, from (0, 0) to (1, 1), one point for each score that occurs."""
    order = np.argsort(-score, kind="stable")
    last = np.flatnonzero(np.append(np.diff(score[order]) != 0, True))
    caught = np.cumsum(failed[order])[last]
    alarms = np.cumsum(1 - failed[order])[last]
    return np.append(0.0, alarms / alarms[-1]), np.append(0.0, caught / caught[-1])


def area(false_alarms: Sequence[float] | Floats, caught: Sequence[float] | Floats) -> float:
    """The area under a ROC curve."""
    return float(np.trapezoid(caught, false_alarms))
