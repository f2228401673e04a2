"""Day series of each unit: mix, people, partner kit and the day's own level taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

from yieldkit.crew import Crew
from yieldkit.records.tables import UNKNOWN

UNITS = ("splicer", "cleaver", "heater", "connector_lot", "fibre_lot")
"""Kinds of unit that are watched; people are watched only where the settings say so."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Joints:
    """One value a joint, as a normal score with the steady effects of all units taken out.

    Parameters
    ----------
    rows : DataFrame
        ``date``, the units, ``score`` [normal scores], ``value`` (natural unit), ``id``.
    quantity : str
        What the value is.
    within, between : float
        Variance of a score within a unit's day, and of a unit's day means about its level.
    """

    rows: pd.DataFrame
    quantity: str
    within: float
    between: float


def normal_scores(value: pd.Series, stratum: pd.Series) -> pd.Series:
    """Normal score of each value within its stratum; tied values share the middle of their ranks.

    B. L. van der Waerden, Indag. Math. 14, 453-458, 1952; ties by mid-ranks. Rounded losses come in
    ties, so a score never claims more than the display shows.
    """
    rank = value.groupby(stratum).rank(method="average")
    size = value.groupby(stratum).transform("size")
    return pd.Series(ndtri((rank - 0.5) / size), index=value.index)


def loss_joints(attempts: pd.DataFrame, crew: Crew) -> Joints:
    """Splicers' estimates of single joints that have one; strata are type and splicer model."""
    rows = attempts[attempts["reached_arc"].fillna(False) & attempts["loss_low_db"].notna()]
    model = {row.unit: row.model or "one model" for row in crew.equipment}
    stratum = rows["connector_type"].fillna(UNKNOWN) + "|" + rows["splicer"].map(model).fillna("")
    high = rows["loss_high_db"].where(np.isfinite(rows["loss_high_db"]), rows["loss_low_db"] * 1.5)
    value = (rows["loss_low_db"] + high) / 2
    return _adjusted(rows, value, stratum, "estimated loss", crew)


def angle_joints(attempts: pd.DataFrame, crew: Crew) -> Joints:
    """Cleave angles of the crew's own end [deg]; the other end may be cleaved at the factory."""
    rows = attempts[attempts["angle_crew_deg"].notna()]
    stratum = pd.Series("all", index=rows.index)
    return _adjusted(rows, rows["angle_crew_deg"], stratum, "cleave angle", crew)


def _adjusted(
    rows: pd.DataFrame, value: pd.Series, stratum: pd.Series, quantity: str, crew: Crew
) -> Joints:
    kinds = [kind for kind in (*UNITS, "technician") if kind in rows]
    kept = rows[["date", *kinds]].copy()
    for kind in kinds:
        kept[kind] = kept[kind].astype(object).where(kept[kind].notna(), UNKNOWN)
    kept["id"], kept["value"] = rows["attempt_id"], value
    kept = kept[kept["date"].notna()]
    kept["date"] = pd.to_datetime(kept["date"])
    kept["score"] = normal_scores(kept["value"], stratum.loc[kept.index])
    kept["score"] -= steady_effects(kept["score"].to_numpy(), kept[kinds])
    within, between = _variances(kept)
    return Joints(rows=kept, quantity=quantity, within=within, between=between)


def steady_effects(score: np.ndarray, units: pd.DataFrame, *, rounds: int = 30) -> np.ndarray:
    """Sum of the units' shrunken mean effects for each joint, by repeated sweeps.

    Each sweep takes a unit's mean residual, shrunk as a random effect whose variance is a quarter
    of a joint's (D. Bates et al., J. Stat. Softw. 67, 2015, for such models); an unknown unit has
    effect 0.
    """
    codes = [pd.factorize(units[name])[0] for name in units]
    unknown = [(units[name] == UNKNOWN).to_numpy() for name in units]
    effects = [np.zeros(code.max() + 1) for code in codes if len(code)]
    fitted = np.zeros(len(score))
    middle = score.mean() if len(score) else 0.0
    for _ in range(rounds):
        for place, code in enumerate(codes):
            if not len(code):
                continue
            rest = score - middle - fitted + effects[place][code]
            size = np.bincount(code, minlength=len(effects[place]))
            new = np.bincount(code, rest, minlength=len(effects[place])) / (size + 4.0)
            new[np.unique(code[unknown[place]])] = 0.0
            fitted += new[code] - effects[place][code]
            effects[place] = new
    return middle + fitted


