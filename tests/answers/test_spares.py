"""Spares of a bid: what is asked, what is said, and the traps."""

import numpy as np
import pytest

from tests.answers.bid_tables import no_rework, past_jobs, priced_crew
from yieldkit.answers.bid_backtest import backtest_bids
from yieldkit.answers.bid_chances import JobDraws, learn
from yieldkit.answers.bid_nodes import quick_job
from yieldkit.answers.bid_parts import make_job, spares_of, to_buy, tries_at
from yieldkit.answers.spares import bid_spares
from yieldkit.errors import CrewError
from yieldkit.records.bids import Bid

LEVELS = ["p50", "p80", "p90", "p95", "p99"]
COLUMNS = ["connector_type", "part", "positions", *LEVELS, "packs", "quantity"]
USUAL = [{"LC": (80, 0.94), "SC": (40, 0.96)}] * 8


def bid_of(*lines, **settings):
    made = [{"connector_type": name, "positions": many} for name, many in lines]
    return Bid.model_validate({"lines": made} | settings)


def answer_to(bid, positions=None, *, crew=None, seed=5, **options):
    positions = past_jobs(USUAL) if positions is None else positions
    return bid_spares(
        bid,
        positions,
        no_rework(),
        crew=crew or priced_crew(),
        rng=np.random.default_rng(seed),
        **options,
    )


def codes(answer):
    return [found.code for found in answer.findings]


@pytest.fixture(scope="module")
def usual():
    return answer_to(bid_of(("LC", 96), ("SC", 48), service_level=0.95))


def test_the_list_has_its_columns_and_every_part(usual):
    table = usual.table
    assert list(table.columns) == COLUMNS
    assert set(zip(table["connector_type"], table["part"], strict=True)) == {
        ("LC", "cord_m"),
        ("LC", "body"),
        ("LC", "ring"),
        ("SC", "cord_m"),
        ("SC", "body"),
        ("SC", "ring"),
        ("all", "sleeve"),
    }
    levels = table[LEVELS].to_numpy()
    assert (np.diff(levels, axis=1) >= 0).all()
    pieces = table[table["part"] != "cord_m"]
    assert (pieces["p50"] >= pieces["positions"]).all()
    assert (pieces["quantity"] >= pieces["positions"]).all()


def test_what_is_bought_suffices_at_the_level_asked(usual):
    assert usual.joint >= 0.95 - 0.005
    assert usual.rule < usual.joint
    packs = usual.table["packs"].tolist()
    assert usual.job.all_suffice(spares_of(usual.job, packs))[0] == pytest.approx(usual.joint)
    assert (usual.next_pack["chance"] >= usual.joint - 1e-12).all()
    assert 0 < usual.joint_error < 0.03


def test_every_finding_is_a_sentence_with_its_numbers(usual):
    words = str(usual)
    assert codes(usual)[0] == "spares_take"
    for needed in ("past jobs", "Paid hours", "rule of 5 %", "matters most", "instruction"):
        assert needed in words
    assert len(usual.assumptions) == 4
    assert (usual.assumptions["low"] <= usual.assumptions["high"]).all()


def test_hours_rise_with_the_risk_and_hold_rework(usual):
    hours = usual.hours
    assert (np.diff(hours["hours"]) > 0).all()
    assert hours["hours"].iloc[0] > 144 * 6 / 60 / 0.6
    assert (hours["rework_hours"] < hours["hours"]).all()


def test_the_picture_draws(usual):
    from matplotlib.figure import Figure

    ax = Figure().subplots()
    assert usual.plot(ax) is ax
    assert len(ax.get_yticklabels()) == 5


# A simulation with a stated error, from the same nodes: the joint chance of the answer.
def test_the_joint_chance_agrees_with_simulation(usual):
    rng = np.random.default_rng(11)
    job, draws = usual.job, 100_000
    spares = dict(
        zip(
            zip(usual.table["connector_type"], usual.table["part"], strict=True),
            spares_of(job, usual.table["packs"].tolist()),
            strict=True,
        )
    )
    node = rng.choice(len(job.chances.weights), draws, p=job.chances.weights)
    fine, sleeves = np.ones(draws, bool), np.zeros(draws, int)
    for kind, name in enumerate(("LC", "SC")):
        work, p = job.works[kind], job.chances.first[node, kind, 0]
        r = job.chances.retry[node, kind, 0]
        failed = lost = rng.binomial(work.positions, 1 - p)
        for _ in range(work.tries - 1):
            lost = rng.binomial(lost, 1 - r)
            failed = failed + lost
        steps = rng.multinomial(failed, job.uses[kind].steps)
        fine &= failed <= spares[name, "body"]
        fine &= steps[:, 2:].sum(axis=1) <= spares[name, "ring"]
        sleeves += steps[:, 1:].sum(axis=1)
    fine &= sleeves <= spares["all", "sleeve"]
    assert usual.joint == pytest.approx(fine.mean(), abs=4 * np.sqrt(0.05 * 0.95 / draws))


