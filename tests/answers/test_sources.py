"""Likely sources: who is behind the failures, and above all what cannot be told."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from pytest import approx

from tests.answers.crew_work import MIXED, work
from yieldkit.answers.sources import likely_sources
from yieldkit.crew import Crew, General


def test_a_bad_cleaver_on_mixed_kit_is_named_with_its_step_and_caution():
    found = likely_sources(work(MIXED, 60, np.random.default_rng(1), bad=["C1"]))
    verdict = found.findings[0]
    assert (verdict.code, verdict.values["unit"]) == ("source_named", "C1")
    assert (verdict.step, verdict.caution) == ("rotate_blade", "blade")
    assert str(verdict).startswith("Most likely behind the failures: C1.")


def test_a_pair_that_fails_only_together_is_laid_on_neither():
    """T2 on S1 fails at 20 %, both elsewhere at 5 %; did parts add up, T2 were named (96 %)."""
    rng = np.random.default_rng(17)
    others = [one for one in MIXED if one[:2] != ("T2", "S1")]
    both = [one for one in MIXED if one[:2] == ("T2", "S1")]
    made = pd.concat([work(others, 120, rng), work(both, 120, rng, bad=["T2"])], ignore_index=True)
    found = likely_sources(made)
    assert found.findings[0].code != "source_named"
    spread = found.spread.set_index("kind")
    assert spread.loc["pair", "share"] == spread["share"].drop("luck").max()
    assert "pairs of person and splicer" in str(found)


def test_a_splicer_of_ones_own_makes_no_pairs():
    own = [("T0", "S0", "C0"), ("T1", "S1", "C1"), ("T2", "S2", "C0"), ("T2", "S2", "C1")]
    found = likely_sources(work(own, 60, np.random.default_rng(17)))
    assert "pair" not in set(found.spread["kind"])


def test_equal_units_are_not_blamed():
    found = likely_sources(work(MIXED, 100, np.random.default_rng(2)))
    assert found.findings[0].code in ("source_none", "source_cannot_tell")
    assert found.table["chance_source"].max() < 0.5


def test_two_always_together_are_said_so_and_never_named():
    """T3 alone uses S2 and C2, and they are T3's alone: exact, whatever the failures say."""
    pairs = [("T0", "S0", "C0"), ("T1", "S1", "C1"), ("T0", "S1", "C0"), ("T1", "S0", "C1")]
    pairs += [("T0", "S0", "C1"), ("T1", "S1", "C0"), ("T3", "S2", "C2")]
    made = work(pairs, 150, np.random.default_rng(3), bad=["S2"])
    found = likely_sources(made)
    exactly = found.apart[found.apart["how"] == "exactly"].set_index("unit")
    assert set(exactly.loc["S2", "partners"]) == {"T3", "C2"}
    assert found.findings[0].code != "source_named"
    assert "S2 has only ever been used with" in str(found) or "T3 has only ever" in str(found)
    told = found.table.set_index("unit")["told"]
    assert not told["S2"]


def test_two_camps_cannot_be_compared():
    camps = [("T0", "S0", "C0"), ("T1", "S0", "C0"), ("T2", "S1", "C1"), ("T3", "S1", "C1")]
    found = likely_sources(work(camps, 100, np.random.default_rng(4)))
    assert set(found.apart["unit"]) >= {"S0", "S1", "C0", "C1"}
    assert (found.apart["how"] == "exactly").all()


def test_what_a_suspicion_still_wants_is_no_handful():
    """A hint is never "about 50 more" from certain: told are the least that the draws ask for."""
    asked = []
    for seed in range(8):
        made = work(MIXED, 15, np.random.default_rng(100 + seed), bad=["C1"])
        verdict = likely_sources(made).findings[0]
        if verdict.code == "source_cannot_tell":
            asked.append(verdict.values["n_more"])
            said = "At least" if asked[-1] else "More positions alone will hardly tell"
            assert said in str(verdict)
    told = [more for more in asked if more]
    assert len(told) > 1
    assert min(told) >= 0.2 * len(made)  # the least step that is tried


def test_nearly_always_together_is_said_with_its_share():
    own = [("T0", "S0", "C0"), ("T1", "S1", "C1"), ("T2", "S2", "C2")]
    made = work(own * 30, 10, np.random.default_rng(5))
    mixes = [("T0", "S1", "C0"), ("T1", "S2", "C0"), ("T2", "S0", "C1"), ("T0", "S2", "C1")]
    few = work([*mixes, ("T1", "S0", "C2")], 3, np.random.default_rng(6))
    found = likely_sources(pd.concat([made, few], ignore_index=True))
    nearly = found.apart[found.apart["how"] == "nearly"]
    assert len(nearly) > 0
    assert nearly["share"].between(0.9, 0.999).all()
    assert "nearly always used with" in str(found)


