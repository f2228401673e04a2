"""Families of splice losses: draws, tails, and the chance that a joint passes its limits.

An offset of the cores that is normal in two directions is a Rayleigh distance, and its loss is
exponential; a steady offset beside it makes the loss a scaled noncentral chi-square with two
degrees of freedom (Gaussian-mode approximation of D. Marcuse, Bell Syst. Tech. J. 56, 703, 1977;
derivation: loss = 4.343 d^2 / w^2, d^2 = x^2 + y^2; ``optics.mean_offset_loss_db`` gives the mean).
The other families are there to be wrong with.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]
MIXTURE_SHARE = 0.1


def survival(
    x: Array | float, mean: Array, *, family: str, shape: float = 1.0, bias: Array | float = 0.0
) -> Array:
    """Chance that a loss exceeds ``x`` [dB], all arrays broadcast.

    ``mean`` is the mean without bias [dB]; ``bias`` the noncentrality, for every family but the
    exponential a plain growth of the mean by ``1 + bias / 2``.
    """
    x, mean, bias = np.broadcast_arrays(np.asarray(x, float), mean, bias)
    if family == "exponential":
        plain = np.exp(-x / mean)
        if not bias.any():
            return plain
        steady = 1 - special.chndtr(2 * x / mean, 2.0, bias)
        return np.asarray(np.where(bias > 0, steady, plain))
    mean = mean * (1 + bias / 2)
    if family == "gamma":
        return np.asarray(special.gammaincc(shape, shape * x / mean))
    if family == "weibull":
        return np.asarray(np.exp(-((x / (mean / special.gamma(1 + 1 / shape))) ** shape)))
    if family == "lognormal":
        with np.errstate(divide="ignore"):
            return np.asarray(special.ndtr(-(np.log(x / mean) + shape**2 / 2) / shape))
    if family == "mixture":
        low, high = _mixture(mean, shape)
        return (1 - MIXTURE_SHARE) * np.exp(-x / low) + MIXTURE_SHARE * np.exp(-x / high)
    raise ValueError(f"family {family!r} is unknown")


def _mixture(mean: Array, shape: float) -> tuple[Array, Array]:
    """Means of the two exponentials: a tenth of the joints has ``shape`` times the others' mean."""
    low = mean / (1 - MIXTURE_SHARE + MIXTURE_SHARE * shape)
    return low, low * shape


def draw(
    rng: np.random.Generator,
    mean: Array,
    *,
    family: str,
    shape: float = 1.0,
    bias: Array | float = 0.0,
) -> Array:
    """One loss for each mean [dB]; arguments as for ``survival``."""
    bias = np.broadcast_to(np.asarray(bias, float), mean.shape)
    if family == "exponential":
        x = rng.standard_normal(mean.shape) + np.sqrt(bias)
        y = rng.standard_normal(mean.shape)
        return mean / 2 * (x**2 + y**2)
    mean = mean * (1 + bias / 2)
    if family == "gamma":
        return rng.gamma(shape, mean / shape)
    if family == "weibull":
        return mean / special.gamma(1 + 1 / shape) * rng.weibull(shape, mean.shape)
    if family == "lognormal":
        return mean * np.exp(shape * rng.standard_normal(mean.shape) - shape**2 / 2)
    if family == "mixture":
        low, high = _mixture(mean, shape)
        wide = rng.random(mean.shape) < MIXTURE_SHARE
        return np.asarray(rng.exponential(np.where(wide, high, low)))
    raise ValueError(f"family {family!r} is unknown")


def pass_both(
    mean: Array,
    bias: Array,
    *,
    family: str,
    shape: float,
    estimate_limit_db: Array,
    test_limit_db: Array,
    mating_db: Array,
    zero_db: Array,
) -> tuple[Array, Array]:
    """Chance of an estimate within its limit, and of a test passed by such a joint.

    The reading is the estimate plus a gamma-4 part of mean ``mating_db`` less ``zero_db``; infinite
    limits are always met. The second chance is an integral over the estimates within the limit, in
    24 cells, narrow near nothing.
    """
    top = np.minimum(estimate_limit_db, 40 * mean * (1 + bias / 2))
    within = 1 - survival(top, mean, family=family, shape=shape, bias=bias)
    within = np.where(np.isinf(estimate_limit_db), 1.0, within)
    needed = np.flatnonzero(np.isfinite(test_limit_db))
    passed = np.ones_like(within)
    if needed.size:
        cut = needed[:, None]
        # Cells carry their probability, so no density is needed at 0.
        edges = top[cut] * np.linspace(0, 1, 25) ** 2
        tail = survival(edges, mean[cut], family=family, shape=shape, bias=bias[cut])
        weight = tail[:, :-1] - tail[:, 1:]
        middle = (edges[:, :-1] + edges[:, 1:]) / 2
        room = np.maximum(test_limit_db[cut] + zero_db[cut] - middle, 0)
        met = special.gammainc(4.0, 4 * room / mating_db[cut])
        total = np.maximum(weight.sum(axis=1), 1e-300)
        passed[needed] = (weight * met).sum(axis=1) / total
    return within, passed
