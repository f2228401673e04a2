"""Lives of blades and electrodes: still good when last seen, already used when first seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.integrate import quad
from scipy.optimize import minimize, minimize_scalar

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Survival:
    """Share still good after each time at which one failed (Kaplan-Meier).

    Parameters
    ----------
    time, at_risk, failed, survival, se : ndarray, shape (times,)
        Times with a failure, units at risk just before, failures, share good, Greenwood's error.
    """

    time: Array
    at_risk: Array
    failed: Array
    survival: Array
    se: Array

    def quantile(self, share_failed: float) -> float:
        """First time by which this share has failed; inf where it was never reached."""
        gone = np.flatnonzero(self.survival <= 1 - share_failed + 1e-12)
        return float(self.time[gone[0]]) if len(gone) else float("inf")


def kaplan_meier(time: ArrayLike, failed: ArrayLike, entry: ArrayLike | None = None) -> Survival:
    """Share still good over time.

    Parameters
    ----------
    time : array_like, shape (units,)
        Life at failure or when last seen.
    failed : array_like of bool, shape (units,)
        Whether it failed; else it was still good.
    entry : array_like, shape (units,), optional
        Life when first seen; a unit counts as at risk only from there on.

    References
    ----------
    E. L. Kaplan and P. Meier, J. Amer. Stat. Assoc. 53, 457-481, 1958.
    """
    life, bad = np.asarray(time, float), np.asarray(failed, bool)
    first = np.zeros(len(life)) if entry is None else np.asarray(entry, float)
    times = np.unique(life[bad])
    at_risk = np.array([((first < t) & (life >= t)).sum() for t in times], float)
    events = np.array([((life == t) & bad).sum() for t in times], float)
    survival = np.cumprod(1 - events / at_risk)
    left = np.maximum(at_risk - events, 1e-300)
    spread = np.cumsum(np.where(at_risk > events, events / (at_risk * left), 0.0))
    return Survival(times, at_risk, events, survival, survival * np.sqrt(spread))


@dataclass(frozen=True, eq=False)
class Weibull:
    """log(life) = x b + scale * error of least extremes; shape = 1 / scale.

    Parameters
    ----------
    coefficients, se : ndarray, shape (columns + 1,)
        b (intercept first), then log(scale); standard errors from the observed information.
    log_likelihood : float
        On the scale of life.
    """

    coefficients: Array
    se: Array
    log_likelihood: float

    @property
    def shape(self) -> float:
        """Weibull shape; above 1 the longer in use, the likelier to fail."""
        return float(np.exp(-self.coefficients[-1]))

    def life(self, share_failed: float, at: ArrayLike = (1.0,)) -> float:
        """Life by which this share fails, at covariates ``at`` (1 for the intercept first)."""
        scale = float(np.exp(self.coefficients[-1]))
        middle = float(np.asarray(at, float) @ self.coefficients[:-1])
        return float(np.exp(middle + scale * np.log(-np.log1p(-share_failed))))


def weibull_fit(
    time: ArrayLike,
    failed: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    covariates: ArrayLike | None = None,
) -> Weibull:
    """Weibull lives with covariates, some still good, some already used when first seen.

    Parameters
    ----------
    time, failed, entry : array_like, shape (units,)
        As for ``kaplan_meier``; ``entry`` 0 or missing for new units.
    covariates : array_like, shape (units, columns), optional
        Without the intercept.

    References
    ----------
    J. F. Lawless, Statistical Models and Methods for Lifetime Data, 2003, chapters 5 and 6;
    delayed entry: his section 2.4.
    """
    life, bad = np.asarray(time, float), np.asarray(failed, float)
    design = _design(len(life), covariates)
    log_life = np.log(life)
    first = np.zeros(len(life)) if entry is None else np.asarray(entry, float)
    late = first > 0
    log_first = np.log(np.where(late, first, 1.0))

    def negative(free: Array) -> tuple[float, Array]:
        scale, middle = np.exp(free[-1]), design @ free[:-1]
        z, z0 = (log_life - middle) / scale, (log_first - middle) / scale
        hazard = np.exp(np.minimum(z, 700))
        before = np.where(late, np.exp(np.minimum(z0, 700)), 0.0)
        value = (bad * (z - free[-1] - log_life) - hazard + before).sum()
        slope = design.T @ ((hazard - bad - before) / scale)
        turn = (hazard * z - before * z0 - bad * (1 + z)).sum()
        return -value, -np.append(slope, turn)

    begin = np.zeros(design.shape[1] + 1)
    begin[0], begin[-1] = log_life.mean(), np.log(0.5)
    return _fitted(negative, begin)


def weibull_between_checks(last_good: ArrayLike, first_bad: ArrayLike) -> Weibull:
    """Weibull lives known only between two checks.

    Parameters
    ----------
    last_good, first_bad : array_like, shape (units,)
        Life at the last check at which it was good (0 if none) and at the first at which it was
        bad (inf if none yet).
    """
    low, high = np.asarray(last_good, float), np.asarray(first_bad, float)
    seen, ended = low > 0, np.isfinite(high)
    log_low = np.log(np.where(seen, low, 1.0))
    log_high = np.log(np.where(ended, high, 1.0))

    def negative(free: Array) -> tuple[float, Array]:
        scale = np.exp(free[-1])
        z1, z2 = (log_low - free[0]) / scale, (log_high - free[0]) / scale
        h1 = np.where(seen, np.exp(np.minimum(z1, 50)), 0.0)
        h2 = np.where(ended, np.exp(np.minimum(z2, 50)), np.inf)
        gap = np.where(ended, -np.expm1(-(h2 - h1)), 1.0)
        value = (-h1 + np.log(gap)).sum()
        # Chances that the difference of the two survivals puts on each end.
        more = np.where(ended, np.exp(-(h2 - h1)) / gap, 0.0)
        at1, at2 = h1 * (-1 - more), np.where(ended, np.where(ended, h2, 0.0) * more, 0.0)
        slope = -(at1 + at2).sum() / scale
        turn = -(at1 * z1 + at2 * np.where(ended, z2, 0.0)).sum()
        return -value, -np.array([slope, turn])

    middle = np.where(ended, (low + np.where(ended, high, 0.0)) / 2, low)
    return _fitted(negative, np.array([np.log(middle.mean()), np.log(0.5)]))


def _design(units: int, covariates: ArrayLike | None) -> Array:
    ones = np.ones((units, 1))
    return ones if covariates is None else np.hstack([ones, np.asarray(covariates, float)])


def _fitted(negative, begin: Array) -> Weibull:  # type: ignore[no-untyped-def]
    found = minimize(negative, begin, jac=True, method="BFGS", options={"gtol": 1e-7})
    free = found.x
    for _ in range(3):  # Newton steps settle the last digits
        information = _information(negative, free)
        free = free - np.linalg.solve(information, negative(free)[1])
    se = np.sqrt(np.diag(np.linalg.inv(_information(negative, free))))
    return Weibull(free, se, -float(negative(free)[0]))


def _information(negative, free: Array) -> Array:  # type: ignore[no-untyped-def]
    """Second derivatives by central differences of the exact slope."""
    out = np.empty((len(free), len(free)))
    for place in range(len(free)):
        step = np.zeros(len(free))
        step[place] = 1e-5 * max(abs(free[place]), 1.0)
        out[place] = (negative(free + step)[1] - negative(free - step)[1]) / (2 * step[place])
    return (out + out.T) / 2


@dataclass(frozen=True)
class Replacement:
    """Best age at which to replace, and the cost per unit of life there and without planning."""

    age: float
    cost_rate: float
    run_to_failure: float


def best_replacement(
    shape: float, scale: float, *, cost_planned: float, cost_failure: float
) -> Replacement:
    """Age-replacement optimum of Weibull lives; age is inf where planning does not pay.

    R. E. Barlow and F. Proschan, Mathematical Theory of Reliability, 1965, chapter 4.
    """
    from scipy.special import gamma

    without = cost_failure / (scale * gamma(1 + 1 / shape))

    def rate(log_age: float) -> float:
        age = np.exp(log_age)
        good = np.exp(-((age / scale) ** shape))
        used = quad(lambda t: np.exp(-((t / scale) ** shape)), 0, age)[0]
        return float((cost_planned * good + cost_failure * (1 - good)) / used)

    if shape <= 1:
        return Replacement(float("inf"), float(without), float(without))
    ends = (np.log(scale) - 5.0, np.log(scale) + 2.0)
    found = minimize_scalar(rate, bounds=ends, method="bounded", options={"xatol": 1e-8})
    if found.fun >= without * (1 - 1e-9):
        return Replacement(float("inf"), float(without), float(without))
    return Replacement(float(np.exp(found.x)), float(found.fun), float(without))
