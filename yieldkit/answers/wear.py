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
COLUMNS = [
    "unit_kind", "quantity", "from_uses", "to_uses", "n", "value", "low", "high"
]  # fmt: skip
BINS = 6
FEWEST_LIVES = 3
TURN_MINUTES = 3.0
"""Minutes that a rotation and its test cleaves take (common practice 2 to 5)."""
TYPICAL_REDO_MINUTES = 15.0
"""Minutes of a failed attempt where the rework log has none (common practice 10 to 20)."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Wear(Result):
    """What rises with use; see ``blade_wear``."""

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
        once for each fibre.

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
    minutes = _redo_minutes(rework)
    interval = _interval(slope, ends, minutes)
    findings = [_interval_finding(interval, ends, unit_kind, len(known), minutes)]
    findings += _unit_findings(uses, ends, interval, unit_kind)
    return Wear(
        table=table,
        findings=tuple(findings),
        settings={"minutes_a_failure": minutes, "minutes_a_turn": TURN_MINUTES, **interval},
        confidence=confidence,
        as_of=as_of,
        behind=uses[["unit", "attempt_id", "uses"]],
    )


def uses_since(attempts: pd.DataFrame, service: pd.DataFrame, unit_kind: str) -> pd.DataFrame:
    """Each attempt with its unit's recorded uses since the last logged renewal, in time order.

    Returns
    -------
    DataFrame
        ``unit``, ``attempt_id``, ``date``, ``uses`` (-1 before the first renewal in the log),
        ``at_least`` (uses seen, also where the renewal is not known), ``life`` (number of the blade
        position), ``angle``, ``score`` (loss), ``failed``.
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
    counted = [_count(own, renewed, str(unit)) for unit, own in out.groupby("unit")]
    empty = out.assign(uses=0.0, at_least=0.0, life=0)
    return pd.concat(counted) if counted else empty


def _load(rows: pd.DataFrame, unit_kind: str) -> Array:
    if unit_kind == "splicer":
        return np.asarray(rows["arcs"].fillna(1).to_numpy(float))
    return np.ones(len(rows))


def _count(own: pd.DataFrame, renewed: pd.DataFrame, unit: str) -> pd.DataFrame:
    days = pd.to_datetime(renewed.loc[renewed["unit"] == unit, "date"]).dropna().sort_values()
    life = np.searchsorted(days.to_numpy(), own["date"].to_numpy(), side="right")
    total = own["load"].cumsum()
    start = total.groupby(life).transform("first") - own["load"].groupby(life).transform("first")
    at_least = (total - start).to_numpy()
    logged = days.to_numpy()[np.maximum(life - 1, 0)] if len(days) else None
    sure = (life > 0) & (logged >= own["date"].iloc[0]) if logged is not None else life > 0
    return own.assign(uses=np.where(sure, at_least, -1.0), at_least=at_least, life=life)


def _interval_ends(uses: pd.DataFrame) -> Array:
    """Uses at which the crew renewed, of every life whose begin and end are in the log."""
    lives = uses[uses["uses"] >= 0].groupby(["unit", "life"], as_index=False)["uses"].max()
    if lives.empty:
        return np.array([])
    last = lives["unit"].map(uses.groupby("unit")["life"].max())
    return lives.loc[lives["life"] < last, "uses"].to_numpy(float)


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


def _redo_minutes(rework: pd.DataFrame | None) -> float:
    if rework is None or rework["rework_min"].notna().sum() < 10:
        return TYPICAL_REDO_MINUTES
    return float(rework["rework_min"].mean())


def _interval(slope: dict[str, float], ends: Array, minutes: float) -> dict[str, float]:
    """Best interval [uses] with its interval, NaN where the data cannot tell.

    A failed share that rises by ``rise`` (uses / habit)^2 costs minutes * rise * n^2 / (3 habit^2)
    a use up to n, a turn TURN_MINUTES / n; the sum is least at the cube root below (age replacement
    of R. E. Barlow and F. Proschan, Mathematical Theory of Reliability, 1965, in small).
    """
    known = {"best": np.nan, "best_low": np.nan, "best_high": np.nan, **slope}
    if not slope["low"] > 0:
        return known
    habit = slope["habit"]

    def best(rise: float) -> float:
        return float((1.5 * TURN_MINUTES * habit**2 / (minutes * rise)) ** (1 / 3))

    return known | {
        "best": best(slope["rise"]),
        "best_low": best(slope["high"]),
        "best_high": best(slope["low"]),
    }


def _interval_finding(
    interval: dict[str, float], ends: Array, unit_kind: str, n: int, minutes: float
) -> Finding:
    values = interval | {"unit_kind": unit_kind, "lives": len(ends), "n": n, "minutes": minutes}
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
    worn = float(np.quantile(ends, 0.9)) if len(ends) else np.inf
    best = interval["best"]
    goal = best if np.isfinite(best) else worn
    newest = uses["date"].max()
    found = []
    for unit, own in uses.groupby("unit"):
        if (newest - own["date"].max()).days > 21:
            continue
        now = own.iloc[-1]
        sure = bool(now["uses"] >= 0)
        done = float(now["uses"] if sure else now["at_least"])
        values = {
            "unit": str(unit), "unit_kind": unit_kind, "done": done, "goal": goal, "sure": sure,
            "left": max(goal - done, 0.0), "n": len(own), "lives": len(ends),
        }  # fmt: skip
        if done >= goal:
            step = "rotate_blade" if unit_kind == "cleaver" else "change_electrodes"
            caution = "blade" if unit_kind == "cleaver" else "arc"
            found.append(Finding("wear_due", values, "decide", step, caution))
        elif sure and np.isfinite(goal):
            found.append(Finding("wear_good_for", values, "fine"))
        elif not sure:
            step = "write_rotation" if unit_kind == "cleaver" else "write_electrodes"
            found.append(Finding("wear_unlogged", values, "watch", step, ""))
    return found
