"""Where a row belongs: a written place against the planned positions of its job.

Every place as written has a number, its ``spot``; every position one, its ``pos``, in the order of
job, panel and port. The words behind them are the tables ``spots`` and ``place_names``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from yieldkit.crew import Crew
from yieldkit.records.columns import grouped, whole
from yieldkit.records.stacking import Words, coded, meaning

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

LINKS = ("exact", "normalised", "probable", "unlinked")
"""How surely a row is linked, the surest first."""
PLACED = ("attempts", "measurements", "rework")
"""Tables whose rows belong to a position."""

_WIDEST = 24
"""Most fibres of one ribbon."""
_RANGE = re.compile(
    r"^(?P<panel>|.*[/:.,; ]|.*\d.*-)(?P<first>\d{1,4})\s*(?:-|\u2013|\.\.)\s*(?P<last>\d{1,4})$"
)
"""A range of ports after a panel; ``P03-12`` is a panel and a port."""
_MACROS = r"""
CREATE MACRO keyed(t) AS trim(regexp_replace(regexp_replace(regexp_replace(regexp_replace(
    upper(t), '[^\p{L}\p{N}]+', '.', 'g'), '(\p{L})(\p{N})', '\1.\2', 'g'),
    '(\p{N})(\p{L})', '\1.\2', 'g'), '(^|\.)0+(\p{N})', '\1\2', 'g'), '.');
CREATE MACRO sorted_key(k) AS array_to_string(list_sort(string_split(k, '.')), '.');
CREATE MACRO packed(t) AS regexp_replace(upper(t), '[^\p{L}\p{N}]+', '', 'g');
CREATE MACRO spaced(t) AS upper(regexp_replace(trim(t), '[^\p{L}\p{N}]+', '/', 'g'));
CREATE MACRO last_part(t) AS regexp_extract(t, '(\p{N}+|\p{L}+)[^\p{L}\p{N}]*$', 1);
CREATE MACRO before_last(t) AS regexp_replace(
    t, '[^\p{L}\p{N}]*(\p{N}+|\p{L}+)[^\p{L}\p{N}]*$', '');
CREATE MACRO plain_port(t) AS regexp_replace(upper(trim(t)), '^0+(.)', '\1');
"""

_PLANNED = f"""
CREATE TABLE planned_lines AS
SELECT src, rn, {meaning("job_text")}::word AS job,
    nullif(trim(panel_text), '') AS panel_text, nullif(trim(port_text), '') AS port_text,
    nullif(trim(place_text), '') AS place_text, ports,
    coalesce({meaning("connector_type_text")}, 'unknown')::word AS connector_type,
    nullif(trim(fibre_lot_text), '')::word AS fibre_lot,
    nullif(trim(connector_lot_text), '')::word AS connector_lot
FROM in_planned;
CREATE TABLE planned_ports AS
SELECT *, panel || '/' || port AS raw, keyed(panel || '/' || port) AS pkey FROM (
    SELECT * EXCLUDE (panel_text, port_text, place_text, ports),
        coalesce(panel_text, before_last(place_text), '') AS panel,
        unnest(CASE WHEN ports IS NOT NULL AND port_text IS NULL
            THEN range(1, least(ports, 20000) + 1)::VARCHAR[]
            ELSE [coalesce(plain_port(port_text), plain_port(last_part(place_text)))] END) AS port
    FROM planned_lines
) WHERE port <> '' AND job IS NOT NULL;
CREATE TABLE planned_places AS
SELECT *, sorted_key(pkey) AS skey,
    packed(panel) || lpad(port, greatest(2, length(port))::INTEGER, '0') AS ckey
FROM planned_ports
QUALIFY row_number() OVER (PARTITION BY job, pkey ORDER BY rn) = 1;
"""

_SPOTS = """
CREATE TABLE spots AS
SELECT *, string_split(pkey, '.') AS parts, before_last(raw) AS panel_said,
    raw = upper(raw) AS capital FROM (SELECT spot, raw, keyed(raw) AS pkey FROM spots_arrow);
