"""Losses held against limit rows: met, not met, cannot tell, and how many more would tell."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, log
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from scipy.special import ndtri

from yieldkit.answers.loss_readings import BOTH, group_names, loss_readings
from yieldkit.answers.losses import (
    SIGNED,
    USUAL_FAMILIES,
    below_zero,
    count_groups,
    free_quantile,
)
from yieldkit.answers.result import Finding, Result, Severity
from yieldkit.crew import ALL, Crew, Limit
from yieldkit.methods.binned import Average, Counts, Estimate, Normal, weigh
from yieldkit.methods.proportions import check_confidence
from yieldkit.methods.tolerance import least_sample, sample_mean

COLUMNS = [
    "limit",
    "by",
    "group",
    "quantity",
    "wavelength_nm",
    "statistic",
    "direction",
    "n",
    "value",
    "low",
    "high",
    "limit_db",
    "verdict",
    "n_more",
]
POWER = 0.8
LEAST = 30
"""Under this many readings nothing is said of a mean or a 97 % value: so far the claim is checked
(docs/methods/losses.md)."""
MOST_MORE = 100_000
"""More than this many further readings is "no number would tell": the figure lies on the limit."""
_SEVERITY: dict[str, Severity] = {
    "not met": "decide",
    "cannot tell": "cannot tell",
    "met": "fine",
}
_SHARES = {"mean": None, "97 %": 0.97, "3 %": 0.03}
Figures = tuple[Estimate, Estimate, np.ndarray]
_GROUP = ["limit_no", "group", "wavelength_nm"]


@dataclass(frozen=True, eq=False, kw_only=True)
class LimitVerdicts(Result):
    """Verdicts by limit row and group; see ``limit_verdicts``."""

    def plot(self, ax: Axes, *, most: int = 20) -> Axes:
        """Draw each figure with its interval against its limit, not met first, ``most`` rows."""
        from yieldkit.figures.losses import draw_verdicts

        order = self.table["verdict"].map(list(_SEVERITY).index)
        worst_first = self.table.iloc[np.argsort(order.to_numpy(int), kind="stable")]
        return draw_verdicts(ax, worst_first.head(most))


def limit_verdicts(
    attempts: pd.DataFrame,
    measurements: pd.DataFrame,
    *,
    crew: Crew,
    by: str = "connector_type",
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> LimitVerdicts:
    """Verdict of each limit row of the settings on the joints now in place.

    A row meets readings of its own quantity, wavelength, direction rule, job, connector type and
    number of tries, from its first day; of two rows that fit, the narrower counts (job, then type,
    then wavelength, then the later edition, then the higher number of tries).

    Parameters
    ----------
    attempts, measurements : DataFrame
        The schema's tables, cut to the period asked for.
    crew : Crew
        Settings with the limits.
    by : str
        Grouping, as for ``loss_summary``.
    confidence : float
        Of the intervals and of the one-sided bound that decides [fraction].
    as_of : Timestamp, optional
        Newest record known.

    Returns
    -------
    LimitVerdicts
        ``table`` with ``COLUMNS``. ``value``, ``low``, ``high`` [dB]: for ``each`` the greatest
        reading and what its display can mean; for ``mean`` and ``97 %`` the estimate and its
        interval. ``verdict``: for ``each``, not met if a reading is surely over, met if all are
        surely within; else by the one-sided bound. ``n_more``: further readings needed for a
        verdict in four of five cases, should the true value be the present estimate.

    Raises
    ------
    ValueError
        If a column is missing, or ``by`` or ``confidence`` is none.
    """
    check_confidence(confidence)
    readings = loss_readings(attempts, measurements, crew)
    readings = readings[readings["last"]].reset_index(drop=True)
    readings["group"] = group_names(readings, by)
    met = _readings_of_rows(readings, crew.limits)
    table = _verdicts(met, crew.limits, by, confidence)
    return LimitVerdicts(
        table=table[COLUMNS],
        findings=_findings(table, crew),
        settings={"by": by, "power": POWER},
        confidence=confidence,
        as_of=as_of,
        behind=met.assign(by=by)[
            ["limit", "by", "group", "quantity", "wavelength_nm", "attempt_id", "position_id",
             "low", "high"]
        ],
    )  # fmt: skip


def limit_name(limit: Limit) -> str:
    """A limit row in words: "insertion loss 1310 nm, LC: each at most 0.50 dB"."""
    wave = f" {limit.wavelength_nm:g} nm" if limit.wavelength_nm else ""
    way = {"any": "", "each": ", both ways", "mean": ", mean of both ways"}[limit.direction]
    scope = [part for part in (limit.connector_type, limit.job) if part != ALL]
    if limit.after_tries:
        scope.append(f"after {limit.after_tries} tries")
    statistic = {"each": "each", "mean": "mean", "97 %": "97 %"}[limit.statistic]
    least = "at least" if limit.at_least else "at most"
    named = ", ".join([f"{limit.quantity}{wave}{way}", *scope])
    edition = f" ({limit.edition})" if limit.edition else ""
    return f"{named}: {statistic} {least} {limit.limit_db:g} dB{edition}"


def _readings_of_rows(readings: pd.DataFrame, limits: tuple[Limit, ...]) -> pd.DataFrame:
    """Readings, once for each rule (quantity, statistic, direction) with the row that they meet."""
    rules: dict[tuple[str, str, str], list[int]] = {}
    for number, limit in enumerate(limits):
        rules.setdefault((limit.quantity, limit.statistic, limit.direction), []).append(number)
    parts = []
    for (quantity, _, direction), numbers in rules.items():
        fitting = readings[_of_quantity(readings, quantity, direction)]
        of_each = _row_of_each(fitting, limits, numbers)
        parts.append(fitting[of_each >= 0].assign(limit_no=of_each[of_each >= 0]))
    if not parts:
        return readings.iloc[:0].assign(limit_no=0, limit="")
    met = pd.concat(parts, ignore_index=True)
    return met.assign(limit=[limit_name(limits[number]) for number in met["limit_no"]])


def _of_quantity(readings: pd.DataFrame, quantity: str, direction: str) -> pd.Series:
    if direction == "mean" and quantity in ("one-way loss", "two-way loss"):
        return readings["quantity"].eq("two-way loss")
    fits = readings["quantity"].eq(quantity)
    return fits & readings["direction"].ne(BOTH) if direction == "each" else fits


def _row_of_each(
    readings: pd.DataFrame, limits: tuple[Limit, ...], numbers: list[int]
) -> np.ndarray:
    """Number of the row that each reading meets; -1 for none."""

    def narrower(number: int) -> tuple[bool, bool, bool, int, int]:
        row = limits[number]
        since = row.from_date.toordinal() if row.from_date else 0
        named = row.job != ALL, row.connector_type != ALL, row.wavelength_nm is not None
        return (*named, since, row.after_tries)

    found = np.full(len(readings), -1)
    days = pd.to_datetime(readings["date"])
    for number in sorted(numbers, key=narrower):
        row = limits[number]
        fits = readings["tries"].gt(row.after_tries)
        if row.job != ALL:
            fits &= readings["job"].eq(row.job)
        if row.connector_type != ALL:
            fits &= readings["connector_type"].eq(row.connector_type)
        if row.wavelength_nm is not None:
            fits &= readings["wavelength_nm"].sub(row.wavelength_nm).abs().lt(15)
        if row.from_date is not None:
            fits &= days >= pd.Timestamp(row.from_date)
        found[fits.to_numpy(bool)] = number
    return found


def _verdicts(
    met: pd.DataFrame, limits: tuple[Limit, ...], by: str, confidence: float
) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    each = met["limit_no"].isin([k for k, row in enumerate(limits) if row.statistic == "each"])
    rows += _each_rows(met[each], limits)
    rows += _average_rows(met[~each], limits, confidence)
    table = pd.DataFrame(rows, columns=["limit_no", *COLUMNS, "over", "near"]).assign(by=by)
    table["n_more"] = table["n_more"].astype("Int64")
    return table.sort_values(["limit_no", "group", "wavelength_nm"], ignore_index=True)


def _about(number: int, group: str, wavelength: float, limit: Limit) -> dict[str, object]:
    return {
        "limit_no": number,
        "limit": limit_name(limit),
        "group": group,
        "quantity": limit.quantity,
        "wavelength_nm": wavelength,
        "statistic": limit.statistic,
        "direction": limit.direction,
        "limit_db": limit.limit_db,
    }


def _each_rows(met: pd.DataFrame, limits: tuple[Limit, ...]) -> list[dict[str, object]]:
    """Every single reading within its limit; both ends must be read where the row asks so."""
    rows = []
    for key, some in met.groupby(list(_GROUP), dropna=False):
        number, group, wavelength = _named(key)
        limit = limits[number]
        low, high = some["low"].to_numpy(), some["high"].to_numpy()
        if limit.at_least:
            over, within = high < limit.limit_db, low >= limit.limit_db
        else:
            over, within = low > limit.limit_db, high <= limit.limit_db
        verdict = "not met" if over.any() else "met" if within.all() else "cannot tell"
        if verdict == "met" and limit.direction == "each" and _one_end_only(some):
            verdict = "cannot tell"
        worst = int(np.argmin(high) if limit.at_least else np.argmax(low))
        ends = [float(low[worst]), float(high[worst])]
        middle = float(np.mean(ends)) if np.isfinite(ends).all() else ends[int(limit.at_least)]
        rows.append(
            _about(number, group, wavelength, limit)
            | {"n": len(some), "value": middle, "low": ends[0], "high": ends[1]}
            | {"verdict": verdict, "n_more": None}
            | {"over": int(over.sum()), "near": int((~over & ~within).sum())}
        )
    return rows


def _named(key: Iterable[Any]) -> tuple[int, str, float]:
    number, group, wavelength = key
    return int(number), str(group), float(wavelength)


def _one_end_only(some: pd.DataFrame) -> bool:
    ends = some.groupby("position_id")["direction"].nunique()
    return bool((ends < 2).any() or some["position_id"].isna().any())


def _average_rows(
    met: pd.DataFrame, limits: tuple[Limit, ...], confidence: float
) -> list[dict[str, object]]:
    """Mean and 97 % by the one-sided bound."""
    if met.empty:
        return []
    keys, counts = count_groups(met, _GROUP)
    signed = below_zero(counts)
    least = keys["limit_no"].map(lambda number: limits[number].at_least).to_numpy(bool)
    rows: list[dict[str, object]] = []
    for chosen, families in (
        (~signed & ~least, USUAL_FAMILIES),
        (signed & ~least, SIGNED),
        (least, (Normal(),)),
    ):
        some = np.flatnonzero(chosen)
        if len(some):
            part = counts.only(some)
            wanted = {_figure_of(limits[number]) for number in keys.loc[some, "limit_no"]}
            figures = verdict_figures(part, weigh(part, families), confidence, wanted)
            for place, row in enumerate(some):
                number, group, wavelength = _named(keys.loc[row, _GROUP])
                limit = limits[number]
                decided = decide(figures[_figure_of(limit)], place, int(part.n[place]), limit)
                if decided["verdict"] == "cannot tell":
                    sd = figures[_figure_of(limit)][2][place]
                    decided["n_more"] = readings_needed(decided, sd, limit, confidence)
                rows.append(_about(number, group, wavelength, limit) | decided)
    return rows


def _figure_of(limit: Limit) -> str:
    if limit.statistic == "mean":
        return "mean"
    return "3 %" if limit.at_least else "97 %"


def verdict_figures(
    counts: Counts, found: Average, confidence: float, wanted: Iterable[str]
) -> dict[str, Figures]:
    """Each figure with its interval, with ends of one-sided confidence, and its deviation."""
    bare = np.asarray(np.isnan(found.weights).all(axis=0))
    levels = confidence, 2 * confidence - 1
    figures: dict[str, Figures] = {}
    for name in wanted:
        share = _SHARES[name]
        shown, bound = (_safe(counts, found, share, level) for level in levels)
        if share is not None:
            shown, bound = (
                _filled(each, free_quantile(counts, share, level), bare)
                for each, level in ((shown, levels[0]), (bound, levels[1]))
            )
        figures[name] = (shown, bound, found.sd(share))
    return figures


def _safe(counts: Counts, found: Average, share: float | None, confidence: float) -> Estimate:
    """A figure whose ends hold under every family that may be true, and without any family.

    The ends without a family guard against work so mixed that no family fits; the upper one of a
    97 % value takes 99 readings and more.
    """
    if share is None:
        shown = found.mean(confidence, widest=True)
        low, high = sample_mean(counts, confidence)
    else:
        shown = found.quantile(share, confidence, widest=True)
        free = free_quantile(counts, share, confidence)
        low, high = free.low, free.high
    return Estimate(
        shown.value, np.fmin(shown.low, low), np.fmax(shown.high, high), shown.by_likelihood
    )


def _filled(found: Estimate, free: Estimate, bare: np.ndarray) -> Estimate:
    return Estimate(
        *(
            np.where(bare, getattr(free, end), getattr(found, end))
            for end in ("value", "low", "high", "by_likelihood")
        )
    )


def decide(figures: Figures, place: int, n: int, limit: Limit) -> dict[str, Any]:
    """Verdict of one group by the one-sided ends."""
    shown, bound, _ = figures
    value, low, high = shown.value[place], shown.low[place], shown.high[place]
    least, most = bound.low[place], bound.high[place]
    verdict = "cannot tell"
    if n >= LEAST:
        if (most <= limit.limit_db) if not limit.at_least else (least >= limit.limit_db):
            verdict = "met"
        elif (least > limit.limit_db) if not limit.at_least else (most < limit.limit_db):
            verdict = "not met"
    return {"n": n, "value": value, "low": low, "high": high, "verdict": verdict, "n_more": None}


def readings_needed(
    decided: dict[str, Any], sd: float, limit: Limit, confidence: float
) -> int | None:
    """Readings still needed, as a figure's deviation shrinks as one over the root of n."""
    n, value, edge = decided["n"], decided["value"], limit.limit_db
    if not np.isfinite([value, sd]).all():
        needed = least_sample(0.97, confidence) if limit.statistic == "97 %" else LEAST
        return needed - n if needed > n else None
    if min(value, edge) > 0 and not limit.at_least:
        value, edge = log(value), log(edge)
    gap = abs(edge - value)
    if gap <= 0 or sd <= 0:
        return None
    needed = ((ndtri(confidence) + ndtri(POWER)) * sd * np.sqrt(n) / gap) ** 2
    more = max(ceil(needed) - n, LEAST - n, 1)
    return more if more <= MOST_MORE else None


def _findings(table: pd.DataFrame, crew: Crew) -> tuple[Finding, ...]:
    order = list(_SEVERITY)
    rows = sorted(table.to_dict("records"), key=lambda row: order.index(row["verdict"]))
    found = []
    for row in rows:
        values = {str(name): value for name, value in row.items()}
        values |= {name: int(values[name]) for name in ("over", "near") if values[name] >= 0}
        person = values["by"] == "technician"
        few = person and values["n"] < crew.general.too_few_positions
        code = "loss_too_few" if few else "limit_verdict"
        severity = "cannot tell" if few else _SEVERITY[values["verdict"]]
        found.append(Finding(code, values, severity, caution="people" if person else ""))
    return tuple(found)
