"""Which family: weights from the data, and figures averaged where no family is settled."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from yieldkit.methods.binned.counts import Counts, Floats
from yieldkit.methods.binned.families import Exponential, Family, Gamma, Lognormal, Weibull
from yieldkit.methods.binned.fitting import Fit, fit
from yieldkit.methods.binned.intervals import (
    Estimate,
    cautious,
    figure_intervals,
    share_over_interval,
    wald_sd,
)

USUAL: tuple[Family, ...] = (Exponential(), Gamma(), Weibull(), Lognormal())
"""Families weighed where nothing more is known; physics speaks for the first two."""

NEGLIGIBLE = 0.01
"""Under this weight a family is left out of the averages of a group."""

POSSIBLE = 0.01
"""Weight from which a family may be the true one: a verdict must hold under each of these."""

SETTLED = 0.9
"""Weight from which one family is named; under it the figures are averages."""


@dataclass(frozen=True, eq=False)
class Average:
    """Several families fitted to the same counts, each with a weight in every group.

    Parameters
    ----------
    fits : tuple of Fit
        One per family.
    weights : array, shape (families, groups)
        Akaike weights (K. P. Burnham and D. R. Anderson, Model Selection and Multimodel Inference,
        2002, section 2.9); zero for a fit that is not known, NaN where none is.
    """

    fits: tuple[Fit, ...]
    weights: Floats

    @property
    def names(self) -> list[str]:
        """The family of each group, or "average" of those named, or "none"."""
        names = []
        for weights in self.weights.T:
            if np.isnan(weights).all():
                names.append("none")
                continue
            order = np.argsort(-weights)
            likely = [self.fits[i].family.name for i in order if weights[i] >= 0.1]
            settled = weights[order[0]] >= SETTLED
            names.append(likely[0] if settled else f"average of {', '.join(likely)}")
        return names

    def mean(self, confidence: float = 0.95, *, widest: bool = False) -> Estimate:
        """Mean, averaged; ``widest``: wide enough for every family that may be true."""
        return self.figures([None], confidence, widest=widest)[0]

    def quantile(self, share: float, confidence: float = 0.95, *, widest: bool = False) -> Estimate:
        """Value that ``share`` of all stay below, averaged; ``widest`` as for ``mean``."""
        return self.figures([share], confidence, widest=widest)[0]

    def figures(
        self, shares: Sequence[float | None], confidence: float = 0.95, *, widest: bool = False
    ) -> list[Estimate]:
        """Several figures in one search: a quantile for each share, the mean for None."""

        def of(made: Fit, wanted: float | Floats) -> Estimate:
            parts = figure_intervals(made, shares, wanted)
            return Estimate(
                *(
                    np.concatenate([getattr(part, end) for part in parts])
                    for end in ("value", "low", "high", "by_likelihood")
                )
            )

        return self._figures(of, len(shares), confidence, widest).parts(len(shares))

    def sd(self, share: float | None = None) -> Floats:
        """Standard deviation of the mean's estimate, or of a quantile's, within a family.

        On the log scale for positive families; shape (groups,). What lies between families is
        left out, since it goes as the data settle one.
        """
        log = np.log if self.fits[0].family.positive else np.asarray

        def figure(made: Fit, w: Floats) -> Floats:
            family = made.family
            return log(family.mean(w) if share is None else family.quantile(w, share))

        total = np.zeros(self.weights.shape[1])
        for made, weight in zip(self.fits, self.weights, strict=True):
            use = np.where(made.known, weight, 0.0)
            with np.errstate(invalid="ignore"):
                sd = wald_sd(made, lambda w, made=made: figure(made, w))  # type: ignore[misc]
            total += np.where(use > 0, use * sd, 0.0)
        return np.where(np.isnan(self.weights).all(axis=0), np.nan, total)

    def share_over(self, limit: float, confidence: float = 0.95) -> Estimate:
        """Share above ``limit``, averaged."""
        return self._figures(
            lambda made, wanted: share_over_interval(made, limit, wanted), 1, confidence, share=True
        )

    def _figures(
        self,
        of: Callable[[Fit, float | Floats], Estimate],
        many: int,
        confidence: float,
        widest: bool = False,
        *,
        share: bool = False,
    ) -> Estimate:
        """Averages of ``many`` figures, which ``of`` gives one after another."""
        positive = self.fits[0].family.positive
        to, back = (special.logit, special.expit) if share else (np.log, np.exp)
        if not (positive or share):
            to, back = (np.asarray, np.asarray)
        fits = [
            replace(made, known=made.known & (weight >= NEGLIGIBLE))
            for made, weight in zip(self.fits, self.weights, strict=True)
        ]
        weights = np.tile(self.weights, many)
        if not widest:
            return average_intervals(
                [of(made, confidence) for made in fits], weights, confidence, to, back
            )
        n = self.fits[0].counts.n
        wanted = cautious(confidence, n, max(made.family.free for made in self.fits))
        single = [of(made, wanted) for made in fits]
        found = average_intervals(single, weights, np.tile(wanted, many), to, back)
        may = weights >= POSSIBLE
        low = np.where(may, [each.low for each in single], np.inf).min(axis=0)
        high = np.where(may, [each.high for each in single], -np.inf).max(axis=0)
        return Estimate(
            found.value, np.fmin(found.low, low), np.fmax(found.high, high), found.by_likelihood
        )


def weigh(counts: Counts, families: Sequence[Family] = USUAL) -> Average:
    """Fit each family to each group and weigh them by Akaike's criterion.

    Parameters
    ----------
    counts : Counts
        Counts per interval.
    families : sequence of Family
        What to try; all positive, or all not.
    """
    fits = tuple(fit(counts, family) for family in families)
    score = np.stack([np.where(made.known, -made.aic / 2, -np.inf) for made in fits])
    best = score.max(axis=0)
    some = np.isfinite(best)
    relative = np.exp(score - np.where(some, best, 0.0))
    total = relative.sum(axis=0)
    return Average(fits, np.where(some, relative / np.where(some, total, 1.0), np.nan))


def average_intervals(
    figures: Sequence[Estimate],
    weights: Floats,
    confidence: float | Floats,
    to: Callable[[Floats], Floats],
    back: Callable[[Floats], Floats],
) -> Estimate:
    """Average of estimates, and an interval whose error rates are averaged.

    Each end is where the weighted error rates of the single intervals add up to the wanted one
    (D. Fletcher and D. Turek, J. Agric. Biol. Environ. Stat. 17, 38-51, 2012,
    doi:10.1007/s13253-011-0064-8); between an estimate and its likelihood end the signed root is
    taken as linear on the working scale.

    Parameters
    ----------
    figures : sequence of Estimate
        One per family.
    weights : array, shape (families, groups)
        Weights.
    confidence : float
        Coverage of the single intervals [fraction].
    to, back : callable
        To the working scale and back.
    """
    z = special.ndtri((1 + confidence) / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        value, low, high = (
            np.stack([to(getattr(figure, end)) for figure in figures])
            for end in ("value", "low", "high")
        )
    with np.errstate(invalid="ignore"):
        use = np.where(np.isfinite(value) & np.isfinite(low) & np.isfinite(high), weights, 0.0)
        total = use.sum(axis=0)
        use = np.where(total > 0, use / np.where(total > 0, total, 1), np.nan)
        value, low, high = (np.where(use > 0, part, 0.0) for part in (value, low, high))
        down, up = (value - low) / z, (high - value) / z
        middle = (use * value).sum(axis=0)
        ends = [
            _where_rates_meet(use, value, np.maximum(down, 1e-12), np.maximum(up, 1e-12), rate)
            for rate in ((1 - confidence) / 2, (1 + confidence) / 2)
        ]
    sure = np.all(
        [figure.by_likelihood | (part <= 0) for figure, part in zip(figures, use, strict=True)],
        axis=0,
    )
    return Estimate(back(middle), back(ends[0]), back(ends[1]), sure & np.isfinite(middle))


def _where_rates_meet(
    use: Floats, value: Floats, down: Floats, up: Floats, rate: float | Floats
) -> Floats:
    held = use > 0
    low = np.where(held, value - 40 * down, np.inf).min(axis=0)
    high = np.where(held, value + 40 * up, -np.inf).max(axis=0)
    for _ in range(80):
        middle = (low + high) / 2
        off = middle - value
        rates = special.ndtr(np.where(off < 0, off / down, off / up))
        under = np.where(held, use * rates, 0.0).sum(axis=0) < rate
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.where(held.any(axis=0), (low + high) / 2, np.nan)
