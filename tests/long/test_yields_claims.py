"""Fair yields and likely sources held to their claims on many crews (2,000 crews: under an hour on
one core)."""

import os
from dataclasses import replace

import pytest
from pytest import approx

from tests.long.harness import calibration, coverage, run_study
from tests.long.yield_claims import CountCrew, crew_is_judged, shift_is_found, source_is_judged

pytestmark = pytest.mark.long
CREWS = int(os.environ.get("STUDY_CREWS", 2000))
PRIOR, LIKE = CountCrew(sds=None), CountCrew()
DECILES = [0, 0.05, *(tenth / 10 for tenth in range(1, 11))]
WRONG = replace(LIKE, heavy=True)


@pytest.fixture(scope="module")
def judged():
    plans = {"prior": PRIOR, "crew-like": LIKE, "misspecified": WRONG}
    return run_study(crew_is_judged, plans, crews=CREWS, seed=61)


@pytest.fixture(scope="module")
def covered(judged):
    return judged[judged["claim"] == "interval"]


@pytest.mark.parametrize("flag", ["covered", "covered_effect"])
def test_intervals_hold_the_truth_when_spreads_come_from_the_prior(covered, flag):
    table = coverage(covered[covered["crew"] == "prior"], by=["crew"], flag=flag).iloc[0]
    print(table)
    assert table[flag] == approx(0.95, abs=0.01 + 2 * table["mc_error"])


@pytest.mark.parametrize("flag", ["covered", "covered_effect"])
def test_intervals_never_cover_less_than_93_percent_at_crew_like_spreads(covered, flag):
    table = coverage(covered[covered["crew"] == "crew-like"], by=["crew", "what"], flag=flag)
    print(table.to_string())
    assert (table[flag] + 2 * table["mc_error"] >= 0.93).all()


@pytest.fixture(scope="module")
def sourced():
    """Five times as many crews: chances between a third and nine in ten are seldom stated."""
    return run_study(source_is_judged, {"prior": PRIOR}, crews=5 * CREWS, seed=61)


def test_stated_chances_come_true(sourced):
    rows = sourced[sourced["claim"] == "source"]
    table = calibration(rows, by=["crew"], cells=DECILES)
    print(table.to_string())
    gap = (table["happened"] - table["mean_stated"]).abs()
    assert (gap <= 0.05 + 2 * table["mc_error"]).all()


def test_a_unit_that_is_named_is_the_source(sourced):
    rows = sourced[sourced["claim"] == "named"]
    told = rows[rows["named"].astype(bool)]
    share = told["right"].astype(bool).mean()
    print("named", len(told), "of", len(rows), "right", share)
    assert share >= 0.9 - 2 * (0.09 / max(len(told), 1)) ** 0.5


@pytest.mark.parametrize("weeks", [1, 4, 13])
def test_the_right_unit_comes_out_nearly_as_often_as_an_oracle_finds_it(weeks):
    plan = replace(LIKE, weeks=weeks, shift=0.73)
    rows = run_study(shift_is_found, {"shift": plan}, crews=CREWS, seed=63)
    print(weeks, rows[["first", "oracle", "named"]].mean())
    error = (0.25 / len(rows)) ** 0.5
    assert rows["first"].mean() >= 0.9 * rows["oracle"].mean() - 2 * error
