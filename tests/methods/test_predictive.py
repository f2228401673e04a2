"""Failures, parts and packs held to independent computations and to published cases."""

import numpy as np
import pytest
from scipy.special import expit

from yieldkit.methods import predictive as pr

LEVELS = (0.5, 0.8, 0.9, 0.95, 0.99)
NAMES = ("q50", "q80", "q90", "q95", "q99")


def held_to_row(pmf, row):
    """Quantiles exact, chances at them absolute 1e-10."""
    found = pr.quantiles(pmf, LEVELS)
    assert found == [int(row[name]) for name in NAMES]
    reached = np.cumsum(pmf)
    for name, at in zip(NAMES, found, strict=True):
        assert reached[at] == pytest.approx(row[f"cdf_{name}"], abs=1e-10)


def chances_of(row):
    if row.kind == "nb":
        return pr.Chances.known(row.p)
    step = pr.node_step(row.N, expit(row.mu), row.sd)
    return pr.Chances.normal(row.mu, job_sd=row.sd, step=step)


# Independent computation in R: tests/references/computed/I01 and I03.
@pytest.mark.parametrize("case", ["I01_negative_binomial", "I03_logit_normal"])
def test_failures_of_one_type(computed, case):
    for row in computed(f"{case}_expected.csv").itertuples():
        chances, work = chances_of(row), pr.Work(int(row.N))
        pmf = pr.mixed_pmf(chances, work)
        held_to_row(pmf, row._asdict())
        assert pmf[0] == pytest.approx(row.p_zero, abs=1e-10)
        assert pmf[: int(0.05 * row.N) + 1].sum() == pytest.approx(row.p_at_most_5pct, abs=1e-10)
        mean, variance = pr.mean_and_variance(chances, work)
        assert mean == pytest.approx(row.mean, rel=1e-10)
        assert variance == pytest.approx(row.variance, rel=1e-10)
    first = computed(f"{case}_expected.csv").iloc[0]
    wanted = computed(f"{case}_pmf_row1.csv")
    pmf = pr.mixed_pmf(chances_of(first), pr.Work(int(first.N)))
    assert pmf[wanted["k"]] == pytest.approx(wanted["pmf"].to_numpy(), abs=1e-10)


# Independent computation in R: tests/references/computed/I02 (chance to pass Beta(a, b)).
def test_failures_with_a_beta_chance(computed):
    for row in computed("I02_beta_negative_binomial_expected.csv").itertuples():
        pmf = pr.beta_negative_binomial(int(row.N), row.a, row.b, 20_000)
        held_to_row(pmf, row._asdict())
        assert pmf[0] == pytest.approx(row.p_zero, abs=1e-10)


# Independent computation in R: tests/references/computed/I04 (most tries a position).
def test_capped_tries(computed):
    for row in computed("I04_capped_tries_expected.csv").itertuples():
        mu = float(str(row.logit_by_try).split(";")[0])
        chances = pr.Chances.normal(mu, job_sd=row.sd, step=1 / 8)
        work = pr.Work(int(row.N), tries=int(row.cap))
        extra = pr.mixed_pmf(chances, work, ending="extra")
        held_to_row(extra, row._asdict())
        lost = pr.given_up(chances, work)
        assert lost[0] == pytest.approx(row.p_none_given_up, abs=1e-10)
        assert lost[:2].sum() == pytest.approx(row.p_at_most_1_given_up, abs=1e-10)
        assert pr.quantiles(lost, [0.95]) == [row.given_up_q95]
        mean_lost = np.arange(len(lost)) @ lost
        assert mean_lost == pytest.approx(row.mean_given_up, rel=1e-10)
        failed = pr.mean_and_variance(chances, work)[0]
        assert failed - mean_lost == pytest.approx(row.mean_extra_bodies, rel=1e-10, abs=1e-12)
        none = np.cumsum(pr.mixed_pmf(chances, work, ending="dropped"))
        for name in ("q95", "q80"):
            wanted = getattr(row, f"p_suffice_and_none_given_up_at_{name}")
            at = min(int(getattr(row, name)), len(none) - 1)
            assert none[at] == pytest.approx(wanted, abs=1e-10)


