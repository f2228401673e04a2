"""Losses as the display showed them: a column a bin, the limit beside."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from yieldkit.figures.style import ACCENT, ALARM, INK, calm


def draw_bins(
    ax: Axes,
    table: pd.DataFrame,
    *,
    low: str = "low_db",
    high: str = "high_db",
    count: str = "count",
    limit_db: float | None = None,
    label: str = "Loss",
) -> Axes:
    """Draw the counts of shown values, each over the interval that the display can mean.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame, shape (bins, any)
        One row per bin: ``low`` and ``high`` [dB], ``count`` [joints]. A bin without a finite
        ``high`` ("more than the display can show") is drawn hatched at the right end.
    limit_db : float, optional
        Limit [dB], drawn as a dashed line with its value.
    label : str
        Name of the loss for the axis.

    Returns
    -------
    Axes
        ``ax``.
    """
    left, right = table[low].to_numpy(float), table[high].to_numpy(float)
    many = table[count].to_numpy(float)
    closed = np.isfinite(right) & np.isfinite(left)
    ax.bar(
        left[closed],
        many[closed],
        width=(right - left)[closed],
        align="edge",
        color=ACCENT,
        edgecolor="white",
        linewidth=0.4,
    )
    if (~closed).any():
        width = float(np.median((right - left)[closed])) if closed.any() else 0.01
        start = float(np.nanmax(left[~closed]))
        ax.bar(
            start,
            many[~closed].sum(),
            width=3 * width,
            align="edge",
            facecolor="white",
            edgecolor=ACCENT,
            hatch="////",
        )
    if limit_db is not None:
        ax.axvline(limit_db, color=ALARM, linewidth=1.4, linestyle=(0, (5, 2)))
        ax.annotate(
            f"limit {limit_db:g} dB",
            (limit_db, 0.98),
            xycoords=("data", "axes fraction"),
            xytext=(4, 0),
            textcoords="offset points",
            va="top",
            color=INK,
        )
    ax.set_xlabel(f"{label} [dB]")
    ax.set_ylabel("Joints")
    return calm(ax, grid="y")
