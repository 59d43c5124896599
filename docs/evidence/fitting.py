"""The statistics behind the survival table, each step a few lines that can be checked by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize, minimize_scalar

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

LEAST_ODDS = 0.1  # logarithm
_PATIENT = {"maxiter": 5000, "maxfun": 20_000, "ftol": 1e-13, "gtol": 1e-7}


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


def fit_added_rates(reached: Floats, strata: Numbers, years: Floats, failed: Floats) -> tuple[Floats, Floats]:
    """Failures a year that each further level adds, none below 0, and the rate of each stratum with nothing to show.

    `reached[i, j]` is 1 where the drives of row i have reached level j, `strata[i]` their own base rate, `years` how
    long they were in that state together, `failed` how many failed in it. Poisson likelihood with rates that add up:
    drives of one stratum are compared with each other only, and counters that rise together share what they tell.
    """
    levels, groups = reached.shape[1], int(strata.max()) + 1
    columns = np.hstack([reached, np.eye(groups)[strata]])
    crude = np.bincount(strata, failed, groups) + 0.5
    scale = np.concatenate([np.full(levels, 0.1), crude / (np.bincount(strata, years, groups) + 50)])
    design = columns * scale

    def loss(weights: Floats) -> tuple[float, Floats]:
        rate = design @ weights
        return float((years * rate - failed * np.log(rate)).sum()), design.T @ (years - failed / rate)

    start = np.concatenate([reached.any(axis=0), np.ones(groups)]).astype(float)  # nothing for a level nobody reached
    fit = minimize(
        loss,
        start,
        jac=True,
        method="L-BFGS-B",
        bounds=[(0.0, None)] * levels + [(1e-6, None)] * groups,
        options=_PATIENT,
    )
    rates: Floats = fit.x * scale
    return rates[:levels], rates[levels:]


def fit_log_odds(reached: Floats, drives: Floats, failed: Floats) -> Floats:
    """Logarithm of the odds of having failed that each further level adds, none below LEAST_ODDS.

    The other way to weigh levels, which docs/evidence.md compares: one logistic regression on all of them together.
    """
    design = np.hstack([reached, np.ones((len(reached), 1))])

    def loss(weights: Floats) -> tuple[float, Floats]:
        score = design @ weights
        pull = np.append(weights[:-1], 0.0)  # a level without evidence counts little
        value = (drives * np.logaddexp(0, score) - failed * score).sum() + (pull**2).sum() / 2
        return float(value), design.T @ (drives / (1 + np.exp(-score)) - failed) + pull

    bounds = [(LEAST_ODDS, None)] * reached.shape[1] + [(None, None)]
    fit = minimize(loss, np.zeros(design.shape[1]), jac=True, method="L-BFGS-B", bounds=bounds, options=_PATIENT)
    added: Floats = fit.x[:-1]
    return added


def spread_of_models(failed: Floats, expected: Floats) -> float:
    """How much models differ: the standard deviation of the logarithm of their rates around that of their maker.

    `failed`: different drives of each model; `expected`: how many it would be at the rate of all its maker's drives.
    Poisson counts around rates that scatter like a log-normal distribution; the spread that makes them likeliest.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(61)

    def loss(spread: float) -> float:
        rates = expected[:, None] * np.exp(spread * nodes[None, :])
        logs = failed[:, None] * np.log(rates) - rates
        highest = logs.max(axis=1)
        return -float((highest + np.log(np.exp(logs - highest[:, None]) @ weights)).sum())

    return float(minimize_scalar(loss, bounds=(0.0, 4.0), method="bounded").x)


def stratified_ratio(failed: Floats, days: Floats) -> float:
    """How much more often the second group fails than the first, compared within strata only: columns are the groups,
    rows the strata, which may differ in their own rates and in how their days fall on the groups.

    Mantel and Haenszel, J. Natl. Cancer Inst. 22, 1959, for rates. 0 where no stratum has both groups.
    """
    both = days.sum(axis=1)
    share = np.divide(days, both[:, None], out=np.zeros_like(days), where=both[:, None] > 0)
    first, second = (failed[:, 0] * share[:, 1]).sum(), (failed[:, 1] * share[:, 0]).sum()
    return float(second / first) if first > 0 else 0.0


def interval(level: float, failed: int, spread: float, *, z: float) -> tuple[float, float]:
    """(low, high) of a hazard: `z` standard deviations of sampling error and spread together, on its logarithm.

    Sampling error is taken from the number of different drives that failed, since one drive is read on many days.
    """
    factor = math.exp(z * math.sqrt(spread**2 + 1 / max(failed, 1)))
    return level / factor, level * factor


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


def bootstrap(failed: Numbers, scores: dict[str, Floats], *, resamples: int) -> dict[str, Floats]:
    """Per score (AUC, caught at 1 % false alarms) of each resample of drives; the same resamples for every score.

    Drives with the same scores are drawn together, as a multinomial count.
    """
    table = np.column_stack([failed, *scores.values()])
    kinds, drives = np.unique(table, axis=0, return_counts=True)
    draws = np.random.default_rng(0).multinomial(drives.sum(), drives / drives.sum(), size=resamples)
    measures = {}
    for column, name in enumerate(scores, start=1):
        values, place = np.unique(-kinds[:, column], return_inverse=True)
        sums = np.zeros((2, resamples, len(values)))
        for outcome in (0, 1):
            mine = kinds[:, 0] == outcome
            np.add.at(sums[outcome].T, place[mine], draws[:, mine].T)
        shares = sums.cumsum(axis=2) / sums.sum(axis=2, keepdims=True)
        curves = np.pad(shares, ((0, 0), (0, 0), (1, 0)))
        measures[name] = np.array([(area(x, y), np.interp(0.01, x, y)) for x, y in zip(*curves, strict=True)])
    return measures
