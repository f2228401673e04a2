"""Words of hand-kept logs: what a cause's free text says, and what it leaves open."""

import pytest

from yieldkit.records.words import cause_class, near_classes


@pytest.mark.parametrize(
    "text", ["dust / bad cleave", "cleave + fibre nick", "dirty & nicked", "dust and bad cleave"]
)
def test_two_causes_in_a_cell_are_asked_not_guessed(text: str) -> None:
    assert cause_class(text) is None


@pytest.mark.parametrize(
    ("text", "cause"),
    [("bad cleave", "cleave"), ("dust", "contamination"), ("dust / dirty", "contamination")],
)
def test_one_cause_said_once_or_twice_counts(text: str, cause: str) -> None:
    found = cause_class(text)
    assert found is not None
    assert found[1] == cause


@pytest.mark.parametrize(
    "kind, text, near",
    [
        ("cause", "dust / bad cleave", ("contamination", "cleave")),
        ("cause", "clevae", ("cleave",)),
        ("cause", "contaminashun", ("contamination",)),
        ("cause", "scrach on ferule", ("end face",)),
        ("cause", "Tuesday", ()),
        ("cause", "=1+1", ()),
        ("step", "inspekshun", ("inspect",)),
        ("outcome", "bubbel", ("bubble or neck",)),
    ],
)
def test_a_word_that_is_not_known_gets_suggestions(kind: str, text: str, near: tuple) -> None:
    assert near_classes(kind, text) == near
