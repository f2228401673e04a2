"""Funnel of yields, and raw beside fair ones."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from scipy.special import ndtri

from yieldkit.figures.style import ACCENT, INK, QUIET, calm


def draw_funnel(ax: Axes, table: pd.DataFrame, *, crew: float, wider: float = 1.0) -> Axes:
    """Draw each group's yield against its positions, with the limits of luck.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame
        ``group``, ``n`` [decided positions], ``yield`` [fraction], ``outside``.
    crew : float
        The crew's own yield [fraction].
    wider : float
        Over-dispersion: the limits' variance over that of luck.
    """
    most = max(int(table["n"].max()) if len(table) else 1, 10)
    sizes = np.geomspace(5, 1.15 * most, 200)
    luck = np.sqrt(wider * crew * (1 - crew) / sizes)
    ax.axhline(100 * crew, color=QUIET, linewidth=1)
    for size, style in ((0.95, (0, (5, 3))), (0.998, "solid")):
        reach = ndtri((1 + size) / 2) * luck
        for sign in (-1, 1):
            edge = 100 * np.clip(crew + sign * reach, 0, 1)
            ax.plot(sizes, edge, color=INK, linewidth=1, linestyle=style)
    outside = table["outside"].to_numpy(bool)
    for mask, mark in ((~outside, "o"), (outside, "D")):
        ax.plot(
            table["n"][mask], 100 * table["yield"][mask], mark, color=ACCENT,
            markeredgecolor="white", markersize=7,
        )  # fmt: skip
    for group, n, made in zip(table["group"], table["n"], table["yield"], strict=True):
        ax.annotate(
            str(group), (n, 100 * made), xytext=(5, 4), textcoords="offset points", fontsize=8.5
        )
    ax.set_xlim(0, 1.15 * most)
    least = 100 * table["yield"].min() if len(table) else 90
    ax.set_ylim(max(0, min(least - 3, 100 * crew - 12)), 100.5)
    ax.set_xlabel("Decided positions (dashed 95 %, full 99.8 % of equal groups)")
    ax.set_ylabel("First pass [%]")
    return calm(ax, grid="y")


def draw_raw_and_fair(ax: Axes, table: pd.DataFrame, *, group: str = "group") -> Axes:
    """Draw each group's raw yield (hollow) and fair yield (filled) with their intervals.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame
        ``group``, ``first_pass``, ``failed`` [positions], ``yield``, ``low``, ``high``,
        ``adjusted``, ``adjusted_low``, ``adjusted_high`` [fraction].
    group : str
        Column that names the row.
    """
    at = np.arange(len(table))[::-1].astype(float)
    for shift, name, ends, fill, said in (
        (0.16, "yield", ("low", "high"), "white", "as counted"),
        (-0.16, "adjusted", ("adjusted_low", "adjusted_high"), ACCENT, "fair"),
    ):
        reach = 100 * table[list(ends)].to_numpy(float)
        ax.hlines(
            at + shift,
            reach[:, 0],
            reach[:, 1],
            color=INK,
            linestyles="dashed" if name == "yield" else "solid",
        )
        ax.plot(
            100 * table[name], at + shift, "o", color=fill, markeredgecolor=INK, markersize=6.5,
            label=said,
        )  # fmt: skip
    for row, fair in zip(at, table["adjusted"].isna(), strict=True):
        if fair:
            ax.text(
                0.02, row - 0.16, "same kit throughout", va="center", fontsize=8.5, color=INK,
                transform=ax.get_yaxis_transform(),
            )  # fmt: skip
    n = table["first_pass"] + table["failed"]
    names = [f"{name}  n {many:.0f}" for name, many in zip(table[group], n, strict=True)]
    ax.set_yticks(at, names)
    ax.set_ylim(-0.7, len(table) - 0.3)
    ax.set_xlabel("First pass [%]")
    ax.legend(loc="lower left", frameon=False, fontsize=8.5)
    return calm(ax)
