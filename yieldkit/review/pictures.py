"""A drawing as a data address, so that a page carries its pictures in itself."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from yieldkit.answers.result import Result
from yieldkit.figures.style import RC
from yieldkit.review.model import Picture

WIDTH_IN = 5.4
"""Narrow, so that the letters stay legible at the width of a phone."""


def picture_of(result: Result, *, height: float = 3.0) -> Picture:
    """A result's own drawing, for a notebook.

    Parameters
    ----------
    result : Result
        Any answer that can draw itself.
    height : float
        Height of the drawing [in].
    """
    return picture(result.plot, height=height, caption="", says=str(result))


def picture(draw: Callable[[Axes], object], *, height: float, caption: str, says: str) -> Picture:
    """Draw on fresh axes and keep the drawing as SVG.

    Parameters
    ----------
    draw : callable
        Takes the axes and draws on them, for example a result's ``plot``.
    height : float
        Height of the drawing [in].
    caption, says : str
        Words under it; what it shows, for those who cannot see it.
    """
    with matplotlib.rc_context(RC):
        figure = Figure(figsize=(WIDTH_IN, height), layout="constrained")
        FigureCanvasSVG(figure)
        draw(figure.subplots())
        drawn = io.BytesIO()
        figure.savefig(drawn, format="svg", transparent=True, metadata={"Date": None})
    source = "data:image/svg+xml;base64," + base64.b64encode(drawn.getvalue()).decode("ascii")
    return Picture(source, caption, says)
