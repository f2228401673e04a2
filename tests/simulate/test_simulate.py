"""A simulated crew against its own truth and the schemas."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from yieldkit.records.tables import TABLES
from yieldkit.simulate import (
    CrewPlan,
    Logging,
    Shift,
    SplicerPlan,
    TypePlan,
    Wear,
    fitting_crew,
    misspecified,
    simulate,
    typical_crew,
)

PLANS = {
    "fitting": fitting_crew(weeks=10),
    "misspecified": misspecified(typical_crew(weeks=10)),
    "drifting": typical_crew(
        weeks=10,
        shifts=(
            Shift("splicer", "SP-02", 30, ramp_days=10, bias=4.0, loss_factor=1.3),
            Shift("cleaver", "C-01", 40, fault=0.8),
        ),
    ),
    "gamma": typical_crew(weeks=10, family="gamma", family_shape=1.5),
    "weibull": typical_crew(weeks=10, family="weibull", family_shape=0.8),
    "lognormal": typical_crew(weeks=10, family="lognormal", family_shape=0.9),
    "ribbons": typical_crew(weeks=10, ribbons=0.6),
}


@pytest.fixture(scope="module", params=list(PLANS))
def crew(request):
    return simulate(PLANS[request.param], seed=11)


def chi_square(chance, happened, cells=8):
    """Chance of so large a chi-square, grouping by stated chance; no parameter was fitted."""
    cell = pd.qcut(chance, cells, labels=False, duplicates="drop")
    table = pd.DataFrame({"cell": cell, "p": chance, "y": happened}).groupby("cell")
    short = table["y"].sum() - table["p"].sum()
    spread = table["p"].agg(lambda p: (p * (1 - p)).sum())
    return stats.chi2.sf((short**2 / spread).sum(), len(spread))


def test_yields_agree_with_true_chances(crew):
    first = crew.truth.positions.drop_duplicates("arc")  # a ribbon's fibres share one outcome
    assert chi_square(first["chance"], first["first_pass"]) > 0.001
    assert chi_square(first["chance_splice"], first["first_pass_splice"]) > 0.001


def test_retries_agree_with_true_chances(crew):
    again = crew.truth.attempts.query("try_no > 1").drop_duplicates("arc")
    assert chi_square(again["chance"], again["step"] == "none", cells=3) > 0.001


def test_tables_have_the_schemas(crew):
    for name, table in crew.tables.items():
        schema = TABLES[name]
        assert list(table.columns) == schema.names
        key = list(schema.key)
        assert not table.duplicated(key).any(), name
        for column in schema.columns:
            values = table[column.name].dropna()
            if column.values:
                assert set(values) <= set(column.values), (name, column.name)
            if column.low is not None and len(values):
                assert values.min() >= column.low, (name, column.name)
            if column.kind == "utc" and len(values):
                assert str(values.dt.tz) == "UTC"


def test_records_never_call_a_hidden_failure_certain(crew):
    """Where every failure is written down, the records' answer is the truth or is open."""
    told = crew.tables["positions"].set_index("position_id")["first_pass_termination"]
    true = crew.truth.positions.set_index("position_id")["first_pass"]
    told = told[true.index]
    plan = crew.parts.plan
    wrong = ((told == "yes") & ~true) | ((told == "no") & true)
    if plan.logging.honest == 1.0 and plan.logging.place_blank == 0.0:
        assert not wrong.any()
    assert wrong.mean() < 0.01
    assert (told == "pending").sum() > 0


def test_same_seed_same_crew_and_other_seed_another():
    plan = typical_crew(technicians=3, weeks=2)
    one, same, other = (simulate(plan, seed=seed) for seed in (4, 4, 5))
    for name in one.tables:
        pd.testing.assert_frame_equal(one.tables[name], same.tables[name])
    assert not one.truth.positions["chance"].equals(other.truth.positions["chance"])


def test_offset_losses_are_exponential():
    """Rayleigh offsets give exponential losses, on a crew without any differences (derived)."""
    plan = CrewPlan(
        technicians=("T01", "T02"),
        splicers=(SplicerPlan("SP-01", mean_db=0.037),),
        cleavers=("C-01",),
        heaters=("H-01",),
        types=(TypePlan("LC", 1.0),),
        weeks=20,
        wear=Wear(fault=0.0, loss=0.0, electrode_loss=0.0),
    )
    loss = simulate(plan, seed=3).truth.attempts["loss_db"]
    assert stats.kstest(loss, stats.expon(scale=0.037).cdf).pvalue > 0.001


def test_display_intervals_hold_the_loss():
    splicers = (
        SplicerPlan("SP-01"),
        SplicerPlan("SP-02", display="truncates", floor_db=0.01, counter_start=5),
        SplicerPlan("SP-03", display_step_db=0.05, ceiling_db=0.1),
    )
    crew = simulate(typical_crew(weeks=4, splicers=3, own_kit=0.2), seed=1)
    crew = simulate(replace(crew.parts.plan, splicers=splicers), seed=1)
    shown = crew.tables["attempts"].dropna(subset="loss_low_db").set_index("attempt_id")
    true = crew.truth.attempts.set_index("attempt_id")["loss_db"].loc[shown.index]
    assert ((shown["loss_low_db"] <= true + 1e-12) & (true < shown["loss_high_db"])).all()
    marks = shown.groupby("splicer")["loss_text"].agg(
        lambda text: text.str[0].isin(["<", ">"]).sum()
    )
    assert (marks[["SP-02", "SP-03"]] > 0).all()


