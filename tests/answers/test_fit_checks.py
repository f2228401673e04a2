"""Checks of the fair figures' model against the crew's own records."""

import numpy as np
import pandas as pd
from scipy.special import expit

from yieldkit.answers.fit_checks import fit_checks


def crew(seed, n=6000, bad_day=False, pairs=0.0):
    """Six people, four cleavers, 40 days, 20 jobs; 95 % but for what is asked."""
    rng = np.random.default_rng(seed)
    person, cleaver = rng.integers(0, 6, n), rng.integers(0, 4, n)
    day, job = np.arange(n) * 40 // n, np.arange(n) * 20 // n
    eta = 3.0 + pairs * rng.choice([-1.0, 1.0], (6, 4))[person, cleaver]
    if bad_day:
        eta = np.where(day == 17, -0.5, eta)
    return pd.DataFrame(
        {
            "technician": np.char.add("T", person.astype(str)),
            "cleaver": np.char.add("CL-", cleaver.astype(str)),
            "job": np.char.add("J", job.astype(str)),
            "first_date": np.datetime64("2026-03-02") + day,
            "connector_type": "SC",
            "first_attempt_id": "x",
            "first_pass_termination": np.where(rng.random(n) < expit(eta), "yes", "no"),
        }
    )


def test_records_that_go_with_the_model_pass():
    found = fit_checks(crew(1))
    assert set(found.table["verdict"]) == {"fits"}
    assert {"worst day", "technician on cleaver"} <= set(found.table["check"])
    assert str(found).startswith("The fair figures go with the records in")


def test_a_whole_bad_day_is_seen():
    found = fit_checks(crew(2, bad_day=True))
    odd = found.table.set_index("check")["verdict"]
    assert odd["worst day"] == "does not fit"
    assert "Look at what happened that day before any unit is blamed" in str(found)


def test_people_who_do_badly_on_one_cleaver_only_are_seen():
    found = fit_checks(crew(3, pairs=0.9))
    odd = found.table.set_index("check")
    assert odd.loc["technician on cleaver", "verdict"] == "does not fit"
    assert odd.loc["technician on cleaver", "seen"] > odd.loc["technician on cleaver", "high"]
    assert "No unit of these should be named" in str(found)


def test_too_few_positions_cannot_be_checked():
    found = fit_checks(crew(4, n=8))
    assert found.table.empty
    assert found.findings[0].severity == "cannot tell"
