"""Units that the records cannot tell apart, in words that a lead can act on."""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldkit.answers.fair import HANDS, CrewModel
from yieldkit.methods.crossed import Factors
from yieldkit.methods.crossed.apart import overlaps
from yieldkit.records.tables import UNKNOWN

NEARLY = 0.2
"""Less than this share of the information left: hardly told apart. The interval is then more than
2.2 times as wide as the unit's positions alone would give."""
SAME = 0.999
"""Overlap from which two units count as always used together."""
COLUMNS = ["kind", "unit", "how", "partners", "share", "kept", "n"]


def together(model: CrewModel) -> pd.DataFrame:
    """People and kit whose effects cannot, or can hardly, be told apart.

    Returns
    -------
    DataFrame
        ``kind``, ``unit``, ``how`` (exactly, nearly), ``partners`` (units of other kinds that it
        was used with on most of its positions, and they with it), ``share`` (least overlap with
        those), ``kept`` (share of the information left), ``n`` [decided positions].
    """
    apart, of = model.apart, model.apart.factors
    weight = _weight(model)
    both = overlaps(of, weight)
    count = of.sums(weight)
    names = np.array([name for levels in of.levels for name in levels])
    rows = []
    for at, kind in enumerate(of.names):
        if kind not in HANDS:
            continue
        for column in range(int(of.start[at]), int(of.start[at + 1])):
            exact = not apart.estimable[column]
            if exact or apart.kept[column] < NEARLY:
                partners, share = _partners(of, both, column, exact)
                rows.append(
                    (kind, names[column], "exactly" if exact else "nearly",
                     tuple(names[partners]), share, apart.kept[column], int(count[column]))
                )  # fmt: skip
    return pd.DataFrame(rows, columns=COLUMNS)


def _weight(model: CrewModel) -> np.ndarray:
    """Decided positions of the cells that the layout was judged on, in their order."""
    hands = [kind for kind in model.kinds if kind in HANDS]
    known = model.cells[(model.cells[hands] != UNKNOWN).all(axis=1)]
    return known["tried"].to_numpy(float)


def _partners(of: Factors, both: np.ndarray, column: int, exact: bool) -> tuple[np.ndarray, float]:
    """Units of other kinds of hand that went with this one; all tied ones where always together."""
    hands = np.array([name in HANDS for name in of.names])[of.owner]
    other = hands & (of.owner != of.owner[column])
    mutual = np.minimum(both[column], both[:, column]) * other
    if mutual.max(initial=0) >= SAME:
        found = np.flatnonzero(mutual >= SAME)
    elif exact:
        # No single twin: name all that this one ever worked with.
        found = np.flatnonzero((both[column] > 0) & other)
    else:
        found = np.array([int(np.argmax(mutual))])
    return found, float(mutual[found].min()) if len(found) else 0.0