# Trap: one pack of 25 for a job of 10.
def test_one_large_pack_for_a_small_job():
    bid = bid_of(
        ("LC", 10),
        event_cost=400.0,
        parts=[{"part": "body", "connector_type": "LC", "price": 6.0, "pack": 25}],
    )
    answer = answer_to(bid)
    row = answer.table.set_index("part").loc["body"]
    assert (row["packs"], row["quantity"]) == (1, 25)
    assert "spares_one_pack" in codes(answer)


# Trap: two types that share a sleeve: one row, its need that of both together.
def test_a_shared_sleeve_is_one_row_and_needs_less_than_two(usual):
    alone = priced_crew(
        parts=[
            {"part": "sleeve", "connector_type": "LC", "price": 0.6},
            {"part": "sleeve", "connector_type": "SC", "price": 0.6},
        ]
    )
    apart = answer_to(bid_of(("LC", 96), ("SC", 48), service_level=0.95), crew=alone)
    together = usual.table[usual.table["part"] == "sleeve"]
    assert together["positions"].tolist() == [144]
    rows = apart.table[apart.table["part"] == "sleeve"]
    assert rows["connector_type"].tolist() == ["LC", "SC"]
    assert together["p99"].iloc[0] < rows["p99"].sum()


# Trap: a retry cap of one: a failure gives the position up.
def test_a_cap_of_one_try():
    crew = priced_crew(connector_types=[{"connector_type": "LC", "max_tries": 1}])
    answer = answer_to(bid_of(("LC", 96), service_level=0.95), crew=crew)
    assert answer.job.works[0].tries == 1
    assert answer.table.set_index("part").loc["body", "p99"] <= 2 * 96
    assert "positions will need another way" in str(answer)


def test_a_short_tail_caps_the_tries():
    crew = priced_crew(connector_types=[{"connector_type": "LC", "tail_mm": 120.0, "max_tries": 8}])
    assert tries_at(crew, "LC") == 2  # 37 + 7 + 12 mm a try


# Trap: a bid ten times larger than any past job.
def test_a_bid_far_beyond_experience_says_so():
    answer = answer_to(bid_of(("LC", 1200), service_level=0.95))
    assert "spares_beyond_experience" in codes(answer)
    assert "Cannot tell how a job this large goes" in str(answer)


# Trap: a crew whose yield fell last month.
def test_a_fall_last_month_is_seen_and_counted():
    jobs = [{"LC": (120, 0.97)}] * 8 + [{"LC": (120, 0.85)}] * 3
    fallen = past_jobs(jobs, job_sd=0.1)
    answer = answer_to(bid_of(("LC", 120), service_level=0.95), fallen)
    assert "spares_lately_worse" in codes(answer)
    assert answer.types["low"].iloc[0] < 0.85 < answer.types["high"].iloc[0]
    steady = answer_to(
        bid_of(("LC", 120), service_level=0.95), past_jobs([{"LC": (120, 0.94)}] * 11)
    )
    assert "spares_lately_worse" not in codes(steady)


def test_few_past_jobs_show_both_ends():
    answer = answer_to(bid_of(("LC", 96), service_level=0.95), past_jobs([{"LC": (60, 0.94)}] * 3))
    found = next(one for one in answer.findings if one.code == "spares_few_jobs")
    assert found.severity == "cannot tell"
    assert found.values["low"] < found.values["high"]


def test_no_records_at_all_answer_with_the_prior_and_say_so_first():
    answer = answer_to(bid_of(("LC", 24), service_level=0.9), past_jobs(USUAL).iloc[:0])
    assert codes(answer)[:3] == ["spares_take", "spares_no_record", "spares_few_jobs"]
    assert "spares_borrowed" not in codes(answer)
    assert str(answer).startswith("From assumptions alone, not from records: have")
    assert "rest on an assumed yield" in str(answer)
    assert answer.types["high"].iloc[0] - answer.types["low"].iloc[0] > 0.1


def test_a_type_without_history_borrows_and_says_so():
    crew = priced_crew(
        connector_types=[
            {"connector_type": "LC"},
            {"connector_type": "SC"},
            {"connector_type": "ST", "like": "SC"},
        ]
    )
    answer = answer_to(bid_of(("ST", 48), service_level=0.95), crew=crew)
    assert answer.types["from"].tolist() == ["SC"]
    assert "borrowed from SC" in str(answer)


def test_a_figure_in_the_bid_replaces_the_record():
    low = Bid.model_validate(
        {"lines": [{"connector_type": "LC", "positions": 96, "expected_yield": 0.7}]}
    )
    answer = answer_to(low)
    assert answer.types["yield"].iloc[0] == pytest.approx(0.7, abs=0.05)


def test_apprentices_cost_bodies():
    some = {"technicians": 4, "service_level": 0.95}
    without = answer_to(bid_of(("LC", 200), **some))
    half = answer_to(bid_of(("LC", 200), apprentices=2, apprentice_failures=3.0, **some))
    body = [one.table.set_index("part").loc["body", "p95"] for one in (without, half)]
    assert body[1] > body[0]
    assert "your assumption" in str(half)


