"""Sources of losses: which unit's joints lose more, all else equal, and what cannot be told."""

import numpy as np
import pytest
from matplotlib.figure import Figure
from pytest import approx

from tests.answers.loss_tables import NO_READINGS, attempts_of, readings_of
from yieldkit.answers.loss_sources import sources_of_losses
from yieldkit.answers.result import Finding
from yieldkit.crew import Crew, Equipment

CREW = Crew()
MODELS = tuple(
    Equipment(unit=f"SP-{at}", kind="splicer", model="one" if at < 2 else "two") for at in range(4)
)


def made(seed, n=1200, worse=1.0, mixed=True):
    """Log-normal losses of median 0.05 dB; SP-0 is ``worse`` times as high, LC a fifth higher."""
    rng = np.random.default_rng(seed)
    person, splicer, cleaver = (rng.integers(0, size, n) for size in (6, 4, 3))
    if not mixed:
        splicer = person % 4
    kind = rng.choice(["LC", "SC"], n)
    loss = 0.05 * np.exp(0.5 * rng.standard_normal(n) + 0.15 * rng.standard_normal(6)[person])
    loss *= np.where(splicer == 0, worse, 1.0) * np.where(kind == "LC", 1.2, 1.0)
    attempts = attempts_of(
        loss,
        technician=np.char.add("T0", person.astype(str)),
        splicer=np.char.add("SP-", splicer.astype(str)),
        cleaver=np.char.add("CL-", cleaver.astype(str)),
        job=np.char.add("J", (np.arange(n) * 10 // n).astype(str)),
        connector_type=kind,
        date=np.datetime64("2026-11-02") + np.arange(n) * 20 // n,
    )
    return attempts, loss


def test_a_splicer_whose_joints_lose_more_is_named_with_its_size():
    attempts, loss = made(1, worse=2.0)
    found = sources_of_losses(attempts, readings_of(loss, attempts), crew=CREW)
    verdict = found.findings[0]
    assert (verdict.code, verdict.values["unit"], verdict.step) == (
        "loss_source_named",
        "SP-0",
        "arc_check",
    )
    row = found.table.set_index("unit").loc["SP-0"]
    # Its own log less the mean of all splicers' logs, a quarter of the joints being its own.
    assert row["low"] <= 100 * (2.0**0.75 - 1) <= row["high"]
    assert str(verdict).startswith("Most likely behind high losses: SP-0. Its insertion loss at")
    assert np.isnan(found.table.set_index("unit").loc["T00", "chance_source"])


def test_spread_parts_come_near_those_drawn():
    """Joints 0.5, people 0.15 on the log: luck is most of it."""
    attempts, loss = made(2)
    spread = sources_of_losses(attempts, readings_of(loss, attempts), crew=CREW).spread
    luck = spread.set_index("kind").loc["luck"]
    assert luck["sd_log"] == approx(0.5, rel=0.06)
    assert spread["share"].sum() == approx(1, abs=0.05)


def test_equal_units_are_not_blamed():
    attempts, loss = made(3)
    found = sources_of_losses(attempts, readings_of(loss, attempts), crew=CREW)
    assert found.findings[0].code in ("loss_source_none", "loss_source_cannot_tell")


def test_always_the_same_kit_is_said_and_not_named():
    attempts, loss = made(4, worse=2.0, mixed=False)
    attempts["technician"] = attempts["splicer"].str.replace("SP-", "T0")
    found = sources_of_losses(attempts, readings_of(loss, attempts), crew=CREW)
    assert found.findings[0].code != "loss_source_named"
    assert "SP-0" in set(found.apart["unit"])


def test_estimates_of_two_models_do_not_compare_splicers():
    attempts, _ = made(5, worse=2.0)
    crew = Crew(equipment=MODELS)
    found = sources_of_losses(attempts, NO_READINGS, crew=crew, quantity="estimated loss")
    assert "splicer" not in set(found.table["kind"]) | set(found.spread["kind"])
    assert "which are not one scale" in str(found)


def test_readings_below_zero_give_effects_in_decibels():
    attempts, loss = made(6, worse=1.0)
    worse = np.where(attempts["splicer"] == "SP-0", 0.06, 0.0)
    noise = np.random.default_rng(7).normal(0.0, 0.05, len(loss))
    found = sources_of_losses(attempts, readings_of(0.03 + worse + noise, attempts), crew=CREW)
    row = found.table.set_index("unit").loc["SP-0"]
    assert row["low"] <= 0.06 * 0.75 <= row["high"]
    assert found.findings[0].values["unit"] == "SP-0"
    assert " dB above the mean of its kind" in str(found)


def test_too_few_readings_cannot_be_compared():
    attempts, loss = made(8, n=30)
    found = sources_of_losses(attempts, readings_of(loss, attempts), crew=CREW)
    assert found.table.empty
    assert found.findings[0].severity == "cannot tell"


def test_losses_nearly_all_shown_alike_tell_nothing():
    attempts, loss = made(10, n=300)
    found = sources_of_losses(attempts, readings_of(0.001 * loss, attempts), crew=CREW)
    assert found.findings[0].code == "loss_source_too_few"
    assert "nearly all shown alike" in str(found)


def test_a_person_who_does_badly_on_one_splicer_only_blames_neither():
    """The pair's part shows; without it the person or the splicer would be named."""
    attempts, loss = made(11)
    both = (attempts["technician"] == "T01") & (attempts["splicer"] == "SP-2")
    loss = loss * np.where(both, 3.0, 1.0)
    found = sources_of_losses(attempts, readings_of(loss, attempts), crew=CREW)
    assert found.findings[0].code != "loss_source_named"
    parts = found.spread[found.spread["kind"] != "luck"]
    assert parts["kind"].iloc[0] == "pair"


def test_what_more_readings_will_hardly_tell_is_said():
    values = {"n_more": None, "none_stands_out": 0.1, "all": 1000, "people": False}
    values |= {"candidates": ("SP-0",), "chances": (0.2,), "quantity": "insertion loss"}
    said = str(Finding("loss_source_cannot_tell", values, "cannot tell"))
    assert said.endswith("More readings alone will hardly tell: these are too close.")


def test_pictures_take_an_axis():
    attempts, loss = made(9, n=300)
    found = sources_of_losses(attempts, readings_of(loss, attempts), crew=CREW)
    ax = Figure().add_subplot()
    assert found.plot(ax) is ax
    assert "[%]" in ax.get_xlabel()
    assert found.plot_spread(Figure().add_subplot()).get_xlabel()
    with pytest.raises(ValueError, match="confidence"):
        sources_of_losses(attempts, NO_READINGS, crew=CREW, confidence=95)
