"""Whether a position passed at first, where it stands and where it failed, from known facts.

One array a fact, one element a position; answers are numbers of the words beside them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from yieldkit.records.arcs import FAIL, GOOD
from yieldkit.records.stacking import UNKNOWN

TOLD = (
    *("no: first arc", "no: later arc", "no: rework log", "no: test"),
    *("unknown: no arc recorded", "unknown: place in doubt", "unknown: unlinked arc"),
    *("unknown: unclear entry", "unknown: no verdict", "unknown: tests missing"),
    *("yes: tests passed", "yes: first arc", "pending: tests"),
)
"""Answers to first pass of the termination, each with what decided it."""
ANSWERS = ("yes", "no", "pending", "unknown")
STATES = ("not started", "open", "accepted", "accepted as is", "given up")
_CAUSE_OF_ERROR = {
    **{"cleave angle": "cleave", "end face": "cleave", "dust": "contamination"},
    **{"gap or offset": "arc or splicer", "arc": "arc or splicer"},
    **{"bubble or neck": "arc or splicer", "proof test": "strip or nick"},
}
_BEFORE_TEST = np.timedelta64(75, "m")
"""A test this long before the last arc can still be of it: clocks differ."""


@dataclass(frozen=True, eq=False)
class Facts:
    """What is known of each position, one element each; texts are numbers, -1 for none."""

    site: np.ndarray
    planned: np.ndarray
    kind: np.ndarray
    fibre_lot: np.ndarray
    connector_lot: np.ndarray
    first: np.ndarray
    verdict: np.ndarray
    error: np.ndarray
    arcs: np.ndarray
    last_verdict: np.ndarray
    last_day: np.ndarray
    last_utc: np.ndarray
    preparation_losses: np.ndarray
    rework_entries: np.ndarray
    rework_min: np.ndarray
    against: np.ndarray
    unclear: np.ndarray
    entry_step: np.ndarray
    entry_cause: np.ndarray
    disposition: np.ndarray
    last_logged: np.ndarray
    first_step: np.ndarray
    first_cause: np.ndarray
    tested: np.ndarray
    tested_at_all: np.ndarray
    all_passed: np.ndarray
    first_failed: np.ndarray
    last_failed: np.ndarray
    unforgiven: np.ndarray
    passed_when: np.ndarray
    passed_from: np.ndarray
    doubtful: np.ndarray
    misplaced: np.ndarray
    late: np.ndarray
    spent: np.ndarray
    tests_wanted: np.ndarray
    body_each: np.ndarray
    link: np.ndarray
    steps: list[str]
    causes: list[str]
    dispositions: list[str]
    errors: list[str]


def _case(cases: Sequence[tuple[np.ndarray, int]], otherwise: int) -> np.ndarray:
    """The number of the first case that holds at each position."""
    return np.select([case for case, _ in cases], [number for _, number in cases], otherwise)


def splice(facts: Facts) -> np.ndarray:
    """Whether the splice passed at first, by the first arc's verdict."""
    yes, no, unknown = (ANSWERS.index(word) for word in ("yes", "no", "unknown"))
    return _case(
        [
            (facts.arcs == 0, -1),
            (facts.verdict == FAIL, no),
            (facts.doubtful, unknown),
            (facts.verdict == GOOD, yes),
        ],
        unknown,
    )


def termination(facts: Facts) -> np.ndarray:
    """Whether the termination passed at first, and what tells so: the first that holds."""
    none = facts.arcs == 0
    untested = facts.tests_wanted == 0
    cases = [
        (facts.arcs > 0) & (facts.verdict == FAIL),
        (facts.arcs > 1) & ~facts.misplaced,
        facts.against > 0,
        facts.unforgiven,
        none,
        facts.misplaced,
        facts.doubtful,
        facts.unclear > 0,
        untested & (facts.verdict != GOOD),
        ~facts.all_passed & ~untested & facts.late,
        facts.all_passed,
        untested,
    ]
    nothing = none & (facts.rework_entries == 0) & ~facts.tested
    return _case([(nothing, -1), *zip(cases, range(len(cases)), strict=True)], len(cases))


def link(facts: Facts) -> np.ndarray:
    """Whether the first certification passed."""
    yes, no, pending, unknown = range(4)
    return _case(
        [
            ((facts.arcs == 0) & ~facts.tested, -1),
            (facts.first_failed, no),
            (facts.all_passed, yes),
            ((facts.tests_wanted == 0) | facts.late, unknown),
        ],
        pending,
    )


def state(facts: Facts) -> np.ndarray:
    """Where each position stands."""
    untouched = (facts.arcs == 0) & (facts.rework_entries == 0) & ~facts.tested
    untouched &= facts.preparation_losses == 0
    day = np.where(np.isnat(facts.last_day), facts.last_logged, facts.last_day)
    after = facts.last_logged >= day
    said = {
        word: (facts.disposition == facts.dispositions.index(word)) & after
        for word in ("given up", "accepted as is")
    }
    passed = facts.all_passed & (
        np.isnat(facts.last_utc)
        | np.isnat(facts.passed_from)
        | (facts.passed_from >= facts.last_utc - _BEFORE_TEST)
    )
    good = (facts.tests_wanted == 0) & (facts.last_verdict == GOOD) & ~facts.last_failed
    return _case(
        [
            (untouched, STATES.index("not started")),
            (said["given up"], STATES.index("given up")),
            (said["accepted as is"], STATES.index("accepted as is")),
            (passed | good, STATES.index("accepted")),
        ],
        STATES.index("open"),
    )


def failed(facts: Facts, told: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Step where the first attempt failed, and the suspected cause.

    ``told`` is the answer for the termination.
    """
    over = (told >= 0) & (told <= TOLD.index("no: test"))
    step, cause = facts.steps.index, facts.causes.index
    alone = facts.arcs <= 1
    known = (facts.first_step >= 0) & ~np.isin(
        facts.first_step, [step(word) for word in (UNKNOWN, "prepare", "cleave")]
    )
    word_of = [cause(_CAUSE_OF_ERROR.get(word, UNKNOWN)) for word in facts.errors]
    by_error = np.array([*word_of, cause(UNKNOWN)], dtype=np.int32)[facts.error]
    of_test = (told == TOLD.index("no: test")) | facts.first_failed
    of_step = np.select(
        [~over, facts.verdict == FAIL, known, of_test, (facts.entry_step >= 0) & alone],
        [np.int32(-1), step("splice"), facts.first_step, step("test"), facts.entry_step],
        step(UNKNOWN),
    )
    said = (facts.first_cause >= 0) & (facts.first_cause != cause(UNKNOWN))
    of_cause = np.select(
        [~over, said, facts.verdict == FAIL, (facts.entry_cause >= 0) & alone],
        [np.int32(-1), facts.first_cause, by_error, facts.entry_cause],
        cause(UNKNOWN),
    )
    return of_step, of_cause
