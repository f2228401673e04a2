"""Wear of blades and what a crew could see, on crews whose truth is known."""

import numpy as np
import pandas as pd
import pytest

from yieldkit.answers.plan import COLUMNS, failure_shift, kit_told_apart, what_can_we_see
from yieldkit.answers.wear import blade_wear, uses_since
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
