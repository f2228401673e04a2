"""Wear of blades and electrodes: what rises with use, and when to turn or change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from yieldkit.answers.result import Finding, Result
from yieldkit.answers.uses import FEWEST_LIVES, MOST_WORN, interval_ends, uses_since
from yieldkit.crew import Crew

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
PARTS = {"cleaver": "blade_position", "splicer": "electrodes"}
"""Part of the settings whose price a renewal costs, where it is there."""
COLUMNS = [
    "unit_kind", "quantity", "from_uses", "to_uses", "n", "value", "low", "high"
]  # fmt: skip
BINS = 6
FEWEST_MINUTES = 10
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
    ends = interval_ends(uses)
    table = _table(known, unit_kind, confidence)
    price = _prices(attempts, rework, crew, unit_kind)
    slope = _failure_slope(known, ends, confidence, price["refused_cost"] / price["failed_cost"])
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


def _failure_slope(
    known: pd.DataFrame, ends: Array, confidence: float, refused: float
) -> dict[str, float]:
    """Rise of the failed share over the crew's usual interval, within units, with its interval.

    Failures rise with the square of uses; least squares with errors that allow for days. A cleave
    refused before the arc costs a new cleave, no rework: it counts as the part ``refused`` of a
    failure.
    """
    if len(ends) < FEWEST_LIVES or len(known) < 60:
        return {"rise": np.nan, "low": np.nan, "high": np.nan, "habit": np.nan}
    habit = float(np.median(ends))
    x = (known["uses"] / habit) ** 2
    x = x - x.groupby(known["unit"]).transform("mean")
    lost = known["failed"].where(~known["refused"].astype(bool), refused)
    y = lost - lost.groupby(known["unit"]).transform("mean")
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
    again = min(general.recleave_minutes, failed)
    minutes: dict[str, Any] = {"failed_minutes": failed, "renewal_minutes": renewal}
    if not general.labour_per_hour:
        costs = {"failed_cost": failed, "refused_cost": again, "renewal_cost": renewal}
        return minutes | {"cost_unit": "min"} | costs
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
        "refused_cost": again * rate,
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
