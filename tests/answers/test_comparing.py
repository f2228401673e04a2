"""Two groups, two periods, the funnel, and what is missing to tell."""

from datetime import date

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from pytest import approx

from yieldkit.answers.comparing import (
    compare_groups,
    compare_periods,
    funnel,
    more_positions,
    unlogged_failures,
)


def groups_of(counts, column="technician", day="2026-03-02"):
    """Positions of one job from {group: (passed, failed)}."""
    parts = [
        pd.DataFrame({column: name, "first_pass_termination": ["yes"] * good + ["no"] * bad})
        for name, (good, bad) in counts.items()
    ]
    made = pd.concat(parts, ignore_index=True)
    return made.assign(
        position_id=np.arange(len(made)),
        first_attempt_id="x",
        job="J1",
        connector_type="LC",
        first_date=pd.Timestamp(day),
    )


def test_two_groups_by_newcombe():
    """Fagerland, Lydersen and Laake 2015: 7/34 against 1/34, Newcombe 0.019 to 0.34."""
    made = groups_of({"SP-01": (7, 27), "SP-02": (1, 33)}, "splicer")
    row = compare_groups(made, by="splicer", groups=("SP-01", "SP-02")).table.iloc[0]
    assert row["low"] == approx(1.892144, abs=1e-3)
    assert row["high"] == approx(34.036869, abs=1e-3)
    assert row["verdict"] == "better"


def test_equal_groups_cannot_be_told_apart():
    made = groups_of({"A": (95, 5), "B": (94, 6)}, "splicer")
    found = compare_groups(made, by="splicer", groups=("A", "B"))
    assert found.table["verdict"].item() == "cannot tell"
    assert str(found).startswith("Cannot tell A and B apart: difference +1.0 points")
    assert found.table["n_more"].item() > 5000


@pytest.mark.long
def test_several_comparisons_hold_together():
    """Of six equal crews of 100, at most one set in twenty may show anyone better or worse."""
    rng = np.random.default_rng(21)
    wrong = 0
    for _ in range(200):
        failed = rng.binomial(100, 0.05, 6)
        made = groups_of({f"S{at}": (100 - bad, bad) for at, bad in enumerate(failed)}, "splicer")
        wrong += (compare_groups(made, by="splicer").table["verdict"] != "cannot tell").any()
    assert wrong <= 200 * (0.05 + 2.5 * np.sqrt(0.05 * 0.95 / 200))


def test_one_bad_of_six_is_told_and_the_allowance_said():
    counts = {f"S{at}": (190, 10) for at in range(5)} | {"S5": (150, 50)}
    found = compare_groups(groups_of(counts, "splicer"), by="splicer")
    row = found.table.set_index("group").loc["S5"]
    assert row["verdict"] == "worse"
    assert "S5 is worse than the others" in str(found)
    assert "allowed for 6 comparisons" in str(found)


def test_spread_of_jobs_widens_the_difference():
    made = groups_of({"A": (100, 20), "B": (112, 8)}, "splicer")
    lumped = made.assign(
        job=np.where(made["first_pass_termination"] == "no", "J1", "J2"),
    )
    plain = compare_groups(made, by="splicer", groups=("A", "B")).table.iloc[0]
    wide = compare_groups(lumped, by="splicer", groups=("A", "B")).table.iloc[0]
    assert wide["high"] - wide["low"] > plain["high"] - plain["low"]


def test_periods():
    both = pd.concat(
        [
            groups_of({"T": (160, 40)}, day="2026-03-02"),
            groups_of({"T": (190, 10)}, day="2026-04-06"),
        ]
    )
    march = (date(2026, 3, 1), date(2026, 3, 31))
    april = (date(2026, 4, 1), date(2026, 4, 30))
    row = compare_periods(both, before=march, after=april).table.iloc[0]
    assert row["verdict"] == "better"
    assert row["difference"] == approx(15.0)
    with pytest.raises(ValueError, match="overlap"):
        compare_periods(both, before=march, after=march)


