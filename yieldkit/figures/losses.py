"""Pictures of losses: bins with fit and limit, shares above, quantiles and verdicts by group."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from yieldkit.figures.bins import draw_bins
from yieldkit.figures.intervals import draw_intervals
from yieldkit.figures.style import ACCENT, ALARM, INK, calm

_NAMES = {
    "mean_db": "Mean loss",
    "median_db": "Median loss",
    "q95_db": "Loss that 95 % stay under",
    "q97_db": "Loss that 97 % stay under",
    "q99_db": "Loss that 99 % stay under",
}
_MARKS = {"met": "o", "not met": "D", "cannot tell": "o"}


def draw_quantiles(ax: Axes, table: pd.DataFrame, *, figure: str = "q97_db") -> Axes:
    """Draw one figure of each group with its interval.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame, shape (groups, any)
        Rows of ``losses.csv``: ``group``, ``quantity``, ``wavelength_nm``, ``n``, the figure [dB]
        and its ``_low`` and ``_high``.
    figure : str
        Column to draw.

    Returns
    -------
    Axes
        ``ax``.
    """
    named = table.assign(name=_row_names(table))
    return draw_intervals(
        ax,
        named,
        value=figure,
        low=f"{figure}_low",
        high=f"{figure}_high",
        group="name",
        n="n",
        unit="dB",
        label=_NAMES.get(figure, figure),
    )


def draw_fit(ax: Axes, bins: pd.DataFrame, *, limit_db: float | None = None) -> Axes:
    """Draw the counts of shown values, what the fit puts in each bin, and a limit.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    bins : DataFrame, shape (bins, any)
        ``low_db``, ``high_db`` [dB], ``count`` and ``fitted`` [joints].
    limit_db : float, optional
        Limit [dB].

    Returns
    -------
    Axes
        ``ax``.
    """
    rows = bins.sort_values("low_db")
    draw_bins(ax, rows, limit_db=limit_db)
    closed = rows[np.isfinite(rows["high_db"]) & np.isfinite(rows["low_db"])]
    middle = (closed["low_db"] + closed["high_db"]) / 2
    if closed["fitted"].notna().any():
        ax.plot(
            middle, closed["fitted"], "o", markersize=4, color=INK, markerfacecolor="white",
            label="fitted",
        )  # fmt: skip
        ax.legend(frameon=False, loc="center right")
    return ax


def draw_verdicts(ax: Axes, table: pd.DataFrame) -> Axes:
    """Draw each figure as a share of its limit, with interval; the mark tells the verdict.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame, shape (rows, any)
        Rows of ``limits.csv``.

    Returns
    -------
    Axes
        ``ax``: filled circle met, filled diamond not met, hollow circle cannot tell.
    """
    at = np.arange(len(table))[::-1]
    scale = table["limit_db"].to_numpy(float)
    value, low, high = (table[name].to_numpy(float) / scale for name in ("value", "low", "high"))
    ends = np.where(np.isfinite(high), high, value)
    ax.hlines(at, low, ends, color=INK, linewidth=1.8)
    for verdict, mark in _MARKS.items():
        here = table["verdict"].eq(verdict).to_numpy()
        face = "white" if verdict == "cannot tell" else ALARM if verdict == "not met" else ACCENT
        ax.plot(
            value[here], at[here], mark, markersize=6.5, markerfacecolor=face,
            markeredgecolor=INK if verdict == "cannot tell" else face, label=verdict,
        )  # fmt: skip
    ax.axvline(1.0, color=ALARM, linewidth=1.4, linestyle=(0, (5, 2)))
    names = [f"{row['group']}, {row['limit']}  n {row['n']}" for row in table.to_dict("records")]
    ax.set_yticks(at, names)
    ax.set_ylim(-0.7, len(table) - 0.3)
    ax.set_xlabel("Figure as a share of its limit (dashed: the limit)")
    ax.legend(frameon=False, loc="best")
    return calm(ax, grid="x")


def _row_names(table: pd.DataFrame) -> list[str]:
    names = []
    for row in table.to_dict("records"):
        wave = row["wavelength_nm"]
        shown = "" if wave != wave else f" {wave:g} nm"
        names.append(f"{row['group']}, {row['quantity']}{shown}")
    return names
