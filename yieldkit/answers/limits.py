"""Losses held against limit rows: met, not met, cannot tell, and how many more would tell."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, log
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from yieldkit.answers.limit_rows import limit_name, readings_of_rows
from yieldkit.answers.loss_readings import group_names, loss_readings
from yieldkit.answers.losses import (
    LEAST,
    SIGNED,
    USUAL_FAMILIES,
    below_zero,
    count_groups,
    free_quantile,
)
from yieldkit.answers.result import Finding, Result, Severity
from yieldkit.crew import ALL, Crew, Limit
from yieldkit.methods.binned import Average, Counts, Estimate, Normal, weigh
from yieldkit.methods.proportions import check_confidence, proportion
from yieldkit.methods.tolerance import least_sample, sample_mean

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
    "over",
    "near",
    "over_share_low",
    "over_share_high",
]
POWER = 0.8
SEVERAL = 1.15
"""Ends that hold under several families lie so much farther out than one family's (measured)."""
FEWEST_MORE = 10
"""Fewer further readings than this are not foretold."""
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
        verdict in four of five cases, should the true value be the present estimate; where fewer
        than ``LEAST`` stand behind a mean or a 97 % value, no figure is told and ``n_more`` is what
        is missing to begin with. ``over``, ``near`` [readings]: surely, perhaps beyond the limit;
        ``over_share_low``, ``over_share_high`` [fraction]: Wilson limits of the share of such
        joints beyond it, from those surely beyond to those perhaps.

    Raises
    ------
    ValueError
        If a column is missing, or ``by`` or ``confidence`` is none.
    """
    readings = loss_readings(attempts, measurements, crew)
    return verdicts_of(readings, crew=crew, by=by, confidence=confidence, as_of=as_of)


def verdicts_of(
    readings: pd.DataFrame,
    *,
    crew: Crew,
    by: str = "connector_type",
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> LimitVerdicts:
    """``limit_verdicts`` on readings at hand (``loss_readings``)."""
    check_confidence(confidence)
    readings = readings[readings["last"]].reset_index(drop=True)
    readings["group"] = group_names(readings, by)
    met = readings_of_rows(readings, crew.limits)
    table = _verdicts(met, crew.limits, by, confidence)
    return LimitVerdicts(
        table=table[COLUMNS],
        findings=_findings(table, _per_day(met), crew, as_of),
        settings={"by": by, "power": POWER},
        confidence=confidence,
        as_of=as_of,
        behind=met.assign(by=by)[
            ["limit", "by", "group", "quantity", "wavelength_nm", "attempt_id", "position_id",
             "low", "high"]
        ],
    )  # fmt: skip


def limits_without_readings(readings: pd.DataFrame, *, crew: Crew) -> Result:
    """Limit rows of the settings that no reading meets: they say nothing, and a page must say so.

    Parameters
    ----------
    readings : DataFrame
        Of the period asked for, from ``loss_readings``.
    crew : Crew
        Settings with the limits.

    Returns
    -------
    Result
        ``table``: ``limit``, ``quantity``, ``wavelength_nm``, ``connector_type``, ``job``; one
        finding a row.
    """
    silent = []
    for row in crew.limits:
        same = readings["quantity"] == row.quantity
        if row.wavelength_nm is not None:
            same &= readings["wavelength_nm"] == row.wavelength_nm
        for name, wanted in (("connector_type", row.connector_type), ("job", row.job)):
            if wanted != ALL:
                same &= readings[name] == wanted
        if not same.any():
            silent.append(
                {
                    "limit": limit_name(row),
                    "quantity": row.quantity,
                    "wavelength_nm": row.wavelength_nm,
                    "connector_type": row.connector_type,
                    "job": row.job,
                }
            )
    columns = ["limit", "quantity", "wavelength_nm", "connector_type", "job"]
    found = tuple(Finding("limit_without_reading", row, "cannot tell") for row in silent)
    return Result(table=pd.DataFrame(silent, columns=columns), findings=found)


def _verdicts(
    met: pd.DataFrame, limits: tuple[Limit, ...], by: str, confidence: float
) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    each = met["limit_no"].isin([k for k, row in enumerate(limits) if row.statistic == "each"])
    rows += _each_rows(met[each], limits)
    rows += _average_rows(met[~each], limits, confidence)
    table = pd.DataFrame(rows, columns=["limit_no", *COLUMNS]).assign(by=by)
    table["n_more"] = table["n_more"].astype("Int64")
    n, over = table["n"].to_numpy(float), table["over"].to_numpy(float)
    table["over_share_low"] = proportion(over, n, confidence=confidence).low
    near = over + table["near"].to_numpy(float)
    table["over_share_high"] = proportion(near, n, confidence=confidence).high
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
        over, within = _sides(low, high, limit)
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


def _sides(low: np.ndarray, high: np.ndarray, limit: Limit) -> tuple[np.ndarray, np.ndarray]:
    """Whether each reading is surely beyond, and surely within, the limit."""
    if limit.at_least:
        return high < limit.limit_db, low >= limit.limit_db
    return low > limit.limit_db, high <= limit.limit_db


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
                here = part.group == place
                over, within = _sides(part.low[here], part.high[here], limit)
                decided["over"] = int(part.count[here] @ over)
                decided["near"] = int(part.count[here] @ (~over & ~within))
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
        # Few readings cannot rule out a heavier tail than they show: half the error is allowed.
        bound = _filled(bound, shown, counts.n < least_sample(0.97, confidence))
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
    else:
        value = low = high = np.nan
    decided = {"n": n, "value": value, "low": low, "high": high, "verdict": verdict}
    return decided | {"ends": (least, most), "n_more": None}


def readings_needed(
    decided: dict[str, Any], sd: float, limit: Limit, confidence: float
) -> int | None:
    """Readings still needed, as a figure's deviation shrinks as one over the root of n.

    Where that says that there are enough, the end that decides lies farther out than one family's
    deviation; so many as bring it to the limit are named then.
    """
    n, value, edge = decided["n"], decided["value"], limit.limit_db
    if n < LEAST:
        return LEAST - n
    if not np.isfinite([value, sd]).all():
        needed = least_sample(0.97, confidence) if limit.statistic == "97 %" else LEAST
        return needed - n if needed > n else None
    end = decided["ends"][int(value < edge)]
    if min(value, edge, end) > 0 and not limit.at_least:
        value, edge, end = log(value), log(edge), log(end)
    gap = abs(edge - value)
    if gap <= 0 or sd <= 0:
        return None
    sd_of_one = SEVERAL * sd * np.sqrt(n)
    needed = ((ndtri((1 + confidence) / 2) + ndtri(POWER)) * sd_of_one / gap) ** 2
    if needed <= n and np.isfinite(end):
        needed = n * ((end - value) / gap) ** 2
    more = max(ceil(min(needed, 2 * MOST_MORE)) - n, FEWEST_MORE)
    return more if more <= MOST_MORE else None


def _per_day(met: pd.DataFrame) -> dict[tuple[str, str, str], float]:
    """Readings a calendar day of each row and group, where they span a week or more."""
    days = met.assign(
        day=pd.to_datetime(met["date"]), wave=[str(float(nm)) for nm in met["wavelength_nm"]]
    )
    found = {}
    for key, some in days.groupby(["limit", "group", "wave"]):
        span = (some["day"].max() - some["day"].min()).days + 1
        if span >= 7:
            found[(str(key[0]), str(key[1]), str(key[2]))] = len(some) / span
    return found


def _findings(
    table: pd.DataFrame,
    per_day: dict[tuple[str, str, str], float],
    crew: Crew,
    as_of: pd.Timestamp | None,
) -> tuple[Finding, ...]:
    order = list(_SEVERITY)
    rows = sorted(table.to_dict("records"), key=lambda row: order.index(row["verdict"]))
    found = []
    for row in rows:
        values = {str(name): value for name, value in row.items()}
        values |= {name: int(values[name]) for name in ("over", "near") if values[name] >= 0}
        pace = per_day.get((values["limit"], values["group"], str(float(values["wavelength_nm"]))))
        if pace and as_of is not None and pd.notna(values["n_more"]):
            values["by_day"] = (as_of + pd.Timedelta(days=ceil(values["n_more"] / pace))).date()
        person = values["by"] == "technician"
        few = person and values["n"] < crew.general.too_few_positions
        code = "loss_too_few" if few else "limit_verdict"
        severity = "cannot tell" if few else _SEVERITY[values["verdict"]]
        found.append(Finding(code, values, severity, caution="people" if person else ""))
    return tuple(found)
