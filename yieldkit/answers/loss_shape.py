"""What the shape of the losses tells: kind of cause, mixed work, arcs missing from the records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import gammaln

from yieldkit.answers.loss_readings import loss_readings
from yieldkit.answers.losses import KEYS, LEAST, count_groups, grouped_losses, losses_by
from yieldkit.answers.result import Finding, Result, Severity
from yieldkit.crew import ALL, Crew
from yieldkit.methods.binned import (
    POSSIBLE,
    USUAL,
    Counts,
    Estimate,
    Exponential,
    Family,
    Fit,
    Gamma,
    Hypoexponential,
    Lognormal,
    Mixture,
    Redrawn,
    ShiftedExponential,
    SteadyOffset,
    Weibull,
    average_intervals,
    count_intervals,
    fit,
    held_out,
    mean_interval,
    profile,
    quantile_interval,
    redraw,
    share_over_interval,
    weigh,
)
from yieldkit.methods.binned.counts import Floats
from yieldkit.methods.proportions import check_confidence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

EVERY: tuple[Family, ...] = (
    Exponential(),
    ShiftedExponential(),
    Gamma(),
    Hypoexponential(),
    Weibull(),
    Lognormal(),
    SteadyOffset(),
    Mixture(),
)
"""All families on offer."""
SAME = 0.85
"""A coefficient of variation that kept at least this share of itself counts as unchanged."""
FEW = 0.01
"""Under this share of dropped arcs there is nothing to say."""
TOO_WIDE = 3.0
"""A mean whose greatest value is more than this many times its least is not told."""
_URGENT: dict[str, Severity] = {
    "range": "watch",
    "cannot tell": "cannot tell",
    "few if any dropped": "fine",
    "arcs over the limit are kept": "fine",
}


@dataclass(frozen=True, eq=False, kw_only=True)
class LossChange(Result):
    """Change of mean and spread between two periods; see ``loss_change``."""


@dataclass(frozen=True, eq=False, kw_only=True)
class LossFamilies(Result):
    """Families compared; see ``loss_families``."""


@dataclass(frozen=True, eq=False, kw_only=True)
class RedoneSplices(Result):
    """Losses had no arc been dropped; see ``redone_splices``."""

    def plot(self, ax: Axes) -> Axes:
        """Draw the range of the mean [dB] of each group on ``ax``."""
        from yieldkit.figures.intervals import draw_intervals

        return draw_intervals(
            ax, self.table, value="mean_shown_db", low="mean_low_db", high="mean_high_db",
            group="group", n="n", unit="dB", label="Mean of all arcs, kept and dropped",
        )  # fmt: skip


def loss_change(
    attempts: pd.DataFrame,
    measurements: pd.DataFrame,
    *,
    crew: Crew,
    since: pd.Timestamp,
    by: str = "splicer",
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> LossChange:
    """Did the mean rise with the spread (hand, cleave), or without it (the machine is off)?

    Random errors scale the whole distribution, so the coefficient of variation (CV) stays; a steady
    offset of the machine raises the mean and lowers the CV.

    Parameters
    ----------
    attempts, measurements : DataFrame
        The schema's tables.
    crew : Crew
        Settings.
    since : Timestamp
        First day of the later period.
    by : str
        Grouping, as for ``loss_summary``.
    confidence : float
        Of the intervals [fraction].
    as_of : Timestamp, optional
        Newest record known.

    Returns
    -------
    LossChange
        ``table``: the keys, ``n_before``, ``n``, ``ratio`` of the means and ``cv_before``, ``cv``,
        ``cv_ratio`` with ``_low`` and ``_high``; ``says``: "machine offset", "hand or cleave",
        "some bad joints" (the spread grew too), "no rise" or "cannot tell". Estimates and two-way
        losses only: other readings hold the mating of connectors too.
    """
    check_confidence(confidence)
    readings, _, _ = grouped_losses(attempts, measurements, crew, by)
    readings = readings[readings["quantity"].isin(["estimated loss", "two-way loss"])]
    keys, _ = count_groups(readings, KEYS)
    later = pd.to_datetime(readings["date"]) >= pd.Timestamp(since).tz_localize(None)
    sides = []
    for part in (readings[~later], readings[later]):
        _, counts = _counts_of(part, keys)
        made = weigh(counts, (Gamma(), Weibull()))
        means = [mean_interval(each, confidence) for each in made.fits]
        spreads = [_cv_interval(each, confidence) for each in made.fits]
        of_mean = average_intervals(means, made.weights, confidence, np.log, np.exp)
        of_cv = average_intervals(spreads, made.weights, confidence, np.log, np.exp)
        sides.append((counts.n.astype(int), of_mean, of_cv))
    (n_before, mean_before, cv_before), (n, mean, cv) = sides
    table = keys.assign(n_before=n_before, n=n)
    for name, figure in (
        ("ratio", _ratio(mean, mean_before)),
        ("cv_before", cv_before),
        ("cv", cv),
        ("cv_ratio", _ratio(cv, cv_before)),
    ):
        for end, values in (("", figure.value), ("_low", figure.low), ("_high", figure.high)):
            table[f"{name}{end}"] = values
    table["says"] = [_says(row) for row in _records(table)]
    findings = tuple(
        Finding("loss_change", row, _severity(row["says"])) for row in _records(table)
        if row["says"] != "no rise"
    )  # fmt: skip
    return LossChange(
        table=table, findings=findings, confidence=confidence, as_of=as_of, settings={"by": by}
    )


def loss_families(
    attempts: pd.DataFrame,
    measurements: pd.DataFrame,
    *,
    crew: Crew,
    by: str = "connector_type",
    families: Sequence[str] = (),
    times: int = 200,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> LossFamilies:
    """Families compared on each group: fit to rounded readings, and readings left out.

    The page and ``loss_summary`` average the exponential, gamma, Weibull and lognormal; this also
    fits those whose intervals take a bootstrap (a floor, two errors, a steady offset, two parts).

    Parameters
    ----------
    attempts, measurements : DataFrame
        The schema's tables.
    crew : Crew
        Settings; the seed is from there.
    by : str
        Grouping, as for ``loss_summary``.
    families : sequence of str
        Names of the families; all of ``EVERY`` where none are given.
    times : int
        Bootstrap draws, for the goodness of fit and the intervals that need them.
    confidence : float
        Coverage of the intervals [fraction].
    as_of : Timestamp, optional
        Newest record known.

    Returns
    -------
    LossFamilies
        ``table``: the keys, ``n``, ``family``, ``held_out`` (log-likelihood per reading left out;
        greater is better), ``fits_share`` (share of samples from the family that fit worse; under
        0.05 speaks against it), ``mean_db`` and ``q99_db`` with ``_low`` and ``_high`` (likelihood
        ratio; percentiles of the bootstrap where the chi-square law does not hold); missing where
        the data do not settle the family.

    Raises
    ------
    ValueError
        If a column is missing, a family is none, or ``confidence`` is no fraction.
    """
    check_confidence(confidence)
    chosen = [family for family in EVERY if not families or family.name in families]
    unknown = set(families) - {family.name for family in EVERY}
    if unknown:
        named = ", ".join(family.name for family in EVERY)
        raise ValueError(f"no family is called {', '.join(sorted(unknown))}; wanted of {named}")
    _, keys, counts = grouped_losses(attempts, measurements, crew, by)
    able = (counts.n >= LEAST) & (counts.distinct > 3)
    able &= counts.sum(((counts.high <= 0) & (counts.count > 0)).astype(float)) == 0
    some = np.flatnonzero(able)
    rows = []
    if len(some):
        part, named = counts.only(some), keys.iloc[some]
        rng = np.random.default_rng([crew.general.seed, 9])
        left_out = held_out(part, chosen, rng)
        for family, score in zip(chosen, left_out, strict=True):
            made = fit(part, family)
            again = redraw(made, rng, times=times)
            row = named.assign(
                n=part.n.astype(int),
                family=family.name,
                held_out=score,
                fits_share=again.goodness(),
            )
            for name, share in (("mean_db", None), ("q99_db", 0.99)):
                found = _figure(made, again, share, confidence)
                for end, values in (("", found.value), ("_low", found.low), ("_high", found.high)):
                    row[f"{name}{end}"] = np.where(made.known, values, np.nan)
            rows.append(row)
    columns = [*KEYS, "n", "family", "held_out", "fits_share"]
    columns += [f"{name}{end}" for name in ("mean_db", "q99_db") for end in ("", "_low", "_high")]
    table = pd.concat(rows) if rows else pd.DataFrame(columns=columns)
    table = table.sort_values([*KEYS, "held_out"], ascending=[True] * 5 + [False])
    table = table.reset_index(drop=True)
    findings = tuple(_mixing(_records(group)) for _, group in table.groupby(KEYS, dropna=False))
    return LossFamilies(
        table=table,
        findings=tuple(found for found in findings if found),
        as_of=as_of,
        settings={"by": by, "seed": crew.general.seed, "times": times},
        confidence=confidence,
    )


def redone_splices(
    attempts: pd.DataFrame,
    measurements: pd.DataFrame,
    *,
    crew: Crew,
    by: str = "connector_type",
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> RedoneSplices:
    """What estimates would look like had no arc over the limit been dropped, as a range.

    Where no estimate over the limit row is in the records, the kept ones are taken as cut off at
    the greatest reading that could still be accepted. The mean and the share dropped then depend
    on the family, so the answer is their range over families, or "cannot tell".

    Returns
    -------
    RedoneSplices
        ``table``: ``by``, ``group``, ``n``, ``limit_db``, ``over`` (readings over the limit),
        ``mean_shown_db``, ``mean_low_db``, ``mean_high_db``, ``dropped_low``, ``dropped_high``
        (share of all arcs); ``says``: "range", "cannot tell", "few if any dropped" or "arcs over
        the limit are kept".
    """
    estimates = attempts[attempts["loss_low_db"].notna()]
    readings = loss_readings(estimates, measurements.iloc[:0], crew)
    return redone_of(readings, crew=crew, by=by, confidence=confidence, as_of=as_of)


def redone_of(
    readings: pd.DataFrame,
    *,
    crew: Crew,
    by: str = "connector_type",
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> RedoneSplices:
    """``redone_splices`` of readings at hand (``loss_readings``)."""
    check_confidence(confidence)
    readings = losses_by(readings[readings["quantity"].eq("estimated loss")], by)
    named, counts = count_groups(readings, ["group"])
    shown = weigh(counts).mean(confidence).value
    rows = []
    for group, mean_db in zip(named["group"], shown, strict=True):
        some = readings[readings["group"] == group]
        limit = _estimate_limit(some, crew)
        if limit is None:
            continue
        row = _redone(some, limit, confidence)
        rows.append({"by": by, "group": group, "limit_db": limit, "mean_shown_db": mean_db} | row)
    columns = ["by", "group", "n", "limit_db", "over", "mean_shown_db", "mean_low_db"]
    columns += ["mean_high_db", "dropped_low", "dropped_high", "says"]
    table = pd.DataFrame(rows, columns=columns)
    findings = tuple(
        Finding("redone_splices", row, _URGENT[row["says"]]) for row in _records(table)
    )
    return RedoneSplices(
        table=table, findings=findings, confidence=confidence, as_of=as_of, settings={"by": by}
    )


def _counts_of(readings: pd.DataFrame, keys: pd.DataFrame) -> tuple[pd.DataFrame, Counts]:
    """Counts of the readings for all ``keys``, in their order, those without readings included."""
    numbered = readings.merge(keys.assign(number=np.arange(len(keys))), on=KEYS, how="inner")
    counts = count_intervals(
        numbered["low"], numbered["high"], group=numbered["number"], groups=len(keys)
    )
    return keys, counts


def _cv_interval(made: Fit, confidence: float) -> Estimate:
    def log_cv(w: Floats) -> Floats:
        if isinstance(made.family, Gamma):
            return -w[:, 1] / 2
        inverse = np.exp(-w[:, 1])
        return 0.5 * np.log(np.expm1(gammaln(1 + 2 * inverse) - 2 * gammaln(1 + inverse)))

    found = profile(made, log_cv, confidence)
    return Estimate(np.exp(found.value), np.exp(found.low), np.exp(found.high), found.by_likelihood)


def _ratio(after: Estimate, before: Estimate) -> Estimate:
    """Ratio of two independent figures; half widths on the log scale add in squares (MOVER)."""
    a, b = (np.log([each.value, each.low, each.high]) for each in (after, before))
    value = a[0] - b[0]
    low = value - np.hypot(a[0] - a[1], b[2] - b[0])
    high = value + np.hypot(a[2] - a[0], b[0] - b[1])
    return Estimate(np.exp(value), np.exp(low), np.exp(high), after.by_likelihood)


def _says(row: dict[str, Any]) -> str:
    if not np.isfinite([row["ratio_low"], row["cv_ratio_low"]]).all():
        return "cannot tell"
    if row["ratio_low"] <= 1:
        return "no rise"
    if row["cv_ratio_high"] < 1:
        return "machine offset"
    if row["cv_ratio_low"] > 1:
        return "some bad joints"
    return "hand or cleave" if row["cv_ratio_low"] > SAME else "cannot tell"


def _severity(says: str) -> Any:
    return "cannot tell" if says == "cannot tell" else "watch"


def _figure(made: Fit, again: Redrawn, share: float | None, confidence: float) -> Estimate:
    """Mean or quantile of a family with the interval that holds for it."""
    family = made.family
    if not family.regular:
        if share is None:
            return again.interval(family.mean, confidence)
        return again.interval(lambda w: family.quantile(w, share), confidence)
    if share is None:
        return mean_interval(made, confidence)
    return quantile_interval(made, share, confidence)


def _mixing(rows: list[dict[str, Any]]) -> Finding | None:
    """A tail heavier than one kit's on one day is first of all a sign of mixed work."""
    best = rows[0]
    heavy = best["family"] in ("lognormal", Mixture().name)
    against = next((row for row in rows if row["family"] == "exponential"), None)
    if heavy and against is not None and against["fits_share"] < 0.05:
        return Finding("mixed_work", best, "note")
    return None


