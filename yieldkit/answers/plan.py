"""What could this crew see at all: chance to notice a rise, by its size and the weeks given."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, pdtr

from yieldkit.answers.drift import RISES, chances_to_see, drift_watch, loss_shift, weeks_to_see
from yieldkit.answers.readings import FAILURES, LOSS, UNITS
from yieldkit.answers.result import Finding, Result
from yieldkit.answers.streams import Stream
from yieldkit.crew import Crew
from yieldkit.records.tables import UNKNOWN

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WEEKS = (1, 2, 4, 13)
SOUGHT = (("splicer", LOSS), ("splicer", FAILURES), ("cleaver", FAILURES))
COLUMNS = ["unit_kind", "quantity", "rise", "weeks", "chance", "low", "high", "n"]


@dataclass(frozen=True, eq=False, kw_only=True)
class WhatCanWeSee(Result):
    """Chance to notice; see ``what_can_we_see``."""

    def plot(self, ax: Axes) -> Axes:
        """Draw the chance to notice each rise over the weeks given on ``ax``."""
        from yieldkit.figures.drift import draw_chances

        return draw_chances(ax, self.table)


def what_can_we_see(
    attempts: pd.DataFrame,
    positions: pd.DataFrame,
    measurements: pd.DataFrame,
    service: pd.DataFrame,
    *,
    checks: pd.DataFrame | None = None,
    crew: Crew,
    false_alarms: float | None = None,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> WhatCanWeSee:
    """Chance to notice a rise of one unit's losses or failures, from the crew's own days.

    The run length of the watch's own CUSUM, at its own limit, with the crew's own spread between
    days and the past that it has: a young crew sees less.

    Parameters
    ----------
    false_alarms : float, optional
        False alarms in 13 weeks to plan with; those of the settings if missing.

    Returns
    -------
    WhatCanWeSee
        ``table`` with ``COLUMNS``: ``chance`` of a signal within ``weeks`` of a rise to ``rise``
        times, for the middle unit; ``low`` and ``high`` for the units with fewest and most points.
    """
    if false_alarms is not None:
        general = crew.general.model_copy(update={"false_alarms_per_quarter": false_alarms})
        crew = crew.model_copy(update={"general": general})
    watch = drift_watch(attempts, positions, measurements, service, checks=checks, crew=crew)
    limits = watch.settings["limits"]
    rows: list[dict[str, Any]] = []
    findings: list[Finding] = []
    for kind, quantity in SOUGHT:
        own = [s for s in watch.streams if (s.kind, s.quantity) == (kind, quantity)]
        found = [row for rise in RISES for row in _rows(own, kind, quantity, rise, limits)]
        rows += found
        if own:
            values = {
                "alarms": crew.general.false_alarms_per_quarter,
                "streams": len(watch.streams),
                "unit_kind": kind,
                "of": "loss" if quantity == LOSS else FAILURES,
                "weeks": {rise: _weeks(own, quantity, rise, limits) for rise in RISES},
                "best": max(row["chance"] for row in found),
            }
            findings.append(Finding("plan_could_see", values, "note"))
    for kind in ("splicer", "cleaver"):
        mixing = kit_told_apart(attempts, kind)
        if mixing is not None:
            findings.append(mixing)
    if not rows:
        nothing = {"streams": len(watch.streams), "alarms": crew.general.false_alarms_per_quarter}
        findings.insert(0, Finding("drift_nothing_to_watch", nothing, "cannot tell"))
    return WhatCanWeSee(
        table=pd.DataFrame(rows, columns=COLUMNS),
        findings=tuple(findings),
        settings=dict(watch.settings),
        confidence=confidence,
        as_of=as_of,
    )


def _rows(
    own: list[Stream], kind: str, quantity: str, rise: float, limits: Mapping[float, float]
) -> list[dict[str, Any]]:
    if not own:
        return []
    shift = _shift(quantity, rise)
    each = np.array([chances_to_see(stream, limits, shift, max(WEEKS)) for stream in own])
    return [
        {
            "unit_kind": kind,
            "quantity": quantity,
            "rise": rise,
            "weeks": weeks,
            "chance": float(np.median(each[:, weeks - 1])),
            "low": float(each[:, weeks - 1].min()),
            "high": float(each[:, weeks - 1].max()),
            "n": int(sum(stream.series.n.sum() for stream in own)),
        }
        for weeks in WEEKS
    ]


def _shift(quantity: str, rise: float) -> float:
    return loss_shift(rise) if quantity == LOSS else failure_shift(rise)


def _weeks(own: list[Stream], quantity: str, rise: float, limits: Mapping[float, float]) -> float:
    """Weeks within which four in five such rises of the middle unit are seen, as the watch says."""
    shift = _shift(quantity, rise)
    return float(np.median([weeks_to_see(stream, limits, shift) for stream in own]))


def failure_shift(rise: float, expected: float = 2.0) -> float:
    """Mean rise of the score of a block with so many expected failures, when they grow by a factor.

    Computed by summing over the counts; the middle of the chance (mid-P) as in the watch.
    """
    count = np.arange(60)
    below = np.where(count > 0, pdtr(np.maximum(count - 1, 0), expected), 0.0)
    score = ndtri(np.clip((below + pdtr(count, expected)) / 2, 1e-9, 1 - 1e-9))

    def mean(rate: float) -> float:
        chance: NDArray[np.float64] = np.diff(pdtr(count, rate), prepend=0.0)
        return float(chance @ score)

    return mean(expected * rise) - mean(expected)


def kit_told_apart(attempts: pd.DataFrame, kind: str) -> Finding | None:
    """How far a kind's units can be told from people and other kit in these records.

    The share of the variation of a unit's use that its partners do not explain: 0 where everybody
    always uses one's own, 1 where kit is mixed at random (least-squares fit of each unit's use on
    all partners' codes; the reciprocal of the variance inflation of D. W. Marquardt, Technometrics
    12, 591-612, 1970).
    """
    others = [k for k in (*UNITS[:3], "technician") if k != kind]
    rows = attempts[[kind, *others]].dropna()
    rows = rows[~rows.isin([UNKNOWN, ""]).any(axis=1)]
    if len(rows) < 50 or rows[kind].nunique() < 2:
        return None
    cells = rows.groupby([kind, *others]).size().reset_index(name="n")
    design = pd.get_dummies(cells[others], drop_first=True).to_numpy(float)
    design = np.column_stack([np.ones(len(cells)), design])
    use = pd.get_dummies(cells[kind]).to_numpy(float)
    root = np.sqrt(cells["n"].to_numpy(float))[:, None]
    fitted = design @ np.linalg.lstsq(design * root, use * root, rcond=None)[0]
    mean = (use * root**2).sum(axis=0) / (root**2).sum()
    told = float((((use - fitted) * root) ** 2).sum() / (((use - mean) * root) ** 2).sum())
    values = {"unit_kind": kind, "told": told, "n": len(rows)}
    return Finding("plan_mixing", values, "fine" if told > 0.7 else "watch")
