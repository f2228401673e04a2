"""How much of the spread in losses is person, kit, lot, job, day or luck, and which unit is behind.

The readings are intervals, as displays and testers showed them; all else is as for failures.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from yieldkit.answers.fair import HANDS, LOTS, PAIR, CrewModel, layout_of
from yieldkit.answers.how_many_more import how_many_more
from yieldkit.answers.loss_readings import loss_readings
from yieldkit.answers.result import Finding
from yieldkit.answers.sources import (
    DRAWS,
    NAMED,
    UNITS,
    LikelySources,
    about_apart,
    about_spread,
    chances_of_worst,
    gaps_of,
    spread_by_kind,
    step_for,
    two_digits,
)
from yieldkit.answers.together import together
from yieldkit.crew import Crew
from yieldkit.methods.crossed import Intervals, factors, integrate
from yieldkit.methods.proportions import check_confidence
from yieldkit.records.tables import UNKNOWN

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FEWEST = 50
"""Readings below which nothing is fitted."""
FEWEST_VALUES, MOST_ALIKE = 4, 0.8
"""Fewer distinct readings, or more of one, do not show a spread."""
KEYS = ["quantity", "wavelength_nm", "direction"]
PRIOR_SHARE = 0.25
"""Half-normal scale of each kind's spread, in units of that of joints alike in all kinds."""
SPREAD_SD, TYPE_SHARE, CREW_SHARE = 1.0, 1.5, 3.0
"""Other priors in units of the readings' own spread within types: of joints alike in all kinds, a
factor of e up or down; standard deviations of connector types and of the crew's level."""
BELOW_ZERO = 0.005
"""With a larger share of readings surely at or under zero the effects are in dB, not in percent."""
MARGIN_PERCENT, MARGIN_DB = 25.0, 0.02
"""A unit whose losses are so much above its kind's mean matters."""


@dataclass(frozen=True, eq=False)
class FittedLosses:
    """A fitted crew; ``unit`` is "percent" (effects are on the logarithm of the loss) or "db"."""

    model: CrewModel
    unit: str


@dataclass(frozen=True, eq=False, kw_only=True)
class LossSources(LikelySources):
    """Units and their part in the losses; see ``sources_of_losses``."""

    def plot(self, ax: Axes) -> Axes:
        """Draw each unit's losses beside its kind's mean, with the interval, on ``ax``."""
        from yieldkit.figures.sources import draw_gaps

        value = "gap_db" if "gap_db" in self.table else "gap_percent"
        unit = "dB" if value == "gap_db" else "%"
        label = f"Loss beside the mean of its kind, all else equal [{unit}]"
        return draw_gaps(ax, self.table, value=value, label=label)