CREATE TABLE forms AS
SELECT *, dense_rank() OVER (ORDER BY panel_key) AS key_no
FROM (SELECT spot, upper(panel_said) AS panel, list_extract(parts, -1) AS port,
    coalesce(nullif(array_to_string(list_slice(parts, 1, -2), '.'), ''), '') AS panel_key
    FROM spots WHERE pkey <> '');
CREATE TABLE panels AS
SELECT panel, row_number() OVER (ORDER BY panel) AS panel_no FROM (
    SELECT panel FROM planned_places UNION SELECT panel FROM forms);
CREATE TABLE ports AS
SELECT port, row_number() OVER (ORDER BY try_cast(port AS INTEGER) NULLS LAST, port) AS port_no
FROM (SELECT port FROM planned_places UNION SELECT port FROM forms);
"""
_FOUND = """
WITH meant AS (SELECT * REPLACE (job::word AS job) FROM pairs_of_plans), by_key AS (
    SELECT m.pair, m.job, p.panel, p.port, CASE WHEN NOT m.alias AND
        spaced(w.raw) IN (upper(p.raw), upper(p.panel) || '/' || lpad(p.port, 2, '0'),
        upper(p.panel) || '/' || lpad(p.port, 3, '0')) AND w.raw = upper(w.raw)
        THEN 'exact' ELSE 'normalised' END AS link
    FROM meant m JOIN spots s ON s.spot = m.said JOIN spots w ON w.spot = m.spot
    JOIN planned_places p ON p.job = m.job AND p.pkey = s.pkey
), left_over AS (
    SELECT m.pair, m.job, s.raw, s.pkey FROM meant m JOIN spots s ON s.spot = m.said
    WHERE m.pair NOT IN (SELECT pair FROM by_key)
), turned AS (
    SELECT m.pair, any_value(m.job) AS job, any_value(p.panel) AS panel,
        any_value(p.port) AS port, 'normalised' AS link
    FROM left_over m JOIN planned_places p ON p.job = m.job AND p.skey = sorted_key(m.pkey)
    GROUP BY m.pair HAVING count(*) = 1
), close_up AS (
    SELECT m.pair, any_value(m.job) AS job, any_value(p.panel) AS panel,
        any_value(p.port) AS port, 'normalised' AS link
    FROM left_over m JOIN planned_places p ON p.job = m.job AND p.ckey = packed(m.raw)
    GROUP BY m.pair HAVING count(*) = 1
), found AS (
    SELECT * FROM by_key UNION ALL SELECT * FROM turned UNION ALL
    SELECT * FROM close_up WHERE pair NOT IN (SELECT pair FROM turned)
)
SELECT pair, (enum_code(job)::BIGINT << 42) | (panel_no << 21) | port_no AS key,
    link = 'exact' AS exact
