"""Attempts and positions, the large tables, put together column by column from numbered rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from yieldkit.records.attempts import KIT_SOURCES, TECHNICIAN_SOURCES
from yieldkit.records.tables import TABLES

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

    from yieldkit.records.attempts import Shown
    from yieldkit.records.clocks import Times

_OF_ENGINE = (
    *("splicer", "serial", "date", "technician", "cleaver", "heater", "job", "link"),
    *("connector_type", "fibre_lot", "connector_lot", "loss_low_db", "loss_high_db"),
)
_AS_SHOWN = (
    *("counter", "when_shown", "fibre", "loss_text", "angle_crew_deg", "angle_other_deg"),
    *("arcs", "file", "source_row", "fingerprint"),
)
_OF_FIRST_ARC = ("technician", "splicer", "cleaver", "heater", "program")


@dataclass(frozen=True, eq=False)
class Parts:
    """What the engine knows of the attempts, in their order, and which arc each is."""

    judged: pa.Table
    rn: np.ndarray
    attempt_no: np.ndarray


def fetch(con: duckdb.DuckDBPyConnection) -> Parts:
    """Take the attempts out of the engine."""
    judged = con.sql(
        "SELECT j.* RENAME (day AS date), c.rn IS NOT NULL AS again FROM judged j"
        " LEFT JOIN chained c USING (rn)"
        " ORDER BY j.when_utc NULLS LAST, j.serial, j.epoch, j.counter, rn"
    ).to_arrow_table()
    arcs = con.execute("SELECT rn, attempt_no FROM arcs").fetchnumpy()
    return Parts(judged.combine_chunks(), arcs["rn"], arcs["attempt_no"])


def tables(
    parts: Parts, positions: pa.Table, rework: pa.Table, shown: Shown, times: Times
) -> dict[str, pa.Table]:
    """The tables ``attempts`` and ``positions``, and ``rework`` with the ids of its attempts."""
    names = shown.places.names
    attempts, back = _attempts(parts, shown, times, names)
    return {
        "attempts": attempts,
        "positions": _positions(positions, attempts, back, names),
        "rework": _rework(rework, attempts, back),
    }


def _attempts(
    parts: Parts, shown: Shown, times: Times, names: pa.Table
) -> tuple[pa.Table, np.ndarray]:
    """The table ``attempts``, and the row in it of each record (-1: none)."""
    import pyarrow as pa
    import pyarrow.compute as pc

    judged = parts.judged
    at = judged["rn"].to_numpy()
    back = np.full(shown.rows.num_rows + 1, -1, dtype=np.int64)
    back[at] = np.arange(len(at))
    number = np.zeros(len(back), dtype=np.int64)
    number[parts.rn] = parts.attempt_no
    number = number[at]
    when = np.searchsorted(times.at, at)
    pos = pc.fill_null(judged["pos"].combine_chunks(), len(names)).to_numpy()
    again = judged["again"].to_numpy()
    redo = np.where(number > 1, 1, np.where(again, 2, 0))
    columns = {name: judged[name] for name in _OF_ENGINE}
    columns |= {name: shown.take(name, at) for name in _AS_SHOWN}
    columns |= _named(names, pos)
    columns |= {
        "attempt_id": _ids(judged, columns),
        "epoch": judged["epoch"],
        "when": judged["when_utc"],
        "when_source": pa.array(times.source[when], pa.string()).dictionary_encode(),
        "technician_source": _one_of(judged["technician_source"], TECHNICIAN_SOURCES),
        "kit_source": _one_of(judged["kit_source"], KIT_SOURCES),
        "place_text": _texts(shown, at),
        "ribbon": _changed(shown.take("ribbon_text", at), _or_none),
        "program": _changed(shown.take("program", at), _or_none),
        "reached_arc": judged["reached"],
        "error": _changed(shown.take("error", at), none="none"),
        "error_text": _changed(shown.take("outcome_text", at), _or_none),
        "attempt_no": pa.array(number, mask=number == 0),
        "redo": _one_of(pa.array(redo), ("no", "yes", "probable")),
        "die": _changed(shown.take("die_text", at), _or_none),
        "remark": _changed(shown.take("remark", at), _or_none),
        "sheet": _changed(shown.take("sheet", at), none=""),
    }
    return _table(columns, "attempts"), back


def _positions(found: pa.Table, attempts: pa.Table, back: np.ndarray, names: pa.Table) -> pa.Table:
    """The table ``positions``."""
    import pyarrow as pa
    import pyarrow.compute as pc

    first = pc.fill_null(found["first_rn"].combine_chunks(), -1).to_numpy()
    row = pa.array(back[first], mask=first < 0)
    columns = {name: found[name] for name in found.column_names}
    columns |= _named(names, found["pos"].to_numpy()) | {"job": names["job"].take(found["pos"])}
    columns["first_pass_termination"] = _changed(found["termination"], lambda t: t.split(": ")[0])
    columns["why"] = _changed(found["termination"], lambda t: t.split(": ")[1])
    columns["first_attempt_id"] = attempts["attempt_id"].take(row)
    columns["first_when"] = attempts["when"].take(row)
    columns |= {name: attempts[name].take(row) for name in _OF_FIRST_ARC}
    for name in ("fibre_lot", "connector_lot"):  # both are numbers of the same words
        own, planned = attempts[name].take(row).combine_chunks(), found[name].combine_chunks()
        codes = pc.coalesce(own.indices, planned.indices)
        columns[name] = pa.DictionaryArray.from_arrays(codes, planned.dictionary)
    return _table(columns, "positions")


def _rework(rework: pa.Table, attempts: pa.Table, back: np.ndarray) -> pa.Table:
    """Rework entries with the id of the attempt that each tells of."""
    import pyarrow as pa
    import pyarrow.compute as pc

    at = pc.fill_null(rework["attempt"].combine_chunks(), -1).to_numpy()
    row = pa.array(back[at], mask=at < 0)
    return rework.append_column("attempt_id", attempts["attempt_id"].take(row))


def _named(names: pa.Table, pos: np.ndarray) -> dict[str, pa.Array]:
    """Panel, port and id of positions; missing where ``pos`` is beyond the last."""
    import pyarrow as pa
    import pyarrow.compute as pc

    columns = {name: names[name].combine_chunks() for name in ("job", "panel", "port")}
    ids = pc.binary_join_element_wise(*(c.cast(pa.string()) for c in columns.values()), "|")
    columns = {"panel": columns["panel"], "port": columns["port"], "position_id": ids}
    take = pa.array(pos, mask=pos >= len(names))
    return {name: column.take(take) for name, column in columns.items()}


def _ids(judged: pa.Table, columns: dict[str, pa.Array]) -> pa.Array:
    """``serial|epoch|counter``, with the fibre of a ribbon; else serial, time and fingerprint."""
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pa.string()
    counter, fibre = columns["counter"], columns["fibre"]
    second = judged["epoch"].combine_chunks().dictionary_encode().cast(text)
    third = counter.cast(text)
    fourth = pc.if_else(pc.greater(fibre, 0), fibre, pa.scalar(None, fibre.type)).cast(text)
    if counter.null_count:
        known = pc.is_valid(counter)
        shown = pc.strftime(columns["when_shown"].cast(pa.timestamp("s")), "%Y-%m-%dT%H:%M:%S")
        second = pc.if_else(known, second, shown)
        third = pc.coalesce(third, columns["fingerprint"])
        fourth = pc.if_else(known, fourth, pa.scalar(None, text))
    serial = judged["serial"].combine_chunks().cast(text)
    return pc.binary_join_element_wise(serial, second, third, fourth, "|", null_handling="skip")


def _one_of(codes: pa.Array, words: tuple[str, ...]) -> pa.Array:
    import pyarrow as pa

    if isinstance(codes, pa.ChunkedArray):
        codes = codes.combine_chunks()
    return pa.DictionaryArray.from_arrays(codes.cast(pa.int8()), list(words))


def _texts(shown: Shown, at: np.ndarray) -> pa.Array:
    import pyarrow as pa

    spot = shown.written[at]
    codes = pa.array(spot, mask=spot < 0)
    return pa.DictionaryArray.from_arrays(codes, pa.array(shown.places.texts, pa.string()))


def _or_none(word: str) -> str | None:
    return word.strip(" ") or None


def _changed(
    column: pa.Array, change: Callable[[str], str | None] = str, none: str | None = None
) -> pa.Array:
    """Coded text with each word changed, ``none`` where nothing stands."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if isinstance(column, pa.ChunkedArray):
        column = column.combine_chunks()
    words = [change(word) for word in column.dictionary.to_pylist()] + [none]
    number: dict[str | None, int] = {}
    for word in words:
        if word is not None:
            number.setdefault(word, len(number))
    table = np.array([number.get(word, -1) for word in words], dtype=np.int32)
    codes = table[pc.fill_null(column.indices.cast(pa.int32()), len(words) - 1).to_numpy()]
    return pa.DictionaryArray.from_arrays(
        pa.array(codes, mask=codes < 0), pa.array(list(number), pa.string())
    )


def _table(columns: dict[str, pa.Array], name: str) -> pa.Table:
    import pyarrow as pa

    return pa.table({column: columns[column] for column in TABLES[name].names})
