"""One row a place that must end with an accepted joint: first pass, state, cause, how surely."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldkit.crew import Crew, required_test
from yieldkit.records import first_pass, met_limits
from yieldkit.records.arcs import VERDICTS
from yieldkit.records.first_pass import ANSWERS, STATES, TOLD, Facts
from yieldkit.records.places import LINKS
from yieldkit.records.stacking import UNKNOWN
from yieldkit.records.tables import CAUSES, DISPOSITIONS, STEPS

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

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


def find_positions(
    con: duckdb.DuckDBPyConnection, records: Records, crew: Crew, as_of: datetime, positions: int
) -> pa.Table:
    """What the records say of each position, in order.

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

    Returns
    -------
    pyarrow.Table
        ``pos`` is the number of the position, ``first`` the record of its first arc, missing
        without one.
    """
    import pyarrow as pa

    met_limits.reading_limits(con, crew)
    _types(con, records.placed, crew)
    con.execute(_TESTS)
    facts = _facts(con, records, crew, as_of, positions)
    told = first_pass.termination(facts)
    state = first_pass.state(facts)
    accepted = state == STATES.index("accepted")
    done = accepted | (state == STATES.index("accepted as is"))
    when = np.where(np.isnat(facts.passed_when), facts.last_utc, facts.passed_when)
    step, cause = first_pass.failed(facts, told)
    first = facts.first
    day = _at(records.placed.day, first, np.datetime64("NaT"))
    words = records.placed.words
    minutes = facts.rework_min
    columns = {
        "pos": pa.array(np.arange(positions)),
        "site": facts.site,
        "planned": pa.array(facts.planned),
        "connector_type": words.column(facts.kind),
        "fibre_lot": words.column(facts.fibre_lot),
        "connector_lot": words.column(facts.connector_lot),
        "first": pa.array(first, mask=first < 0),
        "first_date": pa.array(day),
        "arcs": pa.array(facts.arcs),
        "preparation_losses": pa.array(facts.preparation_losses),
        "rework_entries": pa.array(facts.rework_entries),
        "bodies": pa.array(facts.spent + np.where(done, facts.body_each, 0.0)),
        "rework_min": pa.array(minutes, mask=np.isnan(minutes)),
        "first_pass_splice": _of(first_pass.splice(facts), ANSWERS),
        "termination": _of(told, TOLD),
        "first_pass_link": _of(first_pass.link(facts), ANSWERS),
        "failed_step": _of(step, facts.steps),
        "failed_cause": _of(cause, facts.causes),
        "state": _of(state, STATES),
        "accepted_when": pa.array(when, mask=~accepted | np.isnat(when)),
        "link": _of(facts.link, LINKS),
    }
    there = facts.planned | (first >= 0) | facts.tested_at_all
    there |= (facts.preparation_losses > 0) | (facts.rework_entries > 0)
    table = pa.table(columns)
    return table if there.all() else table.filter(pa.array(there)).combine_chunks()


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
        verdict=_of(records.verdict, VERDICTS),
    )


class _Rows:
    """Rows of a query, one a position that has any, spread over all positions."""

    def __init__(self, con: duckdb.DuckDBPyConnection, query: str, positions: int) -> None:
        self._rows = con.execute(query).fetchnumpy()
        self._at = np.ma.getdata(self._rows["pos"])
        self.has = np.zeros(positions, dtype=bool)
        self.has[self._at] = True

    def column(self, name: str, none: Any) -> np.ndarray:
        """A column, ``none`` where nothing stands; its kind is that of ``none``."""
        found = np.full(len(self.has), none)
        known = ~np.ma.getmaskarray(self._rows[name])
        found[self._at[known]] = np.ma.getdata(self._rows[name])[known]
        return found

    def text(self, name: str, words: list[str]) -> np.ndarray:
        """A column of text as numbers of ``words``, which grows by those it lacks; -1 for none."""
        values = [value or "" for value in np.ma.filled(self._rows[name], None).tolist()]
        words += sorted({value for value in values if value} - set(words))
        number = {word: at for at, word in enumerate(words)}
        found = np.full(len(self.has), -1, dtype=np.int32)
        found[self._at] = [number.get(value, -1) for value in values]
        return found


def _facts(
    con: duckdb.DuckDBPyConnection, records: Records, crew: Crew, as_of: datetime, positions: int
) -> Facts:
    placed, arcs = records.placed, records.arcs
    nat = np.datetime64("NaT", "us")
    entries, first_entry, bodies, planned, tests, failed, tested_as = (
        _Rows(con, query, positions)
        for query in (
            *(_ENTRIES_OF, _FIRST_ENTRY, _BODIES_OF, _PLANNED),
            *("FROM tests_of", "FROM failed_tests", _TESTED_AS),
        )
    )
    steps, causes, dispositions = list(STEPS), list(CAUSES), list(DISPOSITIONS)
    first = np.full(positions, -1)
    first[arcs.pos] = arcs.row[arcs.first]
    count = np.zeros(positions, dtype=np.int64)
    count[arcs.pos] = arcs.count
    last = np.full(positions, -1)
    last[arcs.pos] = arcs.last
    last_utc = np.full(positions, nat)
    last_utc[arcs.pos] = arcs.last_utc
    link = np.full(positions, -1, dtype=np.int8)
    link[arcs.pos] = arcs.link
    early = np.flatnonzero(~placed.reached & (placed.pos >= 0))
    preparation = np.bincount(placed.pos[early], minlength=positions)
    np.maximum.at(link, placed.pos[early], placed.link[early])
    for rows in (entries, tested_as):
        link = np.maximum(link, rows.column("link", -1).astype(np.int8))
    unknown = placed.words.number[UNKNOWN]
    kind = _at(placed.kind, first, -1)
    for rows in (planned, tested_as):
        kind = np.where(kind < 0, rows.column("connector_type", -1), kind)
    kind = np.where(kind < 0, unknown, kind)
    wanted = np.zeros(len(placed.words.texts))
    body_each = np.zeros(len(placed.words.texts))
    for number, after, several in con.execute(_BY_TYPE).fetchall():
        wanted[number], body_each[number] = several, after
    tests_wanted = wanted[kind]
    limit = np.datetime64(as_of.date()) - np.timedelta64(crew.general.pending_days, "D")
    chosen: dict[str, np.ndarray] = {}
    for table in ("maybe_first", "mistyped"):
        chosen[table] = np.zeros(positions, dtype=bool)
        chosen[table][con.execute(f"SELECT pos FROM {table}").fetchnumpy()["pos"]] = True
    return Facts(
        site=_sites(planned, positions),
        planned=planned.has,
        kind=kind,
        fibre_lot=planned.column("fibre_lot", unknown),
        connector_lot=planned.column("connector_lot", unknown),
        first=first,
        verdict=_at(records.verdict, first, -1),
        error=_at(records.error.codes[placed.at], first, -1),
        arcs=count,
        last_verdict=_at(records.verdict, last, -1),
        last_day=_at(placed.day, last, np.datetime64("NaT")),
        last_utc=last_utc,
        preparation_losses=preparation,
        rework_entries=entries.column("rework_entries", 0),
        rework_min=entries.column("rework_min", np.nan),
        against=entries.column("against", 0),
        unclear=entries.column("unclear", 0),
        entry_step=entries.text("step", steps),
        entry_cause=entries.text("cause", causes),
        disposition=entries.text("last_disposition", dispositions),
        last_logged=entries.column("last_logged", np.datetime64("NaT", "D")),
        first_step=first_entry.text("step", steps),
        first_cause=first_entry.text("cause", causes),
        tested=tests.has,
        tested_at_all=tested_as.has,
        all_passed=(tests.column("passed", 0) >= tests_wanted) & (tests_wanted > 0),
        first_failed=tests.column("first_failed", False),
        last_failed=tests.column("last_failed", False),
        unforgiven=failed.column("unforgiven", False),
        passed_when=tests.column("passed_when", nat),
        passed_from=tests.column("passed_from", nat),
        doubtful=chosen["maybe_first"],
        misplaced=chosen["mistyped"],
        late=_at(placed.day, first, np.datetime64("NaT")) < limit,
        spent=bodies.column("bodies", 0.0),
        tests_wanted=tests_wanted,
        body_each=body_each[kind],
        link=link,
        steps=steps,
        causes=causes,
        dispositions=dispositions,
        errors=records.error.words,
    )


def _sites(planned: _Rows, positions: int) -> pa.DictionaryArray:
    words: list[str] = []
    return _of(planned.text("site", words), words)


def _at(values: np.ndarray, where: np.ndarray, none: object) -> np.ndarray:
    """Values at some places, ``none`` where the place is -1."""
    return np.append(values, np.array([none], dtype=values.dtype))[where]


def _of(codes: np.ndarray, words: Sequence[str]) -> pa.DictionaryArray:
    """Numbers as a column of text, missing where they are -1."""
    import pyarrow as pa

    return pa.DictionaryArray.from_arrays(
        pa.array(codes.astype(np.int32), mask=codes < 0), pa.array(words, pa.string())
    )