def _variances(rows: pd.DataFrame) -> tuple[float, float]:
    """Within-day variance and day-to-day variance of kit, by analysis of variance."""
    cells = rows.groupby(["splicer", "cleaver", "date"])["score"].agg(["mean", "var", "size"])
    free = (cells["size"] - 1).clip(lower=0)
    if free.sum() < 5:
        return 1.0, 0.05
    within = float((cells["var"].fillna(0) * free).sum() / free.sum())
    size = cells["size"]
    spread = float((size * cells["mean"] ** 2).sum() - len(cells) * within)
    return within, max(spread / float(size.sum()), 0.01 * within)


def day_series(joints: Joints, kind: str, unit: str) -> pd.DataFrame:
    """Day means of one unit's scores, the day's common level taken out where others show it.

    Returns
    -------
    DataFrame
        Index ``date``; ``mean`` [normal scores], ``variance``, ``n`` [joints].
    """
    rows = joints.rows
    own = rows[kind] == unit
    mine = rows[own].groupby("date")["score"].agg(["mean", "size"])
    others = rows[~own].groupby("date")["score"].agg(["mean", "size"]).reindex(mine.index)
    size = others["size"].fillna(0)
    # Other units' mean tells the day's level; it is believed as far as its own spread allows.
    noise = joints.within / size.clip(lower=1) + joints.between / 2
    believed = (joints.between / (joints.between + noise)).where(size > 0, 0.0)
    common = (believed * others["mean"]).fillna(0.0)
    variance = joints.within / mine["size"] + joints.between + believed**2 * noise
    return pd.DataFrame({"mean": mine["mean"] - common, "variance": variance, "n": mine["size"]})


def failure_series(positions: pd.DataFrame, kind: str, unit: str) -> pd.DataFrame:
    """Blocks of days of one unit with enough expected failures, as normal scores.

    Each block holds the days until two failures are expected from type and technician alone; its
    score is the normal score of the middle of the chance of as many failures (mid-P).
    """
    from scipy.stats import poisson

    rows = positions[(positions[kind] == unit) & positions["expected"].notna()]
    days = rows.groupby("first_date").agg(
        failed=("failed", "sum"), expected=("expected", "sum"), n=("failed", "size")
    )
    if days.empty:
        return pd.DataFrame(columns=["mean", "variance", "n"])
    block = (days["expected"].cumsum() / 2).astype(int)
    first = days.index.to_series().groupby(block).first()
    blocks = days.groupby(block).sum().set_index(pd.DatetimeIndex(first))
    blocks = blocks[blocks["expected"] >= 1.0]
    below = poisson.cdf(blocks["failed"] - 1, blocks["expected"])
    middle = (below + poisson.cdf(blocks["failed"], blocks["expected"])) / 2
    score = ndtri(np.clip(middle, 1e-6, 1 - 1e-6))
    return pd.DataFrame({"mean": score, "variance": 1.0, "n": blocks["n"]})


def expected_failures(positions: pd.DataFrame, kinds: Sequence[str]) -> pd.DataFrame:
    """Decided positions with ``failed`` (0, 1) and ``expected`` failures from type and people."""
    made = positions[positions["first_pass_termination"].isin(["yes", "no"])].copy()
    made = made[made["first_date"].notna()]
    made["first_date"] = pd.to_datetime(made["first_date"])
    made["failed"] = made["first_pass_termination"].eq("no").astype(float)
    overall = made["failed"].mean() if len(made) else 0.0
    kind = made["connector_type"].fillna(UNKNOWN)
    by_type = (made.groupby(kind)["failed"].sum() + 10 * overall) / (made.groupby(kind).size() + 10)
    base = kind.map(by_type).astype(float)
    person = made["technician"].fillna(UNKNOWN)
    ratio = (made.groupby(person)["failed"].sum() + 5) / (base.groupby(person).sum() + 5)
    made["expected"] = (base * person.map(ratio).astype(float)).clip(1e-4, 0.95)
    for name in kinds:
        made[name] = made[name].astype(object).where(made[name].notna(), UNKNOWN)
    return made
