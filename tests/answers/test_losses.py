"""Losses by group: what is pooled, what is not, and what is not settled."""

import matplotlib
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from tests.answers.loss_tables import NO_READINGS, attempts_of, readings_of
from yieldkit.answers.losses import COLUMNS, FREE, loss_summary
from yieldkit.crew import Crew, Equipment
from yieldkit.review.tables import COLUMNS as PAGE_COLUMNS

CREW = Crew(
    equipment=(
        Equipment(unit="SP-01", kind="splicer", model="A"),
        Equipment(unit="SP-02", kind="splicer", model="B"),
        Equipment(unit="SP-03", kind="splicer", model="A"),
    )
)


def drawn(n, mean=0.04, seed=11, shape=1.5):
    return np.random.default_rng(seed).gamma(shape, mean / shape, n)


def test_columns_are_those_of_the_page():
    assert PAGE_COLUMNS["losses"] == COLUMNS
    assert list(loss_summary(attempts_of(drawn(60)), NO_READINGS, crew=CREW).table) == COLUMNS


def test_known_truth_lies_in_the_intervals():
    loss = drawn(4000, mean=0.05)
    row = loss_summary(attempts_of(loss), NO_READINGS, crew=CREW, confidence=0.999).table.iloc[0]
    assert row["n"] == 4000 and row["family"] == "gamma"
    assert row["mean_db_low"] < 0.05 < row["mean_db_high"]
    for name, share in (("median_db", 0.5), ("q97_db", 0.97), ("q99_db", 0.99)):
        truth = np.quantile(np.random.default_rng(1).gamma(1.5, 0.05 / 1.5, 10**6), share)
        assert row[f"{name}_low"] < truth < row[f"{name}_high"]


def test_estimates_of_two_models_are_never_one_group():
    loss = np.concatenate([drawn(100), drawn(100, mean=0.08)])
    two = attempts_of(loss, splicer=np.repeat(["SP-01", "SP-02"], 100))
    table = loss_summary(two, NO_READINGS, crew=CREW).table
    assert table["group"].tolist() == ["LC · model A", "LC · model B"]
    same = attempts_of(loss, splicer=np.repeat(["SP-01", "SP-03"], 100))
    assert loss_summary(same, NO_READINGS, crew=CREW).table["group"].tolist() == ["LC"]
    by_unit = loss_summary(two, NO_READINGS, crew=CREW, by="splicer").table
    assert by_unit["group"].tolist() == ["SP-01", "SP-02"]


def test_a_unit_of_unknown_model_stands_for_itself():
    loss = np.concatenate([drawn(60), drawn(60)])
    odd = attempts_of(loss, splicer=np.repeat(["SP-08", "SP-09"], 60))
    table = loss_summary(odd, NO_READINGS, crew=Crew(), by="job").table
    assert table["group"].tolist() == ["J1 · model SP-08", "J1 · model SP-09"]


def test_quantities_and_wavelengths_stay_apart():
    made = attempts_of(drawn(80))
    at_1310 = readings_of(drawn(80, mean=0.2, shape=4), made)
    at_1550 = readings_of(drawn(80, mean=0.15, shape=4, seed=3), made, wavelength_nm=1550.0)
    both = pd.concat([at_1310, at_1550], ignore_index=True)
    table = loss_summary(made, both, crew=CREW).table
    assert table["quantity"].tolist() == ["estimated loss", "insertion loss", "insertion loss"]
    assert table["n"].tolist() == [80, 80, 80]
    assert table["mean_db"].is_monotonic_increasing is False


def test_arcs_that_were_redone_count_for_estimates():
    made = attempts_of(
        [0.30, 0.02, 0.03],
        position_id=["J1|P1|1", "J1|P1|1", "J1|P1|2"],
        attempt_no=[1, 2, 1],
        error=["loss over limit", "none", "none"],
    )
    assert loss_summary(made, NO_READINGS, crew=CREW).table.loc[0, "n"] == 3


def test_only_the_last_reading_of_a_joint_counts():
    made = attempts_of(drawn(40))
    dirty = readings_of(np.full(40, 0.9), made, result="fail")
    clean = readings_of(
        drawn(40, mean=0.2, shape=4), made, repeat=2, after_cleaning=True,
        when=made["when"].max() + pd.Timedelta(hours=2),
    )  # fmt: skip
    table = loss_summary(made, pd.concat([dirty, clean], ignore_index=True), crew=CREW).table
    tested = table[table["quantity"] == "insertion loss"].iloc[0]
    assert tested["n"] == 40 and tested["mean_db"] < 0.3


