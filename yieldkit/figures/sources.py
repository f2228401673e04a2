"""Units beside the crew, parts of the spread, and who used what."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from yieldkit.figures.style import ACCENT, ALARM, FAINT, INK, QUIET, calm

WORDS = {
    "technician": "people",
    "splicer": "splicers",
    "cleaver": "cleavers",
    "heater": "heaters",
    "connector_lot": "connector lots",
    "fibre_lot": "fibre lots",
    "connector_type": "connector types",
    "pair": "persons with splicers",
    "job": "jobs",
    "day": "days",
    "luck": "luck",
}


YIELD_GAP = "First pass beside the crew's, all else equal [points]"


def draw_gaps(
    ax: Axes,
    table: pd.DataFrame,
    *,
    most: int = 24,
    value: str = "gap_points",
    label: str = YIELD_GAP,
) -> Axes:
    """Draw each unit's gap to the crew and its interval, kind by kind.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame
        ``kind``, ``unit``, ``n``, the gap, ``low``, ``high``, ``told``; a unit that cannot be told
        apart has a hollow mark.
    most : int
        Units at most, those with most positions.
    value, label : str
        Column of the gap, and its words with their unit.
    """
    shown = table.loc[sorted(table.nlargest(most, "n").index)].reset_index(drop=True)
    at = np.arange(len(shown))[::-1]
    ax.axvline(0, color=QUIET, linewidth=1, linestyle=(0, (4, 3)))
    ax.hlines(at, shown["low"], shown["high"], color=INK, linewidth=1.8)
    told = shown["told"].to_numpy(bool)
    for mask, fill, name in ((told, ACCENT, ""), (~told, "white", "cannot be told apart")):
        if mask.any():
            ax.plot(
                shown[value][mask], at[mask], "o", color=fill, markeredgecolor=INK,
                markersize=6.5, label=name or None,
            )  # fmt: skip
    names = [f"{unit}  n {n:.0f}" for unit, n in zip(shown["unit"], shown["n"], strict=True)]
    ax.set_yticks(at, names)
    ax.set_ylim(-0.7, len(shown) - 0.3)
    ax.set_xlabel(label)
    if (~told).any():
        ax.legend(loc="lower left", frameon=False)
    return calm(ax)


def draw_spread(ax: Axes, spread: pd.DataFrame) -> Axes:
    """Draw the part that each kind has in the differences between joints, with its interval.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    spread : DataFrame
        ``kind``, ``units``, ``share``, ``low``, ``high`` [fraction], ``n``.
    """
    at = np.arange(len(spread))[::-1]
    share = 100 * spread["share"].to_numpy(float)
    luck = (spread["kind"] == "luck").to_numpy()
    bars = ax.barh(at, share, height=0.6, color=np.where(luck, FAINT, ACCENT), edgecolor=INK)
    for bar, is_luck in zip(bars, luck, strict=True):
        if is_luck:
            bar.set_hatch("///")
    ax.hlines(at, 100 * spread["low"], 100 * spread["high"], color=INK, linewidth=1.4)
    names = [
        WORDS.get(str(kind), str(kind)) + (f" ({units})" if units else "")
        for kind, units in zip(spread["kind"], spread["units"], strict=True)
    ]
    ax.set_yticks(at, names)
    ax.set_xlim(0, 100)
    n = int(spread["n"].iloc[0]) if len(spread) else 0
    ax.set_xlabel(f"Part in the differences between joints [%], n {n} positions")
    return calm(ax)


def draw_used(
    ax: Axes,
    used: pd.DataFrame,
    apart: pd.DataFrame,
    rows: str = "technician",
    columns: str = "splicer",
) -> Axes:
    """Draw who used what as a grid of counts; units that cannot be told apart are marked.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    used : DataFrame
        ``rows``, ``columns`` and ``tried`` [decided positions].
    apart : DataFrame
        ``kind``, ``unit``, ``how``, as from ``together``.
    rows, columns : str
        Kinds to set against each other.
    """
    grid = used.pivot_table(index=rows, columns=columns, values="tried", aggfunc="sum")
    counts = grid.fillna(0).to_numpy(float)
    share = counts / np.maximum(counts.sum(axis=1, keepdims=True), 1)
    ax.imshow(share, cmap="Greys", vmin=0, vmax=1.4, aspect="auto")
    for (i, j), count in np.ndenumerate(counts):
        if count:
            dark = "white" if share[i, j] > 0.75 else INK
            ax.text(j, i, f"{int(count)}", ha="center", va="center", color=dark, fontsize=9)
    marked = set(apart.loc[apart["how"] == "exactly", "unit"]) if len(apart) else set()
    hardly = set(apart.loc[apart["how"] == "nearly", "unit"]) if len(apart) else set()

    def name(unit: str) -> str:
        return f"{unit} ×" if unit in marked else f"{unit} ~" if unit in hardly else str(unit)

    ax.set_xticks(range(len(grid.columns)), [name(unit) for unit in grid.columns])
    ax.set_yticks(range(len(grid.index)), [name(unit) for unit in grid.index])
    for labels in (ax.get_xticklabels(), ax.get_yticklabels()):
        for label in labels:
            if label.get_text().endswith(("×", "~")):
                label.set_color(ALARM)
    for at in np.arange(counts.shape[1] - 1) + 0.5:
        ax.axvline(at, color="white", linewidth=2)
    for at in np.arange(counts.shape[0] - 1) + 0.5:
        ax.axhline(at, color="white", linewidth=2)
    for side in ("top", "right", "left", "bottom"):
        ax.spines[side].set_visible(False)
    ax.tick_params(length=0)
    ax.set_xlabel(f"{columns} [joints]; × cannot be told apart, ~ hardly")
    return ax
