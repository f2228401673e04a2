"""Rows told to be seen before by their digest are those that the comparison would call so."""

import numpy as np
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from tests.records.made_files import arc, crew, made
from yieldkit.records import duplicates
from yieldkit.records.deriving import Decided, derive

CHANGES = [
    {},
    {"when_shown": None},
    {"counter": None},
    *({"place_text": text} for text in ("P01/02", "P1/1", None)),
    *({"technician_text": who} for who in ("T02", None)),
    *({"loss_db": loss} for loss in (0.05, None)),
    {"error": "dust"},
    {"fibre": 1},
    *({"angle_crew_deg": angle} for angle in (0.5, 0.52)),
    {"arcs": 2},
    {"job_text": "J2"},
    {"connector_type_text": "splice"},
    {"loss_text": "0,030"},
]
"""What one copy of a record may show otherwise than another."""


@st.composite
def rows(draw):
    """Records of four machines, each shown several times with one change or none."""
    number = draw(st.integers(1, 2))
    second = draw(st.sampled_from(["", ":30"]))
    shown = arc(
        f"2026-11-16 08:0{number}{second}",
        counter=number,
        splicer=f"SP-0{draw(st.integers(1, 4))}",
    )
    return shown | draw(st.sampled_from(CHANGES))


FILES = st.lists(st.lists(rows(), min_size=30, max_size=60), min_size=2, max_size=3)


def told(sources, decided):
    found = derive(sources, crew(), decided)
    kept = ("files", "attempts", "held", "positions")
    return {name: found.plain(name).to_pylist() for name in kept}


@settings(deadline=None, derandomize=True, max_examples=6, phases=[Phase.generate])
@given(FILES, st.sets(st.integers(0, 90), max_size=6))
def test_digests_say_what_the_comparison_says(files, chosen):
    sources = [made(f"{n}.csv", "attempts", rows) for n, rows in enumerate(files)]
    prints = [p for s in sources for p in s.parsed.rows["fingerprint"].to_pylist()]
    decided = Decided(preferred=tuple(prints[at] for at in sorted(chosen) if at < len(prints)))
    usual, quick = told(sources, decided), duplicates._seen_before
    duplicates._seen_before = lambda shown, rows, *_: np.zeros(len(rows), dtype=bool)
    try:
        assert told(sources, decided) == usual
    finally:
        duplicates._seen_before = quick
