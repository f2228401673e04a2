"""What the tables say of a crew's week: first pass, states, duplicates, order of arrival."""

import random

import pandas as pd
import pytest

from tests.records.made_files import (
    arc,
    classes,
    crew,
    derived,
    entry,
    kit,
    made,
    panel,
    position,
    test,
)
from yieldkit.records.deriving import Decided, derive

PLAN = made("plan.csv", "planned", [panel()])


def first_pass(arcs, tests=(), entries=(), settings=None, later=()):
    return position(
        derived(
            PLAN,
            made("arcs.csv", "attempts", list(arcs)),
            made("tests.csv", "measurements", [*tests, *later]),
            made("log.csv", "rework", list(entries)),
            settings=settings,
        )
    )


# -- first pass ------------------------------------------------------------------------------------


def test_a_good_arc_with_all_tests_passed_is_first_pass():
    found = first_pass([arc("2026-11-16 08:00")], [test("2026-11-16 08:20")])
    assert (found["first_pass_termination"], found["state"]) == ("yes", "accepted")
    assert (found["first_pass_splice"], found["first_pass_link"]) == ("yes", "yes")


def test_a_week_whose_tests_are_still_out_is_pending_and_not_a_success():
    arcs = [arc(f"2026-11-16 08:{port:02d}", f"P01/{port:02d}") for port in range(1, 11)]
    tables = derived(PLAN, made("arcs.csv", "attempts", arcs))
    started = tables["positions"][tables["positions"]["arcs"] > 0]
    assert (started["first_pass_termination"] == "pending").all()
    assert (started["first_pass_splice"] == "yes").all()
    assert (started["state"] == "open").all()


def test_pending_becomes_unknown_after_the_days_of_the_settings():
    old = first_pass([arc("2026-09-01 08:00")], later=[test("2026-11-16 08:20", "P01/05")])
    assert old["first_pass_termination"] == "unknown"
    assert old["why"] == "tests missing"


def test_one_position_with_three_arcs_logged_as_three_splices_is_one_failure():
    arcs = [arc(f"2026-11-16 08:{m:02d}", loss=x) for m, x in ((0, 0.32), (6, 0.21), (12, 0.04))]
    tables = derived(
        PLAN,
        made("arcs.csv", "attempts", arcs),
        made("tests.csv", "measurements", [test("2026-11-16 08:30")]),
    )
    found = position(tables)
    assert (found["arcs"], found["first_pass_termination"]) == (3, "no")
    assert (found["state"], found["failed_step"]) == ("accepted", "splice")
    assert tables["attempts"]["attempt_no"].tolist() == [1, 2, 3]
    assert tables["attempts"]["redo"].tolist() == ["no", "yes", "yes"]


def test_a_failure_found_by_another_person_a_week_later_belongs_to_the_first_arc():
    found = first_pass(
        [arc("2026-11-16 08:00", who="T01")],
        [test("2026-11-16 08:20")],
        [entry("2026-11-23", step="inspect", cause="end face", who="T02")],
    )
    assert found["first_pass_termination"] == "no"
    assert (found["technician"], str(found["first_date"])) == ("T01", "2026-11-16")
    assert (found["failed_step"], found["failed_cause"]) == ("inspect", "end face")


def test_a_late_failed_test_restates_the_first_arcs_week():
    found = first_pass(
        [arc("2026-11-16 08:00")],
        [test("2026-11-16 08:20"), test("2026-11-24 09:00", value=0.9, result="fail")],
    )
    assert (found["first_pass_termination"], found["state"]) == ("no", "open")


def test_cleaning_and_testing_again_is_first_pass_of_the_joint_but_not_of_the_test():
    tests = [
        test("2026-11-16 08:20", value=0.9, result="fail"),
        test("2026-11-16 08:30", after_cleaning=True),
    ]
    found = first_pass([arc("2026-11-16 08:00")], tests)
    assert (found["first_pass_termination"], found["first_pass_link"]) == ("yes", "no")


def test_a_logged_cleaning_counts_as_cleaning():
    tests = [test("2026-11-16 08:20", value=0.9, result="fail"), test("2026-11-16 08:30")]
    wiped = entry("2026-11-16", step="test", disposition="cleaned")
    assert first_pass([arc("2026-11-16 08:00")], tests, [wiped])["first_pass_termination"] == "yes"
    assert first_pass([arc("2026-11-16 08:00")], tests)["first_pass_termination"] == "no"


@pytest.mark.parametrize("step", ["prepare", "cleave"])
def test_a_preparation_loss_is_no_failed_termination(step):
    found = first_pass(
        [arc("2026-11-16 08:00")], [test("2026-11-16 08:20")], [entry("2026-11-16", step=step)]
    )
    assert found["first_pass_termination"] == "yes"


