"""Wear of blades and what a crew could see, on crews whose truth is known."""

import numpy as np
import pandas as pd
import pytest

from yieldkit.answers.plan import COLUMNS, failure_shift, kit_told_apart, what_can_we_see
from yieldkit.answers.uses import uses_since
from yieldkit.answers.wear import blade_wear
from yieldkit.crew import Part
from yieldkit.simulate import Wear, fitting_crew, simulate, typical_crew


@pytest.fixture(scope="module")
def worn():
    wear = Wear(blade_life=150, fault=0.8, overdue=("C-01",), overdue_start=0.2)
    return simulate(typical_crew(technicians=5, weeks=10, wear=wear), seed=11)


@pytest.fixture(scope="module")
def answer(worn):
    tables = worn.tables
    return blade_wear(tables["attempts"], tables["service"], crew=worn.crew)


def test_angles_rise_with_cleaves_since_rotation(answer):
    angle = answer.table[answer.table["quantity"] == "cleave angle [deg]"]
    assert angle["low"].iloc[-1] > angle["high"].iloc[0]
    assert (angle["n"] > 20).all()


def test_a_blade_that_was_never_turned_is_not_called_good(answer):
    about = [found for found in answer.findings if found.values.get("unit") == "C-01"]
    assert [found.code for found in about] in (["wear_due"], ["wear_unlogged"])
    assert "service log" in str(about[0])


def test_counts_begin_anew_at_each_logged_rotation():
    days = pd.date_range("2026-01-05", periods=6)
    attempts = pd.DataFrame(
        {
            "attempt_id": [f"a{i}" for i in range(12)],
            "date": np.repeat(days, 2),
            "when": pd.Timestamp("2026-01-05", tz="UTC") + pd.to_timedelta(range(12), unit="h"),
            "cleaver": "C-01",
            "splicer": "SP-01",
            "connector_type": "LC",
            "loss_low_db": 0.02,
            "angle_crew_deg": 0.5,
            "error": "none",
            "reached_arc": True,
            "arcs": 1,
        }
    )
    service = pd.DataFrame({"unit": "C-01", "event": "blade rotation", "date": days[[2, 4]]})
    counted = uses_since(attempts, service, "cleaver")
    assert counted["uses"].tolist() == [-1, -1, -1, -1, 1, 2, 3, 4, 1, 2, 3, 4]


def test_without_lives_in_the_log_it_cannot_tell(worn):
    tables = worn.tables
    found = blade_wear(tables["attempts"], tables["service"].iloc[:0], crew=worn.crew)
    assert found.findings[0].severity == "cannot tell"
    assert "keep your habit" in str(found)


def test_electrodes_are_counted_in_arcs(worn):
    counted = uses_since(worn.tables["attempts"], worn.tables["service"], "splicer")
    assert counted["at_least"].max() > 100


def test_fibres_of_one_ribbon_load_the_blade_each_and_the_electrodes_once():
    attempts = pd.DataFrame(
        {
            "attempt_id": [f"a{i}" for i in range(14)],
            "date": pd.Timestamp("2026-01-05"),
            "when": pd.Timestamp("2026-01-05", tz="UTC"),
            "cleaver": "C-01",
            "splicer": "SP-01",
            "connector_type": "splice",
            "loss_low_db": 0.02,
            "angle_crew_deg": 0.5,
            "error": "none",
            "reached_arc": True,
            "arcs": 1,
            "ribbon": ["r1"] * 12 + [None, None],
        }
    )
    service = pd.DataFrame({"unit": [], "event": [], "date": []})
    assert uses_since(attempts, service, "cleaver")["at_least"].max() == 14
    assert uses_since(attempts, service, "splicer")["at_least"].max() == 3


