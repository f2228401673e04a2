"""One row a place that must end with an accepted joint: first pass, state, cause, how surely."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldkit.crew import Crew, required_test
from yieldkit.records import first_pass, met_limits
from yieldkit.records.arcs import VERDICTS
from yieldkit.records.columns import Listed, Values
from yieldkit.records.first_pass import ANSWERS, STATES, TOLD, Facts
from yieldkit.records.places import LINKS
from yieldkit.records.stacking import UNKNOWN
from yieldkit.records.tables import CAUSES, DISPOSITIONS, STEPS

if TYPE_CHECKING:
    import duckdb

    from yieldkit.records.arcs import Arcs
    from yieldkit.records.placed import Placed
    from yieldkit.records.stacking import Coded

_TESTS = """
CREATE TABLE readings AS
SELECT m.*, CASE WHEN m.result IN ('pass', 'fail') THEN m.result
    WHEN l.at_least AND m.value_high < l.limit_db THEN 'fail'
    WHEN l.at_least AND m.value_low >= l.limit_db THEN 'pass'
    WHEN NOT l.at_least AND m.value_low > l.limit_db THEN 'fail'
    WHEN NOT l.at_least AND m.value_high <= l.limit_db THEN 'pass'
    ELSE 'unknown' END AS verdict
FROM tested m LEFT JOIN test_limits l ON l.job IS NOT DISTINCT FROM m.job
    AND l.connector_type = m.connector_type AND l.quantity = m.quantity
    AND l.wavelength_nm IS NOT DISTINCT FROM m.wavelength_nm AND l.day IS NOT DISTINCT FROM m.date;
CREATE TABLE required_readings AS
SELECT r.pos, q.test, r.when_utc, r.date, r.after_cleaning, r.verdict, r.quantity,
    r.wavelength_nm, r.direction, r.rn
FROM readings r JOIN required q ON q.connector_type = r.connector_type
    AND q.quantity = r.quantity
    AND (q.wavelength_nm IS NULL OR q.wavelength_nm = r.wavelength_nm)
WHERE r.pos IS NOT NULL AND r.verdict <> 'unknown';
CREATE TABLE rounds AS
SELECT pos, test, when_utc, any_value(date) AS date,
    bool_or(coalesce(after_cleaning, false)) AS after_cleaning, bool_or(verdict = 'fail') AS failed,
    row_number() OVER (PARTITION BY pos, test ORDER BY when_utc NULLS LAST) AS nth,
    row_number() OVER (PARTITION BY pos, test ORDER BY when_utc DESC NULLS FIRST) AS back
FROM required_readings GROUP BY pos, test, when_utc;
CREATE TABLE cleaned AS
SELECT pos, logged FROM rework_placed
WHERE disposition = 'cleaned' AND pos IS NOT NULL;
CREATE TABLE failed_tests AS
SELECT f.pos, bool_or(NOT EXISTS (
        SELECT 1 FROM rounds p WHERE p.pos = f.pos AND p.test = f.test
            AND p.nth > f.nth AND NOT p.failed AND (p.after_cleaning OR EXISTS (
                SELECT 1 FROM cleaned c WHERE c.pos = f.pos
                AND c.logged >= f.date))
    )) AS unforgiven
FROM rounds f WHERE f.failed GROUP BY f.pos;
CREATE TABLE tests_of AS
SELECT pos, count(DISTINCT test) FILTER (back = 1 AND NOT failed) AS passed,
    bool_or(back = 1 AND failed) AS last_failed, bool_or(nth = 1 AND failed) AS first_failed,
    count(DISTINCT test) AS tested, max(when_utc) FILTER (back = 1 AND NOT failed) AS passed_when,
    min(when_utc) FILTER (back = 1 AND NOT failed) AS passed_from
