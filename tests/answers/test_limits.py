"""Limit rows: each meets its own readings only, and three states come out."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from tests.answers.loss_tables import NO_READINGS, attempts_of, readings_of
from yieldkit.answers.limits import COLUMNS, limit_verdicts
from yieldkit.crew import Crew, Limit
from yieldkit.review.tables import COLUMNS as PAGE_COLUMNS


def crew_with(*limits):
    return Crew(limits=tuple(Limit(**row) for row in limits))


def drawn(n, mean=0.04, seed=12, shape=1.5):
    return np.random.default_rng(seed).gamma(shape, mean / shape, n)


def verdicts(made, tests, *limits, **options):
    return limit_verdicts(made, tests, crew=crew_with(*limits), **options).table


ESTIMATE = {"quantity": "estimated loss", "limit_db": 0.1}


def test_columns_are_those_of_the_page():
    assert PAGE_COLUMNS["limits"] == COLUMNS
    assert list(verdicts(attempts_of(drawn(30)), NO_READINGS, ESTIMATE)) == COLUMNS


@pytest.mark.parametrize(
    "shown, verdict",
    [([0.02, 0.09], "met"), ([0.02, 0.10], "cannot tell"), ([0.02, 0.10, 0.11], "not met")],
)
def test_each_reading_within_on_or_over(shown, verdict):
    # 0.10 on a display of 0.01 means 0.095 to 0.105: it may be over 0.10 or not
    row = verdicts(attempts_of(shown), NO_READINGS, ESTIMATE).iloc[0]
    assert row["verdict"] == verdict and row["n"] == len(shown)


def test_mean_far_under_near_and_over():
    made = attempts_of(drawn(400))
    for limit, verdict in ((0.08, "met"), (0.041, "cannot tell"), (0.02, "not met")):
        row = verdicts(made, NO_READINGS, ESTIMATE | {"limit_db": limit, "statistic": "mean"})
        assert row.loc[0, "verdict"] == verdict
        assert row.loc[0, "low"] < 0.041 and row.loc[0, "high"] > 0.039


def test_share_of_97_percent():
    made, kind = attempts_of(drawn(400)), {"statistic": "97 %"}
    truth = np.quantile(drawn(10**6, seed=1), 0.97)
    found = verdicts(made, NO_READINGS, ESTIMATE | kind | {"limit_db": 2 * truth})
    assert found.loc[0, "verdict"] == "met"
    found = verdicts(made, NO_READINGS, ESTIMATE | kind | {"limit_db": 0.5 * truth})
    assert found.loc[0, "verdict"] == "not met"
    found = verdicts(made, NO_READINGS, ESTIMATE | kind | {"limit_db": 1.02 * truth})
    assert found.loc[0, "verdict"] == "cannot tell"


def test_about_n_more_would_tell():
    limit = ESTIMATE | {"statistic": "mean", "limit_db": 0.045}
    small = verdicts(attempts_of(drawn(50, seed=2)), NO_READINGS, limit).loc[0]
    assert small["verdict"] == "cannot tell"
    # textbook size for a mean on the log scale: (1.645 + 0.842)^2 CV^2 / log(limit / mean)^2
    loss = drawn(50, seed=2)
    needed = 2.486**2 * (loss.std() / loss.mean()) ** 2 / np.log(0.045 / small["value"]) ** 2
    # planned with half the error and wider, as the verdict must hold under several families
    assert needed < small["n_more"] + 50 < 2.2 * needed


def test_few_readings_never_decide_a_mean():
    row = verdicts(attempts_of([0.01, 0.02, 0.03]), NO_READINGS, ESTIMATE | {"statistic": "mean"})
    assert row.loc[0, "verdict"] == "cannot tell" and row.loc[0, "n_more"] >= 27


def test_zeros_only_decide_97_percent_from_99_readings_on():
    limit = ESTIMATE | {"statistic": "97 %"}
    few = verdicts(attempts_of(np.zeros(60)), NO_READINGS, limit).loc[0]
    assert few["verdict"] == "cannot tell" and few["n_more"] == 39
    many = verdicts(attempts_of(np.zeros(130)), NO_READINGS, limit).loc[0]
    assert many["verdict"] == "met" and many["high"] == 0.005


def test_insertion_loss_limit_does_not_meet_estimates():
    made = attempts_of(np.full(40, 0.5))
    tests = readings_of(drawn(40, mean=0.2, shape=6), made)
    limit = {"quantity": "insertion loss", "limit_db": 0.75, "wavelength_nm": 1310}
    table = verdicts(made, tests, limit)
    assert table["quantity"].tolist() == ["insertion loss"]
    assert table.loc[0, "verdict"] == "met"


def test_a_row_meets_its_own_wavelength():
    made = attempts_of(drawn(20))
    tests = pd.concat(
        [
            readings_of(np.full(20, 0.2), made),
            readings_of(np.full(20, 0.6), made, wavelength_nm=1550.0),
        ],
        ignore_index=True,
    )
    limit = {"quantity": "insertion loss", "limit_db": 0.5}
    table = verdicts(made, tests, limit | {"wavelength_nm": 1310})
    assert table["verdict"].tolist() == ["met"]
    table = verdicts(made, tests, limit)
    assert table[["wavelength_nm", "verdict"]].to_numpy().tolist() == [
        [1310.0, "met"],
        [1550.0, "not met"],
    ]


def test_jobs_and_types_narrower_row_counts():
    made = attempts_of(np.full(40, 0.12), job=np.repeat(["J1", "J2"], 20))
    general, own = ESTIMATE, ESTIMATE | {"job": "J2", "limit_db": 0.2}
    table = verdicts(made, NO_READINGS, general, own)
    assert table["limit_db"].tolist() == [0.1, 0.2]
    assert table["verdict"].tolist() == ["not met", "met"]
    assert table["n"].tolist() == [20, 20]


def test_attempt_tier_holds_after_its_tries():
    # carrier contract: at most 0.10; after 3 attempts at most 0.20, and listed
    made = attempts_of(
        [0.15, 0.15, 0.15, 0.15, 0.05],
        position_id=["J1|P1|1"] * 4 + ["J1|P1|2"],
        attempt_no=[1, 2, 3, 4, 1],
    )
    tiers = ESTIMATE, ESTIMATE | {"limit_db": 0.2, "after_tries": 3, "listed": True}
    table = verdicts(made, NO_READINGS, *tiers)
    assert table["n"].tolist() == [1, 1]
    assert table["verdict"].tolist() == ["met", "met"]
    without = verdicts(made, NO_READINGS, ESTIMATE)
    assert without["verdict"].tolist() == ["not met"]


def test_later_edition_counts_from_its_day():
    days = pd.to_datetime(np.repeat(["2026-11-02", "2026-11-20"], 10))
    made = attempts_of(np.full(20, 0.12), date=days)
    old = ESTIMATE | {"limit_db": 0.15, "edition": "2019"}
    new = ESTIMATE | {"limit_db": 0.10, "edition": "2026", "from_date": "2026-11-10"}
    table = verdicts(made, NO_READINGS, old, new)
    assert table["n"].tolist() == [10, 10]
    assert table["verdict"].tolist() == ["met", "not met"]


def both_ways(made, forward, backward):
    ends = [
        readings_of(np.full(len(made), value), made, quantity="one-way loss",
                    wavelength_nm=1550.0, direction=way)
        for value, way in ((forward, "A to B"), (backward, "B to A"))
    ]  # fmt: skip
    return pd.concat(ends, ignore_index=True)


def test_mean_of_both_ways_forgives_a_gainer():
    made = attempts_of(drawn(20))
    tests = both_ways(made, 0.25, -0.15)
    limit = {"quantity": "one-way loss", "limit_db": 0.2, "wavelength_nm": 1550}
    mean = verdicts(made, tests, limit | {"direction": "mean"})
    assert mean.loc[0, "verdict"] == "met" and mean.loc[0, "value"] == pytest.approx(0.05)
    each = verdicts(made, tests, limit | {"direction": "each"})
    assert each.loc[0, "verdict"] == "not met" and each.loc[0, "n"] == 40


def test_both_ways_asked_and_one_read_cannot_tell():
    made = attempts_of(drawn(20))
    one_end = both_ways(made, 0.05, 0.05).iloc[:30]
    limit = {"quantity": "one-way loss", "limit_db": 0.2, "direction": "each"}
    result = limit_verdicts(made, one_end, crew=crew_with(limit))
    assert result.table.loc[0, "verdict"] == "cannot tell"
    assert "read from one end only" in str(result)


def test_return_loss_is_at_least():
    made = attempts_of(drawn(30))
    values = np.random.default_rng(3).normal(58, 2, 30)
    tests = readings_of(values, made, quantity="return loss", wavelength_nm=np.nan, step=0.1)
    limit = {"quantity": "return loss", "limit_db": 45}
    assert verdicts(made, tests, limit).loc[0, "verdict"] == "met"
    high = verdicts(made, tests, limit | {"limit_db": 58}).loc[0]
    assert high["verdict"] == "not met"
    mean = verdicts(made, tests, limit | {"limit_db": 50, "statistic": "mean"}).loc[0]
    assert mean["verdict"] == "met" and 56 < mean["value"] < 60
    tail = verdicts(made, tests, limit | {"limit_db": 57, "statistic": "97 %"}).loc[0]
    assert tail["verdict"] == "not met" and tail["value"] < mean["value"]


def test_redone_joint_is_judged_by_its_last_arc():
    made = attempts_of([0.3, 0.03], position_id=["J1|P1|1"] * 2, attempt_no=[1, 2])
    assert verdicts(made, NO_READINGS, ESTIMATE).loc[0, "verdict"] == "met"


def test_sentences_say_verdict_first_then_what_to_do():
    limit = ESTIMATE | {"statistic": "mean", "limit_db": 0.045}
    said = str(limit_verdicts(attempts_of(drawn(50, seed=2)), NO_READINGS, crew=crew_with(limit)))
    assert said.startswith("Cannot tell yet: LC, estimated loss: mean at most 0.045 dB. Mean 0.0")
    assert said.endswith("would tell, four times in five.") and "50 readings" in said
    over = str(limit_verdicts(attempts_of([0.3]), NO_READINGS, crew=crew_with(ESTIMATE)))
    assert over.startswith("Not met: ") and "1 of 1 reading over it" in over


def test_too_few_readings_give_no_figure_but_say_how_many_to_begin_with():
    limit = ESTIMATE | {"statistic": "97 %"}
    result = limit_verdicts(attempts_of(drawn(3)), NO_READINGS, crew=crew_with(limit))
    row = result.table.iloc[0]
    assert np.isnan(row["value"]) and row["n_more"] == 27
    assert str(result).endswith("Too few to tell (3 readings); 27 more readings to begin with.")


def test_share_beyond_the_limit_counts_what_the_display_leaves_open():
    shown = [0.02] * 95 + [0.10] * 2 + [0.15] * 3
    rows = verdicts(attempts_of(shown), NO_READINGS, ESTIMATE, ESTIMATE | {"statistic": "mean"})
    assert rows["over"].tolist() == [3, 3] and rows["near"].tolist() == [2, 2]
    # R 4.2.2: prop.test(3, 100, correct = FALSE), prop.test(5, 100, correct = FALSE)
    assert rows["over_share_low"].to_numpy() == pytest.approx(0.01025, abs=5e-6)
    assert rows["over_share_high"].to_numpy() == pytest.approx(0.11175, abs=5e-6)


def test_what_is_left_to_read_is_never_a_single_reading():
    made = attempts_of(drawn(60, seed=5))
    for edge in np.linspace(0.03, 0.08, 26):
        row = verdicts(made, NO_READINGS, ESTIMATE | {"statistic": "mean", "limit_db": edge}).loc[0]
        assert row["verdict"] != "cannot tell" or pd.isna(row["n_more"]) or row["n_more"] >= 10


def test_cannot_tell_names_a_day_at_the_crews_own_pace():
    days = pd.to_datetime("2026-11-02") + pd.to_timedelta(np.arange(50) // 5, unit="D")
    made = attempts_of(drawn(50, seed=2), date=days)
    limit = ESTIMATE | {"statistic": "mean", "limit_db": 0.045}
    now = pd.Timestamp("2026-11-12", tz="UTC")
    result = limit_verdicts(made, NO_READINGS, crew=crew_with(limit), as_of=now)
    # five readings a day
    wanted = now + pd.Timedelta(days=int(np.ceil(result.table.loc[0, "n_more"] / 5)))
    assert result.findings[0].values["by_day"] == wanted.date()
    assert f"at this pace by {wanted:%a}" in str(result)


def test_no_limit_rows_give_an_empty_answer():
    result = limit_verdicts(attempts_of(drawn(5)), NO_READINGS, crew=Crew())
    assert result.table.empty and list(result.table) == COLUMNS


def test_picture_tells_the_three_states_apart():
    made = attempts_of(drawn(200))
    result = limit_verdicts(
        made, NO_READINGS,
        crew=crew_with(
            *(ESTIMATE | {"statistic": "mean", "limit_db": limit} for limit in (0.08,))
        ),
    )  # fmt: skip
    ax = result.plot(Figure().subplots())
    assert {text.get_text() for text in ax.get_legend().get_texts()} == {
        "met",
        "not met",
        "cannot tell",
    }