def test_a_rejected_cleave_is_a_preparation_loss_and_no_arc():
    rejected = arc("2026-11-16 07:55", loss=None, error="cleave angle", reached_arc=False)
    found = first_pass([rejected, arc("2026-11-16 08:00")], [test("2026-11-16 08:20")])
    assert (found["arcs"], found["preparation_losses"]) == (1, 1)
    assert found["first_pass_termination"] == "yes"


def test_an_entry_that_cannot_tell_whether_an_arc_was_lost_makes_the_answer_unknown():
    unclear = entry("2026-11-16", step="unknown", cause="cleave")
    found = first_pass([arc("2026-11-16 08:00")], [test("2026-11-16 08:20")], [unclear])
    assert found["first_pass_termination"] == "unknown"


def test_an_estimate_on_the_limit_is_not_told_by_the_display():
    found = first_pass([arc("2026-11-16 08:00", loss=0.15)], [test("2026-11-16 08:20")])
    assert (found["first_pass_splice"], found["first_pass_termination"]) == ("unknown", "yes")
    verdict = arc("2026-11-16 08:00", loss=0.15, outcome_text="ok")
    assert first_pass([verdict], [test("2026-11-16 08:20")])["first_pass_splice"] == "yes"


def test_a_position_with_tests_and_no_arc_on_record_is_unknown():
    found = first_pass([], [test("2026-11-16 08:20")])
    assert (found["first_pass_termination"], found["state"]) == ("unknown", "accepted")


def test_losses_that_are_all_zero_are_intervals_from_zero():
    arcs = [arc(f"2026-11-16 08:{n:02d}", f"P01/{n}", loss=0.0) for n in range(1, 12)]
    attempts = derived(PLAN, made("arcs.csv", "attempts", arcs))["attempts"]
    assert (attempts["loss_low_db"] == 0).all()
    assert attempts["loss_high_db"].tolist() == pytest.approx([0.005] * 11)


@pytest.mark.parametrize(
    "shown, mark, low, high",
    [
        (0.02, "=", 0.015, 0.025),
        (0.0, "=", 0.0, 0.005),
        (0.01, "<", 0.0, 0.01),
        (1.0, ">", 1.0, float("inf")),
    ],
)
def test_a_shown_loss_is_the_interval_it_can_mean(shown, mark, low, high):
    row = arc("2026-11-16 08:00", loss=shown, loss_mark=mark)
    found = derived(made("arcs.csv", "attempts", [row]))["attempts"].iloc[0]
    assert (found["loss_low_db"], found["loss_high_db"]) == pytest.approx((low, high))


def test_a_display_that_cuts_off_has_its_floor_and_ceiling():
    unit = {
        "unit": "SP-01",
        "kind": "splicer",
        "display": "truncates",
        "display_floor_db": 0.01,
        "display_ceiling_db": 0.99,
    }
    rows = [arc(f"2026-11-16 08:0{n}", loss=x) for n, x in enumerate((0.01, 0.05, 0.99))]
    found = derived(made("arcs.csv", "attempts", rows), settings=crew(equipment=[unit]))["attempts"]
    assert found["loss_low_db"].tolist() == pytest.approx([0, 0.05, 0.99])
    assert found["loss_high_db"].tolist() == pytest.approx([0.02, 0.06, float("inf")])


# -- duplicates ------------------------------------------------------------------------------------


def test_overlapping_downloads_count_each_record_once():
    rows = [arc(f"2026-11-16 08:{n:02d}", f"P01/{n}", counter=100 + n) for n in range(1, 11)]
    tables = derived(made("a.csv", "attempts", rows[:7]), made("b.csv", "attempts", rows[4:]))
    assert classes(tables, "a.csv") == [7, 0, 0, 0]
    assert classes(tables, "b.csv") == [3, 3, 0, 0]


def test_an_export_without_counter_is_known_again_by_time_and_values():
    rows = [arc(f"2026-11-16 08:{n:02d}:11", f"P01/{n}") for n in range(1, 11)]
    tables = derived(made("a.csv", "attempts", rows[:7]), made("b.csv", "attempts", rows[4:]))
    assert classes(tables, "b.csv") == [3, 3, 0, 0]


