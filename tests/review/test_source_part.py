"""The page says one thing about a unit, not two that speak against each other."""

from yieldkit.answers.result import Finding
from yieldkit.review.model import Section
from yieldkit.review.source_part import decided_once

DRIFT = Section("drift", findings=(Finding("drift_signal", {"unit": "SP-03"}, "decide"),))


def sources(*candidates):
    values = {
        "n": 286,
        "candidates": list(candidates),
        "chances": [0.85, 0.10][: len(candidates)],
        "people": False,
        "none_stands_out": 0.01,
        "n_more": 50,
    }
    found = Finding("source_cannot_tell", values, "cannot tell", "mix_kit")
    return Section("yields", findings=(found,))


def test_what_points_the_same_way_as_the_drift_is_no_open_question():
    told = decided_once([sources("SP-03", "C-02"), DRIFT])[0].findings[0]
    assert (told.severity, told.step) == ("note", "")
    assert "point the same way, less surely: chance of being behind the failures SP-03 85" in str(
        told
    )


def test_what_points_elsewhere_stays_an_open_question():
    told = decided_once([sources("C-02", "SP-03"), DRIFT])[0].findings[0]
    assert told.severity == "cannot tell"
