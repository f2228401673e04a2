"""One row a place that must end with an accepted joint: first pass, state, cause, how surely."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldkit.crew import ALL, Crew, required_test
from yieldkit.records.arcs import FAIL, GOOD, VERDICTS
from yieldkit.records.places import LINKS, grouped
from yieldkit.records.stacking import UNKNOWN
from yieldkit.records.tables import CAUSES, DISPOSITIONS, STEPS

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

    from yieldkit.records.arcs import Arcs
    from yieldkit.records.attempts import Placed
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


def limit_rows(
    crew: Crew, combos: list[tuple[str | None, str, date | None]], quantity: str, nm: float | None
) -> list[tuple[str | None, str, date | None, float, bool]]:
    """The limit that one reading of a quantity meets, for each job, type and day that has one.

    The job's own row comes before the type's, the newest row in force before older ones.
    """
    found = []
    for job, kind, day in combos:
        rows = [
            row
            for row in crew.limits_for(quantity, connector_type=kind, job=job or ALL)
            if row.statistic == "each"
            and row.after_tries == 0
            and not row.listed
            and (row.wavelength_nm is None or nm is None or row.wavelength_nm == nm)
            and (row.from_date is None or (day is not None and row.from_date <= day))
        ]
        if rows:
            best = min(
                rows,
                key=lambda row: (
                    row.job == ALL,
                    row.connector_type == ALL,
                    -(row.from_date or date.min).toordinal(),
                ),
            )
            found.append((job, kind, day, best.limit_db, best.at_least))
    return found


def estimate_limits(placed: Placed, crew: Crew) -> np.ndarray:
    """Limit of each record's estimate by its job, type and day [dB]; NaN without one."""
    days = sorted({row.from_date for row in crew.limits if row.from_date})
    period = np.searchsorted(np.array(days, "datetime64[D]"), placed.day, side="right")
    period = np.where(np.isnat(placed.day), -1, period)
    width = np.int64(len(placed.words.texts) + 1)
    packed = ((period + 1) * width + placed.job + 1) * width + placed.kind
    group, distinct = grouped(packed)
    limit = np.full(len(distinct), np.nan)
    for at, one in enumerate(distinct.tolist()):
        rest, kind = divmod(one, int(width))
        number, job = divmod(rest, int(width))
        day = None if number == 0 else days[number - 2] if number > 1 else date.min
        combo = (placed.words.texts[job - 1] if job else None, placed.words.texts[kind], day)
        for *_, limit_db, _ in limit_rows(crew, [combo], "estimated loss", None):
            limit[at] = limit_db
    return limit[group]


def _fill(con: duckdb.DuckDBPyConnection, table: str, rows: list[tuple]) -> None:
    if rows:
        import pandas as pd

        names = [found[0] for found in con.execute(f"DESCRIBE {table}").fetchall()]
        con.register("fill_frame", pd.DataFrame(rows, columns=names))
        con.execute(f"INSERT INTO {table} SELECT * FROM fill_frame")
        con.unregister("fill_frame")


