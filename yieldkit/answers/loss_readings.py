"""All losses of a crew as one table of readings: estimates and tests, each with its quantity."""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldkit.answers.yields import iso_week
from yieldkit.crew import Crew
from yieldkit.records.tables import UNKNOWN, require_columns

GROUPINGS = (
    "connector_type",
    "splicer",
    "technician",
    "connector_lot",
    "fibre_lot",
    "program",
    "week",
    "job",
)
LOSSES = ("estimated loss", "one-way loss", "two-way loss", "insertion loss")
BOTH = "both, mean"
"""Direction of a mean made here of a reading each way."""

_WHO = ["connector_type", "splicer", "technician", "connector_lot", "fibre_lot", "program"]
_READING = ["position_id", "quantity", "wavelength_nm", "direction"]


def loss_readings(attempts: pd.DataFrame, measurements: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """One row per reading of a loss, with who and what made the joint.

    Parameters
    ----------
    attempts, measurements : DataFrame
        The schema's tables.
    crew : Crew
        Settings; the models of the splicers are from there.

    Returns
    -------
    DataFrame
        ``quantity``, ``wavelength_nm`` [nm], ``direction``, ``low``, ``high`` [dB, the reading lies
        in between], ``position_id``, ``attempt_id``, ``job``, ``date``, ``week``, who and what made
        the joint, ``model`` of its splicer, ``tries`` (which arc at its position), ``last`` (of
        the joint now in place, its last reading of this kind).
    """
    require_columns(attempts, ["attempt_id", "loss_low_db", "loss_high_db", "reached_arc", *_WHO])
    require_columns(measurements, ["measurement_id", "position_id", "value_low", "value_high"])
    arcs = _arcs(attempts, crew)
    tests = _tests(measurements, arcs)
    estimates = arcs[arcs["low"].notna() & arcs["high"].notna()]
    parts = [estimates.assign(quantity="estimated loss", wavelength_nm=np.nan, direction="")]
    if len(tests):
        parts += [tests, _two_way(tests)]
    readings = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    readings[["low", "high"]] = readings[["low", "high"]].astype(float).round(6)
    for column in (*_WHO, "job"):
        readings[column] = readings[column].astype(object).where(readings[column].notna(), UNKNOWN)
    return readings.assign(week=iso_week(readings["date"]))


def _arcs(attempts: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """Arcs, with their estimate, model, and whether theirs is the joint now in place."""
    keep = ["attempt_id", "position_id", "job", "when", "date", "attempt_no", "error", *_WHO]
    arcs = attempts.loc[attempts["reached_arc"].fillna(True).astype(bool), keep].copy()
    arcs["low"] = attempts["loss_low_db"]
    arcs["high"] = attempts["loss_high_db"]
    arcs["tries"] = arcs["attempt_no"].astype("Float64").fillna(1).astype(int)
    latest = arcs.groupby("position_id")["tries"].transform("max")
    placed = arcs["position_id"].notna()
    # An arc without a place cannot be followed by another; its own outcome decides.
    arcs["last"] = np.where(placed, arcs["tries"] == latest, arcs["error"].eq("none"))
    arcs["last"] = arcs["last"].astype(bool)
    arcs["model"] = _models(arcs, crew)
    return arcs.drop(columns=["attempt_no", "error"])


def _models(arcs: pd.DataFrame, crew: Crew) -> pd.Series:
    """Model of the splicer of each arc; a unit without a model stands for itself."""
    pairs = arcs[["splicer", "date"]].drop_duplicates()
    found = []
    for unit, day in zip(pairs["splicer"], pairs["date"], strict=True):
        known = pd.notna(unit)
        when = pd.Timestamp(day).date() if pd.notna(day) else None
        row = crew.unit_on(unit, when) if known else None
        found.append((row.model if row else "") or (unit if known else UNKNOWN))
    named = pairs.assign(model=pd.Series(found, index=pairs.index, dtype=object))
    return arcs[["splicer", "date"]].merge(named, how="left").set_axis(arcs.index)["model"]


def _tests(measurements: pd.DataFrame, arcs: pd.DataFrame) -> pd.DataFrame:
    """Readings of tests, each with the arc before it at its position."""
    wanted = measurements["quantity"].isin([*LOSSES, "return loss"])
    readable = measurements["value_low"].notna() & measurements["value_high"].notna()
    tests = measurements.loc[
        wanted & readable,
        [*_READING, "job", "date", "when", "repeat", "value_low", "value_high"],
    ].rename(columns={"value_low": "low", "value_high": "high"})
    tests = tests.reset_index(drop=True)
    tests["attempt_id"] = _arc_before(tests, arcs)
    who = arcs[["attempt_id", "tries", "last", "model", *_WHO]]
    tests = tests.merge(who, on="attempt_id", how="left")
    tests["tries"] = tests["tries"].fillna(1).astype(int)
    tests["last"] = tests["last"].astype("boolean").fillna(True).astype(bool)
    same = ["attempt_id", *_READING]
    repeat = tests["repeat"].astype("Float64").fillna(1)
    newest = repeat.groupby([tests[key] for key in same], dropna=False).transform("max")
    stands_alone = tests["position_id"].isna()
    tests["last"] &= (repeat == newest).to_numpy(bool) | stands_alone
    return tests.drop(columns="repeat")


def _arc_before(tests: pd.DataFrame, arcs: pd.DataFrame) -> pd.Series:
    """Arc at the same position just before each test; the last one where a time is missing."""
    placed = arcs[arcs["position_id"].notna()].sort_values("tries")
    final = placed.drop_duplicates("position_id", keep="last").set_index("position_id")
    after_all = tests["position_id"].map(final["attempt_id"])
    timed = tests["when"].notna() & tests["position_id"].notna()
    if not timed.any() or not placed["when"].notna().any():
        return after_all
    left = tests.loc[timed, ["when", "position_id"]].sort_values("when")
    right = placed.loc[placed["when"].notna(), ["when", "position_id", "attempt_id"]]
    left, right = (side.assign(when=side["when"].dt.as_unit("us")) for side in (left, right))
    joined = pd.merge_asof(
        left, right.sort_values("when"), on="when", by="position_id", direction="backward"
    ).set_axis(left.index)
    return joined["attempt_id"].reindex(tests.index).combine_first(after_all)


def _two_way(tests: pd.DataFrame) -> pd.DataFrame:
    """Mean of both directions, where one-way losses were read from both ends."""
    one_way = tests[tests["quantity"].eq("one-way loss") & tests["position_id"].notna()]
    newest = one_way[one_way["last"]]
    keys = ["position_id", "wavelength_nm"]
    by_end = newest.groupby([*keys, "direction"], dropna=False)
    each_end = by_end[["low", "high"]].mean().reset_index()
    each_end = each_end[each_end["direction"].isin(["A to B", "B to A"])]
    pairs = each_end.groupby(keys, dropna=False).agg(
        ends=("direction", "nunique"), low=("low", "mean"), high=("high", "mean")
    )
    pairs = pairs[pairs["ends"] == 2].drop(columns="ends").reset_index()
    rest = newest.drop(columns=["low", "high", "direction", "quantity"]).drop_duplicates(keys)
    return pairs.merge(rest, on=keys, how="left").assign(quantity="two-way loss", direction=BOTH)


def group_names(readings: pd.DataFrame, by: str) -> pd.Series:
    """Group of each reading; estimates of two splicer models never share one.

    Raises
    ------
    ValueError
        If ``by`` is none of ``GROUPINGS`` and not "all".
    """
    if by not in (*GROUPINGS, "all"):
        raise ValueError(f"by is {by!r}; wanted one of {', '.join(GROUPINGS)}, all")
    plain = pd.Series("all", index=readings.index) if by == "all" else readings[by]
    plain = plain.astype(object).where(plain.notna(), UNKNOWN)
    estimate = readings["quantity"].eq("estimated loss")
    model = readings["model"].astype(object)
    if by == "splicer":
        models = readings[estimate].groupby("splicer")["model"].nunique()
        several = readings["splicer"].map(models).fillna(1).gt(1)
    else:
        several = pd.Series(model[estimate].nunique() > 1, index=readings.index)
    named = plain.astype(str) + " · model " + model.astype(str)
    return plain.astype(str).where(~(estimate & several), named)
