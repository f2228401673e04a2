"""Places, people and units as people write them, and what stays open."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.records.made_files import arc, crew, derived, entry, kit, made, panel, position, test
from yieldkit.records.deriving import Decided, derive
from yieldkit.records.spelling import resolve

LETTERS = made("plan.csv", "planned", [panel(20, "A"), panel(20, "B")])
PANELS = made("plan.csv", "planned", [panel(24, "P03"), panel(24, "P13")])


def places(plan, *written, **more):
    rows = [arc(f"2026-11-16 08:{n:02d}", text, **more) for n, text in enumerate(written)]
    sources = [made("arcs.csv", "attempts", rows)] + ([plan] if plan else [])
    found = derived(*sources)["attempts"]
    return list(zip(found["position_id"].tolist(), found["link"].tolist(), strict=True))


def test_one_place_written_in_three_ways_is_one_place():
    found = places(LETTERS, "A12", "a-12", "12A", "A/12")
    assert {position_id for position_id, _ in found} == {"J1|A|12"}
    assert [link for _, link in found] == ["normalised", "normalised", "normalised", "exact"]


@pytest.mark.parametrize("text", ["P03/17", "P3-17", "p03 17", "P3/17", "P0317", " p-03-17 "])
def test_a_panel_and_a_port_are_known_with_any_punctuation(text):
    assert places(PANELS, text)[0][0] == "J1|P03|17"


def test_a_place_that_could_be_two_is_left_unlinked():
    # "P1317" close up is panel 13 port 17; "P317" fits no planned place for sure.
    assert places(PANELS, "P1317")[0][0] == "J1|P13|17"
    assert places(PANELS, "317P")[0][1] == "unlinked"


def test_a_port_that_the_panel_lacks_is_left_unlinked():
    assert (
        places(PANELS, "P03/29") == [(None, "unlinked")]
        or places(PANELS, "P03/29")[0][1] == "unlinked"
    )


def test_without_a_plan_the_place_stands_for_itself_in_its_usual_form():
    found = places(None, "P03/17", "P03/18", "p3-17", "P03/017")
    assert [position_id for position_id, _ in found] == [
        "J1|P03|17",
        "J1|P03|18",
        "J1|P03|17",
        "J1|P03|17",
    ]


def test_panel_and_port_in_columns_of_their_own_meet_places_in_one():
    tables = derived(
        PANELS,
        made("arcs.csv", "attempts", [arc("2026-11-16 08:00", "P03/7")]),
        made(
            "tests.csv",
            "measurements",
            [test("2026-11-16 08:20", None, panel_text="P03", port_text="07")],
        ),
    )
    assert position(tables, "J1|P03|7")["first_pass_termination"] == "yes"


def test_an_alias_of_the_settings_beats_every_guess():
    settings = crew(aliases=[{"kind": "place", "written": "top rack 5", "meaning": "P03/5"}])
    rows = [arc("2026-11-16 08:00", "top rack 5")]
    found = derived(PANELS, made("arcs.csv", "attempts", rows), settings=settings)["attempts"]
    assert found["position_id"].tolist() == ["J1|P03|5"]


# -- arcs without a place --------------------------------------------------------------------------


def test_a_decision_on_a_place_of_a_job_that_no_file_names_any_more_holds_for_no_other():
    arcs = made("arcs.csv", "attempts", [arc("2026-11-16 08:00", "P03/17")])
    decided = Decided(words={"place": {"J9|P03/17": "P03/18"}})
    found = derive([PANELS, arcs], crew(), decided).plain("attempts")
    assert found["position_id"].to_pylist() == ["J1|P03|17"]


def test_a_good_arc_without_place_goes_to_the_position_tested_soon_after_marked_probable():
    arcs = [arc("2026-11-16 08:00", "P03/01"), arc("2026-11-16 08:20", None)]
    tests = [test("2026-11-16 08:12", "P03/01"), test("2026-11-16 08:32", "P03/02")]
    tables = derived(
        PANELS, made("arcs.csv", "attempts", arcs), made("tests.csv", "measurements", tests)
    )
    found = position(tables, "J1|P03|2")
    assert (found["link"], found["first_pass_termination"]) == ("probable", "yes")
    assert position(tables, "J1|P03|1")["link"] != "probable"


def test_without_tests_it_goes_to_the_one_port_between():
    arcs = [
        arc("2026-11-16 08:00", "P03/01"),
        arc("2026-11-16 08:10", None),
        arc("2026-11-16 08:20", "P03/03"),
    ]
    tables = derived(PANELS, made("arcs.csv", "attempts", arcs))
    assert position(tables, "J1|P03|2")["link"] == "probable"


def test_a_failed_arc_without_place_may_be_the_first_of_the_next_position():
    arcs = [arc("2026-11-16 08:00", None, loss=0.6), arc("2026-11-16 08:12", "P03/02")]
    tests = [test("2026-11-16 08:20", "P03/02")]
    tables = derived(
        PANELS, made("arcs.csv", "attempts", arcs), made("tests.csv", "measurements", tests)
    )
    found = position(tables, "J1|P03|2")
    assert (found["first_pass_termination"], found["why"]) == ("unknown", "unlinked arc")


def test_two_good_arcs_at_one_place_beside_a_tested_place_without_any_leave_it_open():
    arcs = [arc("2026-11-16 08:00", "P03/05"), arc("2026-11-16 08:20", "P03/05")]
    tests = [test("2026-11-16 08:12", "P03/05"), test("2026-11-16 08:32", "P03/06")]
    tables = derived(
        PANELS, made("arcs.csv", "attempts", arcs), made("tests.csv", "measurements", tests)
    )
    found = position(tables, "J1|P03|5")
    assert (found["first_pass_termination"], found["why"]) == ("unknown", "place in doubt")


# -- rework log ------------------------------------------------------------------------------------


def test_entries_meet_the_failures_of_their_step_in_order():
    arcs = [
        arc("2026-11-16 08:00", "P03/01", loss=0.4),
        arc("2026-11-16 08:10", "P03/01"),
        arc("2026-11-16 08:40", "P03/01"),
    ]
    log = [
        entry("2026-11-16", "P03/01", "crimp", "crimp or mechanical"),
        entry("2026-11-16", "P03/01", "splice", "arc or splicer"),
    ]
    tables = derived(PANELS, made("arcs.csv", "attempts", arcs), made("log.csv", "rework", log))
    order = tables["attempts"].set_index("attempt_id")["attempt_no"]
    met = tables["rework"].set_index("step")["attempt_id"].map(order)
    assert met.to_dict() == {"crimp": 2, "splice": 1}
    assert position(tables, "J1|P03|1")["failed_cause"] == "arc or splicer"


def test_an_entry_without_job_is_linked_where_one_position_is_left():
    arcs = [arc("2026-11-16 08:00", "P03/01", loss=0.4)]
    log = [entry("2026-11-16", "P03/01", job=None), entry("2026-11-16", "P09/01", job=None)]
    tables = derived(PANELS, made("arcs.csv", "attempts", arcs), made("log.csv", "rework", log))
    assert tables["rework"]["link"].tolist() == ["probable", "unlinked"]


# -- spellings -------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["T07", "t07", "T-07", "T 7", " T07 ", "T.07"])
def test_case_punctuation_and_zeros_are_form_alone(text):
    found = resolve("technician", {text: 1}, known=["T07", "T17"])[text]
    assert found.meaning == "T07"
    assert found.how in ("exact", "normalised")


def test_a_first_letter_and_a_number_are_a_guess_listed_as_rule():
    found = resolve("technician", {"Tech 7": 3}, known=["T07", "T17"], guess=True)["Tech 7"]
    assert (found.meaning, found.how) == ("T07", "rule")


def test_without_a_list_a_guess_is_suggested_and_not_applied():
    found = resolve("technician", {"Tech 7": 3}, known=["T07"], guess=False)["Tech 7"]
    assert (found.meaning, found.candidates) == (None, ("T07",))


def test_two_technicians_with_one_initial_are_not_told_apart_by_it():
    found = resolve("technician", {"T": 3}, known=["T01", "T02"], guess=True)["T"]
    assert (found.meaning, found.candidates) == (None, ("T01", "T02"))


def test_a_name_that_no_list_holds_is_unknown_where_there_is_a_list():
    found = resolve("technician", {"Maija": 1}, known=["T01"], guess=True, closed=True)["Maija"]
    assert (found.meaning, found.how) == (None, "unknown")


def test_a_new_code_of_the_usual_form_is_a_new_person():
    found = resolve("technician", {"t09": 1}, known=["T01"], guess=True, closed=True)["t09"]
    assert (found.meaning, found.how) == ("T09", "new")


def test_settings_beat_the_leads_decision():
    found = resolve(
        "technician", {"crew 2": 1}, aliases={"crew 2": "T02"}, decided={"crew 2": "T03"}
    )["crew 2"]
    assert (found.meaning, found.how) == ("T02", "alias")


@pytest.mark.parametrize("written", ["Maija Virtanen", "maija virtanen", "MAIJA  VIRTANEN."])
def test_an_alias_holds_for_the_same_words_in_another_form(written):
    found = resolve(
        "technician", {written: 1}, known=["T01"], aliases={"Maija Virtanen": "T01"}, closed=True
    )[written]
    assert (found.meaning, found.how) == ("T01", "alias")


def test_an_alias_in_another_form_does_not_take_a_listed_code():
    found = resolve("technician", {"T01": 1}, known=["T01"], aliases={"T-1": "T02"})["T01"]
    assert (found.meaning, found.how) == ("T01", "exact")


def test_two_decisions_on_one_form_hold_for_their_own_spelling_alone():
    said = {"Maija": "T01", "MAIJA": "T02"}
    found = resolve(
        "technician", {"maija": 1, "MAIJA": 1}, known=["T01"], decided=said, closed=True
    )
    assert (found["maija"].meaning, found["MAIJA"].meaning) == (None, "T02")


def test_the_kit_sheet_is_the_list_where_the_settings_name_nobody():
    rows = [arc("2026-11-16 08:00", "P03/01", who="Tech 1")]
    tables = derived(made("a.csv", "attempts", rows), made("k.csv", "kit_use", [kit("2026-11-16")]))
    assert tables["attempts"]["technician"].tolist() == ["T01"]
    assert tables["attempts"]["cleaver"].tolist() == ["C-01"]


@pytest.mark.parametrize(
    "hostile", ["../../etc", "<script>x</script>", "=1+1", "a\x00b", "P\u202e1"]
)
def test_hostile_ids_are_data_and_nothing_else(hostile):
    rows = [arc("2026-11-16 08:00", "P03/01", job=hostile, who=hostile, splicer=hostile)]
    tables = derived(PANELS, made("arcs.csv", "attempts", rows))
    assert len(tables["attempts"]) == 1


# -- ribbons ---------------------------------------------------------------------------------------


def ribbon(place, fibres, ribbon="1", **more):
    return [
        arc("2026-11-16 08:00", place, counter=1, fibre=fibre, ribbon_text=ribbon, **more)
        for fibre in fibres
    ]


@pytest.mark.parametrize(
    "place, fibres, ports",
    [
        ("P01/01-12", range(1, 13), range(1, 13)),
        ("P01/13-24", range(1, 13), range(13, 25)),
        ("P01/13-24", range(13, 25), range(13, 25)),
        ("P01/05..08", (1, 2, 4), (5, 6, 8)),
    ],
)
def test_a_ribbon_at_a_range_of_ports_has_a_fibre_at_each(place, fibres, ports):
    tables = derived(
        made("plan.csv", "planned", [panel(ports=24)]),
        made("a.csv", "attempts", ribbon(place, fibres)),
    )
    rows = tables["attempts"].sort_values("fibre")
    assert rows["position_id"].tolist() == [f"J1|P01|{port}" for port in ports]
    assert set(rows["place_text"]) == {place}


def test_a_range_of_other_length_or_without_a_ribbon_stays_as_written():
    plan = made("plan.csv", "planned", [panel(ports=24)])
    long = derived(plan, made("a.csv", "attempts", ribbon("P01/05-08", range(1, 7))))["attempts"]
    assert long.sort_values("fibre")["position_id"].isna().tolist() == [False] * 4 + [True] * 2
    alone = [arc("2026-11-16 08:00", "P01/01-12", counter=1)]
    assert derived(plan, made("a.csv", "attempts", alone))["attempts"]["position_id"].isna().all()
    # a panel and a port, no range
    place = ribbon("P01-12", range(1, 3))
    found = derived(plan, made("a.csv", "attempts", place))["attempts"]["position_id"]
    assert set(found) == {"J1|P01|12"}


FORMS = ["P01", "p01", "P-01", "P1", "Q7", "q-7", "Q07"]
JOBS = [f"J{number}" for number in range(1, 13)]
WRITTEN = st.tuples(st.sampled_from(JOBS), st.sampled_from(FORMS), st.integers(1, 4))


def own_places(rows, plan):
    """Position and link of each place that stands for itself; by plain loops."""
    used = {}
    for job, form, port in rows:
        if (job, form[0].upper()) not in plan:
            used.setdefault((job, form[0].upper()), []).append((form.upper(), port))
    planned = {job for job, _ in plan}
    found = {}
    for (job, letter), places in used.items():
        ports = len(set(places))  # a port of each form counts
        if job in planned and (ports < 3 or len(places) < 3):
            continue
        forms = [form for form, _ in places]
        usual = max(forms, key=lambda form: (forms.count(form), form))
        for form, port in {(form, port) for of, form, port in rows if of == job}:
            if form[0].upper() == letter:
                link = "exact" if form == usual else "normalised"
                found[job, form, port] = (f"{job}|{usual}|{port}", link)
    return found


@settings(deadline=None, derandomize=True, max_examples=8)
@given(st.lists(WRITTEN, min_size=40, max_size=90))
def test_places_that_stand_for_themselves_are_those_of_plain_loops(rows):
    """Half of the jobs have a plan of one panel, which the other panel is not on."""
    arcs = [
        arc(f"2026-11-16 {8 + n // 60:02d}:{n % 60:02d}", f"{form}/{port}", job=job)
        for n, (job, form, port) in enumerate(rows)
    ]
    plan = made("plan.csv", "planned", [panel(4, "P01", job=job) for job in JOBS[::2]])
    found = derived(made("arcs.csv", "attempts", arcs), plan)["attempts"]
    wanted = own_places(rows, {(job, "P") for job in JOBS[::2]})
    for (_, row), one in zip(found.sort_values("source_row").iterrows(), rows, strict=True):
        if one in wanted:
            assert (row["position_id"], row["link"]) == wanted[one]
        elif one[1][0] in "Pp":
            assert row["position_id"] == f"{one[0]}|P01|{one[2]}"
        else:
            assert row["link"] in ("unlinked", "probable")
