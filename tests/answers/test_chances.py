"""Draws for a job still to come."""

import numpy as np
import pandas as pd
from pytest import approx
from scipy.special import expit

from yieldkit.answers.chances import draws_for_bid
from yieldkit.crew import ConnectorType, Crew


def made(jobs=8, per_job=250):
    """Two types, 90 and 98 % first pass, the same in every job."""
    parts = []
    for kind, fails in (("LC", 0.1), ("SC", 0.02)):
        for job in range(jobs):
            lost = round(per_job * fails)
            parts.append(
                pd.DataFrame(
                    {
                        "first_attempt_id": "x",
                        "connector_type": kind,
                        "job": f"J{job}",
                        "technician": [f"T{at % 2}" for at in range(per_job)],
                        "splicer": [f"S{at // 2 % 2}" for at in range(per_job)],
                        "cleaver": "C",
                        "heater": "H",
                        "connector_lot": None,
                        "fibre_lot": None,
                        "first_pass_termination": ["no"] * lost + ["yes"] * (per_job - lost),
                    }
                )
            )
    return pd.concat(parts, ignore_index=True)


def test_draws_centre_on_what_the_crew_does():
    found = draws_for_bid(made(), rng=np.random.default_rng(1), types=("SC", "LC"))
    chance = expit(found.mu)
    assert np.median(chance, axis=0) == approx([0.98, 0.90], abs=0.01)
    assert chance.std(axis=0).max() < 0.03
    assert found.job_sd.mean() < 0.25
    assert found.known == (True, True)


def test_a_new_type_borrows_only_where_the_settings_say_so():
    crew = Crew(connector_types=(ConnectorType(connector_type="ST", like="LC"),))
    rng = np.random.default_rng(2)
    told = draws_for_bid(made(), crew=crew, rng=rng, types=("ST", "FC"))
    assert told.known == (True, False)
    assert np.median(expit(told.mu[:, 0])) == approx(0.90, abs=0.02)
    assert told.mu[:, 1].std() > 3 * told.mu[:, 0].std()


def test_without_history_the_draws_are_wide():
    found = draws_for_bid(made().iloc[:0], rng=np.random.default_rng(3), types=("LC",))
    assert found.n == 0
    low, high = np.quantile(expit(found.mu[:, 0]), [0.025, 0.975])
    assert low < 0.3
    assert high > 0.99


def test_a_new_job_meets_the_lot_in_use_as_often_as_past_jobs_did():
    """Two lots of four jobs each, one bad: what comes next depends on which came last."""
    jobs = made(jobs=8, per_job=200)
    bad = jobs["job"].isin(["J4", "J5", "J6", "J7"])
    again = jobs.groupby("job").cumcount() % 5 == 0
    jobs["connector_lot"] = np.where(bad, "L2", "L1")
    jobs.loc[bad & again, "first_pass_termination"] = "no"
    day = pd.Timestamp("2026-09-01") + pd.to_timedelta(jobs["job"].str[1:].astype(int), unit="D")
    rng = np.random.default_rng(4)
    last_bad = draws_for_bid(jobs.assign(first_date=day), rng=rng, types=("LC",)).mu
    turned = pd.Timestamp("2026-09-30") - (day - pd.Timestamp("2026-09-01"))
    last_good = draws_for_bid(jobs.assign(first_date=turned), rng=rng, types=("LC",)).mu
    assert np.median(expit(last_bad)) < 0.83 < 0.87 < np.median(expit(last_good))
