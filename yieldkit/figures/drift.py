"""Watched sums of all streams over time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from yieldkit.figures.style import ALARM, FAINT, INK, QUIET, calm

_LINES = ("-", "--", "-.", ":")


def draw_watch(
    ax: Axes,
    streams: Sequence[tuple[str, pd.Index, np.ndarray]],
    *,
    named: Sequence[str],
) -> Axes:
    """Draw each stream's sum; the signals are dark, marked and named.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    streams : sequence of (name, days, sums)
        Sums as shares of their limit at each day.
    named : sequence of str
        Names of the streams that are signals; other sums over the limit are explained by them.
    """
    ends: list[tuple[float, Any, str]] = []
    for name, days, sums in streams:
        if name not in named:
            ax.plot(days, sums, color=QUIET, linewidth=0.7, alpha=0.6)
            continue
        style = _LINES[len(ends) % len(_LINES)]
        ax.plot(days, sums, color=ALARM, linewidth=1.8, linestyle=style)
        ax.plot(days[-1:], sums[-1:], marker="D", color=ALARM)
        ends.append((float(sums[-1]), days[-1], name))
    _name_ends(ax, ends)
    ax.axhline(1.0, color=INK, linewidth=1.0, linestyle=(0, (4, 3)))
    ax.annotate(
        "signal above this line",
        (0.01, 1.0),
        xycoords=("axes fraction", "data"),
        xytext=(0, 3),
        textcoords="offset points",
        fontsize=8.5,
        color=INK,
    )
    ax.set_ylabel("Summed rise [share of the limit]")
    ax.tick_params(axis="x", rotation=30)
    ax.grid(axis="y", color=FAINT)
    return calm(ax, grid="y")


def _name_ends(ax: Axes, ends: list[tuple[float, Any, str]]) -> None:
    """Name each line left of its end, no name over another."""
    gap = 0.07 * (ax.get_ylim()[1] - ax.get_ylim()[0])
    last = -np.inf
    for height, day, name in sorted(ends, key=lambda end: end[0]):
        last = max(height, last + gap)
        ax.annotate(
            name,
            (day, height),
            xytext=(day, last),
            textcoords="data",
            ha="right",
            color=INK,
            fontsize=8.5,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.5},
        )


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
        label = f"rise to {rise:g} times"
        ax.plot(part["weeks"], 100 * part["chance"], style, marker=marker, color=INK, label=label)
        ax.fill_between(part["weeks"], 100 * part["low"], 100 * part["high"], color=FAINT)
    kind, quantity = own["unit_kind"].iloc[0], own["quantity"].iloc[0]
    ax.legend(frameon=False, loc="lower right", title=f"{kind}, {quantity}")
    ax.set_xscale("log", base=2)
    ax.set_xticks(own["weeks"].unique(), [f"{weeks:g}" for weeks in own["weeks"].unique()])
    ax.set_xlabel("Weeks after it began")
    ax.set_ylabel("Chance to notice [%]")
    ax.set_ylim(0, 105)
    return calm(ax, grid="y")
