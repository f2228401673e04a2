"""Wear of blades and electrodes: what rises with use, and when to turn or change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from yieldkit.answers.readings import normal_scores
from yieldkit.answers.result import Finding, Result
from yieldkit.crew import Crew
from yieldkit.records.tables import UNKNOWN

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
USES = {
    "cleaver": ("blade rotation", "blade replacement"),
    "splicer": ("electrode replacement",),
}
"""Kind of unit to the events that begin its count anew."""
PARTS = {"cleaver": "blade_position", "splicer": "electrodes"}
"""Part of the settings whose price a renewal costs, where it is there."""
COLUMNS = [
    "unit_kind", "quantity", "from_uses", "to_uses", "n", "value", "low", "high"
]  # fmt: skip
BINS = 6
FEWEST_MINUTES = 10
FEWEST_LIVES = 3
CLEAR = 6.0
"""Log-likelihood from which a turn is inferred: looked for at some 60 days of each blade."""
FEWEST_DAYS = 3
"""Days with cleaves on either side of a turn that is inferred."""
MOST_WORN = 1.5
"""Uses, as a part of the usual interval, beyond which angles are not thought to rise further."""
LEAST_PART = 0.5
"""Least recommended interval, as a part of the usual one: a habit is changed by steps, since how
failures rise between is assumed."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Wear(Result):
    """What rises with use; see ``blade_wear``.

    ``costs``: ``uses`` (interval tried), ``cost``, ``low``, ``high`` of wear and renewals for each
    use [currency of the settings, else minutes; see ``settings["cost_unit"]``].
    """

    costs: pd.DataFrame

    def plot(self, ax: Axes) -> Axes:
        """Draw cleave angle, or loss where no angles are recorded, over uses on ``ax``."""
        from yieldkit.figures.wear import draw_wear

        return draw_wear(ax, self.table)


