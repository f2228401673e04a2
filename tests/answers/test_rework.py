"""Cost of rework: by step and cause, dearest first, and what could have been seen before."""

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from pytest import approx

from yieldkit.answers.rework import cost_of_rework, return_visits
from yieldkit.crew import ConnectorType, Crew, General, Part

CREW = Crew(
    general=General(labour_per_hour=60.0, currency="EUR"),
    connector_types=(
        ConnectorType(connector_type="LC", design="A"),
        ConnectorType(connector_type="splice", design="D"),
    ),
    parts=(Part(part="body", price=12.0), Part(part="sleeve", price=0.5)),
)


def log(rows):
    """Entries from (type, step, cause, tries, minutes, bodies, disposition)."""
    names = ["connector_type", "step", "cause", "tries", "rework_min", "bodies", "disposition"]
    made = pd.DataFrame(rows, columns=names).astype(
        {"tries": float, "rework_min": float, "bodies": float}
    )
    return made.assign(
        rework_id=[f"r{at}" for at in range(len(made))],
        position_id=None,
        sleeves=np.nan,
        rings=np.nan,
        cord_m=np.nan,
    )


POSITIONS = pd.DataFrame({"position_id": ["p"], "connector_type": ["LC"]})


def test_cost_is_parts_and_minutes_dearest_first():
    """Two bodies at 12 and 30 min at 60 an hour: 54; 6 min alone: 6."""
    entries = log(
        [
            ("LC", "inspect", "contamination", 1, 6, 0, "cleaned"),
            ("LC", "splice", "cleave", 2, 30, 2, "new connector"),
        ]
    )
    table = cost_of_rework(entries, POSITIONS, crew=CREW).table
    assert table["cause"].tolist() == ["cleave", "contamination"]
    assert table["cost"].tolist() == approx([54.0, 6.0])
    assert table["events"].tolist() == [2, 1]
    assert table.columns[:6].tolist() == ["step", "cause", "events", "parts", "minutes", "cost"]


def test_an_entry_without_parts_takes_the_usual_ones_and_says_so():
    """Design A loses its body at the arc; a splice loses none."""
    entries = log(
        [
            ("LC", "splice", "cleave", 1, 0, np.nan, "re-splice"),
            ("splice", "splice", "cleave", 1, 0, np.nan, "re-splice"),
        ]
    )
    found = cost_of_rework(entries, POSITIONS, crew=CREW)
    assert found.table["parts"].sum() == 1
    assert found.table["cost"].sum() == approx(12.0)
    assert "On 2 entries no parts are written" in str(found)


def test_a_cleaned_end_face_costs_no_part():
    entries = log([("LC", "test", "end face", 1, 3, np.nan, "cleaned")])
    assert cost_of_rework(entries, POSITIONS, crew=CREW).table["parts"].item() == 0


def test_blank_minutes_are_not_guessed():
    entries = log(
        [("LC", "crimp", "assembly", 1, np.nan, 1, "x"), ("LC", "crimp", "assembly", 1, 8, 1, "x")]
    )
    row = cost_of_rework(entries, POSITIONS, crew=CREW).table.iloc[0]
    assert (row["minutes"], row["minutes_known"], row["n"]) == (8, 1, 2)


def test_the_type_comes_from_the_position_where_the_log_is_silent():
    entries = log([(None, "splice", "cleave", 1, 0, np.nan, "re-splice")]).assign(position_id="p")
    assert cost_of_rework(entries, POSITIONS, crew=CREW).table["parts"].item() == 1


def test_poisson_bounds_of_the_count():
    """Exact limits of 10 events: 4.795 and 18.39 (Garwood 1936; R 4.2.2, poisson.test)."""
    entries = log([("LC", "splice", "cleave", 10, 0, 0, "re-splice")])
    row = cost_of_rework(entries, POSITIONS, crew=CREW).table.iloc[0]
    assert (row["low"], row["high"]) == approx((4.795389, 18.39036), rel=1e-6)


def test_late_losses_tell_what_a_look_before_could_have_shown():
    entries = log(
        [
            ("LC", "test", "contamination", 3, 0, 3, "new connector"),
            ("LC", "test", "arc or splicer", 1, 0, 1, "new connector"),
            ("LC", "cleave", "cleave", 5, 0, 0, "re-cleave"),
        ]
    )
    found = cost_of_rework(entries, POSITIONS, crew=CREW)
    assert found.table["after_return"].sum() == 4
    assert found.table["seen_before"].sum() == 3
    assert "4 failures cost a connector body" in str(found)
    assert "3 of them (75 %" in str(found)


def test_an_empty_log_is_not_praise():
    found = cost_of_rework(log([]), POSITIONS, crew=CREW)
    assert found.table.empty
    assert "not the same as none done" in str(found)


def test_the_picture_takes_an_axis():
    ax = Figure().subplots()
    entries = log([("LC", "splice", "cleave", 2, 30, 2, "new connector")])
    assert cost_of_rework(entries, POSITIONS, crew=CREW).plot(ax) is ax


def arcs(rows):
    """Attempts from (job, day of November, position, number of the arc at it)."""
    made = pd.DataFrame(rows, columns=["job", "day", "position_id", "attempt_no"])
    return made.assign(date=[pd.Timestamp(2026, 11, day).date() for day in made["day"]])


def test_a_return_visit_is_a_day_at_a_job_with_nothing_but_joints_made_again():
    found = return_visits(
        arcs(
            [
                ("J1", 2, "a", 1),
                ("J1", 2, "b", 1),
                ("J1", 2, "b", 2),  # again on the day it was begun: no visit
                ("J1", 9, "a", 2),  # a visit for a and c
                ("J1", 9, "c", 3),
                ("J2", 9, "d", 2),  # new work at the same job that day: no visit
                ("J2", 9, "e", 1),
            ]
        )
    )
    assert found["position_id"].tolist() == ["a", "c"]
    assert found["share"].tolist() == [0.5, 0.5]


def test_a_return_visit_costs_and_is_shared_by_its_joints():
    crew = CREW.model_copy(
        update={"general": CREW.general.model_copy(update={"return_visit_cost": 80.0})}
    )
    rows = [("LC", "test", "contamination", 1, 6, 0, "cleaned")] * 2
    entries = log(rows).assign(position_id=["a", "a"])
    attempts = arcs([("J1", 2, "a", 1), ("J1", 9, "a", 2), ("J1", 9, "b", 2)])
    found = cost_of_rework(entries, POSITIONS, attempts, crew=crew)
    assert found.table["visits"].tolist() == [0.5]
    assert found.table["cost"].tolist() == approx([2 * 6.0 + 40.0])
    total = found.findings[0].values
    assert (total["visits"], total["cost"]) == (1.0, approx(2 * 6.0 + 80.0))
    assert "At least 1 return visit: days when a job saw nothing but" in str(found)


def test_without_arcs_there_is_no_return_visit():
    assert return_visits(arcs([])).empty