def test_a_retyped_copy_counts_as_duplicates_though_the_display_differs():
    rows = [arc(f"2026-11-16 08:{n:02d}:11", f"P01/{n:02d}", counter=n) for n in range(1, 11)]
    copy = [
        row
        | {
            "place_text": row["place_text"].replace("/", "-").lower(),
            "technician_text": "t 1",
            "when_shown": row["when_shown"].replace(second=0),
            "loss_text": "0,03",
        }
        for row in rows
    ]
    tables = derived(PLAN, made("a.csv", "attempts", rows), made("b.csv", "attempts", copy))
    assert classes(tables, "b.csv") == [0, 10, 0, 0]


def test_two_changed_values_in_a_retyped_copy_are_held_side_by_side():
    rows = [arc(f"2026-11-16 08:{n:02d}:11", f"P01/{n:02d}", counter=n) for n in range(1, 11)]
    copy = [dict(row) for row in rows]
    copy[3] |= {"loss_db": 0.30, "loss_text": "0.30"}
    copy[7] |= {"place_text": "P01/12"}
    tables = derived(PLAN, made("a.csv", "attempts", rows), made("b.csv", "attempts", copy))
    assert classes(tables, "b.csv") == [0, 8, 2, 0]
    held = tables["held"].set_index("source_row")
    assert held["against_file"].tolist() == ["a.csv", "a.csv"]
    assert "0.30 here, 0.03 there" in held.loc[5, "differs"]
    assert "place" in held.loc[9, "differs"]


def test_the_lead_may_let_a_held_row_count():
    rows = [arc("2026-11-16 08:00:11", counter=1)]
    copy = [rows[0] | {"loss_db": 0.30, "loss_text": "0.30"}]
    sources = [made("a.csv", "attempts", rows), made("b.csv", "attempts", copy)]
    held = derive(sources, crew()).tables["held"].to_pylist()[0]["fingerprint"]
    found = derive(sources, crew(), Decided(preferred=(held,)))
    tables = {name: found.plain(name).to_pandas() for name in ("attempts", "files")}
    assert tables["attempts"]["loss_text"].tolist() == ["0.30"]
    assert classes(tables, "a.csv") == [0, 0, 1, 0]


def test_without_counter_a_changed_copy_is_held_but_two_rows_of_one_file_are_two_records():
    rows = [arc("2026-11-16 08:00:11", loss=0.03), arc("2026-11-16 08:00:11", loss=0.30)]
    tables = derived(made("a.csv", "attempts", rows))
    assert classes(tables, "a.csv") == [2, 0, 0, 0]
    tables = derived(made("a.csv", "attempts", rows[:1]), made("b.csv", "attempts", rows[1:]))
    assert classes(tables, "b.csv") == [0, 0, 1, 0]


def test_a_log_saved_again_with_one_more_row_doubles_nothing():
    twice = [entry("2026-11-16", "P01/02"), entry("2026-11-16", "P01/02")]
    more = [*twice, entry("2026-11-17", "P01/03")]
    tables = derived(PLAN, made("log 1.csv", "rework", twice), made("log 2.csv", "rework", more))
    assert classes(tables, "log 1.csv") == [2, 0, 0, 0]
    assert classes(tables, "log 2.csv") == [1, 2, 0, 0]


def test_a_wide_ribbon_row_is_one_row_in_the_accounting_and_one_fibre_each_in_the_table():
    rows = [
        arc("2026-11-16 08:00", None, counter=5, fibre=n, ribbon_text="r5", source_row=2)
        for n in range(1, 13)
    ]
    tables = derived(made("a.csv", "attempts", rows), made("b.csv", "attempts", rows))
    assert len(tables["attempts"]) == 12
    assert tables["attempts"]["attempt_id"].is_unique
    assert classes(tables, "a.csv") == [1, 0, 0, 0]
    assert classes(tables, "b.csv") == [0, 1, 0, 0]


def test_a_counter_that_starts_again_loses_no_record():
    old = [arc(f"2026-11-02 08:{n:02d}", f"P01/{n % 12}", counter=n) for n in range(1, 31)]
    new = [arc(f"2026-11-16 09:{n:02d}", f"P01/{n % 12}", counter=n) for n in range(1, 41)]
    tables = derived(made("a.csv", "attempts", old), made("b.csv", "attempts", new))
    assert classes(tables, "b.csv") == [40, 0, 0, 0]
    assert tables["attempts"].groupby("epoch").size().tolist() == [30, 40]


# -- people and kit --------------------------------------------------------------------------------


def test_kit_comes_from_the_sheet_and_a_week_without_one_is_unknown():
    rows = [arc("2026-11-16 08:00", "P01/01"), arc("2026-11-24 08:00", "P01/02")]
    tables = derived(
        PLAN,
        made("arcs.csv", "attempts", rows),
        made("kit.csv", "kit_use", [kit("2026-11-16")]),
    )
    attempts = tables["attempts"]
    assert attempts["cleaver"].tolist() == ["C-01", "unknown"]
    assert attempts["kit_source"].tolist() == ["kit sheet", "unknown"]