@pytest.fixture(scope="module")
def unlogged():
    """A crew whose log lacks the middle turn of one blade; that day."""
    wear = Wear(blade_life=500, angle=0.8)
    crew = simulate(typical_crew(technicians=5, weeks=13, wear=wear), seed=21)
    service, first = crew.tables["service"], crew.parts.plan.first_day
    turns = service[service["event"].eq("blade rotation") & (service["date"] >= str(first))]
    unit = turns["unit"].value_counts().index[0]
    own = turns[turns["unit"] == unit].sort_values("date")
    gone = own.iloc[len(own) // 2]
    return crew, unit, gone["date"], service.drop(index=gone.name)


def test_a_turn_missing_from_the_log_is_inferred_and_marked(unlogged):
    crew, unit, missing, service = unlogged
    counted = uses_since(crew.tables["attempts"], service, "cleaver")
    guessed = counted[(counted["unit"] == unit) & counted["inferred"]]
    assert len(guessed) > 0
    assert abs((guessed["date"].min() - missing).days) <= 5


def test_turns_are_not_inferred_where_the_log_has_them_all(unlogged):
    crew = unlogged[0]
    counted = uses_since(crew.tables["attempts"], crew.tables["service"], "cleaver")
    assert not counted["inferred"].any()


def test_costs_are_in_the_crews_currency_once_labour_has_a_rate(worn):
    tables = worn.tables
    plain = blade_wear(tables["attempts"], tables["service"], crew=worn.crew)
    assert plain.settings["cost_unit"] == "min"
    general = worn.crew.general.model_copy(update={"labour_per_hour": 60.0, "currency": "SEK"})
    parts = (*worn.crew.parts, Part(part="blade_position", price=7.0))
    crew = worn.crew.model_copy(update={"general": general, "parts": parts})
    priced = blade_wear(tables["attempts"], tables["service"], crew=crew)
    # 60 an hour is 1 a minute: minutes become money, and parts come on top.
    assert priced.settings["renewal_cost"] == plain.settings["renewal_cost"] + 7.0
    assert priced.settings["failed_cost"] >= plain.settings["failed_cost"]
    assert "SEK a cleave" in str(priced)


def test_sentences_name_what_the_count_is_held_against(answer):
    said, best = str(answer), np.isfinite(answer.settings["best"])
    assert (" best" in said) == best
    assert " s " not in said


def test_a_better_interval_is_a_step_from_the_habit():
    wear = Wear(blade_life=400, fault=1.2)
    crew = simulate(typical_crew(technicians=5, weeks=20, wear=wear), seed=3)
    found = blade_wear(crew.tables["attempts"], crew.tables["service"], crew=crew.crew)
    habit, best = found.settings["habit"], found.settings["best"]
    assert 0.5 * habit <= best < habit
    assert found.settings["best_cost"] < found.settings["cost"]
    assert "Blades could be turned earlier" in str(found)
    near = found.costs[(found.costs["uses"] >= 0.5 * habit) & (found.costs["uses"] <= 1.5 * habit)]
    assert found.settings["best_cost"] <= near["cost"].min() * 1.001


def test_the_picture_has_its_intervals(answer):
    from matplotlib.figure import Figure

    ax = answer.plot(Figure().add_subplot())
    assert "Cleave angle [deg]" in ax.get_ylabel()


@pytest.fixture(scope="module")
def seen():
    crew = simulate(fitting_crew(technicians=5, weeks=8), seed=12)
    tables = [crew.tables[name] for name in ("attempts", "positions", "measurements", "service")]
    return what_can_we_see(*tables, crew=crew.crew), tables, crew


def test_more_weeks_and_greater_rises_are_seen_sooner(seen):
    table = seen[0].table
    assert list(table.columns) == COLUMNS
    losses = table[(table["unit_kind"] == "splicer") & (table["quantity"] == "estimated loss")]
    grid = losses.pivot(index="rise", columns="weeks", values="chance")
    assert (np.diff(grid.to_numpy(), axis=0) >= 0).all()
    assert (np.diff(grid.to_numpy(), axis=1) >= 0).all()
    assert grid.loc[2.0, 13] > 0.9


def test_more_false_alarms_buy_earlier_sight(seen):
    answer, tables, crew = seen
    dearer = what_can_we_see(*tables, crew=crew.crew, false_alarms=6.0)
    assert (dearer.table["chance"] >= answer.table["chance"] - 1e-9).all()
    assert dearer.table["chance"].sum() > answer.table["chance"].sum()


def test_the_rise_of_a_failure_score_agrees_with_simulation():
    from scipy.special import ndtri, pdtr

    drawn = np.random.default_rng(1).poisson([[2.0], [3.0]], (2, 200_000))
    below = np.where(drawn > 0, pdtr(np.maximum(drawn - 1, 0), 2.0), 0.0)
    score = ndtri((below + pdtr(drawn, 2.0)) / 2).mean(axis=1)
    assert failure_shift(1.5) == pytest.approx(score[1] - score[0], abs=0.02)


@pytest.mark.parametrize("own_kit, low, high", [(1.0, 0.0, 0.1), (0.0, 0.5, 1.0)])
def test_own_kit_cannot_be_told_apart(own_kit, low, high):
    plan = fitting_crew(technicians=4, weeks=5, splicers=4, cleavers=4, heaters=2, own_kit=own_kit)
    found = kit_told_apart(simulate(plan, seed=2).tables["attempts"], "splicer")
    assert low <= found.values["told"] <= high


def test_no_records_say_so(seen):
    _, tables, crew = seen
    empty = [table.iloc[:0] for table in tables]
    assert "Cannot tell" in str(what_can_we_see(*empty, crew=crew.crew))


def test_refused_cleaves_alone_do_not_pay_for_turning_sooner():
    # Refusals rise with use here, failures do not: a refused cleave costs a new cleave, no rework.
    crew = simulate(fitting_crew(6, 26), seed=77)
    found = blade_wear(
        crew.tables["attempts"],
        crew.tables["service"],
        crew=crew.crew,
        rework=crew.tables["rework"],
    )
    assert found.settings["refused_cost"] < found.settings["failed_cost"]
    assert "Blades: keep your habit" in str(found)
