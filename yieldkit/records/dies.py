"""Crimp dies as written: their sizes, and whether they belong to a connector type."""

from __future__ import annotations

import re

from yieldkit.crew import ConnectorType

NEAR_IN = 0.003
"""Sizes that differ by less are one die, since 0.128 is written 0.13 too (common practice) [in]."""
_SIZE = re.compile(r"(\d*[.,]\d+|\d+)\s*(mm|in\b|inch\w*|\"|\u2033)?", re.I)
_MM_PER_IN = 25.4
_LARGEST_IN = 1.0
"""A number below is in inches where no unit stands beside it: crimp dies are 2 to 15 mm wide."""


def sizes_in(text: str) -> tuple[float, ...]:
    """Sizes that a cell names [in]; empty where none can be told.

    Without a unit a size below 1 is in inches, one from 1 to 25 in millimetres.

    Examples
    --------
    >>> sizes_in(".128"), sizes_in("0,190 in"), sizes_in("4.83 mm"), sizes_in("large")
    ((0.128,), (0.19,), (0.1902,), ())
    """
    found = []
    shared = None
    for number, unit in reversed(_SIZE.findall(text)):
        size = float(number.replace(",", "."))
        unit = (unit or shared or "").lower()
        shared = unit or None
        if unit == "mm" or (not unit and _LARGEST_IN <= size <= _MM_PER_IN):
            size /= _MM_PER_IN
        if not 0 < size < _LARGEST_IN:
            return ()
        found.append(round(size, 4))
    return tuple(reversed(found))


def die_differs(text: str, kind: ConnectorType) -> str:
    """What is wrong with a die on a connector type; empty if nothing, or if nothing is known.

    Parameters
    ----------
    text : str
        The die as written.
    kind : ConnectorType
        Its dies; without any, only an ordinary splice is known to take none.
    """
    own = kind.dies_in
    belong = " or ".join(f"{die:.3f} in" for die in own)
    if not own:
        return "an ordinary splice has no crimp" if kind.design == "D" else ""
    sizes = sizes_in(text)
    if not sizes:
        return f"no size can be read; {belong} belong to the type"
    if all(any(abs(size - die) < NEAR_IN for die in own) for size in sizes):
        return ""
    return f"{belong} belong to the type (settings); look at the crimp"
