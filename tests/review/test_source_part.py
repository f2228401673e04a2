"""The page says one thing about a unit, not two that speak against each other."""

from yieldkit.answers.result import Finding
from yieldkit.review.model import Section
from yieldkit.review.source_part import _pairs_at_once, decided_once

DRIFT = Section("drift", findings=(Finding("drift_signal", {"unit": "SP-03"}, "decide"),))


def sources(*candidates):
    values = {
        "all": 286,
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


def test_several_pairs_used_together_are_one_finding():
    pairs = [
        Finding(
            "together_nearly",
            {"unit": unit, "partners": [partner], "share": 0.9, "n": 300, "kept": kept},
            "cannot tell",
            "mix_kit",
        )
        for unit, partner, kept in (("SP-02", "H-02", 0.16), ("C-01", "H-01", 0.11))
    ]
    other = Finding("source_could_hide", {})
    told = _pairs_at_once([pairs[0], other, pairs[1]])
    assert [one.code for one in told] == ["source_could_hide", "together_many"]
    assert "SP-02 with H-02 (16" in str(told[1]) and "C-01 with H-01 (11" in str(told[1])
    assert _pairs_at_once([pairs[0], other]) == (pairs[0], other)
