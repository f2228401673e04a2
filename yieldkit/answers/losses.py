"""Losses of a crew: mean and tail of each group, from what displays and testers showed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from yieldkit.answers.loss_readings import LOSSES, group_names, loss_readings
from yieldkit.answers.result import Finding, Result
from yieldkit.crew import Crew
from yieldkit.methods.binned import (
    FEW_VALUES,
    Average,
    Counts,
    Estimate,
    Gumbel,
    Normal,
    cannot_tell,
    count_intervals,
    weigh,
)
from yieldkit.methods.binned import USUAL as USUAL_FAMILIES
from yieldkit.methods.proportions import check_confidence
from yieldkit.methods.tolerance import lower_rank, sorted_end, upper_rank

if TYPE_CHECKING:
    from matplotlib.axes import Axes

QUANTILES = {"median_db": 0.5, "q95_db": 0.95, "q97_db": 0.97, "q99_db": 0.99}
FIGURES = ("mean_db", "median_db", "q95_db", "q97_db", "q99_db")
KEYS = ["by", "group", "quantity", "wavelength_nm", "direction"]
COLUMNS = [
    *KEYS,
    "n",
    "family",
    *(f"{figure}{end}" for figure in FIGURES for end in ("", "_low", "_high")),
]
LEAST = FEW_VALUES
"""Under this many readings no mean or tail is told: the claims are checked from here on."""
TOO_FEW = "too few"
"""Said in place of a family where the readings are fewer than ``LEAST``."""
FREE = "distribution-free"
"""Said in place of a family where the data settle none: values from the sorted readings alone."""
SIGNED = (Normal(), Gumbel())
"""Families where readings below zero are among the data (gainers, noise about zero)."""


@dataclass(frozen=True, eq=False, kw_only=True)
class LossSummary(Result):
    """Losses by group; see ``loss_summary``.

    ``bins`` holds each group's counts: the table's keys, ``low_db``, ``high_db``, ``count`` and
    ``fitted`` (count that the fitted distribution puts there).
    """

    bins: pd.DataFrame = field(default_factory=pd.DataFrame)

    def plot(self, ax: Axes, *, figure: str = "q97_db", **kind: object) -> Axes:
        """Draw one figure [dB] of each group; ``quantity="estimated loss"`` and the like choose."""
        from yieldkit.figures.losses import draw_quantiles

        table = self.table
        for column, value in kind.items():
            table = table[table[column] == value]
        return draw_quantiles(ax, table, figure=figure)

    def plot_bins(self, ax: Axes, *, limit_db: float | None = None, **figure: object) -> Axes:
        """Draw the bins of one row, its fit and a limit; ``group="LC"`` and the like choose it."""
        from yieldkit.answers.loss_shares import chosen_row
        from yieldkit.figures.losses import draw_fit

        return draw_fit(ax, chosen_row(self.bins, figure), limit_db=limit_db)


def loss_summary(
    attempts: pd.DataFrame,
    measurements: pd.DataFrame,
    *,
    crew: Crew,
    by: str = "connector_type",
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> LossSummary:
    """Mean, median and 95, 97, 99 % loss of each group, each quantity and wavelength by itself.

    Every reading is an interval, as the display or tester showed it. Four families are fitted to
    the counts and averaged by what the data say for each; readings below zero bring in families
    that know them. Estimates of all arcs count, also of those redone: what was kept alone would
    flatter.

    Parameters
    ----------
    attempts, measurements : DataFrame
        The schema's tables, cut to the period asked for.
    crew : Crew
        Settings.
    by : str
        One of ``loss_readings.GROUPINGS``. Estimates of two splicer models never share a group.
    confidence : float
        Coverage of the intervals [fraction].
    as_of : Timestamp, optional
        Newest record known.

    Returns
    -------
    LossSummary
        ``table`` with ``COLUMNS``; figures that the data do not settle are missing, and under
        ``LEAST`` readings all but the median.

    Raises
    ------
    ValueError
        If a column is missing, or ``by`` or ``confidence`` is none.
    """
    readings = loss_readings(attempts, measurements, crew)
    return summary_of(readings, crew=crew, by=by, confidence=confidence, as_of=as_of)


def summary_of(
    readings: pd.DataFrame,
    *,
    crew: Crew,
    by: str | Sequence[str] = "connector_type",
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> LossSummary:
    """``loss_summary`` of readings at hand (``loss_readings``), by one grouping or several."""
    check_confidence(confidence)
    groupings = [by] if isinstance(by, str) else list(by)
    grouped = pd.concat([losses_by(readings, each) for each in groupings], ignore_index=True)
    keys, counts = count_groups(grouped, KEYS)
    signed = below_zero(counts)
    table, bins = [], []
    for chosen, families in ((~signed, USUAL_FAMILIES), (signed, SIGNED)):
        some = np.flatnonzero(chosen)
        if len(some):
            part, rows = counts.only(some), keys.iloc[some].reset_index(drop=True)
            found = weigh(part, families)
            table.append(summary_rows(rows, part, found, confidence))
            bins.append(_bins(rows, part, found))
    whole = pd.concat(table, ignore_index=True) if table else pd.DataFrame(columns=COLUMNS)
    order = whole["by"].map(groupings.index)
    whole = whole.assign(order=order).sort_values(["order", *KEYS], ignore_index=True)
    return LossSummary(
        table=whole[COLUMNS],
        findings=tuple(_finding(row, crew) for row in whole.to_dict("records")),
        settings={"by": ", ".join(groupings)},
        confidence=confidence,
        as_of=as_of,
        behind=grouped[[*KEYS, "attempt_id", "position_id", "low", "high"]],
        bins=pd.concat(bins, ignore_index=True) if bins else pd.DataFrame(),
    )


def grouped_losses(
    attempts: pd.DataFrame, measurements: pd.DataFrame, crew: Crew, by: str
) -> tuple[pd.DataFrame, pd.DataFrame, Counts]:
    """Readings of losses with their group, the groups' keys, and counts per interval."""
    readings = losses_by(loss_readings(attempts, measurements, crew), by)
    return readings, *count_groups(readings, KEYS)


