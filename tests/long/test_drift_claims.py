"""The drift watch on many crews; figures go to docs/methods/drift.md."""

import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from drift_claims import (
    best_delay,
    binned_assurance,
    false_alarms,
    finds_the_unit,
    onset_held,
    watch_delay,
)
from harness import run_study

from yieldkit.methods.runlength.assured import exponential_limit
from yieldkit.simulate import Shift, Wear, fitting_crew, misspecified, typical_crew

pytestmark = pytest.mark.long
SEED = 2027
CREWS = int(os.environ.get("STUDY_CREWS", "20"))
"""Crews of each kind; the figures in docs/methods/drift.md say how many they rest on."""
STEADY = Wear(fault=0.0, loss=0.0, refusal=0.0, angle=0.0, electrode_loss=0.0)


def test_alarms_of_crews_without_drift():
    fits = fitting_crew(technicians=6, weeks=26, wear=STEADY)
    plans = {
        "fits": fits,
        # A variation coefficient of 0.2 from day to day, half of it each splicer's own.
        "days differ": replace(fits, losses=replace(fits.losses, day=0.14, splicer_day=0.14)),
        "misspecified": misspecified(typical_crew(technicians=6, weeks=26)),
    }
    rows = run_study(false_alarms, plans, crews=CREWS, seed=SEED, processes=1)
    found = rows.groupby(["crew", "what"], sort=False)["n"].agg(["mean", "sem", "size"])
    print(found.round(2).to_string())
    alarms = found.xs("alarms in 13 weeks", level="what")
    for crew in ("fits", "days differ"):
        assert alarms.loc[crew, "mean"] <= 1.5 + 2 * alarms.loc[crew, "sem"]


@pytest.mark.parametrize("rise, least", [(1.5, 0.6), (2.0, 0.9)])
def test_a_splicer_is_seen_within_eight_weeks(rise, least):
    plan = fitting_crew(
        technicians=6,
        weeks=21,
        wear=STEADY,
        shifts=(Shift("splicer", "SP-02", start_day=65, loss_factor=rise),),
    )
    rows = run_study(finds_the_unit, {"fits": plan}, crews=CREWS, seed=SEED, processes=1)
    truths = ["seen", "first_is_right", "covered"]
    rows[truths] = rows[truths].astype(float)
    print(rows.groupby("what")[["said", *truths, "width_days"]].mean().round(2).to_string())
    last = rows[rows["what"] == "within 8 weeks"]
    assert last["seen"].mean() >= least - 2 * np.sqrt(least * (1 - least) / CREWS)
    held = last["covered"].dropna()
    assert held.mean() >= 0.93 - 2 * np.sqrt(0.93 * 0.07 / len(held))


@pytest.mark.parametrize("day_cv, shown", [(0.0, 0.0), (0.0, 1 / 3), (0.2, 0.0)])
def test_the_watch_is_nearly_as_fast_as_the_chart_that_knows_the_truth(day_cv, shown):
    # At the false alarms that the watch truly has; 1.2 wanted, two standard errors allowed.
    quiet, _ = watch_delay(1.0, day_cv, shown, SEED, 1500)
    for rise in (1.25, 1.5, 2.0):
        own, own_error = watch_delay(rise, day_cv, shown, SEED + 1, 4000)
        best, best_error = best_delay(rise, day_cv, quiet, SEED + 2, 4000)
        ratio = own / best
        error = ratio * np.hypot(own_error / own, best_error / best)
        print(f"x{rise}: {own:.2f} and {best:.2f} days, {ratio:.3f} +- {error:.3f}")
        assert ratio <= 1.2 + 2 * error


@pytest.mark.parametrize("size, rise", [(0.75, 1), (1.0, 1), (1.5, 1), (2.5, 1), (1.5, 10)])
def test_the_onset_lies_in_its_interval(size, rise):
    # 93 % wanted, given a true signal after 50 quiet points; two standard errors allowed.
    rows = pd.DataFrame(onset_held(size, rise, 1500, SEED))
    told = rows[["held", "width", "delay", "known"]].astype(float)
    print(told.mean().round(3).to_dict(), told["width"].median(), len(rows))
    assert told["held"].mean() >= 0.93 - 2 * np.sqrt(0.93 * 0.07 / len(rows))


def test_run_length_of_exponential_losses_agrees_with_simulation():
    # 20,000 runs; the computed mean within 1 % or three standard errors.
    chart, rng = exponential_limit(300.0, rise=1.5), np.random.default_rng(SEED)
    lengths = np.zeros(20_000)
    level, alive = np.zeros(20_000), np.arange(20_000)
    while len(alive):
        level = np.maximum(level + rng.exponential(1, len(alive)) - chart.reference, 0)
        lengths[alive] += 1
        stay = level <= chart.limit
        level, alive = level[stay], alive[stay]
    error = lengths.std() / np.sqrt(len(lengths))
    assert lengths.mean() == pytest.approx(300, abs=max(3.0, 3 * error))


def test_rounded_losses_keep_the_rate_in_nine_of_ten():
    kept = [binned_assurance(300.0, 300, SEED + k)["kept"] for k in range(100)]
    assert np.mean(kept) >= 0.88 - 2 * np.sqrt(0.9 * 0.1 / 100)


@pytest.mark.parametrize("baseline", [50, 200])
def test_exponential_losses_keep_the_rate_in_nine_of_ten(baseline):
    chart = exponential_limit(1000.0, rise=1.5, baseline=baseline)
    means = np.random.default_rng(SEED).gamma(baseline, 1 / baseline, 600)
    kept = np.mean([chart.mean(1 / mean) >= 1000 for mean in means])
    assert kept == pytest.approx(0.90, abs=0.02 + 2 * np.sqrt(0.9 * 0.1 / 600))