FROM found JOIN panels USING (panel) JOIN ports USING (port)
"""
_FORMS = """
SELECT spot, key_no, panel_no, port_no, capital
FROM forms JOIN spots USING (spot) JOIN panels USING (panel) JOIN ports USING (port)
"""
_PLANNED_PANELS = """
SELECT DISTINCT enum_code(p.job)::BIGINT AS job, f.key_no
FROM planned_places p JOIN forms f ON f.panel_key = keyed(p.panel)
"""
_PLANNED_KEYS = """
SELECT (enum_code(job)::BIGINT << 42) | (panel_no << 21) | port_no AS key
FROM planned_places JOIN panels USING (panel) JOIN ports USING (port)
"""
_NUMBERED = """
CREATE TABLE planned AS
SELECT p.*, n.pos FROM planned_places p JOIN panels USING (panel) JOIN ports USING (port)
JOIN numbers n ON n.key = (enum_code(job)::BIGINT << 42) | (panel_no << 21) | port_no;
"""
_LEAST_USE = 3
"""Ports, and rows, with which a panel that the plan lacks is believed."""
_BITS = 21


@dataclass(frozen=True, eq=False)
class Spots:
    """Places: their texts, and the number of each row's of a table (-1: none).

    ``written`` are those of the attempts as they stand there: a range of ports for a ribbon.
    """

    texts: list[str]
    of: dict[str, np.ndarray]
    written: np.ndarray


@dataclass(frozen=True, eq=False)
class Places:
    """The position of each pair of job and place as written, and the names of all positions.

    Parameters
    ----------
    pair : ndarray of int
        Pair of each attempt.
    pos, exact : ndarray, one a pair
        Position (-1: none) and whether its place is written as the plan has it.
    names : pyarrow.Table
        ``job``, ``panel``, ``port`` of each position.
    texts : list of str
        Each place as written, by its number.
    """

    pair: np.ndarray
    pos: np.ndarray
    exact: np.ndarray
    names: pa.Table
    texts: list[str]


def spots_of(
    stacked: Mapping[str, pa.Table], crew: Crew, decided: Mapping[str, Mapping[str, str]]
) -> tuple[Spots, list[tuple[str, str, str]]]:
    """Number every place as written; the words for places as (job, written, meaning).

    A decision on a place is keyed ``job|place as written`` and holds for that job; an alias of the
    settings for all jobs.
    """
    aliases = {row.written: row.meaning for row in crew.aliases if row.kind == "place"}
    words = [("", written, meant) for written, meant in aliases.items()]
    for key, meant in decided.get("place", {}).items():
        job, _, written = key.partition("|")
        if written not in aliases:
            words.append((job, written, meant))
    number: dict[str, int] = {}
    of = {name: _spots(stacked[name], number) for name in PLACED}
    for _, _, meant in words:
        number.setdefault(meant, len(number))
    as_written = of["attempts"]
    of["attempts"] = _spread(stacked["attempts"], as_written, number)
    return Spots(list(number), of, as_written), words


def _spread(rows: pa.Table, spots: np.ndarray, number: dict[str, int]) -> np.ndarray:
    """Places of the fibres of ribbons that name a range of ports (``P03/01-12``).

    The first fibre has the first port, unless the fibres are numbered as the ports are.
    """
    ranges = {at: found for text, at in number.items() if (found := _RANGE.match(text))}
    ribbon = coded(rows, "ribbon_text").codes
    fibre = whole(rows["fibre"]).fill_null(0).to_numpy()
    chosen = np.flatnonzero(np.isin(spots, list(ranges)) & (ribbon >= 0) & (fibre > 0))
    if not len(chosen):
        return spots
    keys = list(zip(rows["src"].to_numpy()[chosen], ribbon[chosen], spots[chosen], strict=True))
    least: dict[tuple[int, ...], int] = {}
    for key, one in zip(keys, fibre[chosen].tolist(), strict=True):
        least[key] = min(one, least.get(key, one))
    spread = spots.copy()
    for at, key, one in zip(chosen.tolist(), keys, fibre[chosen].tolist(), strict=True):
        found = ranges[int(spots[at])]
        first, last = int(found["first"]), int(found["last"])
        port = one if least[key] == first else first + one - 1
        if 1 <= last - first < _WIDEST and first <= port <= last:
            text = f"{found['panel']}{port:0{len(found['first'])}d}"
            spread[at] = number.setdefault(text, len(number))
    return spread


def _spots(rows: pa.Table, number: dict[str, int]) -> np.ndarray:
    """Number of each row's place: in one cell, else panel and port in two."""
    place, panel, port = (coded(rows, f"{name}_text") for name in ("place", "panel", "port"))
    shape = (len(place.words) + 1, len(panel.words) + 1, len(port.words) + 1)
    packed = np.ravel_multi_index((place.codes + 1, panel.codes + 1, port.codes + 1), shape)
    groups, distinct = grouped(packed)
    codes = np.full(len(distinct), -1, dtype=np.int32)
    for at, one in enumerate(zip(*np.unravel_index(distinct, shape), strict=True)):
        shown = [
            part.words[where - 1].strip(" ") if where else ""
            for part, where in zip((place, panel, port), one, strict=True)
        ]
        text = shown[0] or "/".join(part for part in shown[1:] if part)
        if text:
            codes[at] = number.setdefault(text, len(number))
    return codes[groups]


