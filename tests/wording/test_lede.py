"""The week in one sentence: what waits leaves a range open, and the sentence says it."""

from yieldkit.wording.page import lede
from yieldkit.wording.steps import STEPS

_WEEK = {"positions": 100, "first_pass": 60, "failed": 20, "yield": 0.75, "low": 0.65, "high": 0.83}


def test_open_joints_leave_a_range_that_is_said() -> None:
    waiting = {"pending": 20, "unknown": 0, "bound_low": 0.6, "bound_high": 0.8}
    assert lede(_WEEK | waiting) == (
        "100 joints begun; 75.0 % right the first time (65.0 to 83.0 %, 80 decided). 20 still "
        "wait for a test. Until they are known the figure may end anywhere from 60.0 to 80.0 %."
        " Failures show at once and passes only after the test, so a week with many tests out looks"
        " worse than it ends."
    )


def test_nothing_open_leaves_no_range() -> None:
    closed = {"pending": 0, "unknown": 0, "bound_low": 0.75, "bound_high": 0.75}
    assert lede(_WEEK | closed).endswith("80 decided).")


def test_a_step_for_a_cleaver_names_no_electrodes() -> None:
    assert "electrodes" not in STEPS["write_rotation"]
    assert "blade" not in STEPS["write_electrodes"]