def test_costs_decide_and_a_dearer_shortage_buys_more():
    cheap = answer_to(bid_of(("LC", 96), event_cost=50.0))
    dear = answer_to(bid_of(("LC", 96), event_cost=5000.0))
    quantity = [one.table.set_index("part").loc["body", "quantity"] for one in (cheap, dear)]
    assert quantity[1] > quantity[0]
    assert dear.joint > cheap.joint
    assert "least expected cost" in str(dear)


def test_without_prices_the_risk_decides_and_is_said():
    crew = priced_crew(parts=[])
    answer = answer_to(bid_of(("LC", 96), event_cost=400.0), crew=crew)
    assert answer.joint >= 0.945
    assert "spares_no_price" in codes(answer)


def test_stock_in_hand_is_not_bought_again():
    parts = [{"part": "body", "connector_type": "LC", "in_hand": 60}]
    with_stock = answer_to(bid_of(("LC", 96), service_level=0.95, parts=parts))
    without = answer_to(bid_of(("LC", 96), service_level=0.95))
    packs = [one.table.set_index("part").loc["body", "packs"] for one in (with_stock, without)]
    assert packs[1] - packs[0] == 5  # packs of 12


def test_an_unknown_type_is_one_sentence():
    with pytest.raises(CrewError, match='unknown connector type.*found "XQ"'):
        answer_to(bid_of(("XQ", 10)))


def test_draws_from_elsewhere_take_the_place_of_the_estimate():
    draws = JobDraws(("SC", "LC"), np.tile([9.0, 0.0], (600, 1)), np.full(600, 1e-6))
    answer = answer_to(bid_of(("LC", 96)), draws=draws)
    assert answer.types["yield"].iloc[0] == pytest.approx(0.5, abs=0.01)


def test_the_quick_way_buys_about_the_same():
    bid = bid_of(("LC", 480), ("SC", 96), service_level=0.95)
    crew, positions = priced_crew(), past_jobs(USUAL)
    rng = np.random.default_rng(2)
    known = learn(["LC", "SC"], positions, no_rework(), crew=crew, rng=rng)
    quick = quick_job(bid, known, crew=crew, rng=rng)
    bodies = to_buy(quick, bid, level=0.95)[0][0]
    full = answer_to(bid).table.query("connector_type == 'LC' and part == 'body'")["packs"].iloc[0]
    assert abs(bodies - full) <= 3


def test_a_job_is_forecast_from_those_before_it():
    crew = priced_crew()
    found = backtest_bids(past_jobs(USUAL), crew=crew, rng=np.random.default_rng(1))
    assert found.table["jobs_before"].tolist() == [3, 4, 5, 6, 7]
    assert found.table["transform"].between(0, 1).all()
    assert "prove little" in str(found)
    made = past_jobs(USUAL)
    last = made["job"] == "J7"
    changed = made.assign(
        first_pass_termination=made["first_pass_termination"].mask(last, "no"),
        arcs=made["arcs"].mask(last, 3),
    )
    again = backtest_bids(changed, crew=crew, rng=np.random.default_rng(1))
    assert again.table["p95"].tolist() == found.table["p95"].tolist()
    assert again.table["failures"].iloc[-1] == 240


def test_the_backtest_takes_other_draws_and_says_what_each_way_buys():
    asked = []

    def certain(before, types, rng):
        asked.append((before["job"].nunique(), tuple(types)))
        return JobDraws(tuple(types), np.full((50, len(types)), 9.0), np.zeros(50))

    options = {"crew": priced_crew(), "rng": np.random.default_rng(1)}
    found = backtest_bids(past_jobs(USUAL), draws=certain, **options).table
    assert asked == [(jobs, ("LC", "SC")) for jobs in (3, 4, 5, 6, 7)]
    assert (found["p95"] <= 1).all()
    rule = found["buy_rule"]
    cost = 6 * (rule - found["failures"]).clip(lower=0) + 400 * (found["failures"] > rule)
    assert found["cost_rule"].tolist() == cost.tolist()


def test_whole_job_distribution_is_the_sum_of_its_types():
    bid = bid_of(("LC", 30), ("SC", 20))
    known = learn(
        ["LC", "SC"],
        past_jobs(USUAL),
        no_rework(),
        crew=priced_crew(),
        rng=np.random.default_rng(1),
        size=40,
    )
    job = quick_job(bid, known, crew=priced_crew(), rng=np.random.default_rng(1))
    total = job.total_failures()
    parts = [job.chances.weights @ rows for rows in job.failures]
    mean = sum(np.arange(len(rows)) @ rows for rows in parts)
    assert np.arange(len(total)) @ total == pytest.approx(mean, rel=1e-5)
    assert make_job(bid, priced_crew(), job.chances, known.steps).wanted
