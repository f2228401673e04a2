"""The drift watch on many crews; figures go to docs/methods/drift.md."""

import numpy as np
import pytest
from drift_claims import binned_assurance, false_alarms, finds_the_unit
from harness import run_study

from yieldkit.methods.runlength.assured import exponential_limit
from yieldkit.simulate import Shift, Wear, fitting_crew, misspecified, typical_crew

pytestmark = pytest.mark.long
SEED = 78
STEADY = Wear(fault=0.0, loss=0.0, refusal=0.0, angle=0.0, electrode_loss=0.0)


def test_alarms_of_crews_without_drift():
    plans = {
        "fits": fitting_crew(technicians=6, weeks=26, wear=STEADY),
        "misspecified": misspecified(typical_crew(technicians=6, weeks=26)),
    }
    rows = run_study(false_alarms, plans, crews=20, seed=SEED, processes=1)
    alarms = rows[rows["what"] == "alarms in 13 weeks"]
    found = alarms.groupby("crew")["n"].agg(["mean", "sem"])
    assert found.loc["fits", "mean"] <= 1.5 + 2 * found.loc["fits", "sem"]


@pytest.mark.parametrize("rise, least", [(1.5, 0.6), (2.0, 0.9)])
def test_a_splicer_is_seen_within_eight_weeks(rise, least):
    plan = fitting_crew(
        technicians=6,
        weeks=21,
        wear=STEADY,
        shifts=(Shift("splicer", "SP-02", start_day=65, loss_factor=rise),),
    )
    rows = run_study(finds_the_unit, {"fits": plan}, crews=20, seed=SEED, processes=1)
    last = rows[rows["what"] == "within 8 weeks"]
    assert last["seen"].mean() >= least
    assert last["covered"].dropna().astype(float).mean() >= 0.8


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
    kept = [binned_assurance(300.0, 300, SEED + k)["kept"] for k in range(60)]
    assert np.mean(kept) >= 0.88 - 2 * np.sqrt(0.9 * 0.1 / 60)
