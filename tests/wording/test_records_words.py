"""Sentences about what came in."""

from yieldkit.wording import sentence


def test_refused_rows_are_counted_of_all_rows() -> None:
    said = sentence("rows_refused", {"n": 8, "rows": 12240})
    assert said.startswith("8 of 12\u202f240 rows could not be read")
