"""Watched sums of all streams over time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from yieldkit.figures.style import ALARM, FAINT, INK, QUIET, calm

_LINES = ("-", "--", "-.", ":")


def draw_watch(
    ax: Axes, streams: Sequence[tuple[str, pd.Index, np.ndarray]], *, limit: float
) -> Axes:
    """Draw each stream's sum; those that pass ``limit`` are dark, marked and named.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    streams : sequence of (name, days, sums)
        Sums [standard deviations] at each day.
    limit : float
        Where a sum becomes a signal [standard deviations].
    """
    loud = 0
    for name, days, sums in sorted(streams, key=lambda stream: float(np.max(stream[2]))):
        if np.max(sums) <= limit:
            ax.plot(days, sums, color=QUIET, linewidth=0.7, alpha=0.6)
            continue
        style = _LINES[loud % len(_LINES)]
        loud += 1
        ax.plot(days, sums, color=ALARM, linewidth=1.8, linestyle=style)
        ax.plot(days[-1:], sums[-1:], marker="D", color=ALARM)
        ax.annotate(
            name,
            (days[-1], sums[-1]),
            xytext=(-6, 5),
            textcoords="offset points",
            ha="right",
            color=INK,
            fontsize=8.5,
        )
    ax.axhline(limit, color=INK, linewidth=1.0, linestyle=(0, (4, 3)))
    ax.annotate(
        "signal above this line",
        (0.01, limit),
        xycoords=("axes fraction", "data"),
        xytext=(0, 3),
        textcoords="offset points",
        fontsize=8.5,
        color=INK,
    )
    ax.set_ylabel("Summed rise [standard deviations]")
    ax.tick_params(axis="x", rotation=30)
    ax.grid(axis="y", color=FAINT)
    return calm(ax, grid="y")
