"""Is it the person, the kit, the lot, the jobs, or luck: each unit's part, and what hides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from yieldkit.answers.fair import HANDS, LOTS, CrewModel, decided_positions, fair_gaps, fit_crew
from yieldkit.answers.how_many_more import how_many_more
from yieldkit.answers.result import Finding, Result
from yieldkit.answers.together import together
from yieldkit.crew import Crew
from yieldkit.methods.proportions import check_confidence
from yieldkit.records.tables import UNKNOWN, require_columns

if TYPE_CHECKING:
    from matplotlib.axes import Axes

UNITS = (*HANDS, *LOTS)
MARGIN_POINTS = 2.0
"""A unit this much behind the crew matters [percentage points of first pass]."""
NAMED = 0.9
"""A unit is named from this chance on."""
MOST_MORE = 10_000
"""Where more positions than these would be wanted, waiting is no answer: half a year of a crew."""
DRAWS = 4000
FEW_LEVELS = 6
"""Under so many units of a kind the spread of the kind is hardly known."""
LUCK = np.pi**2 / 3
"""Variance of luck on the scale of the effects (H. Goldstein, W. Browne and J. Rasbash,
Understanding Statistics 1, 223-231, 2002: the logistic distribution's own)."""


@dataclass(frozen=True, eq=False, kw_only=True)
class LikelySources(Result):
    """Units and their part in the failures; see ``likely_sources``.

    ``spread``: how much each kind contributes; ``apart``: what cannot be told apart; ``used``: who
    used what [decided positions].
    """

    spread: pd.DataFrame = field(default_factory=pd.DataFrame)
    apart: pd.DataFrame = field(default_factory=pd.DataFrame)
    used: pd.DataFrame = field(default_factory=pd.DataFrame)

    def plot(self, ax: Axes) -> Axes:
        """Draw each unit's gap to the crew with its interval on ``ax``."""
        from yieldkit.figures.sources import draw_gaps

        return draw_gaps(ax, self.table)

    def plot_spread(self, ax: Axes) -> Axes:
        """Draw how much each kind contributes on ``ax``."""
        from yieldkit.figures.sources import draw_spread

        return draw_spread(ax, self.spread)

    def plot_used(self, ax: Axes, rows: str = "technician", columns: str = "splicer") -> Axes:
        """Draw who used what on ``ax``; units always used together are marked."""
        from yieldkit.figures.sources import draw_used

        return draw_used(ax, self.used, self.apart, rows, columns)


def likely_sources(
    positions: pd.DataFrame,
    *,
    crew: Crew | None = None,
    stage: str = "termination",
    margin_points: float = MARGIN_POINTS,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> LikelySources:
    """Each unit's part in the failures, and the unit that is most likely behind them.

    A unit is named where the chance that it is the worst of all people, kit and lots, and behind
    the crew by more than ``margin_points``, reaches 90 %; else the answer is "cannot tell". Chances
    hold under the model's stated priors; what an assignment could still hide is said.

    Parameters
    ----------
    positions : DataFrame
        The schema's positions.
    crew : Crew, optional
        Settings. Chances about persons are blank unless ``watch_technicians`` is set.
    stage : str
        ``termination``, ``splice`` or ``link``.
    margin_points : float
        How far behind matters [percentage points].
    confidence : float
        Coverage of the intervals [fraction].

    Returns
    -------
    LikelySources
        ``table``: ``kind``, ``unit``, ``n`` [decided positions], ``failed``, ``gap_points`` (fair
        yield less the crew's), ``low``, ``high``, ``chance_worse`` (behind by the margin),
        ``chance_source``, ``told`` (whether the layout tells its effect from all others').
    """
    check_confidence(confidence)
    require_columns(positions, ["first_attempt_id", f"first_pass_{stage}"])
    crew = crew or Crew()
    settings = {"margin_points": margin_points, "stage": stage}
    model = fit_crew(positions, stage=stage)
    if model is None or not set(model.kinds) & set(UNITS):
        none = Finding("source_nothing_to_compare", {}, severity="cannot tell")
        return LikelySources(
            table=_empty(), findings=(none,), settings=settings, confidence=confidence, as_of=as_of
        )
    rng = np.random.default_rng([crew.general.seed, 6])
    effects, _ = model.posterior.draws(rng, DRAWS)
    table = _table(model, effects, margin_points, confidence)
    kinds = (*model.kinds, "connector_type")
    spread = spread_by_kind(model, effects, confidence, kinds=kinds)
    spread = spread.rename(columns={"sd": "sd_logit"})
    apart = together(model)
    watched = crew.general.watch_technicians
    findings = (
        _verdict(table, model, effects, margin_points, watched),
        *about_spread(spread),
        *about_apart(apart),
        Finding("source_could_hide", {}),
    )
    if not watched:
        person = table["kind"] == "technician"
        table.loc[person, ["chance_worse", "chance_source"]] = np.nan
    return LikelySources(
        table=table,
        findings=findings,
        settings=settings,
        confidence=confidence,
        as_of=as_of,
        behind=_behind(positions, model, stage),
        spread=spread,
        apart=apart,
        used=model.cells,
    )


def _empty() -> pd.DataFrame:
    columns = ["kind", "unit", "n", "failed", "gap_points", "low", "high"]
    return pd.DataFrame(columns=[*columns, "chance_worse", "chance_source", "told"])


def _table(model: CrewModel, effects: np.ndarray, margin: float, confidence: float) -> pd.DataFrame:
    parts = []
    for kind in [kind for kind in model.kinds if kind in UNITS]:
        counts = model.cells.groupby(kind)[["tried", "passed"]].sum().loc[list(model.levels(kind))]
        gaps = fair_gaps(model, kind)
        low, high = gaps.interval(confidence)
        parts.append(
            pd.DataFrame(
                {
                    "kind": kind,
                    "unit": model.levels(kind),
                    "n": counts["tried"].to_numpy(),
                    "failed": (counts["tried"] - counts["passed"]).to_numpy(),
                    "gap_points": 100 * gaps.mean(),
                    "low": 100 * low,
                    "high": 100 * high,
                    "chance_worse": gaps.below(-margin / 100),
                    "told": model.told(kind),
                }
            )
        )
    table = pd.concat(parts, ignore_index=True)
    table = table[table["unit"] != UNKNOWN].reset_index(drop=True)
    table.insert(8, "chance_source", chances_of_source(model, effects, table, margin))
    return table


def chances_of_source(
    model: CrewModel, effects: np.ndarray, units: pd.DataFrame, margin: float
) -> np.ndarray:
    """Share of the draws in which each unit is the worst of all and behind by the margin.

    Parameters
    ----------
    model : CrewModel
        The crew.
    effects : ndarray, shape (draws, levels)
        Joint draws of its effects.
    units : DataFrame
        ``kind`` and ``unit`` of those compared.
    margin : float
        How far behind its kind's mean matters [percentage points].
    """
    behind = gaps_of(model, effects, units) * -slope_of(model)
    return chances_of_worst(behind, margin / 100)


def gaps_of(model: CrewModel, effects: np.ndarray, units: pd.DataFrame) -> np.ndarray:
    """Each draw of each unit's effect less the mean of its kind, shape (draws, units)."""
    gaps = np.empty((len(effects), len(units)))
    for kind, group in units.reset_index(drop=True).groupby("kind", sort=False):
        names = list(model.levels(str(kind)))
        weight = model.cells.groupby(kind)["tried"].sum().loc[names].to_numpy(float)
        own = effects[:, model.posterior.block(str(kind))]
        places = [names.index(unit) for unit in group["unit"]]
        gaps[:, group.index] = own[:, places] - (own @ (weight / weight.sum()))[:, None]
    return gaps


def chances_of_worst(worse: np.ndarray, margin: float) -> np.ndarray:
    """Share of the draws in which each is the worst, by more than the margin."""
    first = worse.argmax(axis=1)
    enough = worse[np.arange(len(worse)), first] > margin
    return np.bincount(first[enough], minlength=worse.shape[1]) / len(worse)


def slope_of(model: CrewModel) -> float:
    """Change of the crew's yield for a small change of the logit."""
    share = float(model.cells["passed"].sum() / model.cells["tried"].sum())
    share = min(max(share, 0.01), 0.995)
    return share * (1 - share)


def spread_by_kind(
    model: CrewModel,
    effects: np.ndarray,
    confidence: float,
    *,
    kinds: Sequence[str],
    luck: np.ndarray | float = LUCK,
) -> pd.DataFrame:
    """Spread of the units that there were, by kind (A. Gelman, Ann. Stat. 33, 1-53, 2005).

    ``luck`` is the variance of joints alike in all ``kinds``, one for all draws or one a draw.
    Standard deviations are on the scale of the effects.
    """
    parts = {"luck": (np.broadcast_to(luck, len(effects)), 0)}
    for kind in kinds:
        names = list(model.levels(kind))
        if len(names) > 1:
            weight = model.cells.groupby(kind)["tried"].sum().loc[names].to_numpy(float)
            share = weight / weight.sum()
            own = effects[:, model.posterior.block(kind)]
            variance = (own - (own @ share)[:, None]) ** 2 @ share
            parts[kind] = (variance, len([name for name in names if name != UNKNOWN]))
    total = sum(variance for variance, _ in parts.values())
    tail = (1 - confidence) / 2
    rows = []
    for kind, (variance, units) in parts.items():
        row: dict[str, Any] = {"kind": kind, "units": units}
        for name, each in (("sd", np.sqrt(variance)), ("share", variance / total)):
            ends = ("sd_low", "sd_high") if name == "sd" else ("low", "high")
            found = np.quantile(each, (0.5, tail, 1 - tail))
            row |= dict(zip((name, *ends), map(float, found), strict=True))
        rows.append(row)
    table = pd.DataFrame(rows).assign(n=int(model.cells["tried"].sum()))
    return table.sort_values("share", ascending=False, ignore_index=True)


def _verdict(
    table: pd.DataFrame, model: CrewModel, effects: np.ndarray, margin: float, watched: bool
) -> Finding:
    shown = table if watched else table[table["kind"] != "technician"]
    common: dict[str, Any] = {"margin": margin, "n": int(model.cells["tried"].sum())}
    if shown.empty:
        return Finding("source_nothing_to_compare", common, severity="cannot tell")
    top = shown.iloc[int(shown["chance_source"].to_numpy().argmax())]
    values = common | {str(key): value for key, value in top.items()} | {"all": common["n"]}
    if top["chance_source"] >= NAMED and top["told"]:
        step, caution = step_for(str(top["kind"]))
        return Finding("source_named", values | {"unit": top["unit"]}, "decide", step, caution)
    others = shown[shown["chance_source"] >= 0.1].sort_values("chance_source", ascending=False)
    values["candidates"] = tuple(others["unit"][:4])
    values["chances"] = tuple(others["chance_source"][:4])
    values["people"] = not watched and bool(
        table.loc[table["kind"] == "technician", "chance_source"].sum() >= 0.1
    )
    values["none_stands_out"] = float(1 - table["chance_source"].sum())
    if values["none_stands_out"] >= NAMED:
        return Finding("source_none", values, "fine")
    behind = gaps_of(model, effects, table) * -slope_of(model)
    more = how_many_more(behind, margin / 100, common["n"], named=NAMED)
    too_long = more is None or more > MOST_MORE
    values["n_more"] = None if too_long else two_digits(max(more or 0, 50))
    return Finding("source_cannot_tell", values, "cannot tell", "mix_kit", "")


def two_digits(number: float) -> int:
    """A number rounded up to two digits."""
    unit = 10 ** max(int(np.floor(np.log10(number))) - 1, 1)
    return int(np.ceil(number / unit) * unit)


def step_for(kind: str) -> tuple[str, str]:
    """Codes of the step and its caution where a unit of this kind is named."""
    return {
        "splicer": ("arc_check", "arc"),
        "cleaver": ("rotate_blade", "blade"),
        "heater": ("check_heater", "cure"),
        "connector_lot": ("set_aside_lot", ""),
        "fibre_lot": ("set_aside_lot", ""),
        "technician": ("", "people"),
    }[kind]


def about_spread(spread: pd.DataFrame, counted: str = "position") -> list[Finding]:
    """What the parts of the kinds say, and how little few units tell; ``counted`` is what n is."""
    known = spread[spread["kind"] != "luck"]
    if known.empty:
        return []
    luck = spread.loc[spread["kind"] == "luck"].iloc[0]
    top = known.iloc[0]
    found = [
        Finding(
            "spread_largest",
            {"kind": top["kind"], "share": top["share"], "low": top["low"], "high": top["high"]}
            | {"luck": luck["share"], "luck_low": luck["low"], "luck_high": luck["high"]}
            | {"n": int(luck["n"]), "counted": counted},
        )
    ]
    few = known[known["units"].between(1, FEW_LEVELS - 1)]
    if len(few):
        found.append(
            Finding(
                "spread_few_units",
                {"kinds": tuple(few["kind"]), "units": tuple(int(many) for many in few["units"])},
            )
        )
    return found


def about_apart(apart: pd.DataFrame) -> list[Finding]:
    """Units always, or nearly always, used together; each set said once."""
    found, said = [], set()
    for row in apart.to_dict("records"):
        names = frozenset([row["unit"], *row["partners"]])
        if names not in said:
            said.add(names)
            values = {str(key): value for key, value in row.items()}
            code = "together_exactly" if row["how"] == "exactly" else "together_nearly"
            found.append(Finding(code, values, "cannot tell", "mix_kit"))
    return found


def _behind(positions: pd.DataFrame, model: CrewModel, stage: str) -> pd.DataFrame:
    decided = decided_positions(positions, stage)
    if "position_id" not in decided:
        return pd.DataFrame(columns=["kind", "unit", "position_id"])
    parts = [
        pd.DataFrame({"kind": kind, "unit": decided[kind], "position_id": decided["position_id"]})
        for kind in model.kinds
        if kind in UNITS
    ]
    return pd.concat(parts, ignore_index=True)