def find_places(
    con: duckdb.DuckDBPyConnection,
    stacked: Mapping[str, pa.Table],
    words: Words,
    spots: Spots,
    place_words: list[tuple[str, str, str]],
) -> Places:
    """Make ``planned``, ``place_names`` and ``places`` (job, spot, pos, link).

    A place is matched to the job's planned positions by letters and numbers in order (leading
    zeros, case and punctuation dropped), then turned round (``12A``) or written close up
    (``P0317``) where that leaves one. In a job without planned positions, or on a panel that the
    plan lacks but the records use at three ports or more, the place stands for itself. Any other
    place that the plan does not hold is left unlinked: it may be mistyped.
    """
    import pyarrow as pa

    width = len(spots.texts) + 1
    table = words.meaning("job")
    packed = {
        name: (coded(stacked[name], "job_text").meant(table) + 1) * np.int64(width) + codes + 1
        for name, codes in spots.of.items()
    }
    groups, distinct = grouped(np.concatenate([packed[name] for name in PLACED]))
    count = np.bincount(groups, minlength=len(distinct))
    job, spot = distinct // width - 1, distinct % width - 1
    pairs = _numbered(
        "pair", job=words.column(job), spot=pa.array(spot.astype(np.int32)), n=pa.array(count)
    )
    con.register("spots_arrow", _numbered("spot", raw=pa.array(spots.texts, pa.string())))
    con.execute(f"CREATE TYPE link AS ENUM {LINKS}")
    con.execute(_MACROS)
    con.execute(_PLANNED)
    con.execute(_SPOTS)
    planned = con.execute(_PLANNED_KEYS).fetchnumpy()["key"]
    said = _said(job, spot, words, spots, place_words)
    pairs = pairs.append_column("said", pa.array(said))
    pairs = pairs.append_column("alias", pa.array(said != spot))
    in_plan = np.isin(job, np.unique(planned >> 2 * _BITS))
    con.register("pairs_of_plans", pairs.filter(pa.array(in_plan & (spot >= 0))))
    found = con.execute(_FOUND).fetchnumpy()
    key = np.full(len(distinct), -1)
    exact = np.zeros(len(distinct), dtype=bool)
    key[found["pair"]], exact[found["pair"]] = found["key"], found["exact"]
    rest = np.flatnonzero((key < 0) & (job >= 0) & (spot >= 0))
    _own_places(con, Pairs(job, spot, said, count, in_plan), rest, key, exact)
    keys = _sorted_once(np.concatenate([key[key >= 0], planned]))
    pos = np.where(key < 0, -1, np.searchsorted(keys, key)).astype(np.int32)
    con.register("numbers", _numbered("pos", key=pa.array(keys)))
    con.execute(_NUMBERED)
    names = _names(con, words, keys)
    columns = dict(zip(names.column_names, names.columns, strict=True))
    con.register("place_names", _numbered("pos", **columns))
    con.register("unplaced", pairs.filter(pa.array((pos < 0) & (spot >= 0))))
    listed = np.zeros(len(distinct), dtype=bool)
    listed[groups[len(packed["attempts"]) :]] = True
    at = np.flatnonzero(listed & (pos >= 0))
    con.register(
        "places",
        pa.table(
            {
                "job": words.column(job[at]),
                "spot": pa.array(spot[at].astype(np.int32)),
                "pos": pa.array(pos[at]),
                "link": pa.DictionaryArray.from_arrays(
                    pa.array((~exact[at]).astype(np.int8)), list(LINKS[:2])
                ),
            }
        ),
    )
    return Places(groups[: len(packed["attempts"])], pos, exact, names, spots.texts)


def _numbered(name: str, **columns: pa.Array) -> pa.Table:
    """Columns beside the number of each row."""
    import pyarrow as pa

    rows = len(next(iter(columns.values())))
    return pa.table({name: pa.array(np.arange(rows, dtype=np.int32))} | columns)


