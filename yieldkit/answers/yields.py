"""First-pass yield of positions: raw with its interval and bounds, and fair beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from yieldkit.answers.fair import FAIR_KINDS, CrewModel, fair_yields, fit_crew
from yieldkit.answers.result import Finding, Result
from yieldkit.crew import Crew
from yieldkit.methods.proportions import (
    check_confidence,
    cluster_correlation,
    design_effect,
    proportion,
)
from yieldkit.records.tables import FIRST_PASS, UNKNOWN, require_columns

if TYPE_CHECKING:
    from matplotlib.axes import Axes

STAGES = ("termination", "splice", "link")
GROUPINGS = (
    "all",
    "technician",
    "connector_type",
    "splicer",
    "cleaver",
    "heater",
    "job",
    "week",
)
COLUMNS = [
    "by",
    "group",
    "stage",
    "positions",
    "first_pass",
    "failed",
    "pending",
    "unknown",
    "yield",
    "low",
    "high",
    "bound_low",
    "bound_high",
    "adjusted",
    "adjusted_low",
    "adjusted_high",
    "as_of",
]


@dataclass(frozen=True, eq=False, kw_only=True)
class FirstPassYield(Result):
    """Yield by group; see ``first_pass_yield``."""

    def plot(self, ax: Axes) -> Axes:
        """Draw each group's yield and interval [%] on ``ax``."""
        from yieldkit.figures.intervals import draw_intervals

        return draw_intervals(ax, self.table, value="yield", unit="%")


def first_pass_yield(
    positions: pd.DataFrame,
    *,
    by: str = "connector_type",
    stage: str = "termination",
    confidence: float = 0.95,
    crew: Crew | None = None,
    as_of: pd.Timestamp | None = None,
    fair: bool = True,
) -> FirstPassYield:
    """First-pass yield of each group, with an interval that allows for job-to-job spread.

    Parameters
    ----------
    positions : DataFrame
        The schema's positions; those without a first arc are not counted.
    by : str
        ``all``, ``week``, or a column of ``positions``.
    stage : str
        ``termination``, ``splice`` or ``link``.
    confidence : float
        Coverage wanted [fraction].
    crew : Crew, optional
        Settings; the defaults if missing.
    as_of : Timestamp, optional
        Newest record known.
    fair : bool
        Whether to fit the crew for the fair figures too.

    Returns
    -------
    FirstPassYield
        ``table`` with ``COLUMNS``: counts [positions]; ``yield``, ``low``, ``high`` [fraction of
        those known]; ``bound_low``, ``bound_high`` [fraction of all, with the pending, the unknown
        and those whose rows are linked only probably put to no and to yes]. The interval is
        Wilson's on the count divided by the design effect of jobs. ``adjusted``, ``adjusted_low``,
        ``adjusted_high``: the chance over all the crew's decided positions with this unit in place
        of its own kind's, people, kit, lots, types and jobs taken apart (``answers.fair``); blank
        where the same kit was used throughout, and for groups that are no unit (all, week, job).

    Raises
    ------
    ValueError
        If a column is missing, or ``confidence`` is not between 0 and 1.

    Examples
    --------
    >>> made = pd.DataFrame({
    ...     "position_id": range(60), "first_attempt_id": "x", "job": "J1", "connector_type": "LC",
    ...     "first_pass_termination": ["yes"] * 57 + ["no"] * 3})
    >>> print(first_pass_yield(made))
    LC: 95.0 % right the first time (86.3 to 98.3 %, 60 positions).
    """
    check_confidence(confidence)
    _group_column(positions, by)
    model = fit_crew(positions, stage=stage) if fair and by in FAIR_KINDS else None
    return _first_pass(positions, by, stage, confidence, crew, as_of, model)


def _first_pass(
    positions: pd.DataFrame,
    by: str,
    stage: str,
    confidence: float,
    crew: Crew | None,
    as_of: pd.Timestamp | None,
    model: CrewModel | None,
) -> FirstPassYield:
    answer = f"first_pass_{stage}"
    column = _group_column(positions, by)
    require_columns(positions, ["position_id", "first_attempt_id", "job", answer])
    made = positions[positions["first_attempt_id"].notna()]
    group = _labels(column.loc[made.index])
    counts = _counts(made[answer], group)
    known, started = counts["yes"] + counts["no"], counts.sum(axis=1)
    sure = counts
    if "link" in made and made["link"].eq("probable").any():
        sure = _counts(made[answer].where(made["link"] != "probable", UNKNOWN), group)
    effect = jobs_design_effects(made, answer, group, list(counts.index))
    found = proportion(counts["yes"], known, confidence=confidence, design_effect=effect)
    table = pd.DataFrame(
        {
            "by": by,
            "group": counts.index.astype(str),
            "stage": stage,
            "positions": started.to_numpy(),
            "first_pass": counts["yes"].to_numpy(),
            "failed": counts["no"].to_numpy(),
            "pending": counts["pending"].to_numpy(),
            "unknown": counts["unknown"].to_numpy(),
            "yield": found.estimate,
            "low": np.where(known > 0, found.low, np.nan),
            "high": np.where(known > 0, found.high, np.nan),
            "bound_low": (sure["yes"] / started).to_numpy(),
            "bound_high": (1 - sure["no"] / started).to_numpy(),
            "adjusted": np.nan,
            "adjusted_low": np.nan,
            "adjusted_high": np.nan,
            "as_of": as_of,
        },
        columns=COLUMNS,
    )
    if model is not None:
        fair = fair_yields(model, by, confidence=confidence).reindex(table["group"])
        for name in ("adjusted", "adjusted_low", "adjusted_high"):
            table[name] = fair[name].to_numpy(float)
    return FirstPassYield(
        table=table,
        findings=tuple(_finding(row, crew or Crew()) for row in table.to_dict("records")),
        confidence=confidence,
        as_of=as_of,
        behind=pd.DataFrame(
            {"by": by, "group": group.astype(str), "position_id": made["position_id"]}
        ),
    )


