"""Crews at the edge of what a plan can say."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from yieldkit.records.ingest import ingest
from yieldkit.records.opened import open_crew
from yieldkit.simulate import (
    Certifying,
    Defects,
    Logging,
    Shift,
    TypePlan,
    fitting_crew,
    misspecified,
    simulate,
    typical_crew,
    write_inbox,
)

SPLICES = (TypePlan("splice", 1.0, design="D", test_limit_db=0.3, mating_db=0.04, zero_db=0.02,
                    return_loss=False),)  # fmt: skip
EDGES = {
    "one person, one of each": typical_crew(1, 1, splicers=1, cleavers=1, heaters=1),
    "splices only": replace(typical_crew(2, 1), types=SPLICES),
    "ribbons only": replace(typical_crew(2, 1), types=SPLICES, ribbons=1.0),
    "connectors only, ribbons asked for": replace(
        typical_crew(2, 1, ribbons=1.0), types=(TypePlan("LC", 1.0),)
    ),
    "hardly any work": typical_crew(2, 2, per_day=0.2),
    "nothing ever fails": replace(
        fitting_crew(2, 1), types=(TypePlan("LC", 1.0, fault=1e-12),), refusal=1e-12
    ),
    "all fail": replace(typical_crew(2, 1), types=(TypePlan("LC", 1.0, fault=0.999),)),
    "nothing written": typical_crew(2, 1, logging=Logging(honest=0, spread=0, place_blank=1.0)),
    "nothing tested": typical_crew(2, 1, testing=Certifying(missing=1.0)),
    "tested the same day": typical_crew(2, 1, testing=Certifying(lag_days=0.5)),
    "no kit sheet": typical_crew(2, 1, logging=Logging(kit_sheet=0.0, operator_blank=1.0)),
    "two-point effects": typical_crew(3, 1, shape="two-point"),
    "hardly anybody there": typical_crew(3, 2, present=0.05),
}


@pytest.mark.parametrize("name", EDGES)
def test_edges_can_be_simulated(name):
    crew = simulate(EDGES[name], seed=4)
    truth, told = crew.truth.positions, crew.tables["positions"]
    assert truth["chance"].between(0, 1).all() and truth["position_id"].is_unique
    answers = told.set_index("position_id")["first_pass_termination"].reindex(truth["position_id"])
    true = truth.set_index("position_id")["first_pass"]
    assert not ((answers == "no") & true).any()
    for kind in ("technician", "splicer", "cleaver", "heater"):
        assert crew.yields(kind)["fair"].between(0, 1).all()


def test_what_the_edges_say():
    never = simulate(EDGES["nothing ever fails"], seed=1)
    assert never.truth.positions["first_pass"].all()
    assert not len(never.tables["rework"].query("disposition != 'cleaned'"))
    every = simulate(EDGES["all fail"], seed=1).truth.positions
    assert every["tries"].max() == 6 and every["first_pass"].mean() < 0.02
    untested = simulate(EDGES["nothing tested"], seed=1).tables
    assert not len(untested["measurements"])
    assert not (untested["positions"]["first_pass_termination"] == "yes").any()
    blind = simulate(EDGES["no kit sheet"], seed=1).tables["attempts"]
    assert set(blind["technician"]) == {"unknown"} == set(blind["cleaver"])


@pytest.mark.parametrize("name", ["one person, one of each", "nothing tested"])
def test_edges_can_be_written_and_read(name, tmp_path):
    crew = simulate(EDGES[name], seed=4)
    truth = write_inbox(crew, tmp_path, seed=2)
    ingest(tmp_path)
    opened = open_crew(tmp_path)
    assert len(opened.attempts()) == truth["_all_splice_exports"]["good"]


def test_two_way_readings_are_the_loss_and_the_fibres(tmp_path):
    plan = replace(
        typical_crew(3, 2, testing=Certifying(two_way_splices=True, missing=0.0, dirty=0.0)),
        types=SPLICES,
    )
    crew = simulate(plan, seed=2)
    tests = crew.tables["measurements"]
    assert set(tests["quantity"]) == {"one-way loss"}
    wide = tests.pivot_table(
        index=["position_id", "repeat"], columns="direction", values="value_low"
    )
    half = (wide["A to B"] - wide["B to A"]) / 2
    assert abs(half.mean()) < 4 * half.std() / np.sqrt(len(half))
    assert half.std() == pytest.approx(0.04, rel=0.2)
    write_inbox(crew, tmp_path, defects=Defects.none())
    ingest(tmp_path)
    read = open_crew(tmp_path).measurements()
    assert set(read["quantity"]) == {"one-way loss"}
    assert len(read) == len(tests)


def test_a_shift_acts_from_its_day_to_its_end():
    shift = Shift("connector_lot", "KLC01", start_day=5, end_day=9, fault=3.0)
    plan = replace(fitting_crew(4, 3), types=(TypePlan("LC", 1.0),), lot_weeks=9.0, shifts=(shift,))
    truth = simulate(plan, seed=3).truth
    lot = truth.positions[truth.positions["connector_lot"] == "KLC01"]
    week = (lot["date"] - lot["date"].min()).dt.days // 7
    failed = 1 - lot.groupby(week)["first_pass"].mean()
    assert failed[1] > 3 * max(failed[0], failed[2])
    assert truth.onsets.loc[0, "date"] == pd.Timestamp("2026-08-31")


def test_bias_raises_the_mean_and_lowers_the_variation():
    plan = fitting_crew(4, 8, shifts=(Shift("splicer", "SP-01", start_day=20, bias=4.0),))
    arcs = simulate(plan, seed=3).truth.attempts.query("splicer == 'SP-01'")
    scaled = arcs["loss_db"] / arcs["mean_db"]
    late = arcs["date"] >= arcs["date"].min() + pd.Timedelta(days=28)
    assert scaled[late].mean() == pytest.approx(3.0, rel=0.05)
    cv = [scaled[part].std() / scaled[part].mean() for part in (~late, late)]
    assert cv[1] < 0.85 < cv[0]


def test_learning_dies_away():
    plan = fitting_crew(
        4, 26, own_kit=0.0, apprentices=("T04",), learning=2.0, learning_joints=100.0
    )
    truth = simulate(plan, seed=3).truth.positions.query("technician == 'T04'")
    early, late = truth.iloc[:60], truth.iloc[-400:]
    assert early["chance"].mean() < late["chance"].mean() - 0.1


def test_misspecified_differs_in_what_it_says():
    plan = typical_crew()
    wrong = misspecified(plan)
    changed = {"shape", "interaction", "family", "family_shape", "faults", "losses", "logging"}
    same = {
        name for name in plan.__dataclass_fields__ if getattr(plan, name) == getattr(wrong, name)
    }
    assert set(plan.__dataclass_fields__) - same == changed


def test_both_ready_plans_take_numbers_of_units():
    for make in (typical_crew, fitting_crew):
        plan = make(2, 1, splicers=3, cleavers=2, heaters=1)
        assert (len(plan.splicers), len(plan.cleavers), len(plan.heaters)) == (3, 2, 1)