# Independent computation in R: tests/references/computed/I05, I06 (several types, one job effect).
@pytest.mark.parametrize("case", ["I05_two_types", "I06_six_types"])
def test_types_that_share_the_job_effect(computed, case):
    types = computed(f"{case}_types.csv")
    tau = computed(case)["definitions"]["tau"]
    chances = pr.Chances.normal(
        types["mu"].to_numpy(),
        job_sd=tau,
        loading=types["loading"].to_numpy(),
        own_sd=types["own_sd"].to_numpy(),
        step=1 / 4 if types["own_sd"].any() else 1 / 8,
        own_step=1 / 2,
    )
    works = [pr.Work(int(n)) for n in types["N"]]
    pmfs = []
    for kind, row in enumerate(types.to_dict("records")):
        pmfs.append(pr.mixed_pmf(chances, works[kind], kind))
        held_to_row(pmfs[-1], row)
        mean, variance = pr.mean_and_variance(chances, works[kind], kind)
        assert (mean, variance) == pytest.approx((row["mean"], row["variance"]), rel=1e-10)
    total = pr.total_pmf(chances, works)
    expected = computed(f"{case}_total.csv").set_index("model")
    held_to_row(total, expected.loc["common_job_effect"])
    apart = np.ones(1)
    for pmf in pmfs:
        apart = np.convolve(apart, pmf[:400])
    held_to_row(apart, expected.loc["independent"])
    one_part = pr.Use(np.ones(1), np.ones((1, 1), int), np.zeros((1, 0), int))
    for row in computed(f"{case}_joint.csv").itertuples():
        spares = [int(n) for n in row.spares.split(";")]
        chance, exact = pr.all_suffice(
            chances, works, [one_part] * len(works), [[n] for n in spares]
        )
        assert exact
        assert chance == pytest.approx(row.p_all_suffice_common, abs=1e-10)
        assert total[: sum(spares) + 1].sum() == pytest.approx(row.p_total_common, abs=1e-10)


def shared_parts_case(computed):
    said = computed("I07_shared_parts")["definitions"]
    chances = pr.Chances.normal(said["types"]["mu"], job_sd=said["tau"], step=1 / 8)
    works = [pr.Work(n) for n in said["types"]["N"]]
    uses = []
    for name, steps in zip(
        said["types"]["type"], said["step_probabilities_given_failure"], strict=True
    ):
        use = said["use_per_failure_by_step"][name]
        uses.append(
            pr.Use(
                np.array(steps),
                np.array(use["body"])[:, None],
                np.array([use["sleeve"], use["ring"]]).T,
            )
        )
    return chances, works, uses


# Independent computation in R: tests/references/computed/I07 (bodies by type, two shared parts).
def test_parts_fail_together(computed):
    chances, works, uses = shared_parts_case(computed)
    parts = computed("I07_shared_parts_parts.csv").set_index("part")
    for kind, name in enumerate(("LC", "SC")):
        share = float(uses[kind].steps @ uses[kind].own[:, 0])
        work = pr.Work(works[kind].positions, share=share)
        held_to_row(pr.mixed_pmf(chances, work, kind), parts.loc[f"body_{name}"])
        mean = pr.mean_and_variance(chances, work, kind)[0]
        assert mean == pytest.approx(parts.loc[f"body_{name}", "mean"], rel=1e-10)
    for at, name in enumerate(("sleeve", "ring")):
        shares = [float(use.steps @ use.shared[:, at]) for use in uses]
        thinned = [pr.Work(w.positions, share=s) for w, s in zip(works, shares, strict=True)]
        held_to_row(pr.total_pmf(chances, thinned), parts.loc[name])
    for row in computed("I07_shared_parts_joint.csv").itertuples():
        lc, sc, sleeve, ring = (int(n) for n in row.spares.split(";"))
        chance, exact = pr.all_suffice(chances, works, uses, [[lc], [sc]], [sleeve, ring])
        assert exact
        assert chance == pytest.approx(row.p_all_suffice, abs=1e-10)