FROM rounds GROUP BY pos;
"""

_ENTRIES_OF = """
SELECT pos, count(*) AS rework_entries, sum(rework_min) AS rework_min,
    count(*) FILTER (disposition <> 'cleaned' AND step NOT IN ('prepare', 'cleave')
        AND NOT (step = 'unknown' AND cause IN ('strip or nick', 'cleave'))) AS against,
    count(*) FILTER (disposition <> 'cleaned' AND step = 'unknown'
        AND cause IN ('strip or nick', 'cleave')) AS unclear,
    arg_min(step, (logged, rn)) FILTER (disposition <> 'cleaned'
        AND step NOT IN ('prepare', 'cleave')) AS step,
    arg_min(cause, (logged, rn)) FILTER (disposition <> 'cleaned'
        AND step NOT IN ('prepare', 'cleave')) AS cause,
    arg_max(disposition, (logged, rn)) AS last_disposition, max(logged) AS last_logged,
    enum_code(max(link)) AS link
FROM rework_placed WHERE pos IS NOT NULL GROUP BY pos
"""
_FIRST_ENTRY = """
SELECT e.pos, arg_min(e.step, (e.logged, e.rn)) AS step, arg_min(e.cause, (e.logged, e.rn)) AS cause
FROM entries e JOIN entry_arcs x USING (rn) JOIN judged f ON f.rn = x.attempt
WHERE e.disposition <> 'cleaned' AND f.attempt_no = 1 GROUP BY e.pos
"""
_BODIES_OF = """
SELECT pos, sum(bodies) AS bodies FROM (
    SELECT a.pos, coalesce(w.bodies, CASE WHEN a.verdict = 'fail' THEN b.at_splice
        ELSE b.after END) AS bodies
    FROM judged a JOIN body_use b USING (connector_type)
    LEFT JOIN (SELECT x.attempt, sum(e.bodies) AS bodies FROM entries e
        JOIN entry_arcs x USING (rn) GROUP BY 1) w ON w.attempt = a.rn
    WHERE a.attempt_no > 0 AND (a.redone OR a.verdict = 'fail')
    UNION ALL
    SELECT pos, bodies FROM entries WHERE kind = 'before' AND pos IS NOT NULL
) GROUP BY pos
"""
_PLANNED = """
SELECT n.pos, enum_code(n.connector_type)::INTEGER AS connector_type,
    enum_code(n.fibre_lot)::INTEGER AS fibre_lot,
    enum_code(n.connector_lot)::INTEGER AS connector_lot, i.site
FROM planned_kept n LEFT JOIN (SELECT rn, site FROM in_planned) i USING (rn)
"""
_TESTED_AS = """
SELECT pos, enum_code(any_value(connector_type))::INTEGER AS connector_type,
    enum_code(max(link)) AS link
FROM readings WHERE pos IS NOT NULL GROUP BY 1
"""
_BY_TYPE = """
SELECT enum_code(u.connector_type)::INTEGER AS connector_type, u.after,
    coalesce(q.tests, 0) AS tests
FROM body_use u LEFT JOIN (SELECT connector_type, count(DISTINCT test) AS tests FROM required
    GROUP BY 1) q USING (connector_type)
