"""Causes by the shape of losses, families compared, arcs missing, bounds, index, bends."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from scipy import stats

from tests.answers.loss_tables import NO_READINGS, attempts_of, readings_of
from yieldkit.answers.loss_bounds import bend_list, performance_index, tolerance_bounds
from yieldkit.answers.loss_shape import loss_change, loss_families, redone_splices
from yieldkit.answers.loss_shares import shares_over
from yieldkit.crew import Crew, Limit

LIMITED = Crew(limits=(Limit(quantity="estimated loss", limit_db=0.1),))


def two_periods(before, after):
    days = pd.to_datetime(np.repeat(["2026-10-05", "2026-11-02"], [len(before), len(after)]))
    return attempts_of(np.concatenate([before, after]), date=days)


def changed(before, after):
    made = two_periods(before, after)
    result = loss_change(made, NO_READINGS, crew=Crew(), since=pd.Timestamp("2026-11-01"))
    return result.table.iloc[0], result


def test_mean_up_at_the_same_spread_is_hand_or_cleave():
    rng = np.random.default_rng(41)
    row, result = changed(rng.exponential(0.03, 1500), rng.exponential(0.05, 1500))
    assert row["says"] == "hand or cleave"
    assert row["ratio_low"] < 5 / 3 < row["ratio_high"]
    assert row["cv_low"] < 1 < row["cv_high"]
    assert "blades and cleaning" in str(result)


def test_mean_up_with_the_spread_down_is_the_machine():
    # a steady offset of 0.4 um with errors of 0.25 um, 9.2 um fields: CV 0.82 of a random one's 1
    rng = np.random.default_rng(42)
    miss = rng.normal(0, 0.25, (2, 900))
    before = 4.343 * (miss**2).sum(axis=0) / 4.6**2
    miss = rng.normal(0, 0.25, (2, 900)) + np.array([[0.4], [0.0]])
    after = 4.343 * (miss**2).sum(axis=0) / 4.6**2
    row, result = changed(before, after)
    assert row["says"] == "machine offset"
    assert row["cv_ratio_high"] < 1 < row["ratio_low"]
    assert "groove" in str(result)


def test_mean_up_with_the_spread_up_is_some_bad_joints():
    rng = np.random.default_rng(54)
    bad = rng.random(1500) < 0.15
    row, result = changed(rng.exponential(0.03, 1500), rng.exponential(np.where(bad, 0.2, 0.03)))
    assert row["says"] == "some bad joints"
    assert "some bad joints among good ones" in str(result)


def test_thirty_each_cannot_tell_and_no_rise_says_nothing():
    rng = np.random.default_rng(43)
    row, result = changed(rng.exponential(0.03, 30), rng.exponential(0.06, 30))
    assert row["says"] == "cannot tell" and "cannot tell" in str(result)
    row, result = changed(rng.exponential(0.04, 300), rng.exponential(0.04, 300))
    assert row["says"] == "no rise" and not result.findings


def test_a_group_without_an_earlier_period_cannot_tell():
    row, _ = changed(np.empty(0), np.random.default_rng(1).exponential(0.04, 100))
    assert row["says"] == "cannot tell" and row["n_before"] == 0


def test_families_are_compared_by_what_was_left_out():
    loss = np.random.default_rng(44).lognormal(-3.4, 0.9, 1500)
    table = loss_families(attempts_of(loss), NO_READINGS, crew=Crew(), times=30).table
    assert len(table) == 8
    assert table.loc[0, "family"] == "lognormal"
    by_family = table.set_index("family")["fits_share"]
    assert by_family["lognormal"] > 0.05 > by_family["exponential"]


def test_every_family_has_its_intervals_or_says_nothing():
    rng = np.random.default_rng(52)
    miss = rng.normal(0, 0.2, (2, 1200)) + [[0.5], [0.0]]
    made = attempts_of(4.343 * (miss**2).sum(axis=0) / 4.6**2)  # a steady offset of 0.5 um
    table = loss_families(made, NO_READINGS, crew=Crew(), times=60).table
    told = table[table["mean_db"].notna()]
    assert "steady offset" in told["family"].tolist()
    for name in ("mean_db", "q99_db"):
        assert (told[f"{name}_low"] < told[name]).all()
        assert (told[name] < told[f"{name}_high"]).all()
    fits = told[told["fits_share"] > 0.05]
    truth = 4.343 * (2 * 0.2**2 + 0.5**2) / 4.6**2
    assert ((fits["mean_db_low"] < truth) & (truth < fits["mean_db_high"])).all()
    assert table.loc[table["mean_db"].isna(), "held_out"].isna().all()
    two = loss_families(
        made, NO_READINGS, crew=Crew(), times=5, families=("gamma", "steady offset")
    )
    assert set(two.table["family"]) == {"gamma", "steady offset"}
    with pytest.raises(ValueError, match="no family is called cauchy"):
        loss_families(made, NO_READINGS, crew=Crew(), families=("cauchy",))


def test_under_thirty_readings_no_bound_index_or_share_is_told():
    made = attempts_of(np.random.default_rng(57).gamma(1.5, 0.03, 29))
    asked = {"crew": LIMITED}
    bounds = tolerance_bounds(made, NO_READINGS, **asked)
    assert bounds.table["bound_db"].isna().all() and set(bounds.table["label"]) == {"too few"}
    index = performance_index(made, NO_READINGS, **asked)
    assert index.table[["index", "low", "high"]].isna().all(axis=None)
    shares = shares_over(made, NO_READINGS, **asked)
    assert shares.table["share"].isna().all() and shares.table["seen"].notna().all()
    for result in (bounds, index):
        assert str(result) == "LC, estimated loss: too few to tell (29 readings)."


def test_mixed_work_is_named_before_its_tail_is_trusted():
    rng = np.random.default_rng(45)
    loss = rng.exponential(np.where(rng.random(2000) < 0.15, 0.2, 0.02))
    result = loss_families(attempts_of(loss), NO_READINGS, crew=Crew(), times=30)
    assert [found.code for found in result.findings] == ["mixed_work"]
    clean = loss_families(
        attempts_of(rng.exponential(0.04, 2000)), NO_READINGS, crew=Crew(), times=30
    )
    assert not clean.findings


def test_families_answer_is_the_same_each_time():
    made = attempts_of(np.random.default_rng(46).gamma(1.5, 0.03, 200))
    first, second = (loss_families(made, NO_READINGS, crew=Crew(), times=5).table for _ in range(2))
    pd.testing.assert_frame_equal(first, second)


def test_dropped_arcs_come_back_as_a_range_that_holds_the_truth():
    # all arcs have mean 0.04; those over 0.10 were dropped from the records
    loss = np.random.default_rng(47).gamma(2.0, 0.02, 6000)
    kept = loss[np.round(loss, 2) <= 0.10]
    row = redone_splices(attempts_of(kept), NO_READINGS, crew=LIMITED).table.iloc[0]
    assert row["says"] == "range" and row["over"] == 0
    assert row["mean_shown_db"] < 0.037
    assert row["mean_low_db"] < 0.04 < row["mean_high_db"]
    assert row["dropped_low"] < 1 - len(kept) / len(loss) < row["dropped_high"]


def test_few_kept_arcs_or_a_hard_cut_cannot_tell():
    loss = np.random.default_rng(48).exponential(0.08, 300)
    kept = loss[np.round(loss, 2) <= 0.05]
    hard = Crew(limits=(Limit(quantity="estimated loss", limit_db=0.05),))
    result = redone_splices(attempts_of(kept), NO_READINGS, crew=hard)
    assert result.table.loc[0, "says"] == "cannot tell"
    assert "Keep the record of every arc" in str(result)
    few = redone_splices(attempts_of(kept[:20]), NO_READINGS, crew=hard)
    assert few.table.loc[0, "says"] == "cannot tell"


def test_a_good_crew_far_under_its_limit_dropped_few_if_any():
    loss = np.random.default_rng(55).gamma(2.0, 0.006, 2000)
    result = redone_splices(attempts_of(loss), NO_READINGS, crew=LIMITED)
    assert result.table.loc[0, "over"] == 0
    assert result.table.loc[0, "says"] == "few if any dropped"
    assert "few if any seem to be missing (2" in str(result)


def test_records_with_arcs_over_the_limit_are_left_alone():
    loss = np.random.default_rng(49).exponential(0.05, 300)
    result = redone_splices(attempts_of(loss), NO_READINGS, crew=LIMITED)
    assert result.table.loc[0, "says"] == "arcs over the limit are kept"
    assert "44 of 300 readings are over 0.1 dB" in str(result)
    assert result.findings[0].severity == "fine"
    result.plot(Figure().subplots())


def test_bounds_are_extrapolated_under_99_and_299_readings():
    loss = np.random.default_rng(50).gamma(1.5, 0.03, 150)
    result = tolerance_bounds(attempts_of(loss), NO_READINGS, crew=Crew())
    table = result.table.set_index("share")
    assert table["label"].to_dict() == {0.95: "as seen", 0.97: "as seen", 0.99: "extrapolated"}
    assert table["needed"].to_dict() == {0.95: 59, 0.97: 99, 0.99: 299}
    assert np.isnan(table.loc[0.99, "free_db"])
    truth = stats.gamma(1.5, scale=0.03).ppf(0.97)
    assert table.loc[0.97, "bound_db"] > truth
    assert "150 readings" in str(result)
    few = tolerance_bounds(attempts_of(loss[:50]), NO_READINGS, crew=Crew())
    assert "extrapolated" in str(few)


def test_index_by_quantiles_of_a_known_distribution():
    loss = np.random.default_rng(51).exponential(0.02, 8000)
    row = performance_index(attempts_of(loss), NO_READINGS, crew=LIMITED).table.iloc[0]
    median, far = 0.02 * np.log(2), -0.02 * np.log(1 - 0.99865)
    truth = (0.1 - median) / (far - median)
    assert row["low"] < truth < row["high"]
    assert row["index"] == pytest.approx(truth, rel=0.05)


def test_index_takes_the_types_own_limit_and_skips_those_without():
    made = attempts_of(np.random.default_rng(52).exponential(0.02, 100))
    own = Crew(
        limits=(
            Limit(quantity="estimated loss", limit_db=0.1),
            Limit(quantity="estimated loss", limit_db=0.2, connector_type="LC"),
        )
    )
    assert performance_index(made, NO_READINGS, crew=own).table.loc[0, "limit_db"] == 0.2
    assert performance_index(made, NO_READINGS, crew=Crew()).table.empty


def test_more_loss_at_1550_is_listed_as_a_bend():
    made = attempts_of(np.full(20, 0.03))
    at_1310 = readings_of(np.full(20, 0.20), made)
    at_1550 = readings_of(np.r_[0.40, np.full(19, 0.17)], made, wavelength_nm=1550.0)
    both = pd.concat([at_1310, at_1550], ignore_index=True)
    result = bend_list(made, both, crew=Crew())
    assert result.table["position_id"].tolist() == ["J1|P1|0"]
    assert str(result).startswith("Bent: 1 joint of 20")
    fine = bend_list(made, both.iloc[1:20], crew=Crew())
    assert fine.table.empty and not fine.findings


def test_share_above_its_limit_holds_the_truth_and_is_drawn():
    loss = np.random.default_rng(53).gamma(1.5, 0.03, 3000)
    result = shares_over(attempts_of(loss), NO_READINGS, crew=LIMITED, at_db=(0.05, 0.2))
    table = result.table.set_index("at_db")
    assert table.index.tolist() == [0.05, 0.1, 0.2]
    for at, row in table.iterrows():
        assert row["low"] < stats.gamma(1.5, scale=0.03).sf(at) < row["high"]
        assert row["seen"] <= row["high"] + 0.01
    assert str(result).startswith("LC, estimated loss: ") and "above 0.1 dB" in str(result)
    ax = result.plot(Figure().subplots(), limit_db=0.1, group="LC")
    assert ax.get_yscale() == "log" and ax.get_ylabel() == "Joints above it [%]"
