"""A figure and its interval for each group, one line a group."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from yieldkit.figures.style import ACCENT, FAINT, INK, QUIET, calm


def draw_intervals(
    ax: Axes,
    table: pd.DataFrame,
    *,
    value: str = "yield",
    low: str = "low",
    high: str = "high",
    group: str | None = None,
    n: str | None = None,
    bounds: tuple[str, str] | None = None,
    reference: float | None = None,
    unit: str = "",
    label: str = "",
) -> Axes:
    """Draw a dot and its interval for each row, from the top down in the table's order.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame, shape (groups, any)
        One row per group; rows whose ``value`` is missing say "too few to tell".
    value, low, high : str
        Columns of the figure and its interval; fractions where ``unit`` is "%".
    group : str, optional
        Column that names the row; the index if missing.
    n : str, optional
        Column with the count behind each figure, written after the name.
    bounds : pair of str, optional
        Columns with the least and greatest value that the undecided could still give it; drawn as
        a pale bar.
    reference : float, optional
        The crew's own figure, drawn as a thin dashed line; never a target.
    unit, label : str
        Unit, and name of the figure for the axis.

    Returns
    -------
    Axes
        ``ax``.
    """
    scale = 100.0 if unit == "%" else 1.0
    names = table.index if group is None else table[group]
    at = np.arange(len(table))[::-1]
    middle = table[value].to_numpy(float) * scale
    ends = table[[low, high]].to_numpy(float) * scale
    if bounds is not None:
        sides = table[list(bounds)].to_numpy(float) * scale
        ax.barh(at, sides[:, 1] - sides[:, 0], left=sides[:, 0], height=0.5, color=FAINT)
    if reference is not None:
        ax.axvline(reference * scale, color=QUIET, linewidth=1, linestyle=(0, (4, 3)))
    ax.hlines(at, ends[:, 0], ends[:, 1], color=INK, linewidth=1.8)
    ax.plot(middle, at, "o", color=ACCENT, markersize=6.5, markeredgecolor="white")
    shown = np.isfinite(middle)
    for row in at[~shown]:
        ax.text(
            0.02, row, "too few to tell", va="center", color=INK, transform=ax.get_yaxis_transform()
        )
    counts = [""] * len(table) if n is None else [f"  n {int(many)}" for many in table[n]]
    ax.set_yticks(at, [f"{name}{count}" for name, count in zip(names, counts, strict=True)])
    ax.set_ylim(-0.7, len(table) - 0.3)
    if unit == "%":
        _percent_range(ax, ends[shown], None if bounds is None else sides)
    if not shown.any():
        ax.set_xticks([])
    ax.set_xlabel(f"{label} [{unit}]" if unit else label)
    return calm(ax, grid="x")


def _percent_range(ax: Axes, ends: np.ndarray, sides: np.ndarray | None) -> None:
    parts = [ends.ravel()] + ([] if sides is None else [sides.ravel()])
    values = np.concatenate(parts)
    values = values[np.isfinite(values)]
    least = values.min() if values.size else 0.0
    ax.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10], integer=True))
    ax.set_xlim(max(0.0, 5 * np.floor((least - 2) / 5)), 100.6)
