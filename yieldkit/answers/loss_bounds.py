"""What a bid or a contract may rest on: tolerance bounds, performance index, bends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from yieldkit.answers.loss_readings import loss_readings
from yieldkit.answers.losses import (
    KEYS,
    LEAST,
    SIGNED,
    TOO_FEW,
    USUAL_FAMILIES,
    below_zero,
    grouped_losses,
)
from yieldkit.answers.result import Finding, Result
from yieldkit.crew import ALL, Crew
from yieldkit.methods.binned import (
    Counts,
    Estimate,
    Family,
    Fit,
    average_intervals,
    profile,
    weigh,
)
from yieldkit.methods.binned.counts import Floats
from yieldkit.methods.proportions import check_confidence
from yieldkit.methods.tolerance import distribution_free_upper
from yieldkit.optics.readings import bends

SHARES = (0.95, 0.97, 0.99)
INDEX_SHARE = 0.99865
"""Upper reference share of the index by quantiles (ISO 22514-4:2016)."""


@dataclass(frozen=True, eq=False, kw_only=True)
class LossBounds(Result):
    """Tolerance bounds; see ``tolerance_bounds``."""


@dataclass(frozen=True, eq=False, kw_only=True)
class LossIndex(Result):
    """Performance indices; see ``performance_index``."""


@dataclass(frozen=True, eq=False, kw_only=True)
class BendList(Result):
    """Joints with a bend; see ``bend_list``."""


def tolerance_bounds(
    attempts: pd.DataFrame,
    measurements: pd.DataFrame,
    *,
    crew: Crew,
    by: str = "connector_type",
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> LossBounds:
    """Loss that at least 95, 97, 99 % of joints stay under, said with a stated confidence.

    Parameters
    ----------
    attempts, measurements : DataFrame
        The schema's tables.
    crew : Crew
        Settings.
    by : str
        Grouping, as for ``loss_summary``.
    confidence : float
        One-sided confidence [fraction].
    as_of : Timestamp, optional
        Newest record known.

    Returns
    -------
    LossBounds
        ``table``: the keys, ``n``, ``share``, ``bound_db`` from the averaged families,
        ``free_db`` from the sorted readings alone, ``needed`` readings for the latter, and
        ``label``: "as seen", "extrapolated" where fewer than needed were read, or "too few"
        (under ``LEAST``), which gives no bound.
    """
    check_confidence(confidence)
    readings, keys, counts = grouped_losses(attempts, measurements, crew, by)
    rows = []
    for some, families in _split(counts):
        part, found = counts.only(some), weigh(counts.only(some), families)
        for share in SHARES:
            bound = found.quantile(share, 2 * confidence - 1, widest=True).high
            bound = np.where(part.n < LEAST, np.nan, bound)
            free = distribution_free_upper(part, share, confidence)
            rows.append(
                keys.iloc[some].assign(
                    n=part.n.astype(int),
                    share=share,
                    bound_db=bound,
                    free_db=[each.value for each in free],
                    needed=[each.needed for each in free],
                    label=[
                        TOO_FEW if n < LEAST else "as seen" if each.rank else "extrapolated"
                        for n, each in zip(part.n, free, strict=True)
                    ],
                )
            )
    columns = [*KEYS, "n", "share", "bound_db", "free_db", "needed", "label"]
    table = pd.concat(rows) if rows else pd.DataFrame(columns=columns)
    table = table.sort_values([*KEYS, "share"], ignore_index=True)
    findings = tuple(
        Finding("loss_too_few", row, "cannot tell")
        if row["label"] == TOO_FEW
        else Finding("tolerance_bound", row | {"confidence": confidence})
        for row in _records(table)
        if row["share"] == 0.97
    )
    return LossBounds(
        table=table, findings=findings, confidence=confidence, as_of=as_of, settings={"by": by}
    )


def performance_index(
    attempts: pd.DataFrame,
    measurements: pd.DataFrame,
    *,
    crew: Crew,
    by: str = "connector_type",
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> LossIndex:
    """One-sided performance index of each ``each`` limit row: room over spread, by quantiles.

    (U - X50) / (X99.865 - X50) with U the limit and Xp the loss that p % stay under: the form for
    skewed values with an upper limit only (ISO 22514-4:2016; from memory). At 1.0 about 1.35 joints
    in 1 000 are over.

    Returns
    -------
    LossIndex
        ``table``: the keys, ``n``, ``limit_db``, ``index``, ``low``, ``high``; the last three are
        missing under ``LEAST`` readings.
    """
    check_confidence(confidence)
    readings, keys, counts = grouped_losses(attempts, measurements, crew, by)
    allowed = _each_limits(readings, crew)
    rows = []
    for some, families in _split(counts):
        named = keys.iloc[some].merge(allowed, on=KEYS, how="left")
        limit = named["limit_db"].to_numpy(float)
        found = weigh(counts.only(some), families)
        figures = [_index(made, limit, confidence) for made in found.fits]
        shown = average_intervals(figures, found.weights, confidence, np.asarray, np.asarray)
        n = counts.n[some].astype(int)
        told = {"index": shown.value, "low": shown.low, "high": shown.high}
        few = {name: np.where(n < LEAST, np.nan, values) for name, values in told.items()}
        rows.append(named.assign(n=n, **few))
    columns = [*KEYS, "n", "limit_db", "index", "low", "high"]
    table = pd.concat(rows)[columns] if rows else pd.DataFrame(columns=columns)
    table = table[table["limit_db"].notna()].sort_values(KEYS, ignore_index=True)
    findings = tuple(
        Finding("loss_index", row)
        if row["n"] >= LEAST
        else Finding("loss_too_few", row, "cannot tell")
        for row in _records(table)
    )
    return LossIndex(
        table=table, findings=findings, confidence=confidence, as_of=as_of, settings={"by": by}
    )


def bend_list(
    attempts: pd.DataFrame,
    measurements: pd.DataFrame,
    *,
    crew: Crew,
    allowance_db: float = 0.05,
    as_of: pd.Timestamp | None = None,
) -> BendList:
    """Joints that surely lose more at 1550 nm than at 1310 nm: bent, not misaligned.

    Parameters
    ----------
    attempts, measurements : DataFrame
        The schema's tables.
    crew : Crew
        Settings.
    allowance_db : float
        What two readings of one joint may differ by without a bend [dB; common practice].
    as_of : Timestamp, optional
        Newest record known.

    Returns
    -------
    BendList
        ``table``: ``position_id``, ``quantity``, ``direction``, ``low_1310_db``,
        ``high_1310_db``, ``low_1550_db``, ``high_1550_db``, the greatest first.
    """
    return bends_of(
        loss_readings(attempts, measurements, crew), allowance_db=allowance_db, as_of=as_of
    )


def bends_of(
    readings: pd.DataFrame, *, allowance_db: float = 0.05, as_of: pd.Timestamp | None = None
) -> BendList:
    """``bend_list`` of readings at hand (``loss_readings``)."""
    of_joints = readings[
        readings["last"]
        & readings["position_id"].notna()
        & readings["quantity"].isin(["insertion loss", "one-way loss", "two-way loss"])
    ]
    keys = ["position_id", "quantity", "direction"]
    columns = [f"{end}_{wave}_db" for wave in (1310, 1550) for end in ("low", "high")]
    sides = []
    for wave in (1310, 1550):
        near = of_joints[(of_joints["wavelength_nm"] - wave).abs() < 15]
        ends = near.groupby(keys, dropna=False)[["low", "high"]].last()
        sides.append(ends.rename(columns={end: f"{end}_{wave}_db" for end in ("low", "high")}))
    pairs = sides[0].join(sides[1], how="inner").reset_index()
    bent = pairs[bends(pairs["high_1310_db"], pairs["low_1550_db"], allowance_db)]
    table = bent.sort_values("low_1550_db", ascending=False, ignore_index=True)
    values = {
        "bent": table["position_id"].nunique(),
        "n": pairs["position_id"].nunique(),
        "places": table["position_id"].drop_duplicates().head(5).tolist(),
    }
    severity, code = ("decide", "bends") if len(table) else ("fine", "no_bends")
    findings = (Finding(code, values, severity),) if len(pairs) else ()  # type: ignore[arg-type]
    return BendList(table=table[[*keys, *columns]], findings=findings, as_of=as_of)


def _split(counts: Counts) -> list[tuple[np.ndarray, tuple[Family, ...]]]:
    signed = below_zero(counts)
    parts = [(np.flatnonzero(~signed), USUAL_FAMILIES), (np.flatnonzero(signed), SIGNED)]
    return [(some, families) for some, families in parts if len(some)]


def _index(made: Fit, limit: Floats, confidence: float) -> Estimate:
    """Index of each group; its limit rides along as a further, fixed parameter."""
    family = made.family

    def index(w: Floats) -> Floats:
        middle = family.quantile(w, 0.5)
        return (w[:, -1] - middle) / (family.quantile(w, INDEX_SHARE) - middle)

    with_limit = Fit(
        family,
        made.counts,
        np.column_stack([made.w, limit]),
        made.loglik,
        made.covariance,
        made.known & np.isfinite(limit),
    )
    return profile(with_limit, index, confidence)


def _each_limits(readings: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """Limit of single readings for each key: the widest row of all jobs and the key's type."""
    rows = []
    for key, some in readings.groupby(list(KEYS), dropna=False):
        named: dict[str, Any] = dict(zip(KEYS, key, strict=True))
        kinds = some["connector_type"].unique()
        kind = kinds[0] if len(kinds) == 1 else ALL
        for row in crew.limits_for(str(named["quantity"]), connector_type=str(kind)):
            wave = row.wavelength_nm
            fits = wave is None or abs(float(named["wavelength_nm"]) - wave) < 15
            if row.statistic == "each" and row.job == ALL and not row.after_tries and fits:
                rows.append(named | {"limit_db": row.limit_db})
                break
    table = pd.DataFrame(rows, columns=[*KEYS, "limit_db"])
    return table.astype({"wavelength_nm": float})


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]
