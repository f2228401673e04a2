"""A figure week by week, with its interval and what is still open."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from yieldkit.figures.style import ACCENT, FAINT, INK, calm


def draw_trend(
    ax: Axes,
    table: pd.DataFrame,
    *,
    value: str = "yield",
    low: str = "low",
    high: str = "high",
    week: str | None = None,
    bounds: tuple[str, str] | None = None,
    settled: str | None = None,
    unit: str = "%",
    label: str = "",
) -> Axes:
    """Draw one dot and interval a week, joined by a thin line; the last weeks may still change.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame, shape (weeks, any)
        One row per week in time order.
    value, low, high : str
        Columns of the figure and its interval; fractions where ``unit`` is "%".
    week : str, optional
        Column that names the week; the index if missing.
    bounds : pair of str, optional
        Least and greatest value that the undecided could still give, drawn as a pale bar.
    settled : str, optional
        Column that is false where joints still wait for a test; those weeks get hollow dots.
    unit, label : str
        Unit, and name of the figure for the axis.

    Returns
    -------
    Axes
        ``ax``.
    """
    scale = 100.0 if unit == "%" else 1.0
    at = np.arange(len(table))
    middle = table[value].to_numpy(float) * scale
    ends = table[[low, high]].to_numpy(float) * scale
    least = [ends[:, 0]]
    if bounds is not None:
        sides = table[list(bounds)].to_numpy(float) * scale
        ax.bar(at, sides[:, 1] - sides[:, 0], bottom=sides[:, 0], width=0.5, color=FAINT)
        least.append(sides[:, 0])
    ax.plot(at, middle, "-", color=ACCENT, linewidth=0.9)
    ax.vlines(at, ends[:, 0], ends[:, 1], color=INK, linewidth=1.6)
    whole = np.ones(len(table), bool) if settled is None else table[settled].to_numpy(bool)
    ax.plot(at[whole], middle[whole], "o", color=ACCENT, markersize=6.5, markeredgecolor="white")
    ax.plot(
        at[~whole],
        middle[~whole],
        "o",
        markersize=6.5,
        markerfacecolor="white",
        markeredgecolor=ACCENT,
        markeredgewidth=1.6,
    )
    names = [str(name) for name in (table.index if week is None else table[week])]
    every = max(1, -(-len(names) // 7))
    kept = at[::-1][::every][::-1]
    ax.set_xticks(kept, [names[i].split("-")[-1] for i in kept])
    ax.set_xlim(-0.6, len(table) - 0.4)
    if unit == "%":
        lows = np.concatenate(least)
        ax.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10], integer=True))
        lows = lows[np.isfinite(lows)]
        ax.set_ylim(max(0.0, 5 * np.floor((lows.min() - 2) / 5)) if lows.size else 0.0, 100.8)
    ax.set_ylabel(f"{label} [{unit}]" if label else f"[{unit}]")
    ax.set_xlabel("Week")
    return calm(ax, grid="y")
