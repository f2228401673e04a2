"""Two groups or two periods beside each other, the funnel, and what is still missing to tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from yieldkit.answers.result import Finding, Result, Severity
from yieldkit.answers.yields import first_pass_yield, jobs_design_effects
from yieldkit.crew import Crew
from yieldkit.methods.proportions import check_confidence, difference, trials_to_tell
from yieldkit.records.tables import require_columns

if TYPE_CHECKING:
    from matplotlib.axes import Axes

UNLOGGED = (0.0, 0.1, 0.2, 0.3, 0.5)
"""Shares of failures that nobody wrote down, for the sensitivity."""
FUNNEL = (0.95, 0.998)
"""Inner and outer limits of the funnel (D. J. Spiegelhalter, Stat. Med. 24, 2005)."""


def compare_groups(
    positions: pd.DataFrame,
    *,
    by: str,
    groups: tuple[str, str] | None = None,
    stage: str = "termination",
    crew: Crew | None = None,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> Result:
    """Difference of raw first-pass yields: of two groups, or of each group and all others.

    Where there are several differences their intervals hold together with the confidence asked for
    (Bonferroni: each at 1 - (1 - confidence) / number), so that of six equal groups one does not
    look bad by luck. Trials count as divided by the design effect of jobs.

    Parameters
    ----------
    positions : DataFrame
        The schema's positions.
    by : str
        Column to group on.
    groups : pair of str, optional
        The two to compare; each against all others if missing.

    Returns
    -------
    Result
        ``table``: ``group``, ``against``, ``n``, ``n_against`` [decided positions], ``waiting``,
        ``waiting_against`` [positions still to be tested], ``yield``, ``yield_against`` [fraction],
        ``difference``, ``low``, ``high`` [percentage points], ``verdict`` (better, worse, cannot
        tell; a group is worse only if it would be so with all that wait passed), ``comparisons``,
        ``n_more`` [decided positions more in each until such a difference is told with 80 % power].

    References
    ----------
    R. G. Newcombe, Stat. Med. 17, 873-890, 1998 (interval of a difference).
    """
    check_confidence(confidence)
    positions = positions.reset_index(drop=True)
    made = first_pass_yield(positions, by=by, stage=stage, confidence=confidence, fair=False).table
    label = positions[by].astype(object).where(positions[by].notna(), "unknown").astype(str)
    if groups is not None:
        missing = set(groups) - set(made["group"])
        if missing:
            raise ValueError(f"no {by} {sorted(missing)}; wanted some of {sorted(made['group'])}")
        pairs = [(groups[0], label == groups[0], groups[1], label == groups[1])]
    else:
        names = [name for name in made["group"] if name != "unknown"]
        pairs = [(name, label == name, "the others", label != name) for name in names]
    each = 1 - (1 - confidence) / max(len(pairs), 1)
    rows = [
        _compared(positions, stage, one, mine, other, yours, each, len(pairs))
        for one, mine, other, yours in pairs
    ]
    table = pd.DataFrame(rows)
    findings = tuple(
        Finding("groups_compared", {str(k): v for k, v in row.items()}, _severity(row["verdict"]))
        for row in rows
        if groups is not None or row["verdict"] != "cannot tell"
    )
    if not findings:
        values = {"by": by, "comparisons": len(pairs), "n": int(made["positions"].sum())}
        apart = [row for row in rows if not row["low"] <= 0 <= row["high"]]
        out = [row["waiting" if row["difference"] < 0 else "waiting_against"] for row in apart]
        values["waiting"] = max(out, default=0)
        findings = (Finding("groups_alike", values, "cannot tell"),)
    return Result(table=table, findings=findings, confidence=confidence, as_of=as_of)


def compare_periods(
    positions: pd.DataFrame,
    *,
    before: tuple[date, date],
    after: tuple[date, date],
    stage: str = "termination",
    crew: Crew | None = None,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> Result:
    """Difference of raw first-pass yields of two periods, by date of the first arc, ends included.

    See ``compare_groups`` for the table; ``group`` is the later period. The worst of several equal
    groups improves by itself: compare a group over periods only where it was chosen beforehand.
    """
    require_columns(positions, ["first_date"])
    check_confidence(confidence)
    positions = positions.reset_index(drop=True)
    when = pd.to_datetime(positions["first_date"])
    masks = [
        (when >= pd.Timestamp(first)) & (when <= pd.Timestamp(last))
        for first, last in (after, before)
    ]
    names = [f"{first} to {last}" for first, last in (after, before)]
    if (masks[0] & masks[1]).any():
        raise ValueError(f"the periods {names[1]} and {names[0]} overlap")
    row = _compared(positions, stage, names[0], masks[0], names[1], masks[1], confidence, 1)
    return Result(
        table=pd.DataFrame([row]),
        findings=(
            Finding("groups_compared", {str(k): v for k, v in row.items()},
                    _severity(row["verdict"])),
        ),
        confidence=confidence,
        as_of=as_of,
    )  # fmt: skip


def _severity(verdict: str) -> Severity:
    return "cannot tell" if verdict == "cannot tell" else "note"


def _compared(
    positions: pd.DataFrame,
    stage: str,
    one: str,
    mine: pd.Series,
    other: str,
    yours: pd.Series,
    confidence: float,
    comparisons: int,
) -> dict[str, Any]:
    answer = f"first_pass_{stage}"
    made = positions[positions["first_attempt_id"].notna() & (mine | yours)]
    side = pd.Series(np.where(mine.loc[made.index], "mine", "yours"), index=made.index)
    decided = made[answer].isin(["yes", "no"])
    passed = made[answer].eq("yes")[decided].groupby(side[decided]).sum()
    tried = side[decided].value_counts()
    effect = jobs_design_effects(made, answer, side, ["mine", "yours"])
    counts = [
        (float(passed.get(name, 0)), float(tried.get(name, 0)), factor)
        for name, factor in zip(("mine", "yours"), effect, strict=True)
    ]
    waits = side[made[answer].eq("pending")].value_counts()
    waiting = [int(waits.get(name, 0)) for name in ("mine", "yours")]
    row: dict[str, Any] = {
        "group": one,
        "against": other,
        "n": int(counts[0][1]),
        "n_against": int(counts[1][1]),
        "waiting": waiting[0],
        "waiting_against": waiting[1],
    }
    shares = [hit / many if many else np.nan for hit, many, _ in counts]
    row |= {"yield": shares[0], "yield_against": shares[1]}
    low, gap, high, verdict, more = -100.0, np.nan, 100.0, "cannot tell", np.nan
    if all(many for _, many, _ in counts):
        gap, low, high = _difference(counts, confidence)
        verdict = "better" if low > 0 else "worse" if high < 0 else "cannot tell"
        if verdict != "cannot tell":
            # Failures show at once, passes after the test: all that waits may still pass.
            worse = 0 if verdict == "worse" else 1
            hit, many, factor = counts[worse]
            counts[worse] = (hit + waiting[worse], many + waiting[worse], factor)
            _, least, most = _difference(counts, confidence)
            holds = most < 0 if verdict == "worse" else least > 0
            verdict = verdict if holds else "cannot tell"
        elif abs(gap) > 0.05:
            wanted = trials_to_tell(*shares, confidence=confidence) * counts[0][2]
            more = max(np.ceil(wanted - min(counts[0][1], counts[1][1])), 0)
    return row | {
        "difference": gap,
        "low": low,
        "high": high,
        "verdict": verdict,
        "comparisons": comparisons,
        "n_more": more,
    }


def _difference(
    counts: list[tuple[float, float, float]], confidence: float
) -> tuple[float, float, float]:
    """Points between two groups (passed, tried, design effect), and their interval."""
    (hit, many, factor), (other_hit, other_many, other_factor) = counts
    found = difference(
        (hit / factor, other_hit / other_factor),
        (many / factor, other_many / other_factor),
        confidence=confidence,
    )
    return 100 * float(found.estimate), 100 * float(found.low), 100 * float(found.high)


@dataclass(frozen=True, eq=False, kw_only=True)
class Funnel(Result):
    """Yields against how many positions they rest on; see ``funnel``."""

    def plot(self, ax: Axes) -> Axes:
        """Draw the funnel on ``ax``."""
        from yieldkit.figures.yields import draw_funnel

        return draw_funnel(ax, self.table, **self.settings)


def funnel(
    positions: pd.DataFrame,
    *,
    by: str,
    stage: str = "termination",
    crew: Crew | None = None,
    as_of: pd.Timestamp | None = None,
) -> Funnel:
    """Each group's raw yield beside the limits within which equal groups of its size would lie.

    Limits are those of luck, widened where groups differ more than luck all over (over-dispersion:
    mean square of the standardised residuals, the outermost tenth drawn in).

    Returns
    -------
    Funnel
        ``table``: ``group``, ``n``, ``yield``, ``crew`` [fraction], ``low``, ``high`` (95 %),
        ``low_outer``, ``high_outer`` (99.8 %), ``outside`` (of the outer ones).

    References
    ----------
    D. J. Spiegelhalter, Stat. Med. 24, 1185-1202, 2005, sections 3 and 5 (limits, winsorised
    estimate of over-dispersion).
    """
    made = first_pass_yield(positions, by=by, stage=stage, fair=False).table
    made = made.assign(n=made["first_pass"] + made["failed"])
    made = made[(made["n"] > 0) & (made["group"] != "unknown")].reset_index(drop=True)
    whole = float(made["first_pass"].sum() / max(made["n"].sum(), 1))
    luck = np.sqrt(np.maximum(whole * (1 - whole), 1e-12) / np.maximum(made["n"], 1))
    wider = _over_dispersion((made["yield"] - whole).to_numpy(float) / luck.to_numpy(float))
    table = made[["group", "n", "yield"]].assign(crew=whole)
    for size, (low, high) in zip(
        FUNNEL, (("low", "high"), ("low_outer", "high_outer")), strict=True
    ):
        reach = ndtri((1 + size) / 2) * np.sqrt(wider) * luck
        table[low] = (whole - reach).clip(0, 1)
        table[high] = (whole + reach).clip(0, 1)
    table["outside"] = (table["yield"] < table["low_outer"]) | (
        table["yield"] > table["high_outer"]
    )
    out = tuple(table.loc[table["outside"], "group"])
    values: dict[str, Any] = {
        "groups": len(table),
        "outside": out,
        "n": int(table["n"].sum()),
        "wider": wider,
    }
    if by == "technician" and out:
        values["outside"] = ()
        values["some"] = len(out)
    return Funnel(
        table=table,
        findings=(Finding("funnel", values, "watch" if out else "fine"),),
        settings={"crew": whole, "wider": wider},
        confidence=FUNNEL[0],
        as_of=as_of,
    )


def _over_dispersion(z: np.ndarray) -> float:
    if len(z) < 4:
        return 1.0
    ends = np.quantile(z, [0.1, 0.9])
    square = float((np.clip(z, *ends) ** 2).mean())
    return max(square, 1.0)


def more_positions(
    positions: pd.DataFrame,
    *,
    first: float = 0.98,
    second: float = 0.95,
    per_week: float | None = None,
    stage: str = "termination",
    crew: Crew | None = None,
    confidence: float = 0.95,
    power: float = 0.8,
    as_of: pd.Timestamp | None = None,
) -> Result:
    """How many more positions until two yields could be told apart.

    Parameters
    ----------
    first, second : float
        The yields to tell apart [fraction].
    per_week : float, optional
        Positions a week of each; the records' own pace, shared by two, if missing.

    Returns
    -------
    Result
        ``table``: ``needed`` (in each of two groups, spread of jobs allowed for), ``n`` (decided so
        far), ``n_more`` (in each of two equal halves of the crew's work), ``weeks``, ``by_date``.
    """
    require_columns(positions, ["first_date"])
    answer = f"first_pass_{stage}"
    made = positions[positions["first_attempt_id"].notna()]
    decided = int(made[answer].isin(["yes", "no"]).sum())
    [factor] = jobs_design_effects(made, answer, pd.Series("all", index=made.index), ["all"])
    needed = trials_to_tell(first, second, confidence=confidence, power=power) * factor
    when = pd.to_datetime(made["first_date"])
    if per_week is None:
        weeks = max(((when.max() - when.min()).days + 1) / 7, 1) if len(made) else 1
        per_week = len(made) / weeks / 2
    more = max(needed - decided / 2, 0.0)
    weeks_more = more / per_week if per_week else np.inf
    end = as_of if as_of is not None else when.max()
    known = np.isfinite(weeks_more) and len(made)
    by_date = (end + pd.Timedelta(weeks=weeks_more)).normalize() if known else None
    row = {
        "first": first,
        "second": second,
        "needed": int(np.ceil(needed)),
        "n": decided,
        "n_more": int(np.ceil(more)),
        "weeks": weeks_more,
        "by_date": by_date,
        "design_effect": factor,
    }
    return Result(
        table=pd.DataFrame([row]),
        findings=(Finding("more_positions", row | {"power": power}, "note"),),
        confidence=confidence,
        as_of=as_of,
    )


def unlogged_failures(
    positions: pd.DataFrame,
    *,
    shares: Sequence[float] = UNLOGGED,
    stage: str = "termination",
    crew: Crew | None = None,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> Result:
    """First-pass yield of the crew if a share of the failures was never written down.

    Returns
    -------
    Result
        ``table``: ``unlogged`` [fraction of true failures], ``yield``, ``low``, ``high``
        [fraction], ``n`` [decided positions].
    """
    row = first_pass_yield(positions, by="all", stage=stage, confidence=confidence).table
    if row.empty:
        return Result(table=pd.DataFrame(columns=["unlogged", "yield", "low", "high", "n"]))
    whole = row.iloc[0]
    n = int(whole["first_pass"] + whole["failed"])
    rows = []
    for share in shares:
        if not 0 <= share < 1:
            raise ValueError(f"a share of {share} is unlogged; wanted at least 0 and under 1")
        seen = 1 - share
        ends = [1 - (1 - float(whole[name])) / seen for name in ("yield", "low", "high")]
        rows.append([share, *np.clip(ends, 0, 1), n])
    table = pd.DataFrame(rows, columns=["unlogged", "yield", "low", "high", "n"])
    worst = table.iloc[-1]
    values = {"yield": whole["yield"], "n": n, "share": worst["unlogged"], "then": worst["yield"]}
    return Result(
        table=table,
        findings=(Finding("unlogged_failures", values, "note", "write_down"),),
        confidence=confidence,
        as_of=as_of,
    )