def _estimate_limit(readings: pd.DataFrame, crew: Crew) -> float | None:
    kinds = readings["connector_type"].unique()
    kind = str(kinds[0]) if len(kinds) == 1 else ALL
    rows = [
        row
        for row in crew.limits_for("estimated loss", connector_type=kind)
        if row.statistic == "each" and not row.after_tries and row.job == ALL
    ]
    return rows[0].limit_db if rows else None


def _redone(readings: pd.DataFrame, limit: float, confidence: float) -> dict[str, Any]:
    low, high = readings["low"].to_numpy(), readings["high"].to_numpy()
    over = int((low > limit).sum())
    row: dict[str, Any] = {"n": len(low), "over": over}
    blank = dict.fromkeys(["mean_low_db", "mean_high_db", "dropped_low", "dropped_high"], np.nan)
    if over:
        return row | blank | {"says": "arcs over the limit are kept"}
    if len(low) < LEAST:
        return row | blank | {"says": "cannot tell"}
    # the greatest reading that may still be accepted ends half a step over the limit
    step = float(np.median(high - low))
    cut = max(float(high.max()), limit + step / 2)
    found = weigh(_one(low, high, cut), USUAL)
    ends = []
    for made, weight in zip(found.fits, found.weights[:, 0], strict=True):
        if not made.known[0]:
            return row | blank | {"says": "cannot tell"}
        if weight >= POSSIBLE:
            mean = mean_interval(made, confidence)
            dropped = share_over_interval(made, cut, confidence)
            sure = mean.by_likelihood[0] and dropped.by_likelihood[0]
            ends.append((mean.low[0], mean.high[0], dropped.low[0], dropped.high[0], sure))
    least, most = np.array(ends).min(axis=0), np.array(ends).max(axis=0)
    told = {
        "mean_low_db": least[0],
        "mean_high_db": most[1],
        "dropped_low": least[2],
        "dropped_high": most[3],
    }
    if least[4] and most[3] < FEW:
        return row | told | {"says": "few if any dropped"}
    wide = not least[4] or most[1] / least[0] > TOO_WIDE or most[3] > 0.5
    return row | told | {"says": "cannot tell" if wide else "range"}


def _one(low: Floats, high: Floats, cut: float) -> Counts:
    return count_intervals(low, high, cut=[cut])


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]