def test_zeros_only_give_bounds_and_no_mean():
    result = loss_summary(attempts_of(np.zeros(200)), NO_READINGS, crew=CREW)
    row = result.table.iloc[0]
    assert row["family"] == FREE
    assert np.isnan(row["mean_db"])
    assert (row["median_db_low"], row["median_db_high"]) == (0, 0.005)
    assert row["q97_db_high"] == 0.005
    assert np.isnan(row["q99_db_high"])  # 200 readings are too few for 99 %
    assert result.findings[0].severity == "cannot tell"
    assert "too few different values" in str(result)


def test_readings_below_zero_are_kept():
    made = attempts_of(drawn(200))
    value = np.random.default_rng(4).normal(0.05, 0.06, 200)
    tests = readings_of(value, made, quantity="one-way loss", direction="A to B")
    table = loss_summary(made, tests, crew=CREW).table
    row = table[table["quantity"] == "one-way loss"].iloc[0]
    assert row["n"] == 200
    assert row["mean_db_low"] < 0.05 < row["mean_db_high"]
    assert "gamma" not in row["family"]


def test_two_directions_give_the_two_way_mean(published):
    # open teaching text on two-way measurement, 2023: 0.20 one way, 0.10 the other, loss 0.15 dB
    case = published("bidirectional_average_simple")
    made = attempts_of(drawn(12))
    ends = pd.concat(
        [
            readings_of(np.full(12, case["inputs"][name]), made, quantity="one-way loss",
                        wavelength_nm=1550.0, direction=way)
            for name, way in (("a_to_b_db", "A to B"), ("b_to_a_db", "B to A"))
        ],
        ignore_index=True,
    )  # fmt: skip
    table = loss_summary(made, ends, crew=CREW).table
    both = table[table["quantity"] == "two-way loss"].iloc[0]
    wanted = case["expected"]["published"]["splice_loss_db"]
    assert both["n"] == 12
    assert both["median_db"] == pytest.approx(
        wanted, abs=case["tolerance"]["published_abs"]["splice_loss_db"]
    )  # noqa: E501


def test_no_tail_is_told_under_thirty_readings():
    few = loss_summary(attempts_of(drawn(25)), NO_READINGS, crew=CREW)
    assert str(few) == "LC, estimated loss: too few to tell (25 readings)."
    row = few.table.iloc[0]
    assert row["family"] == "too few" and row[["mean_db", "q97_db", "q99_db"]].isna().all()
    assert row["median_db_low"] < row["median_db"] < row["median_db_high"]
    enough = loss_summary(attempts_of(drawn(30)), NO_READINGS, crew=CREW)
    assert "97 % stay under" in str(enough)


def test_persons_with_few_readings_are_too_few_to_tell():
    result = loss_summary(attempts_of(drawn(12)), NO_READINGS, crew=CREW, by="technician")
    assert result.findings[0].code == "loss_too_few"
    assert str(result) == "T01, estimated loss: too few to tell (12 readings)."


def test_wrong_grouping_and_confidence_are_refused():
    made = attempts_of(drawn(12))
    with pytest.raises(ValueError, match="wanted one of"):
        loss_summary(made, NO_READINGS, crew=CREW, by="colour")
    with pytest.raises(ValueError, match="confidence"):
        loss_summary(made, NO_READINGS, crew=CREW, confidence=95)


def test_no_losses_give_an_empty_answer():
    empty = loss_summary(attempts_of([]), NO_READINGS, crew=CREW)
    assert empty.table.empty and list(empty.table) == COLUMNS
    assert str(empty) == "Nothing to report."


@pytest.mark.parametrize("by", ["week", "program", "fibre_lot", "connector_lot", "job"])
def test_all_groupings_answer(by):
    table = loss_summary(attempts_of(drawn(40)), NO_READINGS, crew=CREW, by=by).table
    expected = {"week": "2026-W45", "program": "SM", "fibre_lot": "F1", "connector_lot": "C1"}
    assert table.loc[0, "group"] == expected.get(by, "J1")


def test_rows_behind_a_figure_are_its_readings():
    result = loss_summary(attempts_of(drawn(40)), NO_READINGS, crew=CREW)
    assert len(result.rows(group="LC", quantity="estimated loss")) == 40


def test_pictures_show_units_and_the_limit():
    matplotlib.rcParams["text.parse_math"] = False
    result = loss_summary(attempts_of(drawn(300)), NO_READINGS, crew=CREW)
    axes = Figure().subplots(1, 2)
    assert "[dB]" in result.plot(axes[0]).get_xlabel()
    drawn_on = result.plot_bins(axes[1], limit_db=0.1, group="LC")
    assert any("limit 0.1 dB" in text.get_text() for text in drawn_on.texts)
    with pytest.raises(ValueError, match="no single row"):
        result.plot_bins(axes[1], group="SC")
