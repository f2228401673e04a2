"""Bids back-tested: 1,500 jobs and more, each forecast from the jobs before it."""

from dataclasses import replace

import pandas as pd
import pytest
from harness import costs, coverage, run_study, write_table
from spares_claims import (
    bids_hold,
    bids_hold_from_fair_draws,
    hours_hold,
    losses_of,
    savings,
    transform_points,
)

from yieldkit.simulate import fitting_crew, misspecified, typical_crew

CREWS, SOME, FEW, SEED = 64, 50, 20, 20261125
COMMAND = "pytest -m long tests/long/test_spares_backtest.py"
FIT = fitting_crew(weeks=13)
PLANS = {
    "fits": replace(FIT, faults=replace(FIT.faults, job=0.5)),
    "does not fit": misspecified(typical_crew(weeks=13)),
}
KINDS = (
    "`fits`: effects add on the logit, jobs differ by 0.5 on it. `does not fit`: heavy-tailed "
    "effects, persons and splicers interact, cable ends differ strongly, days shift everybody, a "
    "fifth of the failures unwritten."
)
WAYS = (
    "`forecast`: this package; `rule`: 5 % spare; `binomial`: past yield by type, no spread "
    "between jobs, retries like first tries. Costs: a leftover 6, running short 400. Pinball "
    "loss: mean over 50, 80 and 95 %."
)


@pytest.fixture(scope="module")
def jobs():
    return run_study(bids_hold, PLANS, crews=CREWS, seed=SEED)


def held(table, crew, error):
    """The shares of one kind of crew within ``error`` of the stated chances."""
    covered = table[table["crew"] == crew].set_index("level")["covered"]
    for level, wanted in (("50 %", 0.5), ("80 %", 0.8), ("95 %", 0.95)):
        assert covered[level] == pytest.approx(wanted, abs=error)


@pytest.mark.long
def test_the_transform_is_even(jobs):
    table = coverage(transform_points(jobs), by=["crew", "level"])
    write_table(
        "spares",
        "share of jobs under the stated chance",
        table.drop(columns="silent").rename(columns={"outcomes": "jobs"}),
        about=(
            "Each job's failed tries, forecast from the positions begun before it (three jobs or "
            "more), against the tries that truly failed. `covered` is the share of jobs whose "
            "randomised probability transform lies under the level; right forecasts give the "
            "level. " + KINDS
        ),
        command=COMMAND,
    )
    assert (table["outcomes"] >= 1500).all()
    held(table, "fits", 0.03)


@pytest.mark.long
def test_the_transform_is_even_with_the_draws_of_fair_yields():
    rows = run_study(bids_hold_from_fair_draws, PLANS, crews=FEW, seed=SEED + 1)
    table = coverage(transform_points(rows), by=["crew", "level"])
    write_table(
        "spares",
        "share of jobs under the stated chance, from the fair yields' draws",
        table.drop(columns="silent").rename(columns={"outcomes": "jobs"}),
        about=(
            "The same, with `draws_for_bid` (persons, kit, lots and jobs apart) in place of the "
            "estimate from job counts; other crews. More than the level means wider than need be."
        ),
        command=COMMAND,
    )
    # Effects of people, kit and lots that a few jobs hardly show leave wide draws: none too narrow.
    for row in table.to_dict("records"):
        assert row["covered"] >= float(row["level"].rstrip(" %")) / 100 - 0.03


@pytest.mark.long
def test_hours_hold():
    rows = run_study(hours_hold, PLANS, crews=SOME, seed=SEED + 2)
    table = coverage(rows, by=["crew", "hours", "level"])
    write_table(
        "spares",
        "share of jobs within the stated hours",
        table.drop(columns="silent").rename(columns={"outcomes": "jobs"}),
        about=(
            "Hours at 50, 80 and 95 % of each job, forecast from the jobs before it and from the "
            "minutes written then, against hours made up for every failed try. `rework` is what "
            "the records tell; `all` adds the positions' own minutes, whose pace differs between "
            "jobs as the settings say. `fits`: minutes log-normal (median 8, 0.6 on the "
            "logarithm), written heaped to 5 min, a tenth without minutes. `does not fit`: gamma "
            "(mean 9), persons differ by a quarter, a fifth of the failures unwritten and those "
            "half as long."
        ),
        command=COMMAND,
    )
    assert (table["outcomes"] >= 1500).all()
    for hours in ("rework", "all"):
        held(table[table["hours"] == hours], "fits", 0.03)


@pytest.mark.long
def test_the_forecast_beats_the_rule_of_thumb_and_the_binomial(jobs):
    for what, unit in (("cost", "currency"), ("pinball", "failures")):
        table = costs(losses_of(jobs, what), by=["crew", "way"], cost="value")
        write_table(
            "spares",
            f"mean {what} of a job by way of buying",
            table.rename(columns={"outcomes": "jobs", "value": f"mean {what} [{unit}]"}),
            about=WAYS,
            command=COMMAND,
            decimals=2,
        )
    saved = pd.concat([savings(jobs, what) for what in ("expected", "cost", "pinball")])
    table = costs(saved, by=["crew", "figure", "against"], cost="value")
    write_table(
        "spares",
        "what the forecast saves, job by job",
        table.rename(columns={"outcomes": "jobs", "value": "saved a job"}),
        about=(
            "Difference on the same jobs. `cost` [currency] as it fell out; `expected` [currency]: "
            "the cost averaged over the joints' luck at their true chances (on the crew that does "
            "not fit only nearly so, its retries being unlike first tries), the job's own luck "
            "being what it was; `pinball` [failures]."
        ),
        command=COMMAND,
    )
    for row in table.to_dict("records"):
        assert row["value"] > 0
        if row["figure"] != "cost":
            assert row["value"] > 2 * row["mc_error"]