def test_worn_blade_turns_and_an_overdue_one_does_not():
    plan = typical_crew(weeks=26, wear=Wear(overdue=("C-02",)))
    crew = simulate(plan, seed=2)
    service = crew.tables["service"]
    within = service[service["date"] >= pd.Timestamp(plan.first_day)]
    turned = within.query("event == 'blade rotation'")["unit"]
    assert "C-02" not in set(turned)
    assert {"C-01", "C-03", "C-04"} <= set(turned)
    angle = crew.tables["attempts"].query("reached_arc").groupby("cleaver")["angle_crew_deg"].mean()
    assert angle.idxmax() == "C-02"


def test_own_kit_leaves_nothing_to_tell_apart():
    mixed = simulate(typical_crew(weeks=8, own_kit=0.0), seed=1).truth.positions
    own = simulate(typical_crew(weeks=8, own_kit=1.0), seed=1).truth.positions
    assert own.groupby("technician")["splicer"].nunique().eq(1).all()
    assert mixed.groupby("technician")["splicer"].nunique().eq(4).all()


def test_dishonest_person_leaves_gaps_in_the_counter():
    plan = typical_crew(weeks=10, own_kit=1.0, logging=Logging(dishonest=("T01",), deleted=1.0))
    crew = simulate(plan, seed=6)
    attempts, truth = crew.tables["attempts"], crew.truth.attempts
    lost = ~truth["kept"]
    assert lost.any() and (truth.loc[lost, "technician"] == "T01").all()
    counter = attempts.query("splicer == 'SP-01'")["counter"].astype(int)
    assert counter.max() - counter.min() + 1 - len(counter) > 0
    assert not (crew.tables["rework"]["technician"] == "T01").any()


def test_missing_counter_and_lying_clocks():
    plan = typical_crew(weeks=10)
    splicers = (
        replace(plan.splicers[0], counter=False),
        replace(plan.splicers[1], keeps_summer_time=True),
        replace(plan.splicers[2], dead_battery=(20, 8)),
        replace(plan.splicers[3], clock_off_min=-37.0),
    )
    attempts = simulate(replace(plan, splicers=splicers), seed=8).tables["attempts"]
    local = attempts["when"].dt.tz_convert(plan.zone).dt.tz_localize(None)
    off = (attempts["when_shown"] - local).dt.total_seconds() / 60
    by = {unit: off[attempts["splicer"] == unit] for unit in attempts["splicer"].unique()}
    assert attempts.query("splicer == 'SP-01'")["counter"].isna().all()
    after = attempts["date"] > pd.Timestamp("2026-10-25")
    assert np.allclose(by["SP-02"][after], 60) and np.allclose(by["SP-02"][~after], 0)
    assert (attempts.query("splicer == 'SP-03'")["when_shown"].dt.year == 2000).sum() == 8
    assert np.allclose(by["SP-04"], -37)
    assert (attempts["when_source"] == "inferred").sum() == (after & by["SP-02"]).sum() + 8 + len(
        by["SP-04"]
    )


def test_ribbon_fibres_share_their_arc():
    crew = simulate(typical_crew(weeks=4, ribbons=1.0), seed=1)
    ribbons = crew.tables["attempts"].dropna(subset="ribbon").groupby("ribbon")
    assert (ribbons.size() == 12).all()
    assert (ribbons["fibre"].apply(sorted).apply(lambda f: f == list(range(1, 13)))).all()
    assert (ribbons["counter"].nunique() == 1).all()
    per_arc = crew.truth.positions.groupby("arc")["first_pass"].nunique()
    assert (per_arc == 1).all()


def test_fair_yields_take_the_mix_out():
    """Equal cleavers, one always held by the apprentice: raw yields differ, fair ones do not."""
    plan = fitting_crew(technicians=4, weeks=26, own_kit=1.0, apprentices=("T04",), learning=2.5)
    plan = replace(plan, learning_joints=1e9, faults=replace(plan.faults, cleaver=0.0))
    yields = simulate(plan, seed=1).yields("cleaver")
    assert yields.loc["C-04", "as_worked"] < yields["as_worked"].drop("C-04").min() - 0.05
    assert np.ptp(yields["fair"]) < 1e-9


def test_stock_moves_count_the_bodies_lost():
    crew = simulate(typical_crew(weeks=10), seed=1)
    stock = crew.tables["stock"].merge(crew.tables["jobs"][["job", "closed"]], on="job")
    assert (stock["quantity"] >= 0).all()
    closed = stock.dropna(subset="closed")
    sign = np.where(closed["move"] == "issued", 1, -1)
    used = (closed["quantity"] * sign).groupby(closed["job"]).sum()
    truth = crew.truth.positions
    truth = truth[truth["connector_type"] != "splice"]
    accepted = truth.groupby(truth["position_id"].str[:5])["accepted"].sum()
    assert (used - accepted.reindex(used.index)).between(0, 60).all()


@pytest.mark.parametrize("wrong", [{"weeks": 0}, {"splicers_": ()}, {"ribbon_fibres": 7}])
def test_a_plan_that_cannot_be_is_refused(wrong):
    if "splicers_" in wrong:
        with pytest.raises(ValueError, match="needs splicers"):
            replace(typical_crew(), splicers=())
        return
    with pytest.raises(ValueError, match="wanted"):
        replace(typical_crew(), **wrong)


def test_unknown_unit_in_a_shift_is_refused():
    with pytest.raises(ValueError, match="SP-99"):
        typical_crew(shifts=(Shift("splicer", "SP-99"),))


def test_seed_or_generator_but_not_both():
    plan = typical_crew(weeks=1)
    with pytest.raises(ValueError, match="either a seed"):
        simulate(plan)
    with pytest.raises(ValueError, match="either a seed"):
        simulate(plan, seed=1, rng=np.random.default_rng(1))