def sources_of_losses(
    attempts: pd.DataFrame,
    measurements: pd.DataFrame,
    *,
    crew: Crew,
    quantity: str | None = None,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> LossSources:
    """Each unit's part in the losses of one quantity, and the parts of the kinds.

    Logarithms of the losses (the losses themselves where readings below zero are among them) are
    the crew's level, connector type, person, splicer, cleaver, heater, lots, job, day and person
    with splicer together; the spreads of joints and of the kinds are integrated out. A unit is
    named where the chance that it is the worst, by more than a margin, reaches 90 %.

    Parameters
    ----------
    attempts, measurements : DataFrame
        The schema's tables, cut to the period asked for.
    crew : Crew
        Settings. Chances about persons are blank unless ``watch_technicians`` is set.
    quantity : str, optional
        One of ``loss_readings.LOSSES``; the one most often tested if missing, the splicers' own
        estimates where there are too few tests. Of a quantity the commonest wavelength and
        direction count. Estimates of several splicer models are not one scale: the splicers' part
        then holds their models' scales too and is not shown.
    confidence : float
        Coverage of the intervals [fraction].

    Returns
    -------
    LossSources
        ``table``: ``kind``, ``unit``, ``n`` [readings], ``gap_percent`` or ``gap_db`` (above the
        mean of its kind), ``low``, ``high``, ``chance_worse`` (above by the margin: 25 %, or 0.02
        dB), ``chance_source``, ``told``.
    """
    check_confidence(confidence)
    chosen = _chosen(attempts, measurements, crew, quantity)
    fitted = fit_losses(chosen) if len(chosen) >= FEWEST and _tells(chosen) else None
    if fitted is None or not set(fitted.model.kinds) & set(UNITS):
        none = Finding("loss_source_too_few", {"n": len(chosen), "wanted": FEWEST}, "cannot tell")
        return LossSources(
            table=_empty(), findings=(none,), confidence=confidence, as_of=as_of
        )  # fmt: skip
    model, unit = fitted.model, fitted.unit
    several = chosen["quantity"].iloc[0] == "estimated loss" and chosen["model"].nunique() > 1
    rng = np.random.default_rng([crew.general.seed, 8])
    effects, sds = model.posterior.draws(rng, DRAWS)
    table = unit_gaps(fitted, effects, confidence)
    spread = spread_of_losses(fitted, effects, sds, confidence)
    if several:
        table = table[table["kind"] != "splicer"].reset_index(drop=True)
        spread = spread[spread["kind"] != "splicer"].reset_index(drop=True)
    apart = together(model)
    watched = crew.general.watch_technicians
    about = {str(key): value for key, value in chosen[KEYS].iloc[0].items()}
    about["n"] = len(chosen)
    findings = [_verdict(table, gaps_of(model, effects, table), about, unit, watched)]
    if several:
        findings.append(Finding("loss_source_models", {"models": chosen["model"].nunique()}))
    findings += [
        *about_spread(spread, "reading"),
        *about_apart(apart),
        Finding("source_could_hide", {}),
    ]
    if not watched:
        person = table["kind"] == "technician"
        table.loc[person, ["chance_worse", "chance_source"]] = np.nan
    return LossSources(
        table=table,
        findings=tuple(findings),
        settings=about | {"unit": unit},
        confidence=confidence,
        as_of=as_of,
        behind=_behind(chosen, model),
        spread=spread.rename(columns={"sd": "sd_log" if unit == "percent" else "sd_db"}),
        apart=apart,
        used=model.cells,
    )


def _empty() -> pd.DataFrame:
    columns = ["kind", "unit", "n", "gap_percent", "low", "high"]
    return pd.DataFrame(columns=[*columns, "chance_worse", "chance_source", "told"])


def _chosen(
    attempts: pd.DataFrame, measurements: pd.DataFrame, crew: Crew, quantity: str | None
) -> pd.DataFrame:
    """Readings of one quantity, wavelength and direction, with all kinds of their joint."""
    readings = loss_readings(attempts, measurements, crew)
    estimate = readings["quantity"].eq("estimated loss")
    # An estimate is the arc's own, a test the joint's now in place; return loss is no loss.
    readings = readings[estimate | (readings["last"] & readings["quantity"].ne("return loss"))]
    if quantity is not None:
        readings = readings[readings["quantity"] == quantity]
    counts = readings.groupby(KEYS, dropna=False).size().rename("n").reset_index()
    tests = counts[counts["quantity"].ne("estimated loss") & (counts["n"] >= FEWEST)]
    if len(counts) == 0:
        return readings.assign(cleaver=None, heater=None, day=None)
    key = (tests if len(tests) else counts).sort_values("n", ascending=False).iloc[[0]][KEYS]
    found = readings.merge(key, on=KEYS)
    kit = attempts.drop_duplicates("attempt_id").set_index("attempt_id")
    for kind in ("cleaver", "heater"):
        found[kind] = found["attempt_id"].map(kit[kind]) if kind in kit else None
    return found.assign(day=found["attempt_id"].map(kit["date"]))


def _tells(chosen: pd.DataFrame) -> bool:
    """Whether the readings differ enough to speak of a spread."""
    counts = chosen.groupby(["low", "high"]).size()
    return bool(len(counts) >= FEWEST_VALUES and counts.max() <= MOST_ALIKE * counts.sum())


def fit_losses(readings: pd.DataFrame) -> FittedLosses | None:
    """The model of the readings of one quantity; None where no kind has two units.

    ``readings``: ``low``, ``high`` [dB], ``connector_type``, people, kit, lots, ``job``, ``day``.
    """
    low, high = (readings[end].to_numpy(float) for end in ("low", "high"))
    signed = bool((high <= 0).mean() > BELOW_ZERO)
    if not signed:
        least = high[high > 0].min(initial=np.inf)
        high = np.where(high > 0, high, least)
        with np.errstate(divide="ignore"):
            low, high = np.log(np.maximum(low, 0.0)), np.log(high)
    columns = {kind: _text(readings[kind]) for kind in (*HANDS, *LOTS, "job", "day")}
    kinds = tuple(kind for kind, label in columns.items() if len(set(label)) > 1)
    if {"technician", "splicer"} <= set(kinds):
        columns[PAIR] = _pairs(columns["technician"], columns["splicer"])
        kinds = (*kinds, PAIR) if len(set(columns[PAIR])) > 1 else kinds
    types = _text(readings["connector_type"])
    response = Intervals(low, high)
    if not kinds:
        return None
    scale = _within(low, high, types)
    of = factors(
        {"crew": np.zeros(len(low), int)}
        | {kind: columns[kind] for kind in kinds}
        | {"connector_type": types}
    )
    posterior = integrate(
        response,
        of,
        prior=dict.fromkeys(kinds, PRIOR_SHARE),
        held={"crew": CREW_SHARE * scale, "connector_type": TYPE_SHARE * scale},
        centre=response.start(),
        log_scale=float(np.log(scale)),
        log_scale_sd=SPREAD_SD,
    )
    cells = pd.DataFrame({kind: columns[kind] for kind in kinds} | {"connector_type": types})
    cells = cells.assign(passed=0, tried=1)
    model = CrewModel(cells, posterior, kinds, layout_of(cells, kinds))
    return FittedLosses(model, "db" if signed else "percent")


def _pairs(people: np.ndarray, splicers: np.ndarray) -> np.ndarray:
    """Each person with each splicer; one level where a pair says no more than its parts."""
    both = people + " with " + splicers
    both[(people == UNKNOWN) | (splicers == UNKNOWN)] = UNKNOWN
    met = len(set(both))
    return both if met not in (len(set(people)), len(set(splicers))) else np.full(len(both), "")


def _within(low: np.ndarray, high: np.ndarray, types: np.ndarray) -> float:
    """Spread of the readings of one connector type."""
    names, many = np.unique(types, return_counts=True)
    each = [Intervals(low[types == name], high[types == name]).start_scale() for name in names]
    return float(np.sqrt(np.average(np.square(each), weights=many)))


def _text(column: pd.Series) -> np.ndarray:
    text = column.astype(object)
    return text.where(text.notna() & (text != ""), UNKNOWN).astype(str).to_numpy(object)


def unit_gaps(fitted: FittedLosses, effects: np.ndarray, confidence: float) -> pd.DataFrame:
    """Each unit's gap to its kind's mean and its chances; columns as of ``sources_of_losses``.

    ``effects``: joint draws of them, shape (draws, levels).
    """
    model, unit, parts = fitted.model, fitted.unit, []
    margin = _margin(unit)
    for kind in [kind for kind in model.kinds if kind in UNITS]:
        n = model.cells.groupby(kind)["tried"].sum().loc[list(model.levels(kind))].to_numpy()
        gaps = model.posterior.contrasts(kind, n.astype(float))
        low, high = gaps.interval(confidence)
        shown = _percent if unit == "percent" else np.asarray
        parts.append(
            pd.DataFrame(
                {
                    "kind": kind,
                    "unit": model.levels(kind),
                    "n": n,
                    f"gap_{unit}": shown(gaps.quantile(0.5)),
                    "low": shown(low),
                    "high": shown(high),
                    "chance_worse": np.clip(1 - gaps.below(margin), 0.0, 1.0),
                    "told": model.told(kind),
                }
            )
        )
    table = pd.concat(parts, ignore_index=True)
    table = table[table["unit"] != UNKNOWN].reset_index(drop=True)
    chances = chances_of_worst(gaps_of(model, effects, table), margin)
    table.insert(7, "chance_source", chances)
    return table


def spread_of_losses(
    fitted: FittedLosses, effects: np.ndarray, sds: np.ndarray, confidence: float
) -> pd.DataFrame:
    """``sources.spread_by_kind`` between joints of one connector type.

    ``effects``, ``sds``: joint draws, the joints' own spread in the last column of ``sds``: that is
    luck.
    """
    model = fitted.model
    return spread_by_kind(model, effects, confidence, kinds=model.kinds, luck=sds[:, -1] ** 2)


def _percent(logs: np.ndarray) -> np.ndarray:
    return np.asarray(100 * np.expm1(logs))


def _margin(unit: str) -> float:
    return float(np.log1p(MARGIN_PERCENT / 100)) if unit == "percent" else MARGIN_DB


def _verdict(
    table: pd.DataFrame, gaps: np.ndarray, about: dict[str, Any], unit: str, watched: bool
) -> Finding:
    shown = table if watched else table[table["kind"] != "technician"]
    margin = MARGIN_PERCENT if unit == "percent" else MARGIN_DB
    common = about | {"margin": margin, "effect_unit": unit}
    if shown.empty:
        return Finding("source_nothing_to_compare", common, "cannot tell")
    top = shown.iloc[int(shown["chance_source"].to_numpy().argmax())]
    values = common | {str(key): value for key, value in top.items()} | {"all": common["n"]}
    values["gap"] = top[f"gap_{unit}"]
    if top["chance_source"] >= NAMED and top["told"]:
        step, caution = step_for(str(top["kind"]))
        return Finding("loss_source_named", values, "decide", step, caution)
    values["none_stands_out"] = float(1 - table["chance_source"].sum())
    if values["none_stands_out"] >= NAMED:
        return Finding("loss_source_none", values, "fine")
    others = shown[shown["chance_source"] >= 0.1].sort_values("chance_source", ascending=False)
    values["candidates"] = tuple(others["unit"][:4])
    values["chances"] = tuple(others["chance_source"][:4])
    values["people"] = not watched and bool(
        table.loc[table["kind"] == "technician", "chance_source"].sum() >= 0.1
    )
    more = how_many_more(gaps, _margin(unit), common["n"], named=NAMED)
    values["n_more"] = None if more is None else two_digits(max(more, 50))
    step = "mix_kit" if values["none_stands_out"] < 0.5 else ""
    return Finding("loss_source_cannot_tell", values, "cannot tell", step)


def _behind(chosen: pd.DataFrame, model: CrewModel) -> pd.DataFrame:
    parts = [
        chosen[["attempt_id", "position_id"]].assign(kind=kind, unit=chosen[kind])
        for kind in model.kinds
        if kind in UNITS
    ]
    return pd.concat(parts, ignore_index=True)
