"""Failures that the records may not show: numbers that no file holds, bodies drawn beyond use."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from yieldkit.answers.result import Finding, Result
from yieldkit.crew import Crew
from yieldkit.records.counters import SMALL_START
from yieldkit.records.tables import UNKNOWN, require_columns

COLUMNS = ["by", "group", "available", "since", "until", "expected", "held", "most_hidden"]
BODY = "body"
NO_BODY = ("D",)
"""Designs of connector types that use no body: ordinary splices."""


@dataclass(frozen=True, eq=False, kw_only=True)
class HiddenFailures(Result):
    """Upper bounds on failures that nobody sees; see ``hidden_failures``."""


def hidden_failures(
    attempts: pd.DataFrame,
    positions: pd.DataFrame,
    stock: pd.DataFrame,
    *,
    crew: Crew | None = None,
    as_of: pd.Timestamp | None = None,
) -> HiddenFailures:
    """At most so many failures are in no record: by each machine's counter, and by bodies drawn.

    Two bounds that know nothing of each other. A number between a counter's first and last record
    that no file holds was an arc; whether it failed is not known. Bodies drawn from stores and not
    brought back, beyond those that positions and the rework log account for, were used up at
    failures that nobody wrote, or lie in the vans. Neither is split by person: who made what is
    missing is not known. Where a machine shows no numbers, or no moves of bodies are kept, its
    bound is not available.

    Parameters
    ----------
    attempts, positions, stock : DataFrame
        The schema's tables, whole: a period would cut through counters and stores.
    crew : Crew, optional
        Settings; design of each connector type.
    as_of : Timestamp, optional
        Newest record known.

    Returns
    -------
    HiddenFailures
        ``table``: ``by`` (counter, bodies), ``group`` (splicer, connector type), ``available``,
        ``since``, ``until`` (days covered), ``expected`` [numbers, bodies drawn], ``held``
        [records with a number, bodies accounted for], ``most_hidden`` [arcs, bodies]; the last
        three are missing where not available, ``most_hidden`` also where more bodies were used
        than drawn.

    Raises
    ------
    ValueError
        If a column is missing.
    """
    require_columns(attempts, ["splicer", "serial", "epoch", "counter", "date", "position_id"])
    require_columns(attempts, ["attempt_no", "error"])
    require_columns(positions, ["position_id", "connector_type", "first_date", "bodies", "state"])
    require_columns(stock, ["date", "part", "connector_type", "move", "quantity"])
    crew = crew or Crew()
    rows = [*_by_counter(attempts), *_by_bodies(attempts, positions, stock, crew)]
    return HiddenFailures(
        table=pd.DataFrame(rows, columns=COLUMNS),
        findings=tuple(_findings(rows)),
        confidence=crew.general.confidence,
        as_of=as_of,
    )


def _by_counter(attempts: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Numbers that each splicer's counters went through, and those that some file holds."""
    known = attempts[attempts["splicer"] != UNKNOWN]
    for splicer, rows in known.groupby("splicer", sort=True):
        numbered = rows[rows["counter"].notna()]
        days = pd.to_datetime(rows["date"])
        row = {"by": "counter", "group": splicer, "since": days.min(), "until": days.max()}
        if numbered.empty:
            yield row | {"available": False}
            continue
        spans = numbered.groupby(["serial", "epoch"])["counter"].agg(["min", "max", "nunique"])
        again = (spans.index.get_level_values("epoch") > 0) & (spans["min"] <= SMALL_START)
        spans["min"] = spans["min"].where(~again, spans["min"].clip(upper=1))  # begins at 0 or 1
        expected = int((spans["max"] - spans["min"] + 1).sum())
        held = int(spans["nunique"].sum())
        yield row | {
            "available": True,
            "expected": expected,
            "held": held,
            "most_hidden": expected - held,
        }


def _by_bodies(
    attempts: pd.DataFrame, positions: pd.DataFrame, stock: pd.DataFrame, crew: Crew
) -> Iterator[dict[str, Any]]:
    """Bodies drawn of each type, and those accounted for since the first were drawn."""
    without = {row.connector_type for row in crew.connector_types if row.design in NO_BODY}
    begun = positions[positions["first_date"].notna()]
    drawn = stock[(stock["part"] == BODY) & stock["move"].isin(["issued", "returned"])]
    arcs = attempts[attempts["attempt_no"].notna()].sort_values("attempt_no", kind="stable")
    last = arcs.drop_duplicates("position_id", keep="last")
    good = last.loc[last["error"] == "none", "position_id"]
    for kind in sorted(set(begun["connector_type"].dropna()) - without - {UNKNOWN}):
        moves = drawn[drawn["connector_type"] == kind]
        row = {"by": "bodies", "group": kind}
        if not (moves["move"] == "issued").any():
            yield row | {"available": False}
            continue
        since = pd.to_datetime(moves["date"]).min()
        mine = begun[(begun["connector_type"] == kind)]
        mine = mine[pd.to_datetime(mine["first_date"]) >= since]
        signed = moves["quantity"].where(moves["move"] == "issued", -moves["quantity"])
        # a good joint that waits for its test has a body that is not yet among those used
        in_place = (mine["state"] == "open") & mine["position_id"].isin(good)
        expected = float(signed.sum())
        held = float(mine["bodies"].fillna(0).sum() + in_place.sum())
        yield row | {
            "available": True,
            "since": since,
            "until": pd.to_datetime(mine["first_date"]).max(),
            "expected": expected,
            "held": held,
            "most_hidden": expected - held if expected >= held else None,
        }


def _findings(rows: list[dict[str, Any]]) -> Iterator[Finding]:
    for by in ("counter", "bodies"):
        mine = [row for row in rows if row["by"] == by]
        able = [row for row in mine if row["available"]]
        for row in able:
            if row["most_hidden"] is None:
                yield Finding("more_used_than_drawn", row, "cannot tell")
        told = [row for row in able if row["most_hidden"] is not None]
        if told:
            sums = {name: sum(row[name] for row in told) for name in COLUMNS[5:]}
            groups = [row["group"] for row in told]
            values = sums | {"groups": groups, "most": max(told, key=lambda r: r["most_hidden"])}
            yield Finding(f"hidden_by_{by}", values, "note")
        lacking = [row["group"] for row in mine if not row["available"]]
        if lacking:
            values = {"groups": lacking, "by": by}
            yield Finding("hidden_not_available", values, "cannot tell")
