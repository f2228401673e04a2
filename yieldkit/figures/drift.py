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


def draw_chances(ax: Axes, table: pd.DataFrame) -> Axes:
    """Draw the chance to notice over the weeks given, a line for each rise of splicers' losses.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame
        ``unit_kind``, ``quantity``, ``rise``, ``weeks``, ``chance``, ``low``, ``high``.
    """
    if table.empty:
        ax.text(0.5, 0.5, "nothing to watch yet", ha="center", transform=ax.transAxes, color=INK)
        return calm(ax, grid="y")
    own = table[(table["unit_kind"] == table["unit_kind"].iloc[0])]
    own = own[own["quantity"] == own["quantity"].iloc[0]]
    for (rise, part), style, marker in zip(own.groupby("rise"), _LINES, "osD^", strict=False):
        ax.plot(part["weeks"], 100 * part["chance"], style, marker=marker, color=INK)
        ax.fill_between(part["weeks"], 100 * part["low"], 100 * part["high"], color=FAINT)
        ax.annotate(
            f"{rise:g} times",
            (part["weeks"].iloc[-1], 100 * part["chance"].iloc[-1]),
            xytext=(5, 0),
            textcoords="offset points",
            fontsize=8.5,
            color=INK,
        )
    ax.set_xlabel("Weeks after it began")
    ax.set_ylabel("Chance to notice [%]")
    ax.set_ylim(0, 105)
    return calm(ax, grid="y")