def blade_wear(
    attempts: pd.DataFrame,
    service: pd.DataFrame,
    *,
    crew: Crew,
    rework: pd.DataFrame | None = None,
    unit_kind: str = "cleaver",
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> Wear:
    """Cleave angle, losses and failures over uses since the blade was turned (or electrodes new).

    Parameters
    ----------
    attempts, service : DataFrame
        The schema's tables.
    crew : Crew
        Settings.
    rework : DataFrame, optional
        The rework log, for the minutes of a failed attempt.
    unit_kind : {"cleaver", "splicer"}
        Blades, counted in cleaves since rotation; or electrodes, counted in arcs since new. Counts
        are lower bounds: a re-cleave that nobody wrote down is not in them. A ribbon loads a blade
        once for each fibre, the electrodes once for all. A turn of a blade that the log does not
        have is inferred from a clear fall of its cleave angles, and marked so.

    Returns
    -------
    Wear
        ``table`` with ``COLUMNS``: one row for each quantity and range of uses. ``findings``: one
        for each unit in use now, and the recommended interval or "keep your habit".
    """
    uses = uses_since(attempts, service, unit_kind)
    known = uses[uses["uses"] >= 0]
    ends = _interval_ends(uses)
    table = _table(known, unit_kind, confidence)
    slope = _failure_slope(known, ends, confidence)
    price = _prices(attempts, rework, crew, unit_kind)
    interval = _interval(slope, ends, price)
    findings = [_interval_finding(interval, ends, unit_kind, len(known), price)]
    findings += _unit_findings(uses, ends, interval, unit_kind)
    return Wear(
        table=table,
        findings=tuple(findings),
        settings={**price, **interval},
        confidence=confidence,
        as_of=as_of,
        behind=uses[["unit", "attempt_id", "life", "uses", "inferred"]],
        costs=_costs(slope, price),
    )


def uses_since(attempts: pd.DataFrame, service: pd.DataFrame, unit_kind: str) -> pd.DataFrame:
    """Each attempt with its unit's recorded uses since the last logged renewal, in time order.

    Returns
    -------
    DataFrame
        ``unit``, ``attempt_id``, ``date``, ``uses`` (-1 before the first renewal in the log),
        ``at_least`` (uses seen, also where the renewal is not known), ``life`` (number of the blade
        position), ``inferred`` (whether its beginning is inferred from angles), ``angle``,
        ``score`` (loss), ``failed``.
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
    ends = _interval_ends(pd.concat(counted.values()))
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


def _interval_ends(uses: pd.DataFrame) -> Array:
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


def _table(known: pd.DataFrame, unit_kind: str, confidence: float) -> pd.DataFrame:
    factor = float(ndtri((1 + confidence) / 2))
    rows: list[dict[str, Any]] = []
    if len(known) >= 10 * BINS:
        edges = np.unique(np.quantile(known["uses"], np.linspace(0, 1, BINS + 1)))
        place = np.clip(np.searchsorted(edges, known["uses"], side="right") - 1, 0, len(edges) - 2)
        parts = pd.Series(place, index=known.index)
        for quantity, column in (
            ("cleave angle [deg]", "angle"),
            ("loss [normal score]", "score"),
            ("failed first step [share]", "failed"),
        ):
            for part in range(len(edges) - 1):
                own = known[parts == part]
                value = own[column].dropna()
                if len(value) < 10:
                    continue
                half = factor * _clustered_se(value, own.loc[value.index, "life"])
                rows.append(
                    {
                        "unit_kind": unit_kind,
                        "quantity": quantity,
                        "from_uses": edges[part],
                        "to_uses": edges[part + 1],
                        "n": len(value),
                        "value": value.mean(),
                        "low": value.mean() - half,
                        "high": value.mean() + half,
                    }
                )
    return pd.DataFrame(rows, columns=COLUMNS)


def _clustered_se(value: pd.Series, life: pd.Series) -> float:
    """Standard error of a mean; never below that of independent values."""
    plain = float(value.std(ddof=1)) / np.sqrt(len(value))
    sums = (value - value.mean()).groupby(life).sum()
    if len(sums) < FEWEST_LIVES:
        return plain
    return max(plain, float(np.sqrt((sums**2).sum())) / len(value))


def _failure_slope(known: pd.DataFrame, ends: Array, confidence: float) -> dict[str, float]:
    """Rise of the failed share over the crew's usual interval, within units, with its interval.

    Failures rise with the square of uses; least squares with errors that allow for days.
    """
    if len(ends) < FEWEST_LIVES or len(known) < 60:
        return {"rise": np.nan, "low": np.nan, "high": np.nan, "habit": np.nan}
    habit = float(np.median(ends))
    x = (known["uses"] / habit) ** 2
    x = x - x.groupby(known["unit"]).transform("mean")
    y = known["failed"] - known["failed"].groupby(known["unit"]).transform("mean")
    square = float((x**2).sum())
    rise = float((x * y).sum()) / square
    pushed = (x * (y - rise * x)).groupby([known["unit"], known["date"]]).sum()
    half = float(ndtri((1 + confidence) / 2)) * float(np.sqrt((pushed**2).sum())) / square
    return {"rise": rise, "low": rise - half, "high": rise + half, "habit": habit}


def _prices(
    attempts: pd.DataFrame, rework: pd.DataFrame | None, crew: Crew, unit_kind: str
) -> dict[str, Any]:
    """What a failed first step and a renewal cost, in the crew's currency where labour has a rate.

    Minutes of a failure from the rework log where ten entries have them, else from the settings.
    """
    general = crew.general
    failed = general.failed_minutes
    if rework is not None and rework["rework_min"].notna().sum() >= FEWEST_MINUTES:
        failed = float(rework["rework_min"].mean())
    renewal = (
        general.blade_turn_minutes if unit_kind == "cleaver" else general.electrode_change_minutes
    )
    minutes: dict[str, Any] = {"failed_minutes": failed, "renewal_minutes": renewal}
    if not general.labour_per_hour:
        return minutes | {"cost_unit": "min", "failed_cost": failed, "renewal_cost": renewal}
    rate = general.labour_per_hour / 60
    made = attempts["connector_type"].dropna().value_counts(normalize=True)
    parts = sum(
        share * pieces * crew.part(part, str(kind)).price
        for kind, share in made.items()
        for part, pieces in crew.parts_for_failure(str(kind), "splice").items()
    )
    return minutes | {
        "cost_unit": general.currency,
        "failed_cost": failed * rate + float(parts),
        "renewal_cost": renewal * rate + crew.part(PARTS[unit_kind]).price,
    }


def _cost(uses: Any, rise: float, habit: float, price: dict[str, Any]) -> Any:
    """Cost a use of an interval: failures above those of a fresh blade, and the renewal.

    A failed share that rises by ``rise`` (uses / habit)^2 costs on average rise (n / habit)^2 / 3
    failures a use up to n.
    """
    return price["failed_cost"] * rise * (uses / habit) ** 2 / 3 + price["renewal_cost"] / uses


def _costs(slope: dict[str, float], price: dict[str, Any]) -> pd.DataFrame:
    """Expected cost a use for intervals from a quarter of the habit to twice it."""
    if not np.isfinite(slope["habit"]):
        return pd.DataFrame({name: np.zeros(0) for name in ("uses", "cost", "low", "high")})
    habit = slope["habit"]
    uses = np.round(habit * np.geomspace(0.25, 2.0, 13))
    cost = {
        name: _cost(uses, max(slope[of], 0.0), habit, price)
        for name, of in (("cost", "rise"), ("low", "low"), ("high", "high"))
    }
    return pd.DataFrame({"uses": uses, **cost})


def _interval(slope: dict[str, float], ends: Array, price: dict[str, Any]) -> dict[str, float]:
    """Best interval [uses] with its interval, NaN where the data cannot tell, and costs a use.

    ``_cost`` is least at the cube root below (age replacement of R. E. Barlow and F. Proschan,
    Mathematical Theory of Reliability, 1965, in small), cut to ``LEAST_PART`` and ``MOST_WORN``.
    """
    known = {"best": np.nan, "best_low": np.nan, "best_high": np.nan, **slope}
    habit = slope["habit"]
    for name, of in (("cost", "rise"), ("cost_low", "low"), ("cost_high", "high")):
        known[name] = float(_cost(habit, max(slope[of], 0.0), habit, price))
    if not slope["low"] > 0:
        return known

    def best(rise: float) -> float:
        costs = price["renewal_cost"] / (price["failed_cost"] * rise)
        free = float((1.5 * costs * habit**2) ** (1 / 3))
        return float(np.clip(free, LEAST_PART * habit, MOST_WORN * habit))

    found = best(slope["rise"])
    return known | {
        "best": found,
        "best_low": best(slope["high"]),
        "best_high": best(slope["low"]),
        "best_cut": found in (LEAST_PART * habit, MOST_WORN * habit),
        "best_cost": float(_cost(found, slope["rise"], habit, price)),
    }


def _interval_finding(
    interval: dict[str, float], ends: Array, unit_kind: str, n: int, price: dict[str, Any]
) -> Finding:
    values = interval | price | {"unit_kind": unit_kind, "lives": len(ends), "n": n}
    if len(ends) < FEWEST_LIVES:
        return Finding("wear_too_few", values, severity="cannot tell")
    if (
        np.isnan(interval["best"])
        or interval["best_low"] <= interval["habit"] <= interval["best_high"]
    ):
        return Finding("wear_keep", values, severity="fine")
    return Finding("wear_interval", values, severity="watch")


def _unit_findings(
    uses: pd.DataFrame, ends: Array, interval: dict[str, float], unit_kind: str
) -> list[Finding]:
    """For each unit in use now: turn today, or good for about so many more."""
    worn = float(np.quantile(ends, 0.9)) if len(ends) >= FEWEST_LIVES else np.inf
    best = interval["best"]
    goal = best if np.isfinite(best) else worn
    newest = uses["date"].max()
    found: list[Finding] = []
    unlogged: list[dict[str, Any]] = []
    for unit, own in uses.groupby("unit"):
        if (newest - own["date"].max()).days > 21:
            continue
        now = own.iloc[-1]
        sure = bool(now["uses"] >= 0)
        done = float(now["uses"] if sure else now["at_least"])
        begun = own.loc[own["life"] == now["life"], "date"].iloc[0]
        values = {
            "unit": str(unit), "unit_kind": unit_kind, "done": done, "goal": goal, "sure": sure,
            "goal_is_best": bool(np.isfinite(best)),
            "inferred": begun.date() if now["inferred"] else None,
            "left": max(goal - done, 0.0), "n": len(own), "lives": len(ends),
        }  # fmt: skip
        if done >= goal:
            step = "rotate_blade" if unit_kind == "cleaver" else "change_electrodes"
            caution = "blade" if unit_kind == "cleaver" else "arc"
            found.append(Finding("wear_due", values, "decide", step, caution))
        elif sure and np.isfinite(goal):
            found.append(Finding("wear_good_for", values, "fine"))
        elif not sure:
            unlogged.append(values)
    if unlogged:
        step = "write_rotation" if unit_kind == "cleaver" else "write_electrodes"
        names = ", ".join(values["unit"] for values in unlogged)
        values = {"unit": names, "unit_kind": unit_kind, "goal": goal, "units": unlogged}
        values["goal_is_best"] = bool(np.isfinite(best))
        found.append(Finding("wear_unlogged", values, "watch", step, ""))
    return found
