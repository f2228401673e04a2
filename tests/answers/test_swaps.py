"""Swap plans: what a swap would tell, held to what it does tell once done."""

import numpy as np
import pandas as pd
import pytest

from tests.answers.crew_work import work
from yieldkit.answers.sources import likely_sources
from yieldkit.answers.swaps import swap_plan

OWN = [("T0", "S0", "C0"), ("T0", "S0", "C1"), ("T1", "S1", "C0"), ("T1", "S1", "C1")]


def own_kit(each=120, seed=1):
    made = work(OWN, each, np.random.default_rng(seed), logit=2.5)
    return made.assign(
        first_date=pd.Timestamp("2026-03-02") + pd.to_timedelta(made.index % 10, "D")
    )


def test_the_plan_names_people_kit_days_and_positions():
    before = swap_plan(own_kit(), unit="T1", partner="S1").table["before"].iloc[0]
    wanted = 0.8 * before
    found = swap_plan(own_kit(), unit="T1", partner="S1", wanted_points=wanted)
    best = found.table.iloc[0]
    assert {"T1", "S1"} & set(best["swap"].replace(",", "").split())
    assert best["after"] <= wanted < best["before"]
    assert str(found).startswith("To tell T1 from S1: let ")
    assert found.findings[0].step == "swap_kit"


def test_a_swap_that_was_planned_does_make_the_pair_tellable():
    made = own_kit()
    assert "T1" in set(likely_sources(made).apart["unit"])
    swapped = work([("T0", "S1", "C0"), ("T1", "S0", "C1")], 60, np.random.default_rng(2))
    swapped = swapped.assign(first_date=pd.Timestamp("2026-03-16"))
    after = likely_sources(pd.concat([made, swapped], ignore_index=True))
    exactly = after.apart[after.apart["how"] == "exactly"]
    assert "T1" not in set(exactly["unit"])


def test_check_joints_stand_beside_the_swaps():
    """Each of the pair with another's partner, as few as reach the wish."""
    before = swap_plan(own_kit(), unit="T1", partner="S1").table["before"].iloc[0]
    found = swap_plan(own_kit(), unit="T1", partner="S1", wanted_points=0.8 * before)
    check = found.table[found.table["way"] == "check joints"].iloc[0]
    assert check["swap"] == "T1 with S0 and S1 with T0, half each"
    assert 0 < check["positions"] <= 400
    assert check["after"] <= 0.8 * before < check["before"]
    fewer = swap_plan(own_kit(), unit="T1", partner="S1", wanted_points=0.9 * before).table
    assert fewer.loc[fewer["way"] == "check joints", "positions"].iloc[0] < check["positions"]
    assert "Or without a swap: " in str(found)


def test_swapping_what_does_not_part_the_pair_adds_little():
    """Cleavers are shared already: swapping them leaves person and splicer together."""
    table = swap_plan(own_kit(), unit="T1", partner="S1", wanted_points=0.1).table
    table = table[table["way"] == "swap"]
    with_splicer = table[table["swap"].str.contains("swap S")]["after"].min()
    others = table[~table["swap"].str.contains("swap S")]["after"]
    assert with_splicer < table["before"].iloc[0] - 0.3
    assert others.empty or others.min() > with_splicer


def test_out_of_reach_is_said():
    found = swap_plan(own_kit(), unit="T1", partner="S1", wanted_points=0.01)
    assert found.findings[0].code == "swap_out_of_reach"
    assert found.table["days"].isna().all()


@pytest.mark.parametrize(
    "unit, partner, words", [("T9", "S1", "in no decided"), ("T1", "T0", "two kinds")]
)
def test_wrong_codes_are_refused(unit, partner, words):
    with pytest.raises(ValueError, match=words):
        swap_plan(own_kit(), unit=unit, partner=partner)


def test_a_swap_brings_the_precision_that_its_plan_promised():
    """Three crews carry their plan out; the gap is then known to the promised width on average."""
    ratios = []
    for seed in range(3):
        made = own_kit(seed=seed)
        pair = {"unit": "T1", "partner": "S1"}
        now = swap_plan(made, **pair).table["before"].iloc[0]
        plan = swap_plan(made, **pair, wanted_points=0.8 * now).table.iloc[0]
        assert plan["swap"] == "let T0 and T1 swap S0 and S1"
        each, rng = int(plan["positions"] / 2), np.random.default_rng(100 + seed)
        done = work([("T0", "S1", "C0"), ("T1", "S0", "C0")], each, rng, logit=2.5)
        done = done.assign(first_date=pd.Timestamp("2026-03-16"))
        after = swap_plan(pd.concat([made, done], ignore_index=True), **pair).table["before"]
        ratios.append(after.iloc[0] / plan["after"])
    assert np.mean(ratios) == pytest.approx(1, abs=0.1)
