"""Cost of rework by cause."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from yieldkit.figures.style import ACCENT, INK, calm


def draw_costs(ax: Axes, table: pd.DataFrame, *, currency: str = "", most: int = 10) -> Axes:
    """Draw the cost of each step and cause as a bar, dearest on top; events and n beside it.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame
        Columns ``step``, ``cause``, ``cost`` [currency], ``events`` [failures], ``minutes`` [min].
        Where nothing has a cost, bars show failures instead.
    currency : str
        Unit of the cost.
    most : int
        Bars at most.
    """
    priced = bool((table["cost"] > 0).any())
    value = "cost" if priced else "events"
    shown = table.nlargest(most, value).iloc[::-1]
    places = np.arange(len(shown))
    ax.barh(places, shown[value], color=ACCENT, height=0.62)
    ax.set_yticks(places, [f"{row.cause}, at {row.step}" for row in shown.itertuples()])
    for place, row in zip(places, shown.itertuples(), strict=True):
        ax.annotate(
            f"{row.events:.0f} failures",
            (getattr(row, value), place),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            color=INK,
            fontsize=8.5,
        )
    ax.margins(x=0.18)
    ax.set_xlim(left=0)
    ax.set_xlabel(f"Cost [{currency}]" if priced else "Failures written down [joints]")
    return calm(ax)
