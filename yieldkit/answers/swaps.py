"""Which swap of kit would let the records tell, and for how many days."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from scipy.special import ndtri

from yieldkit.answers.fair import HANDS, CrewModel, fit_crew
from yieldkit.answers.result import Finding, Result
from yieldkit.crew import Crew
from yieldkit.methods.crossed.apart import precision_after
from yieldkit.records.tables import UNKNOWN, require_columns

MOST_DAYS = 20
MOST_CHECKS = 400
"""More check joints than this are no plan."""
WANTED_POINTS = 4.0
"""Half-width of the gap's interval that a swap should bring [percentage points]."""


@dataclass(frozen=True, eq=False)
class _Swap:
    """A change of next days' work: cells made, positions a day, and its words."""

    words: str
    codes: np.ndarray
    per_day: np.ndarray


def swap_plan(
    positions: pd.DataFrame,
    *,
    unit: str,
    partner: str,
    crew: Crew | None = None,
    wanted_points: float = WANTED_POINTS,
    confidence: float = 0.95,
    as_of: pd.Timestamp | None = None,
) -> Result:
    """Swaps that tell a unit from its partner, cheapest first, from the information they add.

    The question is how far ``unit``'s gap to the mean of its kind is from ``partner``'s gap to that
    of its own kind; a pair always used together leaves that open. Each two persons of whom
    one used the pair may swap one piece of kit for some days; what each swap would add is worked
    out at the crew's present yield and pace, each on their most usual kit otherwise. Beside the
    swaps stand check joints: made for this alone, each of the pair with another's partner.

    Parameters
    ----------
    positions : DataFrame
        The schema's positions, with ``first_date``.
    unit, partner : str
        Codes of two units of different kinds.
    crew : Crew, optional
        Settings.
    wanted_points : float
        Half-width wanted of the gap's interval [percentage points].
    confidence : float
        Of that interval.

    Returns
    -------
    Result
        ``table``: ``way`` (swap, check joints), ``swap`` (who does what), ``days`` (least that
        reach the wish; missing if 20 do not, and for check joints), ``positions`` on swapped kit,
        or check joints (missing if 400 do not reach the wish), ``before`` and ``after``
        (half-widths [percentage points]); swaps first, the shortest first.

    Raises
    ------
    ValueError
        If a code is in no decided position, or both are of one kind.
    """
    require_columns(positions, ["first_date", "technician"])
    # A swap makes new pairs: the parts of person and kit are taken to add up.
    model = fit_crew(positions, pairs=False)
    if model is None:
        raise ValueError("too few decided positions to plan a swap")
    contrast = _contrast(model, unit, partner)
    share = float(model.cells["passed"].sum() / model.cells["tried"].sum())
    chance = min(max(share, 0.5), 0.99)
    points = 100 * chance * (1 - chance) * ndtri((1 + confidence) / 2)
    rows = [
        _judge(model, swap, contrast, chance, points, wanted_points)
        for swap in _swaps(model, positions, (unit, partner))
    ]
    columns = ["swap", "days", "positions", "before", "after"]
    table = pd.DataFrame(rows, columns=columns)
    table = table.sort_values(["days", "positions", "after"], ignore_index=True)
    table.insert(0, "way", "swap")
    findings = [_finding(table, unit, partner, wanted_points)]
    check = _check_joints(model, contrast, (unit, partner), chance, points, wanted_points)
    if check is not None:
        row = pd.DataFrame([check], columns=columns).assign(way="check joints")
        table = pd.concat([table, row], ignore_index=True)
        if row["positions"].notna().all():
            values = {str(key): value for key, value in row.iloc[0].items()}
            findings.append(Finding("check_joints", values, "note", "swap_kit"))
    return Result(
        table=table,
        findings=tuple(findings),
        settings={"wanted_points": wanted_points},
        confidence=confidence,
        as_of=as_of,
    )


def _kind_of(model: CrewModel, unit: str) -> str:
    for kind in model.kinds:
        if kind in HANDS and unit in model.levels(kind):
            return kind
    raise ValueError(f"{unit} is in no decided position, or the only one of its kind")


def _contrast(model: CrewModel, unit: str, partner: str) -> np.ndarray:
    kinds = _kind_of(model, unit), _kind_of(model, partner)
    if kinds[0] == kinds[1]:
        raise ValueError(f"{unit} and {partner} are both {kinds[0]}s; wanted two kinds")
    contrast = np.zeros(model.posterior.factors.q)
    for kind, name, sign in zip(kinds, (unit, partner), (1.0, -1.0), strict=True):
        rows, names = model.posterior.block(kind), model.levels(kind)
        contrast[rows] -= sign / len(names)
        contrast[rows.start + names.index(name)] += sign
    return contrast


