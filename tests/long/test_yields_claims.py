"""Fair yields and likely sources held to their claims on many crews (2,000; hours on one core)."""

import os
from dataclasses import replace

import pytest
from pytest import approx

from tests.long.harness import coverage, run_study
from tests.long.yield_claims import CountCrew, fair_yields_cover, sources_are_right

pytestmark = pytest.mark.long
CREWS = int(os.environ.get("STUDY_CREWS", 2000))
PRIOR, LIKE = CountCrew(sds=None), CountCrew()
WRONG = replace(LIKE, heavy=True)


@pytest.fixture(scope="module")
def covered():
    return run_study(
        fair_yields_cover,
        {"prior": PRIOR, "crew-like": LIKE, "misspecified": WRONG},
        crews=CREWS,
        seed=61,
    )


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


def test_stated_chances_come_true():
    rows = run_study(sources_are_right, {"prior": PRIOR}, crews=CREWS, seed=62)
    told = rows[rows["stated"] >= 0.9]
    print("named", len(told), "right", told["happened"].mean())
    assert told["happened"].mean() >= 0.9 - 2 * (0.09 / max(len(told), 1)) ** 0.5
    for decile, group in rows.groupby((10 * rows["stated"]).clip(upper=9.999).astype(int)):
        gap = group["happened"].mean() - group["stated"].mean()
        error = (group["happened"].var() / len(group)) ** 0.5
        print(decile, len(group), group["stated"].mean(), group["happened"].mean(), error)
        assert abs(gap) <= 0.05 + 2 * error


@pytest.mark.parametrize("weeks", [1, 4, 13])
def test_the_right_unit_comes_out_nearly_as_often_as_an_oracle_finds_it(weeks):
    plan = replace(LIKE, weeks=weeks, shift=0.73)
    rows = run_study(sources_are_right, {"shift": plan}, crews=CREWS, seed=63)
    print(weeks, rows[["first", "oracle", "named"]].mean())
    error = (0.25 / len(rows)) ** 0.5
    assert rows["first"].mean() >= 0.9 * rows["oracle"].mean() - 2 * error
