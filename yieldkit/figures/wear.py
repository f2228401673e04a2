"""What rises with use."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from yieldkit.figures.style import FAINT, INK, calm


def draw_wear(ax: Axes, table: pd.DataFrame) -> Axes:
    """Draw the first quantity of ``table`` over uses, with intervals.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame
        As in ``yieldkit.answers.wear``: quantity, range of uses, value, interval, n.
    """
    if table.empty:
        ax.text(0.5, 0.5, "too few uses to tell", ha="center", transform=ax.transAxes, color=INK)
        return calm(ax, grid="y")
    own = table[table["quantity"] == table["quantity"].iloc[0]]
    middle = (own["from_uses"] + own["to_uses"]) / 2
    ax.errorbar(
        middle,
        own["value"],
        yerr=[own["value"] - own["low"], own["high"] - own["value"]],
        fmt="o-",
        color=INK,
        capsize=3,
    )
    for x, top, n in zip(middle, own["high"], own["n"], strict=True):
        ax.annotate(f"n {n}", (x, top), xytext=(0, 3), textcoords="offset points", ha="center",
                    fontsize=8, color=INK)  # fmt: skip
    uses = "cleaves since rotation" if own["unit_kind"].iloc[0] == "cleaver" else "arcs since new"
    ax.set_xlabel(f"Recorded {uses} (at least)")
    quantity = str(own["quantity"].iloc[0])
    ax.set_ylabel(quantity[0].upper() + quantity[1:])
    ax.grid(axis="y", color=FAINT)
    return calm(ax, grid="y")
