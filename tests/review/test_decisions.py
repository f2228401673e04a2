"""Whether a decision helped: said where the joints made since bear it out, waiting ones too."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from yieldkit.review.parts_and_people import _followed

DECISION = {"date": pd.Timestamp("2026-11-09"), "unit": "SP-01", "decision": "Arc checked"}


def followed(before, after, waiting=0, one_job=False):
    """The finding for (passed, failed) before and after, and joints since that wait.

    Failures are spread over twenty jobs, or lie in one of five.
    """
    parts = []
    for day, (good, bad), wait in (("2026-11-02", before, 0), ("2026-11-10", after, waiting)):
        answers = ["yes"] * good + ["no"] * bad + ["pending"] * wait
        made = pd.DataFrame({"first_pass_termination": answers, "first_date": pd.Timestamp(day)})
        places = range(len(made))
        jobs = [f"J{at * 5 // len(made) if one_job else at % 20}" for at in places]
        parts.append(made.assign(job=[day + job for job in jobs]))
    positions = pd.concat(parts, ignore_index=True).assign(
        position_id=lambda made: np.arange(len(made)),
        first_attempt_id="x",
        splicer="SP-01",
        cleaver="C-01",
        heater="H-01",
        connector_type="LC",
        connector_lot="L1",
        fibre_lot="F1",
    )
    asked = SimpleNamespace(all_positions=positions, last=date(2026, 11, 15), confidence=0.95)
    return _followed(asked, DECISION)[0]


def test_a_decision_that_helped_is_in_order():
    found = followed((80, 20), (97, 3))
    assert (found.severity, found.values["verdict"]) == ("fine", "better")
    assert str(found).startswith("Arc checked (SP-01, ")
    assert "It helped: first pass 80.0 %" in str(found)


def test_a_figure_that_fell_while_tests_are_out_is_not_held_against_the_decision():
    assert followed((95, 5), (40, 8)).values["verdict"] == "worse"
    found = followed((95, 5), (40, 8), waiting=60)
    assert (found.severity, found.values["verdict"]) == ("cannot tell", "cannot tell")
    assert str(found).endswith("after; 60 joints made since still wait.")


def test_a_gain_that_may_be_one_good_job_is_not_praised():
    """All failures before were in one job of five: jobs differ too much to tell."""
    assert followed((80, 20), (97, 3), one_job=True).values["verdict"] == "cannot tell"


@pytest.mark.parametrize("before, after", [((0, 0), (20, 1)), ((20, 1), (0, 0))])
def test_without_joints_on_one_side_nothing_is_said(before, after):
    assert followed(before, after).code == "page_decision_noted"
