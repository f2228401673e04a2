"""Share of joints above a loss, for every loss of interest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from yieldkit.answers.losses import KEYS, LEAST, SIGNED, USUAL_FAMILIES, below_zero, grouped_losses
from yieldkit.answers.result import Finding, Result
from yieldkit.crew import Crew
from yieldkit.methods.binned import Counts, weigh
from yieldkit.methods.proportions import check_confidence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CURVE = (0.01, 0.03, 0.05, 0.08, 0.12, 0.16, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5)
"""Losses at which the share is told where none are asked for [dB]."""


@dataclass(frozen=True, eq=False, kw_only=True)
class LossShares(Result):
    """Shares above; see ``shares_over``."""

    def plot(self, ax: Axes, *, limit_db: float | None = None, **figure: object) -> Axes:
        """Draw the share above each loss, on a log scale; ``group="LC"`` and the like choose."""
        from yieldkit.figures.losses import draw_shares

        return draw_shares(ax, chosen_row(self.table, figure), limit_db=limit_db)


def shares_over(
    attempts: pd.DataFrame,
    measurements: pd.DataFrame,
    *,
    crew: Crew,
    by: str = "connector_type",
    at_db: Sequence[float] = (),
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> LossShares:
    """Share of joints whose loss is above each of some losses, with its interval.

    Parameters
    ----------
    attempts, measurements : DataFrame
        The schema's tables.
    crew : Crew
        Settings; the limits of single joints are asked for too.
    by : str
        Grouping, as for ``loss_summary``.
    at_db : sequence of float
        Losses [dB]; ``CURVE`` where none are given.
    confidence : float
        Coverage of the intervals [fraction].
    as_of : Timestamp, optional
        Newest record known.

    Returns
    -------
    LossShares
        ``table``: the keys, ``n``, ``at_db``, ``share``, ``low``, ``high`` [fraction; missing
        under ``LEAST`` readings], ``seen`` (share of readings surely above, no model),
        ``is_limit``.
    """
    check_confidence(confidence)
    _, keys, counts = grouped_losses(attempts, measurements, crew, by)
    limits = [
        row for row in crew.limits if row.statistic == "each" and row.quantity != "return loss"
    ]
    asked = sorted({*(at_db or CURVE), *(row.limit_db for row in limits)})
    signed, rows = below_zero(counts), []
    for chosen, families in ((~signed, USUAL_FAMILIES), (signed, SIGNED)):
        some = np.flatnonzero(chosen)
        if not len(some):
            continue
        part = counts.only(some)
        found = weigh(part, families)
        for at in asked:
            shown = found.share_over(at, confidence)
            few = part.n < LEAST
            rows.append(
                keys.iloc[some].assign(
                    n=part.n.astype(int),
                    at_db=at,
                    share=np.where(few, np.nan, shown.value),
                    low=np.where(few, np.nan, shown.low),
                    high=np.where(few, np.nan, shown.high),
                    seen=_seen(part, at),
                )
            )
    columns = [*KEYS, "n", "at_db", "share", "low", "high", "seen"]
    table = pd.concat(rows) if rows else pd.DataFrame(columns=columns)
    table = table.sort_values([*KEYS, "at_db"], ignore_index=True)
    own = {(row.quantity, row.limit_db) for row in limits}
    pairs = zip(table["quantity"], table["at_db"], strict=True)
    table["is_limit"] = [pair in own for pair in pairs]
    told = table[table["is_limit"] & table["share"].notna()]
    findings = tuple(
        Finding("share_over", {str(name): value for name, value in row.items()})
        for row in told.to_dict("records")
    )
    return LossShares(
        table=table, findings=findings, confidence=confidence, as_of=as_of, settings={"by": by}
    )


def _seen(counts: Counts, at: float) -> np.ndarray:
    return counts.sum(np.where(counts.low >= at, counts.count, 0.0)) / counts.n


def chosen_row(table: pd.DataFrame, figure: dict[str, object]) -> pd.DataFrame:
    """Rows of one group and reading, named by some of the keys.

    Raises
    ------
    ValueError
        If ``figure`` names none, or more than one.
    """
    for column, value in figure.items():
        table = table[table[column] == value]
    if table.empty or len(table[KEYS].drop_duplicates()) > 1:
        raise ValueError(f"{figure} names no single row of the table; wanted some of {KEYS}")
    return table
