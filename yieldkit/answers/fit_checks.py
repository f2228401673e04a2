"""Does the model behind the fair figures look like the crew? What it makes beside what was seen."""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldkit.answers.fair import HANDS, PAIR, CrewModel, fit_crew
from yieldkit.answers.result import Finding, Result
from yieldkit.crew import Crew
from yieldkit.methods.crossed.checks import Check, beside, beyond_luck, by_group, replicated
from yieldkit.records.tables import require_columns

FEWEST_GROUPS = 4
"""With fewer groups a figure about groups says nothing."""
SURE = 0.02
"""Under this chance the model and the records do not go together."""
COLUMNS = ["check", "groups", "n", "seen", "expected", "low", "high", "chance", "verdict"]


def fit_checks(
    positions: pd.DataFrame,
    *,
    stage: str = "termination",
    crew: Crew | None = None,
    as_of: pd.Timestamp | None = None,
) -> Result:
    """Whether the fair figures' model makes data like the crew's.

    Parameters
    ----------
    positions : DataFrame
        The schema's positions.
    stage : str
        ``termination``, ``splice`` or ``link``.
    crew : Crew, optional
        Settings.

    Returns
    -------
    Result
        ``table``, a row a check: ``check``, ``groups``, ``n`` [decided positions], ``seen``,
        ``expected`` (median of the model's), ``low``, ``high`` (its middle 95 %), ``chance`` (of
        something as far out), ``verdict`` (fits, does not fit). Checks: ``spread of X`` (standard
        deviation of the yields of units, days or jobs [points], as new ones would have),
        ``technician on X`` (how far pairs of person and kit, if no kind of the model, are from what
        the parts of the two would give, in units of luck), ``jobs without failure`` [jobs],
        ``worst day`` [failures].

    References
    ----------
    A. Gelman, X.-L. Meng and H. Stern, Stat. Sinica 6, 733-807, 1996.
    """
    require_columns(positions, ["first_attempt_id", f"first_pass_{stage}"])
    model = fit_crew(positions, stage=stage)
    if model is None:
        none = Finding("fit_too_few", {}, "cannot tell")
        return Result(table=pd.DataFrame(columns=COLUMNS), findings=(none,), as_of=as_of)
    rng = np.random.default_rng([(crew or Crew()).general.seed, 7])
    table = check_model(model, rng)
    odd = table[table["verdict"] == "does not fit"]
    n = int(model.cells["tried"].sum())
    findings = tuple(
        Finding("fit_does_not", {str(key): value for key, value in row.items()}, "watch")
        for row in odd.to_dict("records")
    ) or (Finding("fit_does", {"checks": len(table), "n": n}, "fine"),)
    return Result(table=table, findings=findings, as_of=as_of)


def check_model(model: CrewModel, rng: np.random.Generator) -> pd.DataFrame:
    """The checks of a fitted crew; see ``fit_checks``."""
    cells, tried = model.cells, model.cells["tried"].to_numpy(float)
    failed = tried - cells["passed"].to_numpy(float)
    rows: list[tuple[str, int, Check]] = []
    for kind in (kind for kind in model.kinds if kind in (*HANDS, "job", "day")):
        groups, names = pd.factorize(cells[kind])
        if len(names) < FEWEST_GROUPS:
            continue
        made, _ = replicated(model.posterior, tried, rng, fresh=[kind])
        figures = {f"spread of {kind}": _spread}
        figures |= {"jobs without failure": _without} if kind == "job" else {}
        figures |= {"worst day": _worst} if kind == "day" else {}
        n = np.bincount(groups, tried)
        seen, again = by_group(failed[None], groups), by_group(made, groups)
        rows += [
            (name, len(names), beside(float(figure(seen, n)[0]), figure(again, n)))
            for name, figure in figures.items()
        ]
    hands = [kind for kind in model.kinds if kind in HANDS]
    made, chance = replicated(model.posterior, tried, rng)
    kit = [kind for kind in hands[1:] if not (kind == "splicer" and PAIR in model.kinds)]
    for kind in kit if hands[:1] == ["technician"] else ():
        groups, names = pd.factorize(cells["technician"] + "\n" + cells[kind])
        check = beyond_luck(failed, made, chance, tried, groups)
        rows.append((f"technician on {kind}", len(names), check))
    table = pd.DataFrame(
        [(name, many, one.seen, one.middle, one.low, one.high, one.chance)
         for name, many, one in rows],
        columns=["check", "groups", "seen", "expected", "low", "high", "chance"],
    )  # fmt: skip
    fits = np.where(table["chance"] < SURE, "does not fit", "fits")
    return table.assign(n=int(tried.sum()), verdict=fits)[COLUMNS]


def _spread(sums: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Standard deviation of the groups' yields about the whole's, by positions [points]."""
    gaps = sums / n - sums.sum(axis=1, keepdims=True) / n.sum()
    return np.asarray(100 * np.sqrt(gaps**2 @ n / n.sum()))


def _without(sums: np.ndarray, n: np.ndarray) -> np.ndarray:
    return np.asarray((sums == 0).sum(axis=1))


def _worst(sums: np.ndarray, n: np.ndarray) -> np.ndarray:
    return np.asarray(sums.max(axis=1))