def _test_limits(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    combos = con.execute(
        "SELECT DISTINCT quantity, wavelength_nm, job, connector_type, date FROM tested"
        " WHERE quantity <> 'end face' AND result = 'unknown' ORDER BY ALL"
    ).fetchall()
    con.execute(
        "CREATE TABLE test_limits (job word, connector_type word, day DATE,"
        " limit_db DOUBLE, at_least BOOLEAN, quantity VARCHAR, wavelength_nm DOUBLE)"
    )
    rows = [
        (*row, quantity, nm)
        for quantity, nm, job, kind, day in combos
        for row in limit_rows(crew, [(job, kind, day)], quantity, nm)
    ]
    _fill(con, "test_limits", rows)


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
    _fill(
        con,
        "required",
        [
            (kind, test, *required_test(test))
            for kind in kinds
            for test in crew.connector(kind).required_tests
        ],
    )
    con.execute("CREATE TABLE body_use (connector_type word, at_splice DOUBLE, after DOUBLE)")
    _fill(
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

    _test_limits(con, crew)
    _types(con, records.placed, crew)
    con.execute(_TESTS)
    facts = _facts(con, records, crew, as_of, positions)
    told = _termination(facts)
    state = _state(facts)
    accepted = state == STATES.index("accepted")
    done = accepted | (state == STATES.index("accepted as is"))
    when = np.where(np.isnat(facts.passed_when), facts.last_utc, facts.passed_when)
    step, cause = _failed(facts, told, records)
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
        "first_pass_splice": _of(_splice(facts), ANSWERS),
        "termination": _of(told, TOLD),
        "first_pass_link": _of(_link(facts), ANSWERS),
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


@dataclass(frozen=True, eq=False)
class _Facts:
    """What is known of each position, one element each; texts are numbers, -1 for none."""

    site: pa.Array
    planned: np.ndarray
    kind: np.ndarray
    fibre_lot: np.ndarray
    connector_lot: np.ndarray
    first: np.ndarray
    verdict: np.ndarray
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
) -> _Facts:
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
    return _Facts(
        site=_sites(planned, positions),
        planned=planned.has,
        kind=kind,
        fibre_lot=planned.column("fibre_lot", unknown),
        connector_lot=planned.column("connector_lot", unknown),
        first=first,
        verdict=_at(records.verdict, first, -1),
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
    )


def _at(values: np.ndarray, where: np.ndarray, none: object) -> np.ndarray:
    """Values at some places, ``none`` where the place is -1."""
    return np.append(values, np.array([none], dtype=values.dtype))[where]


def _of(codes: np.ndarray, words: Sequence[str]) -> pa.DictionaryArray:
    """Numbers as a column of text, missing where they are -1."""
    import pyarrow as pa

    return pa.DictionaryArray.from_arrays(
        pa.array(codes.astype(np.int32), mask=codes < 0), pa.array(words, pa.string())
    )


def _case(cases: Sequence[tuple[np.ndarray, int]], otherwise: int) -> np.ndarray:
    """The number of the first case that holds at each position."""
    return np.select([case for case, _ in cases], [number for _, number in cases], otherwise)


def _splice(facts: _Facts) -> np.ndarray:
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


def _termination(facts: _Facts) -> np.ndarray:
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


def _link(facts: _Facts) -> np.ndarray:
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


def _state(facts: _Facts) -> np.ndarray:
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


def _failed(facts: _Facts, told: np.ndarray, records: Records) -> tuple[np.ndarray, np.ndarray]:
    """Step where the first attempt failed, and the suspected cause."""
    failed = (told >= 0) & (told <= TOLD.index("no: test"))
    step, cause = facts.steps.index, facts.causes.index
    alone = facts.arcs <= 1
    known = (facts.first_step >= 0) & ~np.isin(
        facts.first_step, [step(word) for word in (UNKNOWN, "prepare", "cleave")]
    )
    error = _at(records.error.codes[records.placed.at], facts.first, -1)
    word_of = [cause(_CAUSE_OF_ERROR.get(word, UNKNOWN)) for word in records.error.words]
    by_error = np.array([*word_of, cause(UNKNOWN)], dtype=np.int32)[error]
    of_test = (told == TOLD.index("no: test")) | facts.first_failed
    of_step = np.select(
        [~failed, facts.verdict == FAIL, known, of_test, (facts.entry_step >= 0) & alone],
        [np.int32(-1), step("splice"), facts.first_step, step("test"), facts.entry_step],
        step(UNKNOWN),
    )
    said = (facts.first_cause >= 0) & (facts.first_cause != cause(UNKNOWN))
    of_cause = np.select(
        [~failed, said, facts.verdict == FAIL, (facts.entry_cause >= 0) & alone],
        [np.int32(-1), facts.first_cause, by_error, facts.entry_cause],
        cause(UNKNOWN),
    )
    return of_step, of_cause


def _sites(planned: _Rows, positions: int) -> pa.DictionaryArray:
    words: list[str] = []
    return _of(planned.text("site", words), words)