# Two ways through the same question: nested parts by matrices, and counting failure by failure.
def test_nested_parts_agree_with_counting(computed):
    from yieldkit.methods.predictive.joint import _direct_ways, _ways

    steps = np.array([0.3, 0.3, 0.25, 0.15])
    use = pr.Use(steps, np.array([[0, 0], [1, 0], [1, 0], [1, 1]]), np.array([[0], [0], [1], [1]]))
    own, shared = np.array([6, 3]), np.array([4])
    direct, nested = _direct_ways(use, own, shared, 12), _ways(use, own, shared, 12)
    assert nested == pytest.approx(direct, abs=1e-14)


# Simulation with a stated error: first try and retry apart, a cap, parts thinned by step.
def test_retries_apart_agree_with_simulation():
    rng = np.random.default_rng(20261116)
    chances = pr.Chances.normal([2.5], job_sd=0.5, retry_shift=-1.0, step=1 / 8)
    work = pr.Work(60, tries=3)
    draws = 200_000
    u = rng.standard_normal(draws)
    p, r = expit(2.5 + 0.5 * u), expit(1.5 + 0.5 * u)
    once = rng.binomial(60, 1 - p)
    twice = rng.binomial(once, 1 - r)
    thrice = rng.binomial(twice, 1 - r)
    body = rng.binomial(once + twice + thrice, 0.7)
    pmf = pr.mixed_pmf(chances, pr.Work(60, tries=3, share=0.7))
    for k in (2, 4, 8, 15):
        seen, error = np.mean(body <= k), np.sqrt(0.25 / draws)
        assert pmf[: k + 1].sum() == pytest.approx(seen, abs=4 * error)
    assert pr.given_up(chances, work)[0] == pytest.approx(np.mean(thrice == 0), abs=4 * error)


