"""What failures cost, by cause and step, from the rework log and the crew's prices."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import gammaincinv

from yieldkit.answers.result import Finding, Result
from yieldkit.crew import Crew
from yieldkit.methods.proportions import proportion
from yieldkit.records.tables import UNKNOWN, require_columns

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PARTS = {"bodies": "body", "sleeves": "sleeve", "rings": "ring", "cord_m": "cord_m"}
"""Column of the rework log and the part it counts."""
BEFORE_ARC = ("prepare", "cleave")
SHOWS_BEFORE = ("strip or nick", "cleave", "contamination", "assembly", "cord too short")
"""Causes that a look before the arc can show [common practice]: a nick, a bad cleave angle, dust, a
missing or reversed part, too little cord."""


@dataclass(frozen=True, eq=False, kw_only=True)
class ReworkCost(Result):
    """Cost by step and cause; see ``cost_of_rework``."""

    def plot(self, ax: Axes) -> Axes:
        """Draw the cost of each cause on ``ax``, dearest first."""
        from yieldkit.figures.rework import draw_costs

        return draw_costs(ax, self.table, currency=str(self.settings.get("currency", "")))


def cost_of_rework(
    rework: pd.DataFrame,
    positions: pd.DataFrame,
    *,
    crew: Crew | None = None,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> ReworkCost:
    """Events, parts, minutes and cost of logged rework by step and cause, dearest first.

    Parameters
    ----------
    rework, positions : DataFrame
        The schema's tables. An entry's parts are those written; where none is written, those that
        the settings say a failure at that step costs. An entry that stands for several tries
        counts each of them. Minutes are those written; blank ones are not guessed, so minutes are
        a lower bound, and ``minutes_known`` tells on how many events they rest.

    Returns
    -------
    ReworkCost
        ``table``: ``step``, ``cause``, ``events`` [failures], ``parts`` [pieces: bodies, sleeves
        and rings], ``minutes`` [min], ``cost`` [currency], ``n`` [entries], ``minutes_known``
        [entries], ``low`` and ``high`` (Poisson bounds of ``events``, exact), ``after_arc``
        [failures found after the arc], ``after_return`` [failures that cost a connector body: found
        after the point of no return], ``seen_before`` [those of a cause that shows before the arc].

    References
    ----------
    F. Garwood, Biometrika 28, 437-442, 1936 (exact limits of a Poisson mean).
    """
    require_columns(rework, ["rework_id", "step", "cause", "tries", "rework_min", *PARTS])
    crew = crew or Crew()
    entries = _entries(rework, positions, crew)
    table = (
        entries.groupby(["step", "cause"])
        .agg(
            events=("events", "sum"),
            parts=("parts", "sum"),
            minutes=("rework_min", "sum"),
            cost=("cost", "sum"),
            n=("events", "size"),
            minutes_known=("rework_min", "count"),
            after_arc=("after_arc", "sum"),
            after_return=("after_return", "sum"),
            seen_before=("seen_before", "sum"),
        )
        .reset_index()
        .sort_values(["cost", "events"], ascending=False, ignore_index=True)
    )
    tail = (1 - confidence) / 2
    events = table["events"].to_numpy(float)
    table["low"] = np.where(events > 0, gammaincinv(np.maximum(events, 0.5), tail), 0.0)
    table["high"] = gammaincinv(events + 1, 1 - tail)
    return ReworkCost(
        table=table,
        findings=_findings(table, entries, crew, confidence),
        settings={"currency": crew.general.currency},
        confidence=confidence,
        as_of=as_of,
        behind=entries[["step", "cause", "rework_id", "position_id"]],
    )


def _entries(rework: pd.DataFrame, positions: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """One row an entry with its events, parts and cost; cleaned end faces cost no parts."""
    kind = positions.drop_duplicates("position_id").set_index("position_id")["connector_type"]
    own = rework["connector_type"].astype(object)
    types = own.where(own.notna() & (own != UNKNOWN), rework["position_id"].map(kind))
    types = types.fillna(UNKNOWN)
    step, cause = rework["step"].fillna(UNKNOWN), rework["cause"].fillna(UNKNOWN)
    events = rework["tries"].astype(float).clip(lower=1).fillna(1.0)
    written = rework[list(PARTS)].astype(float)
    silent = written.isna().all(axis=1) & ~rework["disposition"].isin(["cleaned", "accepted as is"])
    usual = pd.DataFrame(
        [crew.parts_for_failure(name, at) for name, at in zip(types, step, strict=True)],
        index=rework.index,
        columns=list(PARTS.values()),
    ).fillna(0.0)
    usual = usual.mul(events, axis=0).where(silent, 0.0)
    used = written.fillna(0.0).rename(columns=PARTS) + usual
    prices = pd.DataFrame(
        {part: [crew.part(part, name).price for name in types] for part in PARTS.values()},
        index=rework.index,
    )
    minutes = rework["rework_min"].astype(float)
    late = events.where(used["body"] > 0, 0.0)
    cost = (used * prices).sum(axis=1) + minutes.fillna(0) / 60 * crew.general.labour_per_hour
    return pd.DataFrame(
        {
            "step": step,
            "cause": cause,
            "connector_type": types,
            "events": events,
            "parts": used[["body", "sleeve", "ring"]].sum(axis=1),
            "rework_min": minutes,
            "cost": cost,
            "after_arc": events.where(~step.isin(BEFORE_ARC), 0.0),
            "after_return": late,
            "seen_before": late.where(cause.isin(SHOWS_BEFORE), 0.0),
            "guessed": silent,
            "rework_id": rework["rework_id"],
            "position_id": rework["position_id"],
        }
    )


def _findings(
    table: pd.DataFrame, entries: pd.DataFrame, crew: Crew, confidence: float
) -> tuple[Finding, ...]:
    if table.empty:
        return (Finding("rework_none", {}, severity="note"),)
    whole = {
        "events": float(table["events"].sum()),
        "n": int(table["n"].sum()),
        "minutes": float(table["minutes"].sum()),
        "minutes_known": int(table["minutes_known"].sum()),
        "parts": float(table["parts"].sum()),
        "cost": float(table["cost"].sum()),
        "currency": crew.general.currency,
        "guessed": int(entries["guessed"].sum()),
    }
    found = [Finding("rework_total", whole)]
    top = table.iloc[0]
    if top["events"] > 1:
        found.append(
            Finding(
                "rework_dearest",
                {str(key): value for key, value in top.items()} | {"currency": whole["currency"]},
            )
        )
    late, before = float(table["after_return"].sum()), float(table["seen_before"].sum())
    if late:
        share = proportion([before], [late], confidence=confidence)
        values = {"late": late, "before": before, "share": share.estimate[0]}
        found.append(
            Finding("rework_too_late", values | {"low": share.low[0], "high": share.high[0]})
        )
    return tuple(found)
