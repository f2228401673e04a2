"""Parametric bootstrap: intervals and goodness of fit that are valid for rounded readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from yieldkit.methods.binned.counts import Counts, Floats
from yieldkit.methods.binned.families import Family
from yieldkit.methods.binned.fitting import Fit, fit, log_likelihood
from yieldkit.methods.binned.intervals import Estimate, Figure


def cells(counts: Counts) -> Counts:
    """Each group's readings on a set of intervals that tile the whole line.

    Needed to draw anew: between and beyond the intervals that hold a reading lie others that could
    have. They get the count 0. Where a group's intervals overlap (two displays in one group), its
    line is cut at all their ends, and a reading's count is shared among its pieces as its interval
    is wide.
    """
    groups, lows, highs, many = [], [], [], []
    for group in range(counts.groups):
        rows = slice(*np.searchsorted(counts.group, [group, group + 1]))
        low, high, count = counts.low[rows], counts.high[rows], counts.count[rows]
        edges = _filled_edges(low, high, counts.cut[group])
        tiled = np.zeros(len(edges) - 1)
        for start, end, number in zip(low, high, count, strict=True):
            inside = slice(*np.searchsorted(edges, [start - 1e-12, end - 1e-12]))
            width = np.diff(edges)[inside]
            share = np.where(np.isfinite(width), width, 0.0)
            total = share.sum()
            tiled[inside] += number * (share / total if total > 0 else 1 / len(width))
        groups.append(np.full(len(tiled), group))
        lows.append(edges[:-1])
        highs.append(edges[1:])
        many.append(tiled)
    join = np.concatenate
    return Counts(join(groups), join(lows), join(highs), join(many), counts.groups, counts.cut)


def _filled_edges(low: Floats, high: Floats, cut: float) -> Floats:
    """Ends of the intervals, those between added at the usual step, and a tail up to the cut."""
    ends = np.unique(np.concatenate([low, high]))
    finite = ends[np.isfinite(ends)]
    width = (high - low)[np.isfinite(high - low)]
    step = float(np.median(width)) if len(width) else 0.01
    filled = [finite[:1]]
    for start, end in zip(finite[:-1], finite[1:], strict=True):
        pieces = max(int(round((end - start) / step)), 1)
        filled.append(np.linspace(start, end, pieces + 1)[1:])
    edges = np.concatenate(filled)
    if not np.isfinite(ends[-1]) or np.isfinite(cut):
        top = ends[-1:] if not np.isfinite(ends[-1]) else np.empty(0)
    else:
        beyond = edges[-1] + step * np.arange(1, max(2 * len(edges), 10))
        top = np.append(beyond, np.inf)
    below = [-np.inf] if edges[0] < 0 else [0.0] if edges[0] > 0 else []
    return np.concatenate([below, edges, top])


def draw_counts(made: Fit, tiles: Counts, rng: np.random.Generator, times: int) -> Counts:
    """Counts drawn anew from a fit, ``times`` copies of all groups one after the other."""
    shifted = np.concatenate([tiles.group + k * tiles.groups for k in range(times)])
    low, high = np.tile(tiles.low, times), np.tile(tiles.high, times)
    share = Fit(
        made.family, tiles, made.w, made.loglik, made.covariance, made.known
    ).probabilities()
    count = np.empty(len(low))
    size = len(tiles.low)
    for group in range(tiles.groups):
        rows = slice(*np.searchsorted(tiles.group, [group, group + 1]))
        chance = np.maximum(share[rows], 0)
        drawn = rng.multinomial(int(round(tiles.n[group])), chance / chance.sum(), size=times)
        for k in range(times):
            count[k * size + rows.start : k * size + rows.stop] = drawn[k]
    return Counts(shifted, low, high, count, times * tiles.groups, np.tile(tiles.cut, times))


@dataclass(frozen=True, eq=False)
class Redrawn:
    """Counts drawn anew from a fit, and refits to them; see ``redraw``.

    Parameters
    ----------
    made : Fit
        The fit.
    inside : array of int
        Its groups that are known; the others answer NaN.
    tiles, drawn : Counts
        Those groups' readings on intervals that tile the line; and what was drawn, ``times`` copies
        of all groups one after the other.
    again : Fit
        Refits to what was drawn.
    times : int
        Draws for each group.
    """

    made: Fit
    inside: np.ndarray
    tiles: Counts
    drawn: Counts
    again: Fit
    times: int

    def interval(self, figure: Figure, confidence: float = 0.95) -> Estimate:
        """Percentile interval of a figure, for where the chi-square law does not hold.

        ``figure`` takes working parameters (groups, parameters) and gives (groups,).
        """
        value = np.full(self.made.counts.groups, np.nan)
        low, high = value.copy(), value.copy()
        if len(self.inside):
            value[self.inside] = figure(self.made.w[self.inside])
            w = self.again.w
            with np.errstate(all="ignore"):
                found = np.where(np.isnan(w[:, 0]), np.nan, figure(np.nan_to_num(w)))
            found = found.reshape(self.times, len(self.inside))
            ends = [(1 - confidence) / 2, (1 + confidence) / 2]
            low[self.inside], high[self.inside] = np.nanquantile(found, ends, axis=0)
        return Estimate(value, low, high, np.zeros(len(value), bool))

    def goodness(self) -> Floats:
        """Share of samples from the fit that fit worse than the data, shape (groups,).

        The distance is the Anderson-Darling sum over the ends of the intervals, weighted by the
        fitted share of each interval (discrete form of V. Choulakian, R. A. Lockhart and M. A.
        Stephens, Can. J. Stat. 22, 125-137, 1994, doi:10.2307/3315828). Its law is found by
        refitting each draw, so rounding, censoring, truncation and the fitted parameters are all
        allowed for (B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, 1993, chapter
        16). Small values (under 0.05) speak against the family; NaN where the fit is not known.
        """
        found = np.full(self.made.counts.groups, np.nan)
        if len(self.inside):
            seen = _distance(_some(self.made, self.inside), self.tiles)
            beyond = _distance(self.again, self.drawn).reshape(self.times, len(self.inside))
            usable = np.isfinite(beyond)
            worse = np.where(usable, beyond >= seen, False).sum(axis=0)
            found[self.inside] = (worse + 1) / (usable.sum(axis=0) + 1)
        return found


def redraw(made: Fit, rng: np.random.Generator, *, times: int = 400) -> Redrawn:
    """Parametric bootstrap of a fit: for intervals and goodness of fit from the same refits.

    Parameters
    ----------
    made : Fit
        The fit.
    rng : Generator
        Source of randomness.
    times : int
        Draws for each group.
    """
    inside = np.flatnonzero(made.known)
    part = _some(made, inside)
    tiles = cells(part.counts) if len(inside) else part.counts
    drawn = draw_counts(part, tiles, rng, times) if len(inside) else tiles
    again = fit(_held_only(drawn), made.family, start=np.tile(part.w, (times, 1)), rough=True)
    return Redrawn(made, inside, tiles, drawn, again, times)


def _distance(made: Fit, tiles: Counts) -> Floats:
    share = Fit(
        made.family, tiles, made.w, made.loglik, made.covariance, made.known
    ).probabilities()
    known = made.known[tiles.group]
    seen = _running(np.where(known, tiles.count, 0.0), tiles) / tiles.n[tiles.group]
    fitted = _running(np.where(known, share, 0.0), tiles)
    weight = fitted * (1 - fitted)
    inner = known & (weight > 1e-9)
    terms = (seen - fitted) ** 2 / np.where(inner, weight, 1.0) * np.where(inner, share, 0.0)
    return np.where(made.known, tiles.n * tiles.sum(terms), np.nan)


def _running(values: Floats, tiles: Counts) -> Floats:
    """Running sum within each group."""
    total = np.cumsum(values)
    begins = np.searchsorted(tiles.group, np.arange(tiles.groups))
    before = np.concatenate([[0.0], total])[begins]
    return total - before[tiles.group]


def _some(made: Fit, inside: np.ndarray) -> Fit:
    return Fit(
        made.family,
        made.counts.only(inside),
        made.w[inside],
        made.loglik[inside],
        made.covariance[inside],
        made.known[inside],
    )


def held_out(
    counts: Counts, families: Sequence[Family], rng: np.random.Generator, *, folds: int = 5
) -> Floats:
    """Log-likelihood per reading on readings left out of the fit, by family and group.

    Parameters
    ----------
    counts : Counts
        Counts per interval.
    families : sequence of Family
        What to compare.
    rng : Generator
        Which reading falls into which fold.
    folds : int
        Number of parts; each is left out once.

    Returns
    -------
    array, shape (families, groups)
        Greater is better; NaN where a fold could not be fitted.
    """
    fold_counts = _deal(counts, rng, folds)
    whole = [fit(counts, family, rough=True) for family in families]
    total = np.zeros((len(families), counts.groups))
    for fold in range(folds):
        kept = counts.with_counts(counts.count - fold_counts[fold])
        left_out = counts.with_counts(fold_counts[fold])
        for row, family in enumerate(families):
            made = fit(_held_only(kept), family, start=whole[row].w, rough=True)
            safe = np.where(made.known[:, None], made.w, 0.0)
            value = log_likelihood(family, safe, left_out)
            total[row] += np.where(made.known, value, np.nan)
    return total / counts.n


def _deal(counts: Counts, rng: np.random.Generator, folds: int) -> Floats:
    """Counts of each fold, shape (folds, rows), as even as they can be within each group."""
    rows = np.repeat(np.arange(len(counts.count)), counts.count.astype(int))
    of = counts.group[rows]
    order = np.lexsort((rng.random(len(rows)), of))
    place = np.arange(len(rows)) - np.searchsorted(of, of)
    dealt = np.zeros((folds, len(counts.count)))
    np.add.at(dealt, (place % folds, rows[order]), 1)
    return dealt


def _held_only(counts: Counts) -> Counts:
    held = counts.count > 0
    return Counts(
        counts.group[held], counts.low[held], counts.high[held], counts.count[held],
        counts.groups, counts.cut,
    )  # fmt: skip