def test_a_period_whose_tests_are_out_is_not_called_worse():
    """50 of 60 decided against 190 of 200: worse; yet 100 wait, and only passes come late."""
    made = pd.concat(
        [groups_of({"A": (190, 10)}), groups_of({"A": (50, 10)}, day="2026-03-09")],
        ignore_index=True,
    )
    weeks = {
        "before": (date(2026, 3, 2), date(2026, 3, 8)),
        "after": (date(2026, 3, 9), date(2026, 3, 15)),
    }
    assert compare_periods(made, **weeks).table["verdict"].iloc[0] == "worse"
    late = made.tail(60).assign(first_pass_termination="pending")
    late = pd.concat([made, late, late.head(40)], ignore_index=True)
    found = compare_periods(late, **weeks)
    row = found.table.iloc[0]
    assert (row["verdict"], row["waiting"], row["waiting_against"]) == ("cannot tell", 100, 0)
    assert row["high"] < 0
    assert "100 positions still wait, and failures show before passes" in str(found)
    late["splicer"] = np.where(late["first_date"] == pd.Timestamp("2026-03-02"), "S1", "S2")
    assert "luck, or tests still out (up to 100 positions of a group)" in str(
        compare_groups(late, by="splicer")
    )


def test_unknown_group_is_refused():
    with pytest.raises(ValueError, match="no splicer"):
        compare_groups(groups_of({"A": (9, 1)}, "splicer"), by="splicer", groups=("A", "Z"))


def test_funnel_of_equal_groups_is_quiet_and_of_a_bad_one_is_not():
    rng = np.random.default_rng(22)
    sizes = rng.integers(40, 400, 12)
    failed = rng.binomial(sizes, 0.05)
    counts = {
        f"C{at:02d}": (n - bad, bad) for at, (n, bad) in enumerate(zip(sizes, failed, strict=True))
    }
    quiet = funnel(groups_of(counts, "cleaver"), by="cleaver")
    assert not quiet.table["outside"].any()
    loud = funnel(groups_of(counts | {"C99": (210, 90)}, "cleaver"), by="cleaver")
    assert loud.table.set_index("group")["outside"].loc["C99"]
    assert "C99" in str(loud)


def test_funnel_names_no_person():
    counts = {f"T{at:02d}": (290, 10) for at in range(9)} | {"T99": (200, 100)}
    said = str(funnel(groups_of(counts), by="technician"))
    assert "T99" not in said
    assert "look at kit and jobs first" in said


def test_funnel_allows_for_spread_all_over():
    """Groups that all differ more than luck: limits widen instead of alarming at half of them."""
    rng = np.random.default_rng(23)
    chance = np.clip(rng.normal(0.90, 0.05, 30), 0.6, 0.995)
    good = rng.binomial(300, chance)
    counts = {f"J{at}": (int(hit), 300 - int(hit)) for at, hit in enumerate(good)}
    found = funnel(groups_of(counts, "splicer"), by="splicer")
    assert found.settings["wider"] > 3
    assert found.table["outside"].sum() <= 1
    ax = Figure().subplots()
    assert found.plot(ax) is ax


def test_how_many_more_at_80_percent_power():
    """588 in each for 98 against 95 % (R 4.2.2, power.prop.test); one job, so no allowance."""
    made = groups_of({"T": (190, 10)}).assign(job=[f"J{at % 10}" for at in range(200)])
    found = more_positions(made, per_week=100)
    row = found.table.iloc[0]
    assert row["needed"] == approx(588, abs=1)
    assert row["n_more"] == approx(488, abs=1)
    assert row["weeks"] == approx(4.88, abs=0.02)
    assert "more positions in each" in str(found)


def test_unlogged_failures_lower_the_yield():
    """10 seen failures of 200, half unlogged: 20 of 200, 90 %."""
    table = unlogged_failures(groups_of({"T": (190, 10)})).table.set_index("unlogged")
    assert table.loc[0.0, "yield"] == approx(0.95)
    assert table.loc[0.5, "yield"] == approx(0.90)
    assert table["yield"].is_monotonic_decreasing
    with pytest.raises(ValueError, match="under 1"):
        unlogged_failures(groups_of({"T": (9, 1)}), shares=(1.0,))
