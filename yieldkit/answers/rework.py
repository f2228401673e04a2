"""What failures cost, by cause and step, from the rework log and the crew's prices."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

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
    attempts: pd.DataFrame | None = None,
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
    attempts : DataFrame, optional
        The schema's attempts of the same period. With them, return visits are counted and priced
        (``return_visits``), each shared by the joints that were made again on it.

    Returns
    -------
    ReworkCost
        ``table``: ``step``, ``cause``, ``events`` [failures], ``parts`` [pieces: bodies, sleeves
        and rings], ``minutes`` [min], ``cost`` [currency], ``n`` [entries], ``minutes_known``
        [entries], ``low`` and ``high`` (Poisson bounds of ``events``, exact), ``after_arc``
        [failures found after the arc], ``after_return`` [failures that cost a connector body: found
        after the point of no return], ``seen_before`` [those of a cause that shows before the arc],
        ``visits`` [return visits, a part of one where several joints share it; missing without
        ``attempts``].

    References
    ----------
    F. Garwood, Biometrika 28, 437-442, 1936 (exact limits of a Poisson mean).
    """
    require_columns(rework, ["rework_id", "step", "cause", "tries", "rework_min", *PARTS])
    crew = crew or Crew()
    entries = _entries(rework, positions, crew)
    visits, unlogged = _visits(entries, attempts)
    entries["visits"] = visits
    entries["cost"] += entries["visits"].fillna(0.0) * crew.general.return_visit_cost
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
            visits=("visits", lambda shares: shares.sum(min_count=1)),
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
        findings=_findings(table, entries, crew, confidence, unlogged),
        settings={"currency": crew.general.currency},
        confidence=confidence,
        as_of=as_of,
        behind=entries[["step", "cause", "rework_id", "position_id"]],
    )


def return_visits(attempts: pd.DataFrame) -> pd.DataFrame:
    """Days on which a job saw only joints made again that had been begun on an earlier day.

    A day with new work too counts as none, since the crew was there anyway; nor does a joint made
    again on the day of its first arc. What a visit was for beside the arcs is not known, so this
    is a lower bound.

    Parameters
    ----------
    attempts : DataFrame
        The schema's attempts.

    Returns
    -------
    DataFrame
        A row per joint made again on a visit: ``job``, ``date``, ``position_id``, ``share`` (one
        over the joints of that visit).
    """
    require_columns(attempts, ["job", "date", "position_id", "attempt_no"])
    arcs = attempts[attempts["date"].notna() & attempts["job"].notna()]
    arcs = arcs[arcs["job"] != UNKNOWN]
    if arcs.empty:
        return pd.DataFrame(columns=["job", "date", "position_id", "share"]).astype(
            {"share": float}
        )
    again = arcs["attempt_no"].astype("Float64").fillna(1).gt(1)
    begun = arcs[~again].groupby("position_id")["date"].min()
    began = arcs["position_id"].map(begun)
    later = again & (began.isna() | (began < arcs["date"]))
    alone = later.groupby([arcs["job"], arcs["date"]]).transform("all")
    found = arcs.loc[alone, ["job", "date", "position_id"]].drop_duplicates(ignore_index=True)
    return found.assign(share=1 / found.groupby(["job", "date"])["position_id"].transform("size"))


def _visits(entries: pd.DataFrame, attempts: pd.DataFrame | None) -> tuple[pd.Series, float]:
    """Each entry's part of return visits; and visits for joints without an entry."""
    if attempts is None:
        return pd.Series(np.nan, index=entries.index), 0.0
    shares = return_visits(attempts).groupby("position_id")["share"].sum()
    last = ~entries["position_id"].duplicated(keep="last") & entries["position_id"].notna()
    found = entries["position_id"].where(last).map(shares).astype(float).fillna(0.0)
    return found, max(float(shares.sum() - found.sum()), 0.0)


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
    table: pd.DataFrame, entries: pd.DataFrame, crew: Crew, confidence: float, unlogged: float
) -> tuple[Finding, ...]:
    if table.empty:
        return (Finding("rework_none", {}, severity="note"),)
    whole: dict[str, Any] = {
        "events": float(table["events"].sum()),
        "n": int(table["n"].sum()),
        "minutes": float(table["minutes"].sum()),
        "minutes_known": int(table["minutes_known"].sum()),
        "parts": float(table["parts"].sum()),
        "cost": float(table["cost"].sum()),
        "currency": crew.general.currency,
        "guessed": int(entries["guessed"].sum()),
        "visits": float(table["visits"].sum()) + unlogged,
        "visit_cost": crew.general.return_visit_cost,
    }
    whole["cost"] += unlogged * crew.general.return_visit_cost
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
