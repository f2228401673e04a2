"""Spares of a bid at each risk."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from yieldkit.figures.style import ACCENT, ALARM, INK, QUIET, calm

MARKS = {"p50": "o", "p80": "s", "p95": "D", "p99": "|"}


def draw_spares(ax: Axes, table: pd.DataFrame) -> Axes:
    """Draw the pieces beyond one a position that suffice at each risk, and what is bought.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame
        Columns ``connector_type``, ``part``, ``positions``, ``p50`` to ``p99`` and ``quantity``
        [pieces]. Cord is left out: it is in metres.
    """
    shown = table[table["part"] != "cord_m"].iloc[::-1]
    places = np.arange(len(shown))
    need = shown[list(MARKS)].sub(shown["positions"], axis=0)
    ax.hlines(places, need["p50"], need["p99"], color=QUIET, linewidth=2)
    for name, mark in MARKS.items():
        ax.plot(
            need[name], places, mark, color=ACCENT, markersize=7, label=f"enough in {name[1:]} %"
        )
    bought = shown["quantity"] - shown["positions"]
    ax.plot(bought, places, "x", color=INK, markersize=8, label="to have", markeredgewidth=2)
    names = [
        row.part if row.connector_type == "all" else f"{row.connector_type} {row.part}"
        for row in shown.itertuples()
    ]
    ax.set_yticks(places, [str(name) for name in names])
    ax.set_ylim(-0.7, len(shown) - 0.3)
    ax.set_xlim(left=0)
    ax.set_xlabel("Spares beyond one a position [pieces]")
    ax.legend(frameon=False, fontsize=8.5, ncols=3, loc="lower center", bbox_to_anchor=(0.5, 1.0))
    return calm(ax)


LINES = ("-", "--", ":", "-.")


def draw_run_out(ax: Axes, table: pd.DataFrame) -> Axes:
    """Draw the chance that each part runs out, job after job.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame
        Columns ``connector_type``, ``part``, ``before`` (day), ``chance_short`` [fraction].
    """
    for at, ((name, part), rows) in enumerate(
        table.groupby(["connector_type", "part"], observed=True, sort=False)
    ):
        ax.plot(
            pd.to_datetime(rows["before"]),
            100 * rows["chance_short"],
            color=ACCENT if at % 2 == 0 else ALARM,
            linestyle=LINES[at % len(LINES)],
            marker=list(MARKS.values())[at % 3],
            label=str(part) if name == "all" else f"{name} {part}",
        )
    ax.set_ylim(0, 100)
    ax.set_ylabel("Chance to run out [%]")
    ax.set_xlabel("Start of the job")
    ax.legend(frameon=False, fontsize=8.5, ncols=3, loc="lower center", bbox_to_anchor=(0.5, 1.0))
    ax.figure.autofmt_xdate()
    return calm(ax, grid="y")


def draw_backtest(ax: Axes, table: pd.DataFrame) -> Axes:
    """Draw the failures of each past job beside its forecast.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    table : DataFrame
        Columns ``job``, ``failures``, ``p50``, ``p80``, ``p95`` [failures].
    """
    places = np.arange(len(table))
    ax.vlines(places, 0, table["p95"], color=QUIET, linewidth=5, label="enough in 95 %")
    ax.vlines(places, 0, table["p50"], color=ACCENT, linewidth=5, label="enough in 50 %")
    ax.plot(places, table["failures"], "D", color=INK, markersize=5, label="happened")
    ax.set_ylim(bottom=0)
    ax.set_xticks([])
    ax.set_xlabel("Past jobs, oldest first")
    ax.set_ylabel("Failed tries [joints]")
    ax.legend(frameon=False, fontsize=8.5, ncols=3, loc="lower center", bbox_to_anchor=(0.5, 1.0))
    return calm(ax, grid="y")
