"""Bids back-tested: 1,500 jobs and more, each forecast from the jobs before it."""

from dataclasses import replace

import pytest
from harness import costs, coverage, run_study, write_table
from spares_claims import bids_hold, losses_of, transform_points

from yieldkit.simulate import fitting_crew, misspecified, typical_crew

CREWS, SEED = 48, 20261125
COMMAND = "pytest -m long tests/long/test_spares_backtest.py"
FIT = fitting_crew(weeks=13)
PLANS = {
    "fits": replace(FIT, faults=replace(FIT.faults, job=0.5)),
    "does not fit": misspecified(typical_crew(weeks=13)),
}


@pytest.fixture(scope="module")
def jobs():
    return run_study(bids_hold, PLANS, crews=CREWS, seed=SEED)


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
            "level. `fits`: effects add on the logit, jobs differ by 0.5 on it. `does not fit`: "
            "heavy-tailed effects, persons and splicers interact, cable ends differ strongly, days "
            "shift everybody, a fifth of the failures unwritten."
        ),
        command=COMMAND,
    )
    own = table[table["crew"] == "fits"].set_index("level")
    assert (own["outcomes"] >= 1500).all()
    fits = own["covered"]
    for level, wanted in (("50 %", 0.5), ("80 %", 0.8), ("95 %", 0.95)):
        assert fits[level] == pytest.approx(wanted, abs=0.03)


@pytest.mark.long
def test_the_forecast_beats_the_rule_of_thumb_and_the_binomial(jobs):
    for what, unit in (("cost", "currency"), ("pinball", "failures")):
        table = costs(losses_of(jobs, what), by=["crew", "way"], cost="value")
        write_table(
            "spares",
            f"mean {what} of a job by way of buying",
            table.rename(columns={"outcomes": "jobs", "value": f"mean {what} [{unit}]"}),
            about=(
                "`forecast`: this package; `rule`: 5 % spare; `binomial`: past yield by type, no "
                "spread between jobs, retries like first tries. Costs: a leftover 6, running short "
                "400. Pinball loss: mean over 50, 80 and 95 %."
            ),
            command=COMMAND,
            decimals=2,
        )
        means = table.set_index(["crew", "way"])["value"]
        for crew in PLANS:
            assert means[crew, "forecast"] < means[crew, "rule"]
            assert means[crew, "forecast"] < means[crew, "binomial"]
