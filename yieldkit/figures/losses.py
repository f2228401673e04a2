"""Pictures of losses: bins with fit and limit, shares above, quantiles and verdicts by group."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from yieldkit.figures.bins import draw_bins
from yieldkit.figures.intervals import draw_intervals
from yieldkit.figures.style import ACCENT, ALARM, FAINT, INK, QUIET, calm

_NAMES = {
    "mean_db": "Mean loss",
    "median_db": "Median loss",
    "q95_db": "95 % stay under",
    "q97_db": "97 % stay under",
    "q99_db": "99 % stay under",
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
    kinds = table[["quantity", "wavelength_nm"]].drop_duplicates().to_dict("records")
    of = f", {_kind(kinds[0])}" if len(kinds) == 1 else ""
    return draw_intervals(
        ax,
        named,
        value=figure,
        low=f"{figure}_low",
        high=f"{figure}_high",
        group="name",
        n="n",
        unit="dB",
        label=_NAMES.get(figure, figure) + of,
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


def draw_shares(ax: Axes, table: pd.DataFrame, *, limit_db: float | None = None) -> Axes:
    """Draw the share of joints above each loss on a log scale, with its interval and what was seen.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame, shape (losses, any)
        ``at_db`` [dB]; ``share``, ``low``, ``high``, ``seen`` [fraction].
    limit_db : float, optional
        Limit [dB].

    Returns
    -------
    Axes
        ``ax``.
    """
    rows = table.sort_values("at_db")
    at = rows["at_db"].to_numpy(float)
    share, low, high, seen = (
        100 * rows[name].to_numpy(float) for name in ("share", "low", "high", "seen")
    )
    least = 1e-3
    ax.fill_between(at, np.maximum(low, least), np.maximum(high, least), color=FAINT)
    ax.plot(at, np.maximum(share, least), color=ACCENT, linewidth=1.8, label="fitted")
    here = seen > 0
    ax.plot(at[here], seen[here], "D", color=INK, markersize=4.5, label="seen")
    if limit_db is not None:
        ax.axvline(limit_db, color=ALARM, linewidth=1.4, linestyle=(0, (5, 2)))
        ax.annotate(f"limit {limit_db:g} dB", (limit_db, 0.98), xycoords=("data", "axes fraction"),
                    xytext=(4, 0), textcoords="offset points", va="top", color=INK)  # fmt: skip
    ax.set_yscale("log")
    ax.set_ylim(max(least, 0.5 * float(np.nanmin(np.maximum(share, least)))), 130)
    ax.set_yticks([0.01, 0.1, 1, 10, 100], ["0.01", "0.1", "1", "10", "100"])
    ax.set_ylim(bottom=0.01)
    ax.set_xlabel("Loss [dB]")
    ax.set_ylabel("Joints above it [%]")
    ax.legend(frameon=False, loc="lower left")
    return calm(ax, grid="y")


def draw_lines(
    ax: Axes, table: pd.DataFrame, *, x: str, y: str, of: str, x_label: str, y_label: str
) -> Axes:
    """Draw one curve for each value of ``of``, told apart by line style and a name at its end.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame, shape (points, any)
        Columns ``x``, ``y``, ``of``.
    x, y, of : str
        Columns.
    x_label, y_label : str
        Names with unit.

    Returns
    -------
    Axes
        ``ax``.
    """
    styles = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)))
    colours = (ACCENT, ALARM, INK, QUIET)
    for number, (name, rows) in enumerate(table.groupby(of, sort=False)):
        ax.plot(
            rows[x], rows[y], linestyle=styles[number % 4], color=colours[number % 4],
            linewidth=1.8, label=str(name),
        )  # fmt: skip
    ax.set_xlabel(x_label)
    ax.set_ylabel(y_label)
    ax.legend(frameon=False, loc="best")
    return calm(ax, grid="y")


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
    for row, line in zip(at, table.to_dict("records"), strict=True):
        named = f"{line['group']} | {line['limit']}  (n {line['n']})"
        ax.text(
            0, row + 0.3, named, fontsize=8, color=INK, transform=ax.get_yaxis_transform(),
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        )  # fmt: skip
    ax.set_yticks([])
    ax.set_ylim(-0.6, len(table) - 0.1)
    ax.set_xlim(left=0)
    ax.set_xlabel("Figure as a share of its limit (dashed: the limit)")
    ax.legend(frameon=False, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    return calm(ax, grid="x")


def _row_names(table: pd.DataFrame) -> list[str]:
    """Groups, with the reading where the rows are of more than one kind."""
    kinds = table[["quantity", "wavelength_nm"]].drop_duplicates()
    if len(kinds) < 2:
        return [str(group) for group in table["group"]]
    return [f"{row['group']}, {_kind(row)}" for row in table.to_dict("records")]


def _kind(row: Mapping[Any, Any]) -> str:
    wave = row["wavelength_nm"]
    return f"{row['quantity']}" if wave != wave else f"{row['quantity']} {wave:g} nm"
