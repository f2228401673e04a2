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
