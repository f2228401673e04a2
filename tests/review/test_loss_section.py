"""The page's words on arcs that may be missing from a splicer's records."""

from types import SimpleNamespace

import numpy as np

from tests.answers.loss_tables import NO_READINGS, attempts_of
from yieldkit.answers.loss_readings import loss_readings
from yieldkit.crew import Crew, Limit
from yieldkit.review.loss_section import _missing_findings

CREW = Crew(limits=(Limit(quantity="estimated loss", limit_db=0.1),))


def said(loss, splicer):
    readings = loss_readings(attempts_of(loss, splicer=splicer), NO_READINGS, CREW)
    return _missing_findings(readings, SimpleNamespace(crew=CREW, confidence=0.95))


def test_kept_arcs_missing_arcs_and_what_cannot_be_told_are_told_apart():
    rng = np.random.default_rng(71)
    kept = rng.exponential(0.05, 300)
    good = rng.gamma(2.0, 0.02, 6000)
    hard = rng.exponential(0.3, 400)
    parts = [kept, good[np.round(good, 2) <= 0.1], hard[np.round(hard, 2) <= 0.1]]
    names = np.repeat(["SP-01", "SP-02", "SP-03"], [len(part) for part in parts])
    found = said(np.concatenate(parts), names)
    assert [each.code for each in found] == [
        "redone_splices",
        "page_arcs_missing",
        "page_arcs_kept",
    ]
    assert found[0].values["group"] == "SP-02" and found[0].values["mean_high_db"] > 0.04
    assert "losses of SP-03 would be with every arc kept" in str(found[1])
    assert "0.1 dB are in the records of SP-01" in str(found[2])


def test_too_few_readings_say_nothing_of_missing_arcs():
    assert said(np.full(12, 0.03), "SP-01") == []
