"""First-pass yields: raw intervals and bounds, fair figures beside them, and their traps."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from yieldkit.answers.fair import fair_yields, fit_crew
from yieldkit.answers.yields import COLUMNS, first_pass_table, first_pass_yield


def made_positions(answers, **columns):
    """Positions in one job unless ``columns`` say more; ``answers`` are first-pass words."""
    made = pd.DataFrame(
        {
            "position_id": np.arange(len(answers)),
            "first_attempt_id": "x",
            "first_date": pd.Timestamp("2026-03-02"),
            "job": "J1",
            "connector_type": "LC",
            "technician": "T01",
            "splicer": "SP-01",
            "cleaver": "C-01",
            "heater": "H-01",
            "connector_lot": "L1",
            "fibre_lot": "F1",
            "first_pass_termination": answers,
            "first_pass_splice": answers,
            "first_pass_link": answers,
        }
    )
    return made.assign(**columns)


def crew_of(counts, repeat=1):
    """Positions from rows (technician, splicer, passed, failed)."""
    parts = [
        made_positions(["yes"] * passed + ["no"] * failed, technician=person, splicer=unit)
        for person, unit, passed, failed in counts
        for _ in range(repeat)
    ]
    whole = pd.concat(parts, ignore_index=True)
    return whole.assign(position_id=np.arange(len(whole)))


# Newcombe (1998), Stat. Med. 17:857-872, Table I, score method, 95 %. Limits from memory;
# R 4.2.2, prop.test(passed, made, correct=FALSE), gives the same 4 decimals.
NEWCOMBE_1998_TABLE_I = [(81, 263, 0.2553, 0.3662), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)]


@pytest.mark.parametrize("passed, made, low, high", NEWCOMBE_1998_TABLE_I)
def test_interval_of_one_job_matches_newcombe_1998(passed, made, low, high):
    answers = ["yes"] * passed + ["no"] * (made - passed)
    row = first_pass_yield(made_positions(answers)).table.iloc[0]
    assert (row["low"], row["high"]) == approx((low, high), abs=5e-5)


def test_columns_are_those_of_the_file():
    assert list(first_pass_yield(made_positions(["yes", "no"])).table) == COLUMNS


def test_open_and_unknown_positions_move_the_bounds_alone():
    """8 yes, 1 no, 2 pending, 1 unknown: yield 8/9, at the outside 8/12 to 11/12."""
    made = made_positions(["yes"] * 8 + ["no"] + ["pending"] * 2 + ["unknown"])
    row = first_pass_yield(made).table.iloc[0]
    assert row["yield"] == approx(8 / 9)
    assert (row["bound_low"], row["bound_high"]) == approx((8 / 12, 11 / 12))
    assert (row["pending"], row["unknown"], row["positions"]) == (2, 1, 12)


def test_what_is_linked_only_probably_moves_the_bounds_too():
    """8 yes, 2 no; of each the probable ones could be the other: 6/10 to 9/10."""
    made = made_positions(["yes"] * 8 + ["no"] * 2, link="exact")
    made.loc[[0, 1, 9], "link"] = "probable"
    row = first_pass_yield(made).table.iloc[0]
    assert (row["first_pass"], row["failed"]) == (8, 2)
    assert (row["bound_low"], row["bound_high"]) == approx((0.6, 0.9))


def test_positions_not_started_are_not_counted():
    made = made_positions(["yes"] * 5 + ["pending"] * 5)
    made.loc[5:, "first_attempt_id"] = None
    assert first_pass_yield(made).table["positions"].tolist() == [5]


def test_failures_in_one_job_widen_the_interval():
    """All failures in one of six jobs: less is known of the next job than of 120 positions."""
    jobs = np.repeat(["J1", "J2", "J3", "J4", "J5", "J6"], 20)
    lumped = np.where((jobs == "J1") & (np.arange(120) < 12), "no", "yes")
    spread = np.where(np.arange(120) % 10 == 0, "no", "yes")
    wide = first_pass_yield(made_positions(lumped, job=jobs)).table.iloc[0]
    plain = first_pass_yield(made_positions(spread, job=jobs)).table.iloc[0]
    assert wide["yield"] == plain["yield"]
    assert wide["high"] - wide["low"] > 1.5 * (plain["high"] - plain["low"])


def test_a_person_with_three_positions_is_too_few_to_tell():
    made = made_positions(["yes"] * 63, technician=["T01"] * 60 + ["T02"] * 3)
    found = first_pass_yield(made, by="technician")
    assert "T02: too few to tell" in str(found)
    assert "T01: too few" not in str(found)


def test_fair_yield_does_not_blame_the_person_for_the_kit():
    """T02 works mostly on the bad splicer: raw 6 points behind, fair within 1 point."""
    counts = [
        ("T01", "SP-01", 1764, 36),
        ("T01", "SP-02", 180, 20),
        ("T02", "SP-01", 196, 4),
        ("T02", "SP-02", 1620, 180),
    ]
    table = first_pass_yield(crew_of(counts), by="technician").table.set_index("group")
    assert table.loc["T01", "yield"] - table.loc["T02", "yield"] > 0.06
    assert abs(table.loc["T01", "adjusted"] - table.loc["T02", "adjusted"]) < 0.01


def test_two_always_together_get_no_fair_figure():
    counts = [("T01", "SP-01", 190, 10), ("T02", "SP-02", 170, 30)]
    for by in ("technician", "splicer"):
        table = first_pass_yield(crew_of(counts), by=by).table
        assert table["yield"].notna().all()
        assert table[["adjusted", "adjusted_low", "adjusted_high"]].isna().all(axis=None)


def test_same_person_throughout_gets_no_fair_figure():
    counts = [("T01", "SP-01", 190, 10), ("T01", "SP-02", 170, 30)]
    assert first_pass_yield(crew_of(counts), by="technician").table["adjusted"].isna().all()
    assert first_pass_yield(crew_of(counts), by="splicer").table["adjusted"].notna().all()


def test_fair_equals_raw_in_a_balanced_crew():
    """At 20,000 positions a unit within 0.3 points; expected failures, so luck plays no part."""
    rates = {"T01": (0.02, 0.04), "T02": (0.05, 0.09), "T03": (0.03, 0.06)}
    counts = [
        (person, unit, round(10_000 * (1 - rate)), round(10_000 * rate))
        for person, both in rates.items()
        for unit, rate in zip(("SP-01", "SP-02"), both, strict=True)
    ]
    for by in ("technician", "splicer"):
        table = first_pass_yield(crew_of(counts), by=by).table
        assert table["adjusted"].to_numpy() == approx(table["yield"].to_numpy(), abs=0.003)


def test_no_failure_at_all_is_finite_and_below_one():
    counts = [(p, s, 20, 0) for p in ("T01", "T02") for s in ("SP-01", "SP-02")]
    table = fair_yields(fit_crew(crew_of(counts)), "technician")
    assert (table["adjusted_high"] < 1).all()
    assert (table["adjusted_low"] > 0.8).all()


def test_small_groups_are_drawn_to_the_crew():
    """Three failures of three: raw 0 %, fair near the crew, with a wide interval."""
    counts = [("T01", "SP-01", 190, 10), ("T02", "SP-01", 190, 10), ("T03", "SP-01", 0, 3)]
    counts += [("T01", "SP-02", 190, 10), ("T02", "SP-02", 190, 10)]
    table = first_pass_yield(crew_of(counts), by="technician").table.set_index("group")
    assert table.loc["T03", "yield"] == 0
    assert table.loc["T03", "adjusted"] > 0.7
    wide = table["adjusted_high"] - table["adjusted_low"]
    assert wide["T03"] > 3 * wide["T01"]


def test_too_few_positions_are_not_fitted():
    assert fit_crew(made_positions(["yes"] * 5)) is None
    assert first_pass_yield(made_positions(["yes"] * 5), by="splicer").table["yield"].item() == 1


def test_an_empty_period_gives_an_empty_table():
    empty = made_positions(["yes"]).iloc[:0]
    assert list(first_pass_table(empty).table) == COLUMNS
    assert len(first_pass_table(empty).table) == 0


def test_unknown_persons_are_a_group():
    made = made_positions(["yes"] * 30, technician=["T01"] * 25 + [None] * 5)
    table = first_pass_yield(made, by="technician").table.set_index("group")
    assert table.loc["unknown", "positions"] == 5


def test_weeks_are_iso_weeks_across_the_year():
    """1 January 2027 lies in ISO week 2026-W53 (ISO 8601)."""
    made = made_positions(["yes", "no"], first_date=pd.to_datetime(["2026-12-31", "2027-01-01"]))
    assert first_pass_yield(made, by="week").table["group"].tolist() == ["2026-W53"]


def test_the_rows_behind_a_figure_can_be_asked_for():
    made = made_positions(["yes"] * 3 + ["no"], splicer=["SP-01"] * 2 + ["SP-02"] * 2)
    found = first_pass_yield(made, by="splicer")
    assert found.rows(group="SP-02")["position_id"].tolist() == [2, 3]


@pytest.mark.parametrize("confidence", [0, 1, 95])
def test_confidence_is_a_fraction(confidence):
    with pytest.raises(ValueError, match=r"write 95 % as 0\.95"):
        first_pass_yield(made_positions(["yes"]), confidence=confidence)


def test_the_argument_is_not_changed():
    made = made_positions(["yes"] * 30, technician=["T01", "T02"] * 15)
    before = made.copy()
    first_pass_table(made)
    pd.testing.assert_frame_equal(made, before)


def test_a_pair_with_an_unknown_splicer_is_one_unknown_pair():
    counts = [(p, s, 30, 2) for p in ("T01", "T02", "T03") for s in ("SP-01", "SP-02", "")]
    model = fit_crew(crew_of(counts))
    assert model.levels("pair") == (
        *(f"{p} with {s}" for p in ("T01", "T02", "T03") for s in ("SP-01", "SP-02")),
        "unknown",
    )
    assert model.cells.loc[model.cells["pair"] == "unknown", "tried"].sum() == 96