def first_pass_table(
    positions: pd.DataFrame,
    *,
    crew: Crew | None = None,
    stages: Sequence[str] = STAGES,
    groupings: Sequence[str] = GROUPINGS,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> FirstPassYield:
    """All groupings of ``first_pass_yield`` at all stages, one below the other.

    Fair figures stand at the stage ``termination``, the one that decisions rest on; the other
    stages have them from ``first_pass_yield``.
    """
    fair = not positions.empty and bool(set(groupings) & set(FAIR_KINDS))
    models = {
        stage: fit_crew(positions, stage=stage) if fair and stage == "termination" else None
        for stage in stages
    }
    parts = [
        _first_pass(
            positions,
            by,
            stage,
            confidence,
            crew,
            as_of,
            models[stage] if by in FAIR_KINDS else None,
        )
        for stage in stages
        for by in groupings
    ]
    tables = [part.table for part in parts if len(part.table)]
    return FirstPassYield(
        table=pd.concat(tables, ignore_index=True) if tables else parts[0].table,
        findings=parts[0].findings,
        confidence=confidence,
        as_of=as_of,
        behind=pd.concat([part.behind for part in parts if part.behind is not None]),
    )


def iso_week(days: pd.Series) -> pd.Series:
    """ISO week of each day as "2026-W47"; missing where the day is."""
    calendar = pd.to_datetime(days).dt.isocalendar()
    label = (
        calendar["year"].astype("string") + "-W" + calendar["week"].astype("string").str.zfill(2)
    )
    return label.astype(object).where(pd.to_datetime(days).notna(), None)


def labels_of(positions: pd.DataFrame, by: str) -> pd.Series:
    """Group of each position as text; ``by`` as for ``first_pass_yield``."""
    return _labels(_group_column(positions, by))


def _group_column(positions: pd.DataFrame, by: str) -> pd.Series:
    if by == "all":
        return pd.Series("all", index=positions.index)
    if by == "week":
        require_columns(positions, ["first_date"])
        return iso_week(positions["first_date"])
    require_columns(positions, [by])
    return positions[by]


def _labels(column: pd.Series) -> pd.Series:
    """A column as text; a missing label is unknown."""
    return column.astype(object).where(column.notna(), UNKNOWN).astype(str)


def _counts(answer: pd.Series, group: pd.Series) -> pd.DataFrame:
    """Positions of each group by their answer, groups in sorted order."""
    code, names = pd.factorize(group, sort=True)
    kind = pd.Categorical(answer, list(FIRST_PASS)).codes
    cells = np.bincount(code * len(FIRST_PASS) + kind, minlength=len(names) * len(FIRST_PASS))
    return pd.DataFrame(cells.reshape(-1, len(FIRST_PASS)), names, list(FIRST_PASS))


def jobs_design_effects(
    made: pd.DataFrame, answer: str, group: pd.Series, names: list[str]
) -> list[float]:
    """Design effect of jobs for each group; one job-to-job correlation for the whole crew."""
    decided = made[answer].isin(["yes", "no"]).to_numpy()
    job = pd.factorize(_labels(made["job"]))[0][decided]
    kind = np.zeros(len(job), int)
    if "connector_type" in made:
        kind = pd.factorize(_labels(made["connector_type"]))[0][decided]
    correlation = _job_correlation(made[answer].eq("yes").to_numpy()[decided], job, kind)
    jobs = int(job.max()) + 1 if len(job) else 0
    code = pd.Categorical(group, names).codes.astype(int)[decided]
    sizes = np.bincount(code * jobs + job, minlength=len(names) * jobs).reshape(len(names), jobs)
    return [design_effect(tried, correlation) for tried in sizes]


def job_spread(decided: pd.DataFrame) -> float:
    """Design effect of jobs for all decided positions together (first_pass_termination)."""
    if decided.empty:
        return 1.0
    everyone = pd.Series("all", index=decided.index)
    return jobs_design_effects(decided, "first_pass_termination", everyone, ["all"])[0]


def _job_correlation(passed: np.ndarray, job: np.ndarray, kind: np.ndarray) -> float:
    """Correlation of two positions of one job, taken within types since types differ in yield."""
    found, weight = [0.0], [1e-9]
    for one in np.unique(kind):
        mine = kind == one
        tried = np.bincount(job[mine])
        found.append(cluster_correlation(np.bincount(job[mine], passed[mine]), tried))
        weight.append(float(mine.sum()))
    return float(np.average(found, weights=weight))


def _finding(row: dict, crew: Crew) -> Finding:
    n = row["first_pass"] + row["failed"]
    few = row["by"] == "technician" and (
        n < crew.general.too_few_positions
        or 100 * (row["high"] - row["low"]) > crew.general.too_wide_points
    )
    code = "first_pass_too_few" if few or n == 0 else "first_pass_yield"
    return Finding(code, row | {"n": n}, severity="cannot tell" if few or n == 0 else "note")