# Outside check: the position's distribution written out, raised to its power by convolution.
@pytest.mark.parametrize("tries", [1, 2, 4])
@pytest.mark.parametrize("positions, p, r", [(1, 0.9, 0.5), (90, 0.97, 0.6), (400, 0.7, 0.9)])
def test_windows_hold_the_whole_distribution(tries, positions, p, r):
    own = np.array([p, *((1 - p) * (1 - r) ** (k - 1) * r for k in range(1, tries))])
    own = np.append(own, (1 - p) * (1 - r) ** (tries - 1))
    wanted = np.ones(1)
    for _ in range(positions):
        wanted = np.convolve(wanted, own)
    chances, work = pr.Chances.known([p], [r]), pr.Work(positions, tries=tries)
    size = len(wanted)
    found = np.pad(pr.mixed_pmf(chances, work), (0, size))[:size]
    assert found == pytest.approx(wanted, abs=1e-14)
    assert pr.node_pmf(chances, work, 0, size - 1)[0] == pytest.approx(wanted, abs=1e-14)
    enough = pr.node_enough(chances, work, 0, size // 3)[0]
    assert enough == pytest.approx(wanted[: size // 3 + 1].sum(), abs=1e-13)


# A failure that uses two pieces is two failures' worth of pieces.
def test_failures_that_use_two_pieces():
    chances = pr.Chances.normal([2.0], job_sd=0.4, step=1 / 8)
    once = pr.mixed_pmf(chances, pr.Work(30))
    twice = pr.mixed_pmf(chances, pr.Work(30, pieces=(0.0, 0.0, 1.0)))
    size = min(len(once), len(twice) // 2)
    assert twice[0 : 2 * size : 2] == pytest.approx(once[:size], abs=1e-12)
    assert twice[1::2] == pytest.approx(np.zeros(len(twice) // 2), abs=1e-12)


def demand_pmf(said, index):
    kind, n = said["kind"][index], said["N"][index]
    if kind == "bnb":
        return pr.beta_negative_binomial(n, said["a"][index], said["b"][index], 3000)
    if kind == "nb":
        return pr.mixed_pmf(pr.Chances.known(said["p"][index]), pr.Work(n))
    chances = pr.Chances.normal(said["mu"][index], job_sd=said["sd"][index], step=1 / 16)
    return pr.mixed_pmf(chances, pr.Work(n))


# Independent computation in R: tests/references/computed/I08 (packs of one type).
def test_packs_of_one_type(computed):
    said = computed("I08_packs_fixed_penalty")["definitions"]
    cost = said["cost"]
    for row in computed("I08_packs_fixed_penalty_expected.csv").itertuples():
        pmf, at = demand_pmf(said["demand"], row.demand - 1), row.cost - 1
        costs = pr.Costs(cost["hold"][at], cost["piece"][at])
        best = pr.best_packs(
            np.ones(1), [pr.Item(pmf[None, :], costs, pack=row.pack)], cost["event"][at]
        )
        assert best.packs == (row.packs,)
        assert best.cost == pytest.approx(row.expected_cost, rel=1e-9)
        assert best.short == pytest.approx(row.p_short, abs=1e-10)
        near = [row.pack * (row.packs - 1), row.pack * (row.packs + 1)]
        curve = pr.cost_curve(pmf, costs, cost["event"][at], [max(near[0], 0), near[1]])[0][0]
        if row.packs:
            assert curve[0] == pytest.approx(row.cost_one_pack_less, rel=1e-9)
        assert curve[1] == pytest.approx(row.cost_one_pack_more, rel=1e-9)
    curve = computed("I08_packs_fixed_penalty_curve.csv")
    for demand, rows in curve.groupby("demand"):
        found = pr.cost_curve(
            demand_pmf(said["demand"], demand - 1),
            pr.Costs(cost["hold"][0], cost["piece"][0]),
            cost["event"][0],
            rows["spares"],
        )
        assert found[0][0] == pytest.approx(rows["expected_cost"].to_numpy(), rel=1e-9)
        assert found[2][0] == pytest.approx(rows["expected_leftover"].to_numpy(), abs=1e-9)


def three_types(computed):
    said = computed("I09_joint_packs")["definitions"]
    types = said["types"]
    chances = pr.Chances.normal(
        types["mu"], job_sd=said["tau"], own_sd=types["s"], step=1 / 8, own_step=1 / 2
    )
    items = []
    for kind, (n, hold, pack, most) in enumerate(
        zip(types["N"], said["hold"], said["pack"], said["most_packs_searched"], strict=True)
    ):
        pmf = pr.node_pmf(chances, pr.Work(n), kind, 1500)
        items.append(pr.Item(pmf, pr.Costs(hold), pack=pack, most=most))
    return said, chances, items


# Independent computation in R: tests/references/computed/I09 (three types bought together).
def test_packs_of_three_types(computed):
    said, chances, items = three_types(computed)
    ranked = pr.search_all_packs(chances.weights, items, said["event"], ranked=12)
    for found, row in zip(ranked, computed("I09_joint_packs_best.csv").itertuples(), strict=True):
        assert found.packs == tuple(int(n) for n in row.packs.split(";"))
        assert found.cost == pytest.approx(row.expected_cost, rel=1e-9)
        assert found.short == pytest.approx(row.p_any_short, abs=1e-10)
        assert found.leftover_cost == pytest.approx(row.leftover_cost, rel=1e-9)
    best = pr.best_packs(chances.weights, items, said["event"])
    assert best.packs == ranked[0].packs


def test_the_search_finds_what_trying_everything_finds():
    rng = np.random.default_rng(7)
    for _ in range(25):
        types = int(rng.integers(1, 4))
        mu = rng.uniform(1.5, 3.5, types)
        chances = pr.Chances.normal(mu, job_sd=rng.uniform(0.1, 0.9), step=0.25)
        items = [
            pr.Item(
                pr.node_pmf(chances, pr.Work(int(rng.integers(5, 120))), kind, 300),
                pr.Costs(rng.uniform(0.5, 12), rng.uniform(0, 10)),
                pack=int(rng.choice([1, 2, 5, 6, 12, 25])),
                in_hand=int(rng.integers(0, 6)),
                most=14,
            )
            for kind in range(types)
        ]
        event = float(rng.uniform(20, 2000))
        tried = pr.search_all_packs(chances.weights, items, event)[0]
        found = pr.best_packs(chances.weights, items, event)
        assert found.cost == pytest.approx(tried.cost, rel=1e-12)


# Independent computation in R (extraDistr, VGAM): tests/references/computed/E02.
def test_beta_binomial_prediction(computed):
    levels = (0.025, 0.05, 0.5, 0.8, 0.9, 0.95, 0.975, 0.99)
    names = ("q2.5", "q5", "q50", "q80", "q90", "q95", "q97.5", "q99")
    for _, row in computed("E02_beta_binomial_prediction_expected.csv").iterrows():
        m = int(row["m"])
        pmf = pr.beta_binomial(m, row["a"], row["b"])
        assert pr.quantiles(pmf, levels) == [int(row[name]) for name in names]
        assert pmf[0] == pytest.approx(row["p0"], abs=1e-9)
        assert pmf[: m // 20 + 1].sum() == pytest.approx(row["p_at_most_5pct"], abs=1e-9)
        assert np.arange(m + 1) @ pmf == pytest.approx(row["mean"], rel=1e-9)


# Independent computation in R: tests/references/computed/E03 (chances known, types different).
def test_total_of_different_types(computed):
    for row in computed("E03_negative_binomial_sum_expected.csv").itertuples():
        many = [int(n) for n in str(row.N).split(";")]
        fail = [float(p) for p in str(row.p_fail).split(";")]
        chances = pr.Chances.known(1 - np.array(fail))
        pmf = pr.total_pmf(chances, [pr.Work(n) for n in many])
        wanted = [int(getattr(row, name)) for name in NAMES]
        assert pr.quantiles(pmf, LEVELS) == wanted
        assert pmf[: wanted[2] + 1].sum() == pytest.approx(row.cdf_at_q90, abs=1e-9)
        assert pmf[0] == pytest.approx(row.p_zero, abs=1e-9)


# Sherbrooke, Optimal Inventory Modeling of Systems, 2004; figures recalled (from memory).
def test_poisson_backorders(published):
    case = published("poisson_spares_fill_and_backorders")
    for mean, ebo in case["expected"]["recomputed"]["ebo"].items():
        for stock, wanted in enumerate(ebo):
            short, met, enough = pr.backorders(float(mean), stock)
            assert short == pytest.approx(wanted, rel=1e-6)
            said = case["expected"]["recomputed"]
            assert met == pytest.approx(said["fill_rate"][mean][stock], rel=1e-6)
            assert enough == pytest.approx(said["no_stockout"][mean][stock], rel=1e-6)
    for stock, wanted in enumerate(case["expected"]["published"]["ebo_mean_1"]):
        assert pr.backorders(1.0, stock)[0] == pytest.approx(wanted, abs=0.0005)


# Gibbons, Bhaumik & Aryal, Statistical Methods for Groundwater Monitoring, 2009, ex. 3.6, p. 75.
def test_poisson_prediction_limit(published):
    case = published("gibbons_poisson_prediction_limit")
    given = case["inputs"]
    limit = pr.poisson_prediction_limit(
        given["total_count"], given["n"], given["k_future"], given["level"]
    )
    assert limit == pytest.approx(case["expected"]["published"]["upper_limit"], abs=5e-7)


def test_a_retry_cap_of_one_gives_up_at_the_first_failure():
    chances, work = pr.Chances.known(0.9), pr.Work(20, tries=1)
    failed = pr.mixed_pmf(chances, work)
    assert failed[:21] == pytest.approx(pr.given_up(chances, work)[: len(failed)], abs=1e-12)
    assert pr.mixed_pmf(chances, work, ending="extra")[0] == pytest.approx(1.0, abs=1e-12)


def test_a_certain_pass_needs_no_spares():
    assert pr.quantiles(pr.mixed_pmf(pr.Chances.known(1.0), pr.Work(50)), LEVELS) == [0] * 5


def test_more_shared_parts_than_can_be_counted_give_a_lower_bound():
    chances = pr.Chances.known([0.9, 0.9])
    steps = np.array([0.5, 0.5])
    use = pr.Use(steps, np.array([[1], [1]]), np.array([[1, 0], [1, 1]]))
    works = [pr.Work(2000), pr.Work(2000)]
    bound, exact = pr.all_suffice(chances, works, [use, use], [[300], [300]], [480, 260])
    assert not exact
    apart = [pr.total_pmf(chances, [pr.Work(2000, share=s)] * 2) for s in (1.0, 0.5)]
    enough = [apart[0][:481].sum(), apart[1][:261].sum()]
    assert 0 < bound <= min(enough)
    assert bound >= sum(enough) - 1 - 0.02  # the bodies' own shortage is within 0.02
