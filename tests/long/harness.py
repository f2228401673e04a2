"""Judge of claims: many simulated crews in parallel, a table with its Monte Carlo error.

A claim is a function ``claim(plan, seed) -> list of dict``: it simulates one crew from ``plan``
and ``seed``, asks the package its question, compares with the truth and gives one dict an outcome.
It must stand at the top of a module, so that other processes can import it.

    rows = run_study(claim, {"fits": plan, "misspecified": other}, crews=200, seed=1)
    table = coverage(rows, by=["crew", "what"])
    write_table("yields", "coverage of first-pass yields", table, about="...", command="...")

Every summary treats the crew, not the outcome, as the unit that was drawn: outcomes of one crew are
alike, and the Monte Carlo error says so.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from yieldkit.simulate import CrewPlan

DOCS = Path(__file__).parents[2] / "docs" / "methods"
Claim = Callable[[CrewPlan, int], list[dict[str, Any]]]
KEEP_EVERY = 100
"""Crews after which a study that keeps its outcomes writes them."""
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def crew_seeds(seed: int, crews: int) -> list[int]:
    """A seed for each crew; the same crews whatever the number of processes."""
    return [int(np.random.SeedSequence([seed, i]).generate_state(1)[0]) for i in range(crews)]


def run_study(
    claim: Claim,
    plans: Mapping[str, CrewPlan],
    *,
    crews: int,
    seed: int,
    processes: int | None = None,
    progress: bool = True,
) -> pd.DataFrame:
    """Outcomes of ``crews`` crews of each plan.

    Parameters
    ----------
    claim : callable
        See the module.
    plans : mapping
        Name of the kind of crew to its plan; every study has one that fits the model and one that
        does not.
    crews : int
        Crews of each kind.
    seed : int
        Seed of the study.
    processes : int, optional
        Processes; 1 runs here. If left out, the environment's ``STUDY_PROCESSES``, or all cores.
    progress : bool
        Whether to tell on the error stream how far it is.

    Returns
    -------
    DataFrame
        A row an outcome: ``crew`` (kind), ``seed``, and what the claim gave.
    """
    tasks = [(name, plan, s) for name, plan in plans.items() for s in crew_seeds(seed, crews)]
    processes = processes or int(os.environ.get("STUDY_PROCESSES", 0)) or os.cpu_count() or 1
    keep = _kept_at(claim, plans, seed)
    kept: dict[tuple[str, int], list[dict[str, Any]]] = {}
    if keep is not None and keep.exists():
        kept = pickle.loads(keep.read_bytes())
    todo = [task for task in tasks if (task[0], task[2]) not in kept]
    begun = time.monotonic()
    for done, (task, outcomes) in enumerate(_judged(claim, todo, processes), start=1):
        kept[task[0], task[2]] = outcomes
        last = done == len(todo)
        if keep is not None and (last or done % KEEP_EVERY == 0):
            keep.with_suffix(".new").write_bytes(pickle.dumps(kept))
            keep.with_suffix(".new").replace(keep)
        _tell(claim, done, len(todo), begun, progress)
    rows = [
        {"crew": name, "seed": s} | outcome for name, _, s in tasks for outcome in kept[name, s]
    ]
    return pd.DataFrame(rows)


def _kept_at(claim: Claim, plans: Mapping[str, CrewPlan], seed: int) -> Path | None:
    """File of the outcomes so far, where ``STUDY_KEEP`` names a folder for them."""
    if "STUDY_KEEP" not in os.environ:
        return None
    folder = Path(os.environ["STUDY_KEEP"])
    folder.mkdir(parents=True, exist_ok=True)
    name = getattr(claim, "__name__", "study")
    of = hashlib.sha256(repr(sorted(plans.items())).encode()).hexdigest()[:12]
    return folder / f"{name}-{seed}-{of}.pickle"


Task = tuple[str, CrewPlan, int]


def _judged(
    claim: Claim, tasks: Sequence[Task], processes: int
) -> Iterator[tuple[Task, list[dict[str, Any]]]]:
    """Each task with its outcomes, as they come."""
    if processes == 1:
        for task in tasks:
            yield task, claim(task[1], task[2])
        return
    for name in THREADS:
        os.environ.setdefault(name, "1")
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        jobs = {pool.submit(claim, plan, s): (name, plan, s) for name, plan, s in tasks}
        for job in as_completed(jobs):
            yield jobs[job], job.result()


def _tell(claim: Claim, done: int, total: int, begun: float, progress: bool) -> None:
    if progress and (done == total or done % max(1, total // 20) == 0):
        spent = time.monotonic() - begun
        left = spent / done * (total - done)
        name = getattr(claim, "__name__", "study")
        print(
            f"{name}: {done} of {total} crews, {spent:.0f} s, about {left:.0f} s left",
            file=sys.stderr,
            flush=True,
        )


def ratio(top: pd.Series, below: pd.Series) -> tuple[float, float]:
    """Ratio of two sums over crews and its standard error (linearised, crews independent)."""
    n = len(top)
    share = top.sum() / below.sum() if below.sum() else np.nan
    if n < 2 or not np.isfinite(share):
        return share, np.nan
    residual = top - share * below
    return share, float(np.sqrt(n / (n - 1) * (residual**2).sum()) / below.sum())


def coverage(rows: pd.DataFrame, *, by: Sequence[str], flag: str = "covered") -> pd.DataFrame:
    """Share of outcomes with ``flag`` true, by group, with its Monte Carlo error.

    A missing flag means that nothing was claimed; such outcomes are counted apart as ``silent``.
    """
    table = []
    for key, group in rows.groupby(list(by), sort=False):
        said = group[group[flag].notna()]
        sums = said[flag].astype(float).groupby(said["seed"]).agg(["sum", "size"])
        share, error = ratio(sums["sum"], sums["size"])
        table.append(
            {
                **dict(zip(by, key, strict=True)),
                "crews": group["seed"].nunique(),
                "outcomes": len(said),
                "silent": len(group) - len(said),
                flag: share,
                "mc_error": error,
            }
        )
    return pd.DataFrame(table)


def calibration(
    rows: pd.DataFrame,
    *,
    by: Sequence[str],
    stated: str = "stated",
    happened: str = "happened",
    cells: Sequence[float] = (0, 0.2, 0.4, 0.6, 0.8, 0.9, 1.0),
) -> pd.DataFrame:
    """Stated probabilities beside the share that happened, in cells of the stated one."""
    table = []
    cell = pd.cut(rows[stated], list(cells), include_lowest=True)
    for key, group in rows.groupby([*(rows[name] for name in by), cell], observed=True, sort=False):
        sums = group.groupby("seed").agg(h=(happened, "sum"), n=(happened, "size"))
        share, error = ratio(sums["h"].astype(float), sums["n"])
        table.append(
            {
                **dict(zip(by, key[:-1], strict=True)),
                "stated": f"{100 * max(key[-1].left, 0):.0f}-{100 * key[-1].right:.0f} %",
                "outcomes": len(group),
                "mean_stated": group[stated].mean(),
                "happened": share,
                "mc_error": error,
            }
        )
    return pd.DataFrame(table).sort_values([*by, "mean_stated"], ignore_index=True)


def alarm_rate(
    rows: pd.DataFrame, *, by: Sequence[str], alarms: str = "alarms", spans: str = "quarters"
) -> pd.DataFrame:
    """False alarms per span (quarters unless told), one row an outcome, and the error."""
    table = []
    for key, group in rows.groupby(list(by), sort=False):
        sums = group.groupby("seed").agg(a=(alarms, "sum"), s=(spans, "sum"))
        rate, error = ratio(sums["a"].astype(float), sums["s"])
        table.append(
            {
                **dict(zip(by, key, strict=True)),
                "crews": len(sums),
                "alarms": int(group[alarms].sum()),
                f"alarms_per_{spans.removesuffix('s')}": rate,
                "mc_error": error,
            }
        )
    return pd.DataFrame(table)


def delays(
    rows: pd.DataFrame, *, by: Sequence[str], delay: str = "delay", draws: int = 500
) -> pd.DataFrame:
    """Share seen, and median delay counting the unseen as longer than any; errors by bootstrap.

    ``delay`` is missing where nothing was seen. Crews are drawn again, not outcomes.
    """
    rng = np.random.default_rng(len(rows))
    table = []
    for key, group in rows.groupby(list(by), sort=False):
        crews = [part[delay].fillna(np.inf).to_numpy() for _, part in group.groupby("seed")]
        every = np.concatenate(crews)
        again = [
            np.concatenate([crews[i] for i in rng.integers(len(crews), size=len(crews))])
            for _ in range(draws)
        ]
        middles = np.array([_median(one) for one in again])
        seen = np.array([np.isfinite(one).mean() for one in again])
        finite = middles[np.isfinite(middles)]
        table.append(
            {
                **dict(zip(by, key, strict=True)),
                "crews": len(crews),
                "outcomes": len(every),
                "seen": np.isfinite(every).mean(),
                "seen_mc_error": seen.std(ddof=1),
                "median_delay": _median(every),
                "median_mc_error": finite.std(ddof=1) if len(finite) > 0.9 * draws else np.nan,
            }
        )
    return pd.DataFrame(table)


def _median(values: np.ndarray) -> float:
    return float(np.sort(values)[(len(values) - 1) // 2])


def costs(rows: pd.DataFrame, *, by: Sequence[str], cost: str = "cost") -> pd.DataFrame:
    """Mean cost of an outcome, by group (a rule, say), with its Monte Carlo error."""
    table = []
    for key, group in rows.groupby(list(by), sort=False):
        sums = group.groupby("seed").agg(c=(cost, "sum"), n=(cost, "size"))
        mean, error = ratio(sums["c"].astype(float), sums["n"])
        table.append(
            {
                **dict(zip(by, key, strict=True)),
                "crews": len(sums),
                "outcomes": len(group),
                cost: mean,
                "mc_error": error,
            }
        )
    return pd.DataFrame(table)


def markdown(table: pd.DataFrame, decimals: int = 3) -> str:
    """A table as Markdown; numbers rounded, missing ones shown as a dash."""
    lines = ["| " + " | ".join(str(c).replace("_", " ") for c in table.columns) + " |"]
    lines.append("| " + " | ".join("---" for _ in table.columns) + " |")
    for row in table.itertuples(index=False):
        lines.append("| " + " | ".join(_cell(value, decimals) for value in row) + " |")
    return "\n".join(lines)


def _cell(value: object, decimals: int) -> str:
    if isinstance(value, float | np.floating):
        if np.isnan(value):
            return "-"
        return "never" if np.isinf(value) else f"{value:.{decimals}f}"
    return str(value)


def write_table(
    topic: str,
    name: str,
    table: pd.DataFrame,
    *,
    about: str,
    command: str,
    folder: Path = DOCS,
    decimals: int = 3,
) -> Path:
    """Write a study's table into ``docs/methods/<topic>.md``, in place of its last one.

    Parameters
    ----------
    topic : str
        Name of the page, without ``.md``; made if need be.
    name : str
        Heading of the study; two marks around it tell where to write.
    table : DataFrame
        From one of the summaries.
    about : str
        What was asked, on what crew.
    command : str
        Command that makes it again.
    folder : Path
        Folder of the pages.
    decimals : int
        Decimals shown.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{topic}.md"
    text = path.read_text("utf-8") if path.exists() else f"# {topic.capitalize()}\n"
    begin, end = f"<!-- study: {name} -->", f"<!-- end of study: {name} -->"
    block = "\n".join(
        [
            begin,
            f"### {name[:1].upper()}{name[1:]}",
            "",
            about.strip(),
            "",
            markdown(table, decimals),
            "",
            f"`mc error` is the Monte Carlo standard error, crews being the unit drawn."
            f" Made by `{command}`.",
            end,
        ]
    )
    if begin in text and end in text:
        head, _, rest = text.partition(begin)
        text = head + block + rest.partition(end)[2]
    else:
        text = text.rstrip("\n") + "\n\n" + block + "\n"
    path.write_text(text, "utf-8")
    return path