def _swaps(model: CrewModel, positions: pd.DataFrame, pair: tuple[str, str]) -> list[_Swap]:
    """Swaps of one piece between two persons of whom one used the pair."""
    cells, kinds = model.cells, [kind for kind in model.kinds if kind in HANDS]
    known = cells[(cells[kinds] != UNKNOWN).all(axis=1)]
    days = max(pd.to_datetime(positions["first_date"]).nunique(), 1)
    found = []
    if "technician" in kinds:
        people = sorted(known["technician"].unique())
        usual = {
            person: known[known["technician"] == person]
            .groupby(kinds, observed=True)["tried"].sum().idxmax()
            for person in people
        }  # fmt: skip
        pace = known.groupby("technician")["tried"].sum() / days
        for one, two in combinations(people, 2):
            if not set(pair) & (set(_names(usual[one])) | set(_names(usual[two]))):
                continue
            for at, kind in enumerate(kinds):
                mine, yours = _names(usual[one]), _names(usual[two])
                if kind == "technician" or mine[at] == yours[at]:
                    continue
                crossed = [list(mine), list(yours)]
                crossed[0][at], crossed[1][at] = yours[at], mine[at]
                words = f"let {one} and {two} swap {mine[at]} and {yours[at]}"
                per_day = np.array([pace[one], pace[two]])
                found.append(_Swap(words, _codes(model, kinds, crossed), per_day))
    return found


def _check_joints(
    model: CrewModel,
    contrast: np.ndarray,
    pair: tuple[str, str],
    chance: float,
    points: float,
    wanted: float,
) -> tuple[str, float, float, float, float] | None:
    """Fewest joints made only to tell, half of them each unit with another's partner."""
    cells, kinds = model.cells, [kind for kind in model.kinds if kind in HANDS]
    known = cells[(cells[kinds] != UNKNOWN).all(axis=1)]
    used = known.groupby(kinds, observed=True)["tried"].sum().sort_values(ascending=False)
    work = []
    for mine, yours in (pair, pair[::-1]):
        at, other_kind = kinds.index(_kind_of(model, mine)), _kind_of(model, yours)
        usual = next(_names(key) for key in used.index if mine in _names(key))
        others = used.groupby(level=other_kind).sum().drop([yours, usual[at]], errors="ignore")
        if others.empty:
            return None
        crossed = list(usual)
        crossed[kinds.index(other_kind)] = str(others.idxmax())
        work.append(crossed)
    codes = _codes(model, kinds, work)
    words = " and ".join(
        f"{mine} with {made[kinds.index(_kind_of(model, yours))]}"
        for made, (mine, yours) in zip(work, (pair, pair[::-1]), strict=True)
    )
    before = after = np.nan
    for each in range(2, MOST_CHECKS // 2 + 1, 2):
        weight = np.full(2, each * chance * (1 - chance))
        before, after = precision_after(model.posterior, contrast, codes, weight)
        if points * after <= wanted:
            return f"{words}, half each", np.nan, 2.0 * each, points * before, points * after
    return f"{words}, half each", np.nan, np.nan, points * before, points * after


def _names(key: object) -> tuple[str, ...]:
    return tuple(key) if isinstance(key, tuple) else (str(key),)


def _codes(model: CrewModel, kinds: list[str], work: list[list[str]]) -> np.ndarray:
    """Levels of further cells: the given kit, the crew's commonest other levels."""
    of, cells = model.posterior.factors, model.cells
    rows = []
    for name, levels, start in zip(of.names, of.levels, of.start[:-1], strict=True):
        if name in kinds:
            rows.append([start + levels.index(one[kinds.index(name)]) for one in work])
        else:
            common = 0
            if name in cells:
                common = levels.index(cells.groupby(name)["tried"].sum().idxmax())
            rows.append([start + common] * len(work))
    return np.array(rows, int)


def _judge(
    model: CrewModel,
    swap: _Swap,
    contrast: np.ndarray,
    chance: float,
    points: float,
    wanted: float,
) -> tuple[str, float, float, float, float]:
    before = after = np.nan
    for days in range(1, MOST_DAYS + 1):
        made = swap.per_day * days
        before, after = precision_after(
            model.posterior, contrast, swap.codes, made * chance * (1 - chance)
        )
        if points * after <= wanted:
            total = float(np.ceil(made.sum()))
            return swap.words, float(days), total, points * before, points * after
    total = float(np.ceil(swap.per_day.sum() * MOST_DAYS))
    return swap.words, np.nan, total, points * before, points * after


def _finding(table: pd.DataFrame, unit: str, partner: str, wanted: float) -> Finding:
    if table.empty:
        return Finding("swap_none", {"unit": unit, "partner": partner}, "cannot tell")
    best = table.iloc[0]
    values = {str(key): value for key, value in best.items()}
    values |= {"unit": unit, "partner": partner, "wanted": wanted}
    if np.isnan(best["days"]):
        best = table.sort_values("after").iloc[0]
        values |= {"before": best["before"], "after": best["after"], "days": MOST_DAYS}
        return Finding("swap_out_of_reach", values | {"swap": best["swap"]}, "cannot tell")
    return Finding("swap_plan", values, "decide", "swap_kit")
