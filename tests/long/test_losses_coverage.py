"""Do the intervals and verdicts on losses keep what they say? On losses of known truth.

Run with ``pytest -m long tests/long/test_losses_coverage.py -s``; the figures measured are in
docs/methods/losses.md. Every reading is rounded to 0.01 dB before it is seen.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tests.answers.loss_tables import NO_READINGS, attempts_of
from yieldkit.answers.limits import decide, readings_needed, verdict_figures
from yieldkit.answers.loss_shape import loss_change
from yieldkit.crew import Crew, Limit
from yieldkit.methods.binned import (
    Exponential,
    Gamma,
    Lognormal,
    Weibull,
    count_intervals,
    fit,
    quantile_interval,
    weigh,
)
from yieldkit.methods.tolerance import distribution_free_upper
from yieldkit.simulate import fitting_crew, misspecified, simulate, typical_crew
from yieldkit.simulate.losses import survival

pytestmark = pytest.mark.long
SEED = 20261117
LAWS = {
    "exponential": (Exponential(), stats.expon(scale=0.04)),
    "gamma": (Gamma(), stats.gamma(1.5, scale=0.04 / 1.5)),
    "weibull": (Weibull(), stats.weibull_min(1.3, scale=0.045)),
    "lognormal": (Lognormal(), stats.lognorm(0.8, scale=0.03)),
}


def counts_of(law, n, times, rng):
    """``times`` groups of ``n`` losses rounded to 0.01 dB."""
    shown = np.round(law.rvs((times, n), random_state=rng) / 0.01)
    low = np.round(np.maximum(shown - 0.5, 0) * 0.01, 6)
    high = np.round((shown + 0.5) * 0.01, 6)
    return count_intervals(low.ravel(), high.ravel(), group=np.repeat(np.arange(times), n))


def error(share, times):
    """Monte Carlo standard error of a share."""
    return np.sqrt(share * (1 - share) / times)


def generator(*name):
    return np.random.default_rng([SEED, *map(ord, "".join(map(str, name)))])


@pytest.mark.parametrize("name", ["gamma", "weibull", "lognormal"])
@pytest.mark.parametrize("n, least, most", [(60, 0.92, 1.0), (600, 0.94, 0.96)])
def test_99_percent_quantile_of_the_correct_family(name, n, least, most):
    family, law = LAWS[name]
    times = 2000
    found = quantile_interval(fit(counts_of(law, n, times, generator(name, n)), family), 0.99)
    truth = law.ppf(0.99)
    cover = float(np.mean((found.low <= truth) & (truth <= found.high)))
    slack = 2 * error(0.95, times)
    print(f"\ncorrect {name}, n {n}: {cover:.3f} +- {error(cover, times):.3f}, seed {SEED}")
    assert least - slack <= cover <= most + slack


@pytest.mark.parametrize("name", list(LAWS))
@pytest.mark.parametrize("n, times", [(60, 600), (600, 300)])
def test_99_percent_quantile_averaged_over_families(name, n, times):
    law = LAWS[name][1]
    found = weigh(counts_of(law, n, times, generator("average", name, n))).quantile(0.99)
    truth = law.ppf(0.99)
    cover = float(np.mean((found.low <= truth) & (truth <= found.high)))
    print(f"\naveraged, truth {name}, n {n}: {cover:.3f} +- {error(cover, times):.3f}")
    assert cover >= 0.90 - 2 * error(0.90, times)


@pytest.mark.parametrize("share, n", [(0.97, 99), (0.97, 300), (0.99, 299)])
def test_distribution_free_bound_holds_as_theory_says(share, n):
    times = 4000
    law = LAWS["lognormal"][1]
    counts = counts_of(law, n, times, generator("free", share, n))
    bounds = [each.value for each in distribution_free_upper(counts, share)]
    cover = float(np.mean(np.array(bounds) >= law.ppf(share)))
    print(f"\ndistribution-free {share}, n {n}: {cover:.3f} +- {error(cover, times):.3f}")
    # a rounded bound is the upper end of its interval, so it holds at least as often as said
    assert 0.95 - 3 * error(0.95, times) <= cover <= 0.99


@pytest.mark.parametrize("name", list(LAWS))
@pytest.mark.parametrize("n, times", [(30, 2000), (60, 2000), (99, 2000), (200, 2000), (600, 1000)])
def test_met_is_seldom_wrong_with_the_limit_on_the_truth(name, n, times):
    law = LAWS[name][1]
    counts = counts_of(law, n, times, generator("met", name, n))
    found = weigh(counts)
    figures = verdict_figures(counts, found, 0.95, ["mean", "97 %"])
    for figure, truth in (("97 %", law.ppf(0.97)), ("mean", law.mean())):
        bound = figures[figure][1]
        met, not_met = float(np.mean(bound.high < truth)), float(np.mean(bound.low > truth))
        print(f"\n{figure}, truth {name}, n {n}: met wrongly {met:.3f}, not met wrongly "
              f"{not_met:.3f}, +- {error(0.05, times):.3f}")  # fmt: skip
        assert met <= 0.05 + 3 * error(0.05, times)
        assert not_met <= 0.05 + 3 * error(0.05, times)


def true_quantile(arcs, plan, share):
    """Loss that ``share`` of such arcs stay under, each arc with its own true mean and bias."""
    low, high = 1e-4, 5.0
    for _ in range(50):
        middle = (low + high) / 2
        above = survival(
            middle, arcs["mean_db"].to_numpy(), family=plan.family, shape=plan.family_shape,
            bias=arcs["bias"].to_numpy(),
        ).mean()  # fmt: skip
        low, high = (middle, high) if above > 1 - share else (low, middle)
    return middle


@pytest.mark.parametrize("kind", ["fitting", "misspecified"])
def test_met_on_simulated_crews(kind):
    """The limit lies on the true 97 % value of each splicer's arcs; crews of four weeks."""
    crews = 40
    plan = fitting_crew(weeks=4) if kind == "fitting" else misspecified(typical_crew(weeks=4))
    lows, highs, groups, truths = [], [], [], []
    for seed in range(crews):
        crew = simulate(plan, seed=seed)
        arcs = crew.truth.attempts.dropna(subset=["attempt_id"])
        shown = crew.tables["attempts"].dropna(subset=["loss_low_db", "loss_high_db"])
        both = arcs.merge(shown[["attempt_id", "loss_low_db", "loss_high_db"]], on="attempt_id")
        for _, some in both.groupby("splicer"):
            groups.append(np.full(len(some), len(truths)))
            truths.append(true_quantile(some, plan, 0.97))
            lows.append(some["loss_low_db"].to_numpy())
            highs.append(some["loss_high_db"].to_numpy())
    counts = count_intervals(
        np.round(np.concatenate(lows), 6), np.round(np.concatenate(highs), 6),
        group=np.concatenate(groups),
    )  # fmt: skip
    told = len(truths)
    bound = verdict_figures(counts, weigh(counts), 0.95, ["97 %"])["97 %"][1]
    met = float(np.mean(bound.high < np.array(truths)))
    not_met = float(np.mean(bound.low > np.array(truths)))
    print(f"\n{kind} crews: {told} splicers, median n {np.median(counts.n):.0f}, met wrongly "
          f"{met:.3f}, not met wrongly {not_met:.3f}, +- {error(0.05, told):.3f}")  # fmt: skip
    assert met <= 0.05 + 3 * error(0.05, told)
    assert not_met <= 0.05 + 3 * error(0.05, told)


