"""Claims about the simulated crew, the records and the yields; for the long studies."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from yieldkit.answers.yields import first_pass_yield
from yieldkit.simulate import CrewPlan, Shift, SimulatedCrew, simulate
from yieldkit.simulate.chances import COLUMN, true_chance
from yieldkit.simulate.seeing import first_alarms, watch

JOB_NODES, JOB_WEIGHTS = np.polynomial.hermite_e.hermegauss(9)


def stated_chances(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """The simulator's own claim: a joint succeeds as often as its true chance says."""
    first = simulate(plan, seed=seed).truth.positions.drop_duplicates("arc")
    chosen = first.sample(min(400, len(first)), random_state=seed % 2**31)
    return [
        {"stated": float(p), "happened": bool(y)}
        for p, y in zip(chosen["chance"], chosen["first_pass"], strict=True)
    ]


def fresh_chances(crew: SimulatedCrew) -> pd.DataFrame:
    """True chance of each first arc, its job's effect averaged over all jobs there could be.

    Nine Gauss-Hermite nodes on the logit; the spread of jobs in losses is left out.
    """
    parts, happened = crew.parts, crew.parts.happened
    first = np.flatnonzero(happened.try_no == 1)
    first = first[np.argsort(happened.position[first], kind="stable")]
    kind = parts.work.kind[happened.position[first]]
    eta = happened.eta[first] - happened.fault_parts[first, COLUMN["job"]]
    chance = sum(
        weight
        * true_chance(
            parts.plan,
            kind,
            eta + node * parts.plan.faults.job,
            happened.mean_db[first],
            happened.bias[first],
            happened.arc[first],
        )[1]
        for node, weight in zip(JOB_NODES, JOB_WEIGHTS / JOB_WEIGHTS.sum(), strict=True)
    )
    return crew.truth.positions.assign(fresh=chance)


def yields_cover(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """The interval of a first-pass yield holds the true yield of the unit as worked.

    ``covered``: with the jobs that there were; ``covered_fresh``: with other jobs of the same kind.
    """
    crew = simulate(plan, seed=seed)
    truth = fresh_chances(crew)
    outcomes = []
    for by in ("all", "connector_type", "splicer"):
        table = first_pass_yield(crew.tables["positions"], by=by, crew=crew.crew).table
        grouped = truth.groupby(truth[by] if by != "all" else np.full(len(truth), "all"))
        true = grouped[["chance", "fresh"]].mean()
        for row in table.to_dict("records"):
            if row["group"] not in true.index:
                continue
            worked, fresh = true.loc[row["group"]]
            outcomes.append(
                {
                    "what": by,
                    "covered": row["low"] <= worked <= row["high"],
                    "covered_fresh": row["low"] <= fresh <= row["high"],
                    "width": row["high"] - row["low"],
                }
            )
    return outcomes


def last_week_covers(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """First-pass yield of the newest week, while its tests are out, against the truth.

    Failures are mostly known at once and passes only after the test, so the share among those
    decided reads low; ``error_points`` is figure less truth [percentage points].
    """
    crew = simulate(plan, seed=seed)
    truth, told = crew.truth.positions, crew.tables["positions"]
    monday = truth["date"].max() - pd.Timedelta(days=4)
    outcomes = []
    for what, weeks_back in (("newest week", 0), ("the week before", 1), ("two weeks before", 2)):
        begin = monday - pd.Timedelta(days=7 * weeks_back)
        here = truth[(truth["date"] >= begin) & (truth["date"] < begin + pd.Timedelta(days=7))]
        mine = told[told["position_id"].isin(here["position_id"])]
        row = first_pass_yield(mine, by="all", crew=crew.crew).table.iloc[0]
        true = here["chance"].mean()
        # Bounds speak of the positions that the records show as begun.
        shown = mine.loc[mine["first_attempt_id"].notna(), "position_id"]
        passed = here.loc[here["position_id"].isin(shown), "first_pass"].mean()
        outcomes.append(
            {
                "what": what,
                "covered": row["low"] <= true <= row["high"],
                "within_bounds": row["bound_low"] - 1e-9 <= passed <= row["bound_high"] + 1e-9,
                "pending": row["pending"] / row["positions"],
                "error_points": 100 * (row["yield"] - true),
            }
        )
    return outcomes


def records_tell(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """What the records call first pass or failed is so; how much they leave open."""
    crew = simulate(plan, seed=seed)
    told = crew.tables["positions"].set_index("position_id")["first_pass_termination"]
    true = crew.truth.positions.set_index("position_id")["first_pass"]
    told = told.reindex(true.index).fillna("no record")
    return [
        {"what": "called first pass, and was", "n": int((told == "yes").sum()),
         "right": int(((told == "yes") & true).sum())},
        {"what": "called failed, and was", "n": int((told == "no").sum()),
         "right": int(((told == "no") & ~true).sum())},
        {"what": "left open", "n": len(told),
         "right": int(told.isin(["pending", "unknown", "no record"]).sum())},
    ]  # fmt: skip


def files_account(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """Every row of every file of a crew is accounted for by our own records."""
    import tempfile

    from yieldkit.records.ingest import ingest
    from yieldkit.records.opened import open_crew
    from yieldkit.simulate import write_inbox

    crew = simulate(plan, seed=seed)
    with tempfile.TemporaryDirectory() as folder:
        truth = write_inbox(crew, folder, weeks=2, seed=seed % 1000)
        ingest(folder)
        files = open_crew(folder).files().set_index("file")
    names = ["data_rows", "accepted", "duplicates", "held", "refused"]
    outcomes = []
    for name, counts in truth.items():
        if counts.get("kind") == "splice_export":
            wanted = [counts["data_rows"], counts["good"], counts["duplicate"], 0]
            exact = files.loc[name, names].tolist() == [*wanted, counts["malformed"]]
            outcomes.append({"what": "splicer exports", "covered": exact})
        elif "data_rows" in counts and not name.startswith("_"):
            exact = int(files.loc[name, "data_rows"]) == counts["data_rows"]
            outcomes.append({"what": "hand-kept lists", "covered": exact})
    return outcomes


def watch_steady(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """Signals of the watch in a crew in which nothing changed: all of them false."""
    crew = simulate(plan, seed=seed)
    found = watch(crew)
    return [{"what": "signals", "alarms": len(found.table), "quarters": plan.weeks / 13}]


CHANGES = {
    "splicer, loss x 2": {"kind": "splicer", "loss_factor": 2.0},
    "splicer, loss x 1.5": {"kind": "splicer", "loss_factor": 1.5},
    "cleaver, faults 4 to 8 %": {"kind": "cleaver", "fault": 0.736},
}


def watch_change(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """Weeks from a change in the middle of the period to the first signal of that unit."""
    rng = np.random.default_rng(seed)
    outcomes = []
    for what, change in CHANGES.items():
        units = plan.cleavers
        if change["kind"] == "splicer":
            units = tuple(splicer.unit for splicer in plan.splicers)
        shift = Shift(unit=str(rng.choice(units)), start_day=plan.days // 2, **change)
        crew = simulate(replace(plan, shifts=(shift,)), seed=seed)
        onset = crew.truth.onsets["date"].iloc[0]
        alarms = first_alarms(watch(crew))
        late = alarms[alarms["day"] >= onset]
        own = late[(late["kind"] == shift.kind) & (late["unit"] == shift.unit)]["day"].min()
        outcomes.append({"what": what, "delay": (own - onset) / pd.Timedelta(days=7)})
    return outcomes