def losses_by(readings: pd.DataFrame, by: str) -> pd.DataFrame:
    """Readings that count for a loss, each with its group: all arcs, a joint's newest tests."""
    counts = readings["quantity"].eq("estimated loss") | readings["last"]
    some = readings[readings["quantity"].isin(LOSSES) & counts].assign(by=by)
    some["group"] = group_names(some, by)
    return some


def count_groups(readings: pd.DataFrame, keys: list[str]) -> tuple[pd.DataFrame, Counts]:
    """Counts per interval of each combination of ``keys``, and the combinations in order."""
    counted = readings.groupby([*keys, "low", "high"], dropna=False).size().reset_index(name="n")
    named = counted[keys].drop_duplicates().reset_index(drop=True)
    of = counted.groupby(keys, dropna=False, sort=False).ngroup().to_numpy(int)
    counts = count_intervals(
        counted["low"], counted["high"], group=of, count=counted["n"], groups=len(named)
    )
    return named, counts


def below_zero(counts: Counts) -> np.ndarray:
    """Whether a group holds a reading that is surely below zero."""
    return counts.sum(((counts.high <= 0) & (counts.count > 0)).astype(float)) > 0


def summary_rows(
    keys: pd.DataFrame, counts: Counts, found: Average, confidence: float
) -> pd.DataFrame:
    """The table's rows: averaged figures, distribution-free ones where no family is known.

    Where the readings are too few, only the median, from the sorted readings.
    """
    table = keys.assign(n=counts.n.astype(int), family=found.names)
    table["doubts"] = [", ".join(reasons) for reasons in cannot_tell(counts)]
    estimates = found.figures([None, *QUANTILES.values()], confidence)
    figures = dict(zip(["mean_db", *QUANTILES], estimates, strict=True))
    for name, estimate in figures.items():
        table[name], table[f"{name}_low"], table[f"{name}_high"] = (
            estimate.value,
            estimate.low,
            estimate.high,
        )
    bare = table["family"].eq("none").to_numpy()
    if bare.any():
        for name, share in QUANTILES.items():
            free = free_quantile(counts, share, confidence)
            for end, values in (("", free.value), ("_low", free.low), ("_high", free.high)):
                table[f"{name}{end}"] = np.where(bare, values, table[f"{name}{end}"])
        table["family"] = table["family"].where(~bare, FREE)
    few = (counts.n < LEAST) & (counts.n > 0)
    if few.any():
        columns = [f"{figure}{end}" for figure in FIGURES for end in ("", "_low", "_high")]
        table.loc[few, columns] = np.nan
        middle = free_quantile(counts, 0.5, confidence)
        for end, values in (("", middle.value), ("_low", middle.low), ("_high", middle.high)):
            table.loc[few, f"median_db{end}"] = values[few]
        table["family"] = table["family"].where(~few, TOO_FEW)
    return table


def free_quantile(counts: Counts, share: float, confidence: float) -> Estimate:
    """Quantile from the sorted readings alone: middle of its reading's interval, binomial ends."""
    rank = np.clip(np.ceil(counts.n * share - 1e-9), 1, np.maximum(counts.n, 1)).astype(int)
    here = np.where(counts.n > 0, rank, 0)
    one_sided = (1 + confidence) / 2
    low = sorted_end(counts, lower_rank(counts.n, share, one_sided), upper=False)
    high = sorted_end(counts, upper_rank(counts.n, share, one_sided), upper=True)
    least, most = (sorted_end(counts, here, upper=upper) for upper in (False, True))
    value = np.where(np.isfinite(most), (least + most) / 2, least)
    return Estimate(value, low, high, np.isfinite(high))


def _bins(keys: pd.DataFrame, counts: Counts, found: Average) -> pd.DataFrame:
    share = np.zeros(len(counts.low))
    for made, weight in zip(found.fits, found.weights, strict=True):
        here = np.nan_to_num(weight)[counts.group]
        share += here * np.where(here > 0, np.nan_to_num(made.probabilities()), 0.0)
    bare = np.asarray(np.isnan(found.weights).all(axis=0))
    share = np.where(bare[counts.group], np.nan, share)
    rows = keys.iloc[counts.group].reset_index(drop=True)
    return rows.assign(
        low_db=counts.low,
        high_db=counts.high,
        count=counts.count,
        fitted=share * counts.n[counts.group],
    )


def _finding(row: dict, crew: Crew) -> Finding:
    person = row["by"] == "technician"
    if row["family"] == TOO_FEW or (person and row["n"] < crew.general.too_few_positions):
        return Finding("loss_too_few", row, "cannot tell", caution="people" if person else "")
    if row["family"] == FREE:
        return Finding("loss_not_settled", row, "cannot tell")
    return Finding("loss_summary", row, "note")