def test_so_many_more_readings_tell_in_four_of_five_cases():
    """Gamma losses, a limit a quarter over the mean; drawn anew as if the estimate were true."""
    rng, pilots, again = generator("more"), 40, 10
    family, law = LAWS["gamma"]
    limit = Limit(quantity="estimated loss", statistic="mean", limit_db=1.25 * law.mean())
    told, cases, sizes = 0, 0, []
    for _ in range(pilots):
        pilot = counts_of(law, 50, 1, rng)
        figures = verdict_figures(pilot, weigh(pilot), 0.95, ["mean"])["mean"]
        decided = decide(figures, 0, 50, limit)
        if decided["verdict"] != "cannot tell":
            continue
        more = readings_needed(decided, figures[2][0], limit, 0.95)
        if more is None or more > 3000:
            continue
        sizes.append(50 + more)
        shape, rate = (value[0] for value in fit(pilot, family).parameters.values())
        drawn = counts_of(stats.gamma(shape, scale=1 / rate), 50 + more, again, rng)
        bound = verdict_figures(drawn, weigh(drawn), 0.95, ["mean"])["mean"][1]
        decided_now = (bound.high <= limit.limit_db) | (bound.low > limit.limit_db)
        told += int(decided_now.sum())
        cases += again
    share = told / cases
    print(f"\ntold after n_more: {share:.3f} +- {error(share, cases):.3f} of {cases} samples of "
          f"{len(sizes)} pilots of 50, median size {np.median(sizes):.0f}")  # fmt: skip
    assert 0.7 <= share <= 0.95


@pytest.mark.parametrize("offset_um, says", [(0.0, "hand or cleave"), (0.4, "machine offset")])
def test_hand_and_machine_are_told_apart(offset_um, says):
    """150 splicers, 400 splices before and after; errors of 0.20, then 0.26 um, or an offset."""
    rng, splicers, n = generator("hand", offset_um), 150, 400
    parts = []
    for spread, offset in ((0.20, 0.0), (0.26 if not offset_um else 0.20, offset_um)):
        miss = rng.normal(0, spread, (2, splicers * n))
        parts.append(4.343 * ((miss[0] + offset) ** 2 + miss[1] ** 2) / 4.6**2)
    made = attempts_of(
        np.concatenate(parts),
        splicer=np.tile(np.repeat([f"SP-{k}" for k in range(splicers)], n), 2),
        date=np.repeat(pd.to_datetime(["2026-10-05", "2026-11-02"]), splicers * n),
    )
    found = loss_change(made, NO_READINGS, crew=Crew(), since=pd.Timestamp("2026-11-01"))
    shares = found.table["says"].value_counts(normalize=True)
    print(f"\noffset {offset_um} um: {shares.round(3).to_dict()} of {splicers} splicers")
    wrong = {"hand or cleave", "machine offset", "some bad joints"} - {says}
    assert sum(shares.get(each, 0.0) for each in wrong) <= 0.05 + 3 * error(0.05, splicers)
