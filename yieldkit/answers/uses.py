"""Uses since a blade was turned or electrodes were new; turns that the log does not have."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from yieldkit.answers.readings import normal_scores
from yieldkit.records.tables import UNKNOWN

Array = NDArray[np.float64]
USES = {
    "cleaver": ("blade rotation", "blade replacement"),
    "splicer": ("electrode replacement",),
}
"""Kind of unit to the events that begin its count anew."""
FEWEST_LIVES = 3
CLEAR = 6.0
"""Log-likelihood from which a turn is inferred: looked for at some 60 days of each blade."""
FEWEST_DAYS = 3
"""Days with cleaves on either side of a turn that is inferred."""
MOST_WORN = 1.5
"""Uses, as a part of the usual interval, beyond which angles are not thought to rise further."""


def uses_since(attempts: pd.DataFrame, service: pd.DataFrame, unit_kind: str) -> pd.DataFrame:
    """Each attempt with its unit's recorded uses since the last logged renewal, in time order.

    Returns
    -------
    DataFrame
        ``unit``, ``attempt_id``, ``date``, ``uses`` (-1 before the first renewal in the log),
        ``at_least`` (uses seen, also where the renewal is not known), ``life`` (number of the blade
        position), ``inferred`` (whether its beginning is inferred from angles), ``angle``,
        ``score`` (loss), ``failed``, ``refused`` (before the arc).
    """
    rows = attempts[attempts[unit_kind].notna() & (attempts[unit_kind] != UNKNOWN)]
    rows = rows[rows["date"].notna()].sort_values(["date", "when"], kind="stable")
    loss = rows["loss_low_db"].fillna(np.nan).to_numpy(float)
    stratum = rows["connector_type"].fillna(UNKNOWN) + "|" + rows["splicer"].fillna(UNKNOWN)
    scored = np.full(len(rows), np.nan)
    have = np.isfinite(loss)
    scored[have] = normal_scores(loss[have], stratum[have])
    out = pd.DataFrame(
        {
            "unit": rows[unit_kind].astype(str),
            "attempt_id": rows["attempt_id"],
            "date": pd.to_datetime(rows["date"]),
            "load": _load(rows, unit_kind),
            "angle": rows["angle_crew_deg"].to_numpy(float),
            "score": scored,
            "failed": rows["error"].fillna("none").ne("none").to_numpy(float),
            "refused": ~rows["reached_arc"].fillna(True).to_numpy(bool),
        }
    )
    renewed = service[service["event"].isin(USES[unit_kind])]
    logged = {
        str(unit): pd.DatetimeIndex(renewed.loc[renewed["unit"] == unit, "date"])
        .dropna()
        .sort_values()
        for unit in out["unit"].unique()
    }
    none = pd.DatetimeIndex([])
    parts = {str(unit): own for unit, own in out.groupby("unit")}
    counted = {unit: _count(own, logged[unit], none) for unit, own in parts.items()}
    if unit_kind == "cleaver":
        for unit, guessed in inferred_turns(counted).items():
            counted[unit] = _count(parts[unit], logged[unit], guessed)
    empty = out.assign(uses=0.0, at_least=0.0, life=0, inferred=False)
    return pd.concat(counted.values()) if counted else empty


def _load(rows: pd.DataFrame, unit_kind: str) -> Array:
    """Uses of each row: one cleave a fibre; arcs, those of a ribbon at its first row alone."""
    if unit_kind == "cleaver":
        return np.ones(len(rows))
    arcs = rows["arcs"].fillna(1).to_numpy(float)
    if "ribbon" not in rows:
        return np.asarray(arcs)
    same = rows["ribbon"].notna() & rows.duplicated(["splicer", "ribbon"])
    return np.where(same, 0.0, arcs)


def _count(own: pd.DataFrame, logged: pd.DatetimeIndex, guessed: pd.DatetimeIndex) -> pd.DataFrame:
    days = logged.append(guessed).sort_values()
    life = np.searchsorted(days.to_numpy(), own["date"].to_numpy(), side="right")
    total = own["load"].cumsum()
    start = total.groupby(life).transform("first") - own["load"].groupby(life).transform("first")
    at_least = (total - start).to_numpy()
    begun = days.to_numpy()[np.maximum(life - 1, 0)] if len(days) else None
    sure = (life > 0) & (begun >= own["date"].iloc[0]) if begun is not None else life > 0
    return own.assign(
        uses=np.where(sure, at_least, -1.0),
        at_least=at_least,
        life=life,
        inferred=sure & np.isin(begun, guessed) if begun is not None else False,
    )


def inferred_turns(counted: dict[str, pd.DataFrame]) -> dict[str, pd.DatetimeIndex]:
    """First days after turns that the log does not have, from the cleave angles.

    How far a day's mean angle usually rises with uses is fitted on all logged lives. A turn is
    inferred where all later angles of a life fit a blade turned on that day better by ``CLEAR``.

    Parameters
    ----------
    counted : dict of DataFrame
        For each cleaver its attempts as of ``uses_since``, from the logged turns alone.
    """
    if not counted:
        return {}
    days = {unit: _angle_days(own) for unit, own in counted.items()}
    every = pd.concat([table.assign(unit=unit) for unit, table in days.items()])
    known = every[every["sure"]]
    ends = interval_ends(pd.concat(counted.values()))
    if len(ends) < FEWEST_LIVES or len(known) < 20:
        return {}
    habit = float(np.median(ends))
    x = _worn(known["uses"].to_numpy(float), habit)
    x = x - pd.Series(x).groupby(known["unit"].to_numpy()).transform("mean").to_numpy()
    y = known["mean"] - known["mean"].groupby(known["unit"]).transform("mean")
    square = float(x @ x)
    slope = float(x @ y) / max(square, 1e-12)
    variance = float(((y - slope * x) ** 2).mean())
    if slope < 3 * np.sqrt(variance / max(square, 1e-12)):
        return {}
    return {
        unit: pd.DatetimeIndex(
            [
                day
                for _, life in table.groupby("life")
                for day in _turns(life, slope, habit, variance)
            ]
        ).sort_values()
        for unit, table in days.items()
    }


def _angle_days(own: pd.DataFrame) -> pd.DataFrame:
    """Mean angle of each life and day, with the uses at its middle."""
    seen = own.dropna(subset=["angle"])
    grouped = seen.groupby(["life", "date"], as_index=False)
    return grouped.agg(
        mean=("angle", "mean"), n=("angle", "size"), uses=("at_least", "mean"), sure=("uses", "min")
    ).assign(sure=lambda table: table["sure"] >= 0)


def _worn(uses: Array, habit: float) -> Array:
    return np.minimum(uses / habit, MOST_WORN) ** 2


def _turns(life: pd.DataFrame, slope: float, habit: float, variance: float) -> list[pd.Timestamp]:
    """Days on which one life of the log was in truth turned, the clearest first, then each side."""
    if len(life) < 2 * FEWEST_DAYS:
        return []
    uses, mean = life["uses"].to_numpy(float), life["mean"].to_numpy(float)
    uses = uses - uses[0]

    def misfit(count: Array) -> float:
        rest = mean - slope * _worn(count, habit)
        return float(((rest - rest.mean()) ** 2).sum()) / variance / 2

    places = range(FEWEST_DAYS, len(life) - FEWEST_DAYS + 1)
    plain = misfit(uses)
    gain = [
        plain - misfit(np.where(np.arange(len(uses)) < at, uses, uses - uses[at])) for at in places
    ]
    best = int(np.argmax(gain))
    if gain[best] < CLEAR:
        return []
    at = places[best]
    early, late = life.iloc[:at], life.iloc[at:]
    sides = [day for part in (early, late) for day in _turns(part, slope, habit, variance)]
    return [life["date"].iloc[at], *sides]


def interval_ends(uses: pd.DataFrame) -> Array:
    """Uses at which the crew renewed, of every life whose beginning and end are in the log."""
    known = (uses["uses"] >= 0) & ~uses["inferred"]
    lives = uses[known].groupby(["unit", "life"], as_index=False)["uses"].max()
    if lives.empty:
        return np.array([])
    last = lives["unit"].map(uses.groupby("unit")["life"].max())
    # The next life may have begun unlogged: its beginning is inferred, so this end is, too.
    guessed = {(u, life - 1) for u, life in uses.loc[uses["inferred"], ["unit", "life"]].to_numpy()}
    ended = [(u, life) not in guessed for u, life in lives[["unit", "life"]].to_numpy()]
    return lives.loc[(lives["life"] < last) & np.array(ended, bool), "uses"].to_numpy(float)
