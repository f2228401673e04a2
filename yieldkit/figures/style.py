"""Ink, quiet lines and marks of all pictures: told apart by shape and line, not by colour alone."""

from __future__ import annotations

from typing import Any

from matplotlib.axes import Axes

INK = "#22313a"
QUIET = "#8b959b"
FAINT = "#dcdcd4"
ACCENT = "#0b5f6e"
"""Colours differ in lightness too, so that a grey print keeps them apart."""
ALARM = "#a63d0c"

MARKS = {"fine": "o", "alarm": "D", "open": "o"}
"""Filled circle for a figure, filled diamond for an alarm, hollow circle for one still open."""

RC: dict[Any, Any] = {
    "font.family": ["sans-serif"],
    "font.size": 10.0,
    "axes.titlesize": 10.5,
    "axes.labelsize": 10.0,
    "text.parse_math": False,  # a "$" in a name is a letter, not a formula
    "svg.fonttype": "none",
    "svg.hashsalt": "yieldkit",
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "xtick.color": INK,
    "ytick.color": INK,
}
"""Settings for ``matplotlib.rc_context`` where a picture is written."""


def calm(ax: Axes, *, grid: str = "x") -> Axes:
    """Take away all that carries no figure: frame, ticks, heavy grid.

    Parameters
    ----------
    ax : Axes
        Where the picture is.
    grid : str
        Axis whose values get faint lines: "x", "y" or "" for none.
    """
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.spines["left"].set_visible(grid != "x")
    ax.spines["bottom"].set_color(QUIET)
    ax.tick_params(length=0)
    ax.set_axisbelow(True)
    if grid == "x":
        ax.xaxis.grid(True, color=FAINT, linewidth=0.8)
    elif grid == "y":
        ax.yaxis.grid(True, color=FAINT, linewidth=0.8)
    return ax
