"""Bounds on failures that no record shows: against simulated crews that delete and do not write."""

from dataclasses import replace

import pandas as pd
import pytest

from tests.records.made_files import arc, crew, derived, made, panel
from yieldkit.answers.hidden import hidden_failures
from yieldkit.records.tables import ACCEPTED
from yieldkit.simulate import Logging, simulate, typical_crew

MOVES = ["date", "part", "connector_type", "move", "quantity"]
NO_STOCK = pd.DataFrame(columns=MOVES)


def stock_of(*moves):
    return pd.DataFrame(moves, columns=MOVES)


def tables(numbers, place=lambda n: f"P01/{n}"):
    rows = [arc(f"2026-11-16 08:{n:02d}:07", place(n), counter=n) for n in numbers]
    return derived(made("plan.csv", "planned", [panel(12)]), made("a.csv", "attempts", rows))


def found_by(result, by):
    return result.table[result.table["by"] == by].set_index("group")


def codes(result):
    return {finding.code: str(finding) for finding in result.findings}


def test_numbers_in_no_file_bound_the_arcs_that_nobody_sees():
    made_of = tables([1, 2, 5, 6, 9])
    result = hidden_failures(made_of["attempts"], made_of["positions"], NO_STOCK, crew=crew())
    row = found_by(result, "counter").loc["SP-01"]
    assert (row["expected"], row["held"], row["most_hidden"]) == (9, 5, 4)
    assert codes(result)["hidden_by_counter"].startswith("At most 4 arcs that no record shows")


def test_without_numbers_or_moves_the_bound_is_not_available():
    made_of = tables([1, 2, 3])
    attempts = made_of["attempts"].assign(counter=pd.NA)
    result = hidden_failures(attempts, made_of["positions"], NO_STOCK, crew=crew())
    assert not result.table["available"].any()
    assert result.table["most_hidden"].isna().all()
    assert all("is not available" in str(finding) for finding in result.findings)


def test_a_counter_that_wraps_round_hides_nothing_at_the_wrap():
    rows = [arc(f"2026-11-16 08:{m:02d}:07", f"P01/{m}", counter=n) for m, n in
            enumerate([*range(95, 100), *range(1, 8)], start=1)]  # fmt: skip
    made_of = derived(made("plan.csv", "planned", [panel(12)]), made("a.csv", "attempts", rows))
    result = hidden_failures(made_of["attempts"], made_of["positions"], NO_STOCK, crew=crew())
    assert found_by(result, "counter").loc["SP-01", "most_hidden"] == 0


def test_numbers_lost_after_a_restart_count():
    rows = [arc(f"2026-11-16 08:{n:02d}:07", f"P01/{n}", counter=n) for n in range(1, 12)]
    rows += [arc(f"2026-11-20 08:{n:02d}:07", f"P02/{n}", counter=n) for n in range(4, 12)]
    made_of = derived(made("plan.csv", "planned", [panel(12)]), made("a.csv", "attempts", rows))
    result = hidden_failures(made_of["attempts"], made_of["positions"], NO_STOCK, crew=crew())
    assert found_by(result, "counter").loc["SP-01", "most_hidden"] == 3  # 1, 2 and 3


def test_bodies_drawn_beyond_those_accounted_for():
    made_of = tables([1, 2, 3, 4])
    moves = stock_of(
        ("2026-11-10", "body", "LC", "issued", 12),
        ("2026-11-18", "body", "LC", "returned", 5),
        ("2026-11-10", "ring", "LC", "issued", 99),
        ("2026-11-10", "body", "SC", "issued", 99),
    )
    result = hidden_failures(made_of["attempts"], made_of["positions"], moves, crew=crew())
    row = found_by(result, "bodies").loc["LC"]
    assert (row["expected"], row["held"], row["most_hidden"]) == (7, 4, 3)
    assert (
        "At most 3 bodies lost at failures that nobody wrote" in codes(result)["hidden_by_bodies"]
    )


def test_more_bodies_used_than_drawn_cannot_tell():
    made_of = tables([1, 2, 3, 4])
    moves = stock_of(("2026-11-10", "body", "LC", "issued", 2))
    result = hidden_failures(made_of["attempts"], made_of["positions"], moves, crew=crew())
    assert found_by(result, "bodies")["most_hidden"].isna().all()
    assert codes(result)["more_used_than_drawn"].startswith("Cannot tell")


def test_positions_begun_before_the_first_draw_are_left_out():
    made_of = tables([1, 2, 3, 4])
    moves = stock_of(("2026-11-17", "body", "LC", "issued", 6))
    result = hidden_failures(made_of["attempts"], made_of["positions"], moves, crew=crew())
    assert found_by(result, "bodies").loc["LC", "held"] == 0


def test_nothing_is_split_by_person():
    made_of = tables([1, 2, 5])
    result = hidden_failures(made_of["attempts"], made_of["positions"], NO_STOCK, crew=crew())
    assert set(result.table["by"]) == {"counter", "bodies"}
    assert "T01" not in str(result) + repr(result.table.to_dict())


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_both_bounds_hold_on_crews_that_delete_and_do_not_write(seed):
    logging = Logging(dishonest=("T01", "T02"), deleted=0.7, honest=0.5)
    plan = typical_crew(6, 10, logging=logging)
    plan = replace(plan, splicers=(replace(plan.splicers[0], counter=False), *plan.splicers[1:]))
    made_of = simulate(plan, seed=seed)
    attempts, truth = made_of.tables["attempts"], made_of.truth.attempts
    result = hidden_failures(
        attempts, made_of.tables["positions"], made_of.tables["stock"], crew=made_of.crew
    )
    by_counter = found_by(result, "counter")
    assert not by_counter.loc["SP-01", "available"]
    gone = truth[~truth["kept"]].groupby("splicer").size()
    for splicer, row in by_counter.drop("SP-01").iterrows():
        # deleted before the first or after the last record kept: outside its numbers; refused
        # cleaves that the machine counted and nobody kept are in them
        assert gone.get(splicer, 0) - 3 <= row["most_hidden"] <= 1.5 * gone.get(splicer, 0) + 3
    bodies = found_by(result, "bodies")
    designs = {row.connector_type: row.design for row in made_of.crew.connector_types}
    assert "A" in {designs[kind] for kind in bodies.index}
    for kind in bodies.index[[designs[kind] == "A" for kind in bodies.index]]:
        row, real = bodies.loc[kind], made_of.truth.positions
        mine = made_of.tables["positions"]
        mine, true = (frame[frame["connector_type"] == kind] for frame in (mine, real))
        lost = true["tries"].sum() - true["accepted"].sum()  # each failed try costs a body
        written = mine["bodies"].sum() - mine["state"].isin(ACCEPTED).sum()
        assert row["most_hidden"] >= lost - written - 1e-9
    assert bodies["most_hidden"].sum() > 0