"""


def _types(con: duckdb.DuckDBPyConnection, placed: Placed, crew: Crew) -> None:
    """Required tests and bodies of each type that the records name."""
    named = [
        row[0]
        for row in con.execute(
            "SELECT DISTINCT connector_type FROM (SELECT connector_type FROM planned_kept"
            " UNION ALL SELECT connector_type FROM tested) WHERE connector_type IS NOT NULL"
            " ORDER BY ALL"
        ).fetchall()
    ]
    named += [placed.words.texts[kind] for kind in np.unique(placed.kind).tolist()]
    kinds = sorted({*named, "unknown"})
    con.execute(
        "CREATE TABLE required (connector_type word, test VARCHAR, quantity VARCHAR,"
        " wavelength_nm DOUBLE)"
    )
    met_limits.fill(
        con,
        "required",
        [
            (kind, test, *required_test(test))
            for kind in kinds
            for test in crew.connector(kind).required_tests
        ],
    )
    con.execute("CREATE TABLE body_use (connector_type word, at_splice DOUBLE, after DOUBLE)")
    met_limits.fill(
        con,
        "body_use",
        [
            (
                kind,
                crew.parts_for_failure(kind, "splice").get("body", 0.0),
                crew.parts_for_failure(kind, "test").get("body", 0.0),
            )
            for kind in kinds
        ],
    )


@dataclass(frozen=True, eq=False)
class Records:
    """The records that count, how each ended, those at positions, the error of every row."""

    placed: Placed
    verdict: np.ndarray
    arcs: Arcs
    error: Coded


def register(con: duckdb.DuckDBPyConnection, records: Records) -> None:
    """Show the records to the engine as ``judged``: which arc of its position, redone, verdict."""
    import pyarrow as pa

    placed, arcs = records.placed, records.arcs
    number = np.zeros(len(placed.at), dtype=np.int32)
    number[arcs.row] = arcs.number
    redone = np.zeros(len(placed.at), dtype=bool)
    redone[arcs.row] = arcs.following >= 0
    placed.register(
        con,
        "judged",
        attempt_no=pa.array(number),
        redone=pa.array(redone),
        verdict=Listed(VERDICTS).column(records.verdict),
    )


Told = Callable[[np.ndarray], np.ndarray]
"""Tells something of some positions, by their numbers."""


@dataclass(frozen=True, eq=False)
class Positions:
    """What the records say of each position; reckoned for some of them at a time.

    Parameters
    ----------
    records : Records
    there : ndarray of bool
        Positions of which a plan, an arc, an entry or a test tells; the others are left out.
    first : ndarray of int
        Record of each position's first arc, -1 without one.
    known : dict
        Facts of ``first_pass.Facts`` that lists, tests and single records tell.
    sites : Listed
        Sites that the plan names.
    steps, causes, dispositions : list of str
        Words of the log.
    pending_since : datetime64
        Tests of arcs before this day are late.
    tests_wanted, body_each : ndarray of float
        Of each connector type, by the number of its word.
    """

    records: Records
    there: np.ndarray
    first: np.ndarray
    known: dict[str, Told]
    sites: Listed
    steps: list[str]
    causes: list[str]
    dispositions: list[str]
    pending_since: np.datetime64
    tests_wanted: np.ndarray
    body_each: np.ndarray

    def day(self, where: np.ndarray) -> np.ndarray:
        """Day of the first arc at some positions."""
        return _at(self.records.placed.day, self.first[where], np.datetime64("NaT"))

    def facts(self, where: np.ndarray) -> Facts:
        """What is known of some positions, in their order."""
        placed, arcs = self.records.placed, self.records.arcs
        known = {name: told(where) for name, told in self.known.items()}
        arc, first = known.pop("arc"), self.first[where]
        last = _at(arcs.last, arc, -1)
        kind = _at(placed.kind, first, -1)
        for name in ("planned_kind", "tested_kind"):
            other = known.pop(name)
            kind = np.where(kind < 0, other, kind)
        kind = np.where(kind < 0, placed.words.number[UNKNOWN], kind)
        links = [_at(arcs.link, arc, -1)]
        links += [known.pop(name) for name in ("early_link", "entry_link", "tested_link")]
        tests_wanted = self.tests_wanted[kind]
        passed = known.pop("passed")
        return Facts(
            **known,
            kind=kind,
            first=first,
            verdict=_at(self.records.verdict, first, -1),
            error=_at(self.records.error.codes, _at(placed.at, first, -1), -1),
            arcs=_at(arcs.count, arc, 0),
            last_verdict=_at(self.records.verdict, last, -1),
            last_day=_at(placed.day, last, np.datetime64("NaT")),
            last_utc=_at(arcs.last_utc, arc, np.datetime64("NaT")),
            all_passed=(passed >= tests_wanted) & (tests_wanted > 0),
            late=_at(placed.day, first, np.datetime64("NaT")) < self.pending_since,
            tests_wanted=tests_wanted,
            body_each=self.body_each[kind],
            link=np.maximum.reduce(links),
            steps=self.steps,
            causes=self.causes,
            dispositions=self.dispositions,
            errors=self.records.error.words,
        )

    def columns(self, where: np.ndarray) -> dict[str, Values]:
        """Columns of some positions; ``termination`` says what decided the answer."""
        facts, words = self.facts(where), self.records.placed.words.listed
        told = first_pass.termination(facts)
        state = first_pass.state(facts)
        accepted = state == STATES.index("accepted")
        done = accepted | (state == STATES.index("accepted as is"))
        when = np.where(np.isnat(facts.passed_when), facts.last_utc, facts.passed_when)
        step, cause = first_pass.failed(facts, told)
        return {
            "site": Values(facts.site, self.sites),
            "planned": Values(facts.planned),
            "connector_type": Values(facts.kind, words),
            "fibre_lot": Values(facts.fibre_lot, words),
            "connector_lot": Values(facts.connector_lot, words),
            "first_date": Values(self.day(where)),
            "arcs": Values(facts.arcs),
            "preparation_losses": Values(facts.preparation_losses),
            "rework_entries": Values(facts.rework_entries),
            "bodies": Values(facts.spent + np.where(done, facts.body_each, 0.0)),
            "rework_min": Values(facts.rework_min, none=np.isnan(facts.rework_min)),
            "first_pass_splice": Values(first_pass.splice(facts), _ANSWERS),
            "termination": Values(told, _TOLD),
            "first_pass_link": Values(first_pass.link(facts), _ANSWERS),
            "failed_step": Values(step, Listed(facts.steps)),
            "failed_cause": Values(cause, Listed(facts.causes)),
            "state": Values(state, _STATES),
            "accepted_when": Values(when, none=~accepted | np.isnat(when)),
            "link": Values(facts.link, _LINKS),
        }


_ANSWERS, _TOLD, _STATES, _LINKS = (Listed(words) for words in (ANSWERS, TOLD, STATES, LINKS))


def find_positions(
    con: duckdb.DuckDBPyConnection, records: Records, crew: Crew, as_of: datetime, positions: int
) -> Positions:
    """What the records say of each position.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The engine, with the records that count as ``judged``.
    records : Records
    crew : Crew
    as_of : datetime
        When the records end.
    positions : int
        How many there are.
    """
    met_limits.reading_limits(con, crew)
    _types(con, records.placed, crew)
    con.execute(_TESTS)
    placed, arcs = records.placed, records.arcs
    nat, unknown = np.datetime64("NaT", "us"), placed.words.number[UNKNOWN]
    entries, first_entry, bodies, planned, tests, failed, tested_as = (
        _Rows(con, query, positions)
        for query in (
            *(_ENTRIES_OF, _FIRST_ENTRY, _BODIES_OF, _PLANNED),
            *("FROM tests_of", "FROM failed_tests", _TESTED_AS),
        )
    )
    steps, causes, dispositions = list(STEPS), list(CAUSES), list(DISPOSITIONS)
    sites: list[str] = []
    arc = np.full(positions, -1, dtype=np.int32)
    arc[arcs.pos] = np.arange(len(arcs.pos))
    first = _at(arcs.row[arcs.first], arc, -1)
    early = np.flatnonzero(~placed.reached & (placed.pos >= 0))
    preparation = np.bincount(placed.pos[early], minlength=positions)
    early_link = np.full(positions, -1, dtype=np.int8)
    np.maximum.at(early_link, placed.pos[early], placed.link[early])
    wanted, body_each = np.zeros((2, len(placed.words.texts)))
    for number, after, several in con.execute(_BY_TYPE).fetchall():
        wanted[number], body_each[number] = several, after
    known: dict[str, Told] = {
        "arc": arc.__getitem__,
        "early_link": early_link.__getitem__,
        "preparation_losses": preparation.__getitem__,
        "planned": planned.has,
        "planned_kind": planned.column("connector_type", -1),
        "fibre_lot": planned.column("fibre_lot", unknown),
        "connector_lot": planned.column("connector_lot", unknown),
        "site": planned.text("site", sites),
        "rework_entries": entries.column("rework_entries", 0),
        "rework_min": entries.column("rework_min", np.nan),
        "against": entries.column("against", 0),
        "unclear": entries.column("unclear", 0),
        "entry_step": entries.text("step", steps),
        "entry_cause": entries.text("cause", causes),
        "disposition": entries.text("last_disposition", dispositions),
        "last_logged": entries.column("last_logged", np.datetime64("NaT", "D")),
        "entry_link": entries.column("link", -1),
        "first_step": first_entry.text("step", steps),
        "first_cause": first_entry.text("cause", causes),
        "tested": tests.has,
        "passed": tests.column("passed", 0),
        "first_failed": tests.column("first_failed", False),
        "last_failed": tests.column("last_failed", False),
        "passed_when": tests.column("passed_when", nat),
        "passed_from": tests.column("passed_from", nat),
        "unforgiven": failed.column("unforgiven", False),
        "tested_at_all": tested_as.has,
        "tested_kind": tested_as.column("connector_type", -1),
        "tested_link": tested_as.column("link", -1),
        "spent": bodies.column("bodies", 0.0),
        "doubtful": _Rows(con, "SELECT pos FROM maybe_first", positions).has,
        "misplaced": _Rows(con, "SELECT pos FROM mistyped", positions).has,
    }
    there = (first >= 0) | (preparation > 0)
    for rows in (planned, entries, tested_as):
        there |= rows.where >= 0
    return Positions(
        records=records,
        there=there,
        first=first,
        known=known,
        sites=Listed(sites),
        steps=steps,
        causes=causes,
        dispositions=dispositions,
        pending_since=np.datetime64(as_of.date()) - np.timedelta64(crew.general.pending_days, "D"),
        tests_wanted=wanted,
        body_each=body_each,
    )


class _Rows:
    """Rows of a query, one a position that has any; ``where``: the row of each, -1 for none."""

    def __init__(self, con: duckdb.DuckDBPyConnection, query: str, positions: int) -> None:
        self._rows = con.execute(query).fetchnumpy()
        at = np.ma.getdata(self._rows["pos"])
        self.where = np.full(positions, -1, dtype=np.int32)
        self.where[at] = np.arange(len(at))

    def has(self, where: np.ndarray) -> np.ndarray:
        """Whether some positions have a row."""
        return self.where[where] >= 0

    def column(self, name: str, none: Any) -> Told:
        """Tells a column of some positions; ``none``, which gives its kind, where it has none."""
        found = np.full(len(self._rows[name]) + 1, none)
        known = ~np.ma.getmaskarray(self._rows[name])
        found[:-1][known] = np.ma.getdata(self._rows[name])[known]
        return _Spread(found, self.where)

    def text(self, name: str, words: list[str]) -> Told:
        """Tells text as numbers of ``words``, which grows by those it lacks; -1 for none."""
        values = [value or "" for value in np.ma.filled(self._rows[name], None).tolist()]
        words += sorted({value for value in values if value} - set(words))
        number = {word: at for at, word in enumerate(words)}
        found = np.array([*(number.get(value, -1) for value in values), -1], dtype=np.int32)
        return _Spread(found, self.where)


@dataclass(frozen=True, eq=False)
class _Spread:
    """A column of few rows told of positions: ``where`` has each one's row, the last is none."""

    values: np.ndarray
    where: np.ndarray

    def __call__(self, where: np.ndarray) -> np.ndarray:
        if len(self.values) == 1:
            return np.repeat(self.values, len(where))
        return self.values[self.where[where]]


def _at(values: np.ndarray, where: np.ndarray, none: object) -> np.ndarray:
    """Values at some places, ``none`` where the place is -1."""
    found = values[where] if len(values) else np.empty(len(where), dtype=values.dtype)
    found[where < 0] = none
    return found