def _said(
    job: np.ndarray,
    spot: np.ndarray,
    words: Words,
    spots: Spots,
    place_words: list[tuple[str, str, str]],
) -> np.ndarray:
    """The place that each pair of job and place means, by the decisions and aliases."""
    number = {text: at for at, text in enumerate(spots.texts)}
    meant = {
        (words.number[of] if of else None, number[written]): number[meaning]
        for of, written, meaning in place_words
        if written in number and (not of or of in words.number)  # its job's files may be gone
    }
    said = spot.astype(np.int32)
    for at in np.flatnonzero(np.isin(spot, [written for _, written in meant])).tolist():
        one = int(spot[at])
        said[at] = meant.get((int(job[at]), one), meant.get((None, one), one))
    return said


@dataclass(frozen=True, eq=False)
class Pairs:
    """Each job with each place written in it: the place ``said``, how many rows, whether planned.

    ``in_plan`` tells pairs whose job has planned positions.
    """

    job: np.ndarray
    spot: np.ndarray
    said: np.ndarray
    rows: np.ndarray
    in_plan: np.ndarray


def _own_places(
    con: duckdb.DuckDBPyConnection,
    pairs: Pairs,
    rest: np.ndarray,
    key: np.ndarray,
    exact: np.ndarray,
) -> None:
    """Give the pairs ``rest`` their ``key`` where their place stands for itself.

    A panel written in several forms has the form that most rows have; ``exact`` are places in it.
    """
    forms = con.execute(_FORMS).fetchnumpy()
    many = max(forms["spot"].max(initial=-1), pairs.spot.max(initial=-1)) + 1
    key_no, panel_no, port_no = np.full((3, many), -1)
    for name, column in (("key_no", key_no), ("panel_no", panel_no), ("port_no", port_no)):
        column[forms["spot"]] = forms[name]
    capital = np.zeros(many, dtype=bool)
    capital[forms["spot"]] = forms["capital"]
    rest = rest[key_no[pairs.said[rest]] >= 0]
    job, said, rows = pairs.job[rest], pairs.said[rest], pairs.rows[rest]
    panel, port = panel_no[said], port_no[said]
    keys, forms_of_panels = key_no.max(initial=0) + 1, panel_no.max(initial=0) + 1
    group, panels = grouped(job * keys + key_no[said])
    use, uses = grouped(group * forms_of_panels + panel)
    of, form = np.divmod(uses, forms_of_panels)
    often = np.bincount(use, weights=rows, minlength=len(uses))
    order = np.lexsort((form, often, of))
    usual = np.empty(len(panels), dtype=np.int64)
    usual[of[order]] = form[order]  # the last of each panel stays: the most rows, then the name
    believed = np.ones(len(rest), dtype=bool)
    asked = np.flatnonzero(pairs.in_plan[rest])
    if len(asked):
        once = np.unique(use[asked] << _BITS | port[asked]) >> _BITS
        ports = np.bincount(of, weights=np.bincount(once, minlength=len(uses)))
        enough = (ports >= _LEAST_USE) & (np.bincount(of, weights=often) >= _LEAST_USE)
        plan = con.execute(_PLANNED_PANELS).fetchnumpy()
        enough &= ~np.isin(panels, plan["job"] * keys + plan["key_no"])
        believed[asked] = enough[group[asked]]
    at = rest[believed]
    key[at] = (job << 2 * _BITS | usual[group] << _BITS | port)[believed]
    exact[at] = ((panel == usual[group]) & capital[pairs.spot[rest]])[believed]


def _sorted_once(values: np.ndarray) -> np.ndarray:
    """Distinct values in order; they come in long runs, which a merge sort likes."""
    values = np.sort(values, kind="stable")
    return values[np.flatnonzero(np.diff(values, prepend=-1))]


def _names(con: duckdb.DuckDBPyConnection, words: Words, keys: np.ndarray) -> pa.Table:
    """Job, panel and port of each position by its key."""
    import pyarrow as pa

    columns = {"job": words.column(keys >> 2 * _BITS)}
    for name, shift in (("panel", _BITS), ("port", 0)):
        texts = con.execute(f"SELECT {name} FROM {name}s ORDER BY {name}_no").fetchall()
        codes = (keys >> shift & (1 << _BITS) - 1) - 1
        columns[name] = pa.DictionaryArray.from_arrays(
            pa.array(codes.astype(np.int32)), pa.array([one for (one,) in texts], pa.string())
        )
    return pa.table(columns)
