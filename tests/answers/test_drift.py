"""The drift watch on crews whose truth is known; seeds are fixed, figures are not."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from yieldkit.answers.drift import (
    COLUMNS,
    PROBABLE,
    chances_to_see,
    drift_watch,
    loss_shift,
)
from yieldkit.answers.readings import CREW, loss_readings
from yieldkit.answers.streams import adjusted
from yieldkit.simulate import Shift, Wear, fitting_crew, simulate, typical_crew
from yieldkit.simulate.crew import SimulatedCrew


def watch(simulated: SimulatedCrew, **options):
    tables = simulated.tables
    return drift_watch(
        tables["attempts"],
        tables["positions"],
        tables["measurements"],
        tables["service"],
        checks=tables["checks"],
        crew=options.pop("crew", simulated.crew),
        **options,
    )


def day(plan, number):
    """The day of a working day's number (five a week)."""
    return plan.first_day + timedelta(days=7 * (number // 5) + number % 5)


@pytest.fixture(scope="module")
def drifting():
    plan = fitting_crew(
        technicians=6,
        weeks=9,
        shifts=(Shift("splicer", "SP-02", start_day=25, loss_factor=2.0),),
    )
    return simulate(plan, seed=4)


@pytest.fixture(scope="module")
def seen(drifting):
    return watch(drifting)


def test_the_drifting_splicer_is_named_first(seen):
    first = seen.table.iloc[0]
    assert (first["unit_kind"], first["unit"]) == ("splicer", "SP-02")
    assert first["low"] > 1.2
    assert first["chance_this_unit"] > 0.9


def test_the_day_it_began_lies_in_its_interval(drifting, seen):
    first = seen.table.iloc[0]
    began = day(drifting.parts.plan, 25)
    assert first["since_low"] <= began <= first["since_high"]
    assert first["since_low"] < first["since_high"]


def test_partners_of_the_drifting_splicer_are_not_accused(seen):
    losses = seen.table[seen.table["quantity"] == "estimated loss"]
    assert list(losses["unit"]) == ["SP-02"]


def test_the_joints_to_test_again_are_those_of_the_unit_since_then(drifting, seen):
    first = seen.table.iloc[0]
    rows = seen.rows(unit="SP-02", quantity="estimated loss")
    attempts = drifting.tables["attempts"].set_index("attempt_id")
    made = attempts.loc[rows["attempt_id"]]
    assert (made["splicer"] == "SP-02").all()
    assert (pd.to_datetime(made["date"]) >= pd.Timestamp(first["since_low"])).all()


@pytest.mark.parametrize(
    "shift, nature", [({"bias": 3.0}, "offset"), ({"loss_factor": 2.5}, "noise")]
)
def test_an_offset_of_the_machine_is_told_from_noise(shift, nature):
    plan = fitting_crew(
        technicians=6, weeks=13, shifts=(Shift("splicer", "SP-02", start_day=30, **shift),)
    )
    found = watch(simulate(plan, seed=1))
    told = {(f.values.get("unit"), f.values.get("nature")) for f in found.findings}
    assert ("SP-02", nature) in told
    assert ("offset of the machine (groove" in str(found)) == (nature == "offset")


@pytest.mark.parametrize("last", [22, 24])
def test_few_days_do_not_tell_an_offset_from_noise(last):
    # Many joints, but one to four days are left once those on which it may have begun are out.
    plan = fitting_crew(
        technicians=8,
        weeks=6,
        splicers=2,
        per_day=30.0,
        shifts=(Shift("splicer", "SP-02", start_day=20, bias=6.0),),
    )
    found = watch(simulate(plan, seed=1), until=day(plan, last))
    assert "SP-02" in set(found.table["unit"])
    assert all(not f.values.get("nature") for f in found.findings)


def test_services_make_a_rise_later_to_see(seen):
    stream = next(s for s in seen.streams if s.kind == "splicer" and s.quantity == "estimated loss")
    limits = seen.settings["limits"]
    rare, often = (
        chances_to_see(replace(stream, restarts=n), limits, loss_shift(1.5), 8) for n in (0, 6)
    )
    assert (np.diff(rare) >= 0).all() and (np.diff(often) >= 0).all()
    assert (often <= rare + 1e-12).all() and often[-1] < rare[-1]


def test_columns_and_sentences(seen):
    assert list(seen.table.columns[: len(COLUMNS)]) == COLUMNS
    said = str(seen)
    assert said.startswith("Splicer SP-02 has got worse")
    assert "It began between" in said
    assert "smaller rises we cannot see" in said


def test_the_picture_names_the_unit(seen):
    from matplotlib.figure import Figure

    ax = seen.plot(Figure().add_subplot())
    assert any("SP-02" in text.get_text() for text in ax.texts)


def test_an_overdue_blade_is_found_by_its_angles():
    plan = typical_crew(
        technicians=5, weeks=10, wear=Wear(overdue=("C-02",), overdue_start=0.5, fault=0.2)
    )
    found = watch(simulate(plan, seed=7)).table
    angles = found[found["quantity"] == "cleave angle"]
    assert "C-02" in set(angles["unit"])
    assert angles.iloc[0]["suggested_step"] == "rotate_blade"


def test_a_repaired_splicer_falls_quiet():
    # Repaired in mid-week: bad for three weeks, then well again; the service is in the book.
    plan = fitting_crew(
        technicians=6,
        weeks=9,
        shifts=(Shift("splicer", "SP-02", start_day=15, end_day=32, loss_factor=2.0),),
    )
    crew = simulate(plan, seed=4)
    repaired = pd.Timestamp(day(plan, 32))
    book = crew.tables["service"]
    entry = pd.DataFrame({"date": [repaired], "unit": ["SP-02"], "event": ["repair"]})
    before = watch(crew, until=day(plan, 31)).table
    crew.tables["service"] = pd.concat([book, entry], ignore_index=True)
    after = watch(crew).table
    assert "SP-02" in set(before["unit"])
    assert "SP-02" not in set(after.loc[after["unit_kind"] == "splicer", "unit"])


@pytest.fixture(scope="module")
def steady():
    return simulate(fitting_crew(technicians=6, weeks=9), seed=5)


def with_tables(crew, **tables):
    return replace(crew, tables=crew.tables | tables)


def test_a_dirty_reference_cord_one_morning_accuses_no_unit(steady):
    # All readings of a morning 0.3 dB up, half of the joints tested then failed by it.
    morning = pd.Timestamp(day(steady.parts.plan, 44))
    measurements = steady.tables["measurements"].copy()
    read = measurements["quantity"].eq("insertion loss") & measurements["date"].eq(morning)
    for end in ("value_low", "value_high"):
        measurements.loc[read, end] += 0.3
    positions = steady.tables["positions"].copy()
    tested = positions["position_id"].isin(measurements.loc[read, "position_id"])
    positions.loc[tested & (np.arange(len(positions)) % 2 == 0), "first_pass_termination"] = "no"
    found = watch(with_tables(steady, measurements=measurements, positions=positions)).table
    assert tested.sum() > 30
    assert set(found["unit_kind"]) == {CREW}
    assert set(found["quantity"]) <= {"insertion loss", "failures"}
    first = found[found["quantity"] == "insertion loss"].iloc[0]
    assert first["since_low"] <= morning.date() <= first["since_high"]
    assert first["suggested_step"] == "reference_check"


def test_a_dirty_reference_cord_for_a_week_is_what_all_share(steady):
    week = pd.Timestamp(day(steady.parts.plan, 38))
    measurements = steady.tables["measurements"].copy()
    read = measurements["quantity"].eq("insertion loss") & measurements["date"].ge(week)
    for end in ("value_low", "value_high"):
        measurements.loc[read, end] += 0.05
    found = watch(with_tables(steady, measurements=measurements))
    assert [tuple(row) for row in found.table[["unit_kind", "quantity"]].to_numpy()] == [
        (CREW, "insertion loss")
    ]
    assert "test set and reference cord" in str(found)


def test_second_arcs_of_one_splicer_are_seen(steady):
    attempts = steady.tables["attempts"].copy()
    rng = np.random.default_rng(8)
    late = pd.to_datetime(attempts["date"]) >= pd.Timestamp(day(steady.parts.plan, 20))
    share = np.where(late & attempts["splicer"].eq("SP-03"), 0.15, 0.04)
    again = attempts["reached_arc"].to_numpy(bool) & (rng.random(len(attempts)) < share)
    attempts["arcs"] = attempts["arcs"].mask(again, 2)
    found = watch(with_tables(steady, attempts=attempts)).table
    assert list(found.loc[found["quantity"] == "second arcs", "unit"]) == ["SP-03"]


def test_refused_cleaves_of_one_cleaver_are_seen(steady):
    attempts = steady.tables["attempts"].copy()
    rng = np.random.default_rng(9)
    late = pd.to_datetime(attempts["date"]) >= pd.Timestamp(day(steady.parts.plan, 20))
    refused = late & attempts["cleaver"].eq("C-02") & (rng.random(len(attempts)) < 0.15)
    attempts["reached_arc"] = attempts["reached_arc"].mask(refused, False)
    found = watch(with_tables(steady, attempts=attempts)).table
    found = found[found["quantity"] == "refused cleaves"]
    assert list(found["unit"]) == ["C-02"]
    assert found.iloc[0]["suggested_step"] == "rotate_blade"


def test_check_splices_of_one_splicer_are_seen(steady):
    checks = steady.tables["checks"].copy()
    late = pd.to_datetime(checks["date"]) >= pd.Timestamp(day(steady.parts.plan, 15))
    worse = late & checks["unit"].eq("SP-01")
    for end in ("value_low", "value_high"):
        checks[end] = checks[end].mask(worse, checks[end] * 5 + 0.05)
    found = watch(with_tables(steady, checks=checks)).table
    assert list(found.loc[found["quantity"] == "check splice", "unit"]) == ["SP-01"]


def test_reference_checks_that_rise_are_what_all_share(steady):
    days = pd.to_datetime(steady.tables["checks"]["date"]).drop_duplicates().sort_values()
    low = (
        0.10
        + 0.02 * np.random.default_rng(3).random(len(days))
        + 0.08 * (np.arange(len(days)) > 25)
    )
    made = (
        steady.tables["checks"]
        .iloc[: len(days)]
        .assign(
            date=days.to_numpy(),
            check="reference check",
            unit="TS-01",
            value_low=low,
            value_high=low + 0.01,
        )
    )
    checks = pd.concat([steady.tables["checks"], made], ignore_index=True)
    found = watch(with_tables(steady, checks=checks))
    row = found.table[found.table["quantity"] == "reference check"].iloc[0]
    assert (row["unit_kind"], row["suggested_step"]) == (CREW, "reference_check")
    assert row["low"] < 0.08 < row["high"]
    assert "the reference cord and the test set" in str(found)


def test_a_cleaver_that_changes_hands_has_not_drifted():
    # T01 makes losses twice as high as the others and takes over C-02 at half time.
    plan = fitting_crew(
        technicians=6,
        weeks=9,
        shifts=(Shift("technician", "T01", start_day=0, loss_factor=2.0),),
    )
    crew = simulate(plan, seed=10)
    attempts = crew.tables["attempts"].copy()
    late = pd.to_datetime(attempts["date"]) >= pd.Timestamp(day(plan, 22))
    own = attempts["technician"].eq("T01")
    attempts["cleaver"] = np.select(
        [late & own, ~late & own, ~late & attempts["cleaver"].eq("C-01")],
        ["C-02", "C-01", "C-03"],
        attempts["cleaver"],
    )
    held = late & attempts["cleaver"].eq("C-02")
    assert attempts.loc[held, "technician"].eq("T01").mean() > 0.3
    found = watch(with_tables(crew, attempts=attempts)).table
    assert "C-02" not in set(found.loc[found["quantity"] == "estimated loss", "unit"])


def test_two_things_on_one_day_are_said_not_guessed():
    # A new lot on the day of an arc calibration of the only splicer: the same joints since then.
    plan = fitting_crew(technicians=2, weeks=9, splicers=1, cleavers=2, heaters=1)
    plan = replace(plan, shifts=(Shift("splicer", "SP-01", start_day=25, loss_factor=2.5),))
    crew = simulate(plan, seed=3)
    attempts = crew.tables["attempts"].copy()
    begun = pd.Timestamp(day(plan, 25))
    attempts["fibre_lot"] = np.where(pd.to_datetime(attempts["date"]) >= begun, "F-new", "F-old")
    entry = pd.DataFrame({"date": [begun], "unit": ["SP-01"], "event": ["arc calibration"]})
    service = pd.concat([crew.tables["service"], entry], ignore_index=True)
    answer = watch(with_tables(crew, attempts=attempts, service=service))
    losses = answer.table[answer.table["quantity"] == "estimated loss"]
    assert len(losses) > 0
    units = losses[losses["unit_kind"] != CREW]
    named = units["unit"] + "; " + units["not_separable_from"]
    assert all({"SP-01", "F-new"} <= set(words.split("; ")) for words in named)
    assert (units["chance_this_unit"] <= 0.5).all()
    assert "has got worse:" not in str(answer).split(" (")[0]


def test_twenty_splices_a_week_see_little_and_say_so():
    plan = fitting_crew(technicians=1, weeks=8, splicers=1, cleavers=1, heaters=1, per_day=4.0)
    found = watch(simulate(plan, seed=6))
    assert found.table.empty
    weeks = found.findings[-1].values["weeks"]
    assert weeks[1.25] > 4


def test_no_records_at_all_cannot_tell():
    crew = simulate(fitting_crew(technicians=1, weeks=1), seed=6)
    crew.tables["attempts"] = crew.tables["attempts"].iloc[:0]
    crew.tables["positions"] = crew.tables["positions"].iloc[:0]
    found = watch(crew)
    assert found.table.empty
    assert "Cannot tell" in str(found)


def test_technicians_are_watched_only_where_asked(drifting):
    general = drifting.crew.general.model_copy(update={"watch_technicians": True})
    asked = watch(drifting, crew=drifting.crew.model_copy(update={"general": general}))
    kinds = {stream.kind for stream in asked.streams}
    assert "technician" in kinds
    assert "technician" not in {stream.kind for stream in watch(drifting).streams}


def test_inputs_are_left_alone(drifting):
    before = {name: table.copy() for name, table in drifting.tables.items()}
    watch(drifting)
    for name in ("attempts", "positions", "service"):
        pd.testing.assert_frame_equal(before[name], drifting.tables[name])


@pytest.mark.parametrize("rise", [1.5, 2.0])
def test_shift_of_a_rise_agrees_with_simulated_crews(rise):
    # Six crews; the step of one splicer's day scores scatters by about 0.06 from crew to crew.
    steps = []
    for seed in range(6):
        plan = fitting_crew(
            technicians=6,
            weeks=9,
            shifts=(Shift("splicer", "SP-02", start_day=25, loss_factor=rise),),
        )
        crew = simulate(plan, seed=seed)
        scored = adjusted(loss_readings(crew.tables["attempts"], crew.crew))
        series = scored.series("splicer", "SP-02")
        late = series.day >= pd.Timestamp(day(plan, 25))
        steps.append(series.mean[late].mean() - series.mean[~late].mean())
    assert np.mean(steps) == pytest.approx(loss_shift(rise), abs=3 * 0.06 / np.sqrt(6))


@pytest.mark.parametrize(
    "chance, alike, opening",
    [
        (0.97, "", "Splicer SP-03 has got worse: its"),
        (0.97, "F-new", "Probably splicer SP-03 has got worse (97 %): its"),
        (0.68, "", "Probably splicer SP-03 has got worse (68 %): its"),
        (0.45, "", "Cannot tell yet: splicer SP-03 may have got worse: its"),
    ],
)
def test_a_suspect_is_worded_as_surely_as_it_is(seen, chance, alike, opening):
    found = next(f for f in seen.findings if f.code == "drift_signal")
    values = found.values | {
        "unit": "SP-03",
        "chance_this_unit": chance,
        "not_separable_from": alike,
        "sure": chance >= PROBABLE,
        "others": ("C-02",),
    }
    said = str(replace(found, values=values))
    assert said.startswith(opening)
    assert "else C-02, or chance alone" in said