def test_one_splicer_shared_by_all_is_no_reason_to_doubt_people():
    shared = [(f"T{person}", "S0", f"C{cleaver}") for person in range(4) for cleaver in range(3)]
    found = likely_sources(work(shared, 60, np.random.default_rng(7)))
    assert "splicer" not in set(found.table["kind"])
    assert found.apart.empty


def test_chances_about_persons_are_blank_unless_the_settings_ask():
    made = work(MIXED, 60, np.random.default_rng(8), bad=["T2"])
    closed = likely_sources(made)
    person = closed.table["kind"] == "technician"
    assert closed.table.loc[person, ["chance_worse", "chance_source"]].isna().all(axis=None)
    assert closed.findings[0].code == "source_cannot_tell"
    assert closed.findings[0].values["people"]
    opened = likely_sources(made, crew=Crew(general=General(watch_technicians=True)))
    assert opened.findings[0].values["unit"] == "T2"
    assert opened.findings[0].caution == "people"


def test_all_failures_in_one_job_do_not_blame_a_unit():
    made = work(MIXED, 40, np.random.default_rng(9), logit=5.0)
    hit = made["job"] == "J3"
    bad = np.random.default_rng(10).random(len(made)) < 0.35
    made.loc[hit & bad, "first_pass_termination"] = "no"
    found = likely_sources(made)
    assert found.findings[0].code != "source_named"
    spread = found.spread.set_index("kind")
    assert spread.loc["job", "share"] == spread.drop(index="luck")["share"].max()


def test_shares_add_up_and_have_intervals():
    spread = likely_sources(work(MIXED, 60, np.random.default_rng(11), bad=["C1"])).spread
    assert spread["share"].sum() == approx(1, abs=0.1)
    assert ((spread["low"] <= spread["share"]) & (spread["share"] <= spread["high"])).all()
    assert spread.set_index("kind").loc["splicer", "units"] == 3


@pytest.mark.parametrize("rows", [0, 8])
def test_too_little_to_compare_says_cannot_tell(rows):
    made = work(MIXED, 1, np.random.default_rng(12)).iloc[:rows]
    found = likely_sources(made)
    assert found.findings[0].code == "source_nothing_to_compare"
    assert found.table.empty


def test_same_records_give_the_same_answer():
    made = work(MIXED, 30, np.random.default_rng(13), bad=["S1"])
    pd.testing.assert_frame_equal(likely_sources(made).table, likely_sources(made).table)


def test_pictures_take_an_axis_and_give_it_back():
    found = likely_sources(work(MIXED, 30, np.random.default_rng(14)))
    for draw in (found.plot, found.plot_spread, found.plot_used):
        ax = Figure().subplots()
        assert draw(ax) is ax
        assert ax.get_xlabel()


def test_every_sentence_says_how_many():
    found = likely_sources(work(MIXED, 30, np.random.default_rng(15)))
    said = [str(one) for one in found.findings if one.code in ("source_cannot_tell", "source_none")]
    assert said
    assert all("positions" in sentence for sentence in said)


def test_the_part_of_luck_has_its_interval():
    found = likely_sources(work(MIXED, 60, np.random.default_rng(1), bad=["C1"]))
    said = next(one for one in found.findings if one.code == "spread_largest")
    luck = found.spread.set_index("kind").loc["luck"]
    assert luck["low"] < luck["share"] < luck["high"]
    low, high = (f"{100 * luck[end]:.0f}" for end in ("low", "high"))
    assert f"of the differences between joints ({low} to {high} %)" in str(said)


def test_a_whole_bad_day_blames_no_unit():
    """Half of one day's joints fail, whoever made them: the day's part, nobody's."""
    rng = np.random.default_rng(16)
    made = work(MIXED, 30, rng, logit=5.0)
    made["first_date"] = pd.Timestamp("2026-03-02") + pd.to_timedelta(
        rng.integers(0, 20, len(made)), "D"
    )
    hit = made["first_date"].eq(pd.Timestamp("2026-03-09"))
    made.loc[hit & (rng.random(len(made)) < 0.5), "first_pass_termination"] = "no"
    found = likely_sources(made)
    assert found.findings[0].code != "source_named"
    spread = found.spread.set_index("kind")
    assert spread.loc["day", "share"] == spread.drop(index="luck")["share"].max()
