"""Change points against independent computations in R."""

import numpy as np
import pytest

from yieldkit.methods.changepoint import mean_breaks, rate_break, rise_start, step_or_rise


@pytest.mark.parametrize("case", ["G01_level_shift_200", "G02_no_shift_150"])
def test_steps_of_the_mean_agree_with_r(computed, case):
    # R package strucchange 1.5.3: breaks exact, rss and criterion relative 1e-8.
    known = computed(case)
    expected = known["expected"]
    least = int(known["definitions"]["min_segment"]) if "definitions" in known else 30
    most = len(expected["rss_by_breaks"]) - 1
    found = mean_breaks(computed(f"{case}.csv")["log_loss"], least_segment=least, most=most)
    assert found.rss == pytest.approx(expected["rss_by_breaks"], rel=1e-8)
    assert found.bic == pytest.approx(expected["bic_by_breaks"], rel=1e-8)
    assert [list(breaks) for breaks in found.by_number] == expected["breaks_for_each_number"]
    assert list(found.breaks) == list(expected.get("best_breaks") or [])


@pytest.mark.parametrize("case", ["G03_bernoulli_change_180", "G04_bernoulli_no_change_240"])
def test_step_of_a_failure_rate_agrees_with_r(computed, case):
    # Own code in R: statistic relative 1e-10, chance 1e-8.
    expected = computed(case)["expected"]
    found = rate_break(computed(f"{case}.csv")["fail"], least_segment=expected["min_segment"])
    assert found.last_before == expected["best_k"]
    assert found.statistic == pytest.approx(expected["max_statistic"], rel=1e-10)
    assert found.chance == pytest.approx(expected["exact_p"], abs=1e-8)
    assert found.before == pytest.approx(expected["rate_before"], abs=1e-12)
    assert found.after == pytest.approx(expected["rate_after"], rel=1e-12)
    assert found.statistics == pytest.approx(
        np.array(expected["statistic_at"]["value"]), rel=1e-9, abs=1e-9
    )


def test_start_of_a_rise_agrees_with_r(computed):
    # R package segmented 1.6.2 and own code: rss relative 1e-6, place 0.5 % of the range,
    # interval within one step of a grid of 800.
    expected = computed("G05_drift_line_300")["expected"]
    data = computed("G05_drift_line_300.csv")
    x = data["splices_since_service"]
    found = rise_start(x, data["log_loss"])
    grid = np.diff(np.quantile(x, [0.05, 0.95]))[0] / 799
    assert found.rss == pytest.approx(expected["rss"], rel=1e-6)
    assert found.start == pytest.approx(expected["break_profile_ls"], abs=0.005 * np.ptp(x))
    assert [found.low, found.high] == pytest.approx(
        expected["break_interval95_profile"], abs=1.01 * grid
    )


@pytest.mark.parametrize("shape", ["none", "step", "rise"])
def test_the_shape_is_told(shape):
    rng = np.random.default_rng(8)
    x = np.arange(60)
    level = {"none": 0 * x, "step": 3.0 * (x >= 30), "rise": np.maximum(x - 25, 0) * 0.2}[shape]
    assert step_or_rise(rng.normal(level, 1.0), np.ones(60)).shape == shape


@pytest.mark.parametrize(
    "doing",
    [
        lambda: mean_breaks([1.0, 2.0], least_segment=5),
        lambda: rate_break([0, 1], least_segment=5),
        lambda: step_or_rise([1.0] * 4),
    ],
)
def test_too_few_points_are_said(doing):
    with pytest.raises(ValueError, match=r"hold no|cannot tell"):
        doing()