def test_a_blank_technician_is_inferred_only_where_the_sheet_leaves_one_person():
    rows = [
        arc("2026-11-16 08:00", "P01/01", who=""),
        arc("2026-11-16 08:10", "P01/02", who=None, splicer="SP-02"),
    ]
    sheet = [
        kit("2026-11-16"),
        kit("2026-11-16", "T02", "SP-02"),
        kit("2026-11-16", "T03", "SP-02"),
    ]
    attempts = derived(made("arcs.csv", "attempts", rows), made("kit.csv", "kit_use", sheet))[
        "attempts"
    ]
    assert attempts["technician"].tolist() == ["T01", "unknown"]
    assert attempts["technician_source"].tolist() == ["kit sheet", "unknown"]


def test_a_day_missing_from_the_sheet_is_inferred_between_two_equal_days():
    rows = [arc(f"2026-11-{day} 08:00", f"P01/{day}") for day in (16, 17, 18)]
    rows.append(arc("2026-11-17 08:00", "P01/04", who="T02", splicer="SP-02"))
    sheet = [kit("2026-11-16"), kit("2026-11-18"), kit("2026-11-17", "T02", "SP-02", "C-02")]
    tables = derived(made("arcs.csv", "attempts", rows), made("kit.csv", "kit_use", sheet))
    found = tables["attempts"].set_index("place_text").loc["P01/17"]
    assert (found["cleaver"], found["kit_source"]) == ("C-01", "inferred")
    assert (tables["kit_use"]["source"] == "inferred").sum() == 1


def test_a_diligent_and_a_sparing_logger_are_both_judged_by_arcs_and_tests_first():
    arcs, tests, log = [], [], []
    for n in range(1, 9):
        who = "T01" if n % 2 else "T02"
        arcs += [arc(f"2026-11-16 {7 + n:02d}:00", f"P01/{n:02d}", loss=0.4, who=who)]
        arcs += [arc(f"2026-11-16 {7 + n:02d}:10", f"P01/{n:02d}", who=who)]
        tests.append(test(f"2026-11-16 {7 + n:02d}:30", f"P01/{n:02d}"))
        if who == "T01" or n == 2:
            log.append(entry("2026-11-16", f"P01/{n:02d}", who=who))
    tables = derived(
        PLAN,
        made("arcs.csv", "attempts", arcs),
        made("tests.csv", "measurements", tests),
        made("log.csv", "rework", log),
    )
    failed = tables["positions"].query("first_pass_termination == 'no'")
    assert failed.groupby("technician").size().to_dict() == {"T01": 4, "T02": 4}
    assert tables["rework"]["attempt_id"].notna().all()


# -- order of arrival ------------------------------------------------------------------------------


def test_the_order_in_which_files_arrive_does_not_matter():
    rows = [arc(f"2026-11-16 08:{n:02d}:07", f"P01/{n % 12 + 1}", counter=n) for n in range(1, 41)]
    changed = [row | {"loss_db": 0.5, "loss_text": "0.50"} for row in rows[10:14]]
    sources = [
        PLAN,
        made("a.csv", "attempts", rows[:25]),
        made("b.csv", "attempts", rows[15:]),
        made("c.csv", "attempts", changed),
        made("tests.csv", "measurements", [test("2026-11-16 09:00", f"P01/{n}") for n in (1, 2)]),
        made("log.csv", "rework", [entry("2026-11-16", "P01/03")]),
        made("kit.csv", "kit_use", [kit("2026-11-16")]),
    ]
    expected = derived(*sources)
    for seed in range(4):
        shuffled = sources.copy()
        random.Random(seed).shuffle(shuffled)
        for name, table in derived(*shuffled).items():
            pd.testing.assert_frame_equal(table, expected[name])


# -- displays of other units -----------------------------------------------------------------------


def test_a_display_in_thousandths_gives_the_interval_of_its_own_step():
    fine = arc("2026-11-16 08:00", loss=0.02, loss_text="20", loss_step=0.001)
    tail = arc("2026-11-16 08:10", "P01/02", loss=0.02, loss_text="0.0200000001", loss_step=1e-9)
    rows = derived(PLAN, made("a.csv", "attempts", [fine, tail]))["attempts"]
    spans = rows[["loss_low_db", "loss_high_db"]].round(6).to_numpy().tolist()
    assert spans == [[0.0195, 0.0205], [0.015, 0.025]]
