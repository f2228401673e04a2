"""Where first attempts fail, week by week, and what stands open."""

import numpy as np
import pandas as pd
from pytest import approx
from scipy import stats

from yieldkit.answers.steps import open_positions, step_yields, used_per_accepted, weekly_trend
from yieldkit.crew import Crew, General

NOW = pd.Timestamp("2026-11-23 06:00", tz="UTC")


def positions(rows):
    """Positions from (job, state, first arc, first pass, step where it failed)."""
    made = pd.DataFrame(rows, columns=["job", "state", "first_when", "answer", "failed_step"])
    begun = pd.to_datetime(made["first_when"], utc=True)
    return made.assign(
        position_id=[f"p{at}" for at in range(len(made))],
        first_attempt_id=[f"a{at}" for at in made.index],
        first_when=begun,
        first_date=begun.dt.date,
        site="Quay",
        first_pass_termination=made.pop("answer"),
        preparation_losses=0,
    )


def decided(passed, lost):
    """Positions of twenty jobs: some right the first time, others failed at the steps named."""
    steps = [None] * passed + [step for step, many in lost.items() for _ in range(many)]
    return positions(
        [
            (f"J{at % 20}", "accepted", "2026-11-17 08:00", "no" if step else "yes", step)
            for at, step in enumerate(steps)
        ]
    )


def test_step_yields_multiply_to_the_first_pass_yield():
    table = step_yields(decided(180, {"splice": 12, "crimp": 5, "test": 3})).table
    steps = table[table["step"] != "prepare and cleave"]
    assert steps["n"].tolist() == [200, 188, 188, 183, 183, 180]
    assert steps["failed"].tolist() == [12, 0, 5, 0, 3, 0]
    assert np.prod(steps["yield"]) == approx(180 / 200)
    assert ((steps["low"] <= steps["yield"]) & (steps["yield"] <= steps["high"])).all()


def test_a_step_that_is_not_written_down_counts_as_unknown_and_is_not_lost():
    rows = decided(18, {"splice": 1})
    rows.loc[len(rows) - 1, "failed_step"] = None
    table = step_yields(rows).table.set_index("step")
    assert (table.loc["unknown", "failed"], table.loc["splice", "failed"]) == (1, 0)


def test_joints_that_wait_are_in_no_step_yield():
    rows = pd.concat([decided(9, {"splice": 1}), decided(5, {})], ignore_index=True)
    rows.loc[10:, "first_pass_termination"] = "pending"
    assert step_yields(rows).table.loc[0, "n"] == 10


def test_preparation_losses_stand_beside_as_a_lower_bound():
    rows = decided(9, {"splice": 1}).assign(preparation_losses=[2, *[0] * 9])
    found = step_yields(rows)
    last = found.table.iloc[-1]
    assert (last["step"], last["n"], last["failed"]) == ("prepare and cleave", 10, 2)
    assert np.isnan(last["yield"])
    assert "At least 2 preparation losses written down" in str(found)


def test_the_trend_has_a_row_a_week_oldest_first():
    rows = positions(
        [("J1", "accepted", f"2026-11-{day:02d} 08:00", "yes", None) for day in (17, 3, 10, 4)]
    )
    table = weekly_trend(rows).table
    assert table["group"].tolist() == ["2026-W45", "2026-W46", "2026-W47"]
    assert table["positions"].tolist() == [2, 1, 1]


def test_open_positions_are_counted_by_job_with_the_oldest_wait():
    rows = positions(
        [
            ("J1", "open", "2026-10-04 06:00", "pending", None),
            ("J1", "open", "2026-11-16 06:00", "pending", None),
            ("J1", "accepted", "2026-10-01 06:00", "yes", None),
            ("J2", "not started", None, "unknown", None),
            ("J2", "open", "2026-11-20 06:00", "pending", None),
        ]
    )
    found = open_positions(rows, crew=Crew(general=General(pending_days=28)), as_of=NOW)
    table = found.table.set_index("job")
    assert table.loc["J1", ["open", "accepted", "n"]].tolist() == [2, 1, 3]
    assert table.loc["J2", ["open", "not_started", "n"]].tolist() == [1, 1, 2]
    assert table["oldest_days"].tolist() == approx([50.0, 3.0])
    late = [one.values["job"] for one in found.findings if one.code == "open_too_long"]
    assert late == ["J1"]


def test_arcs_and_bodies_of_given_up_positions_count_for_the_accepted_ones():
    rows = positions(
        [
            ("J1", "accepted", "2026-11-17 08:00", "yes", None),
            ("J2", "accepted", "2026-11-17 08:00", "no", "splice"),
            ("J3", "given up", "2026-11-17 08:00", "no", "splice"),
            ("J3", "accepted as is", "2026-11-17 08:00", "yes", None),
            ("J3", "open", "2026-11-17 08:00", "pending", None),
        ]
    ).assign(arcs=[1, 2, 3, 1, 9], bodies=[1, 2, 2, 1, 9], connector_type="LC")
    found = used_per_accepted(rows)
    row = found.table.iloc[0]
    assert (row["n"], row["jobs"]) == (3, 3)
    assert (row["arcs"], row["bodies"]) == (approx(7 / 3), approx(2.0))
    assert row["arcs_low"] < row["arcs"] < row["arcs_high"]
    assert "LC 2.33 arcs (" in str(found) and "3 joints" in str(found)


def test_jackknife_of_a_ratio_with_equal_jobs_is_the_error_of_a_mean():
    # with jobs of one joint each the ratio is a mean: its error is that of a mean
    arcs = [1, 1, 2, 1, 3, 1, 1, 2]
    rows = positions(
        [(f"J{at}", "accepted", "2026-11-17 08:00", "yes", None) for at in range(8)]
    ).assign(arcs=arcs, bodies=1, connector_type="LC")
    row = used_per_accepted(rows).table.iloc[0]
    half = stats.t.ppf(0.975, 7) * stats.sem(arcs)
    assert row["arcs_high"] - row["arcs"] == approx(half)
    assert row["bodies_low"] == row["bodies_high"] == 1.0


def test_two_jobs_give_no_interval():
    rows = positions(
        [(f"J{at}", "accepted", "2026-11-17 08:00", "yes", None) for at in range(2)]
    ).assign(arcs=1, bodies=1, connector_type="LC")
    assert np.isnan(used_per_accepted(rows).table["arcs_low"].item())
