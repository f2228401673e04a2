"""Attempts and positions, the large tables, put together column by column from numbered rows."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from yieldkit.records import clocks
from yieldkit.records.placed import KIT_SOURCES, TECHNICIAN_SOURCES
from yieldkit.records.places import LINKS
from yieldkit.records.tables import TABLES

if TYPE_CHECKING:
    import pyarrow as pa

    from yieldkit.records.attempts import Shown
    from yieldkit.records.clocks import Times
    from yieldkit.records.positions import Records

_AS_SHOWN = (
    *("counter", "when_shown", "fibre", "loss_text", "angle_crew_deg", "angle_other_deg"),
    *("arcs", "file", "source_row", "fingerprint"),
)
_LOTS = ("fibre_lot", "connector_lot")
_OF_FIRST_ARC = ("technician", "splicer", "cleaver", "heater", "program")


def tables(
    records: Records,
    again: np.ndarray,
    positions: pa.Table,
    rework: pa.Table,
    shown: Shown,
    times: Times,
) -> dict[str, pa.Table]:
    """The tables ``attempts`` and ``positions``, and ``rework`` with the ids of its attempts.

    ``again`` tells which records without a position may redo the one before.
    """
    names = _with_ids(shown.places.names)
    order = records.placed.in_time
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    attempts = _attempts(records, again, order, shown, times, names)
    return {
        "attempts": attempts,
        "positions": _positions(positions, attempts, back, names),
        "rework": _rework(rework, attempts, records.placed.at, back),
    }


def _attempts(
    records: Records,
    again: np.ndarray,
    order: np.ndarray,
    shown: Shown,
    times: Times,
    names: pa.Table,
) -> pa.Table:
    """The table ``attempts``: the records that count, in order of time."""
    import pyarrow as pa

    placed, arcs = records.placed, records.arcs
    words = placed.words
    at = placed.at[order]
    number = np.zeros(len(at), dtype=np.int64)
    number[arcs.row] = arcs.number
    redo = np.where(number > 1, 1, np.where(again, 2, 0))[order]
    number = number[order]
    pos = np.where(placed.pos < 0, len(names), placed.pos)[order]
    coded = ("splicer", "serial", "technician", "cleaver", "heater", "job")
    columns = {name: words.column(getattr(placed, name)[order]) for name in coded}
    columns |= {name: words.column(getattr(placed, name)[order]) for name in _LOTS}
    columns |= {name: shown.take(name, at) for name in _AS_SHOWN}
    columns |= _named(names, pos)
    low, high = placed.low[order], placed.high[order]
    columns |= {
        "connector_type": words.column(placed.kind[order]),
        "date": pa.array(placed.day[order]),
        "epoch": pa.array(placed.epoch[order]),
        "when": pa.array(placed.utc[order].astype("datetime64[us]")),
        "link": _one_of(placed.link[order], LINKS),
        "loss_low_db": pa.array(low, mask=np.isnan(low)),
        "loss_high_db": pa.array(high, mask=np.isnan(high)),
        "when_source": _one_of(times.source[order], clocks.SOURCES),
        "technician_source": _one_of(placed.technician_source[order], TECHNICIAN_SOURCES),
        "kit_source": _one_of(placed.kit_source[order], KIT_SOURCES),
        "place_text": _texts(shown, at),
        "ribbon": _changed(shown.take("ribbon_text", at), _or_none),
        "program": _changed(shown.take("program", at), _or_none),
        "reached_arc": pa.array(placed.reached[order]),
        "error": _changed(shown.take("error", at), none="none"),
        "error_text": _changed(shown.take("outcome_text", at), _or_none),
        "attempt_no": pa.array(number, mask=number == 0),
        "redo": _one_of(redo, ("no", "yes", "probable")),
        "die": _changed(shown.take("die_text", at), _or_none),
        "remark": _changed(shown.take("remark", at), _or_none),
        "sheet": _changed(shown.take("sheet", at), none=""),
    }
    columns["attempt_id"] = _ids(columns)
    return _table(columns, "attempts")


def _positions(found: pa.Table, attempts: pa.Table, back: np.ndarray, names: pa.Table) -> pa.Table:
    """The table ``positions``; ``back`` tells the row in ``attempts`` of each record."""
    import pyarrow as pa
    import pyarrow.compute as pc

    first = pc.fill_null(found["first"].combine_chunks(), -1).to_numpy()
    row = pa.array(np.append(back, -1)[first], mask=first < 0)
    columns = {name: found[name] for name in found.column_names}
    columns |= _named(names, found["pos"].to_numpy()) | {"job": names["job"].take(found["pos"])}
    columns["first_pass_termination"] = _changed(found["termination"], lambda t: t.split(": ")[0])
    columns["why"] = _changed(found["termination"], lambda t: t.split(": ")[1])
    columns["first_attempt_id"] = attempts["attempt_id"].take(row)
    columns["first_when"] = attempts["when"].take(row)
    columns |= {name: attempts[name].take(row) for name in _OF_FIRST_ARC}
    for name in _LOTS:  # both are numbers of the same words
        own, planned = attempts[name].take(row).combine_chunks(), found[name].combine_chunks()
        codes = pc.coalesce(own.indices, planned.indices)
        columns[name] = pa.DictionaryArray.from_arrays(codes, planned.dictionary)
    return _table(columns, "positions")


def _rework(rework: pa.Table, attempts: pa.Table, at: np.ndarray, back: np.ndarray) -> pa.Table:
    """Rework entries with the id of the attempt that each tells of; ``at``: rows of the records."""
    import pyarrow as pa
    import pyarrow.compute as pc

    told = pc.fill_null(rework["attempt"].combine_chunks(), -1).to_numpy()
    row = np.append(back, -1)[np.searchsorted(at, told)]
    row = pa.array(row, mask=told < 0)
    return rework.append_column("attempt_id", attempts["attempt_id"].take(row))


def _with_ids(names: pa.Table) -> pa.Table:
    """Job, panel and port of all positions, and the id that joins them."""
    import pyarrow as pa
    import pyarrow.compute as pc

    names = names.combine_chunks()
    texts = [names[name].chunk(0).cast(pa.string()) for name in ("job", "panel", "port")]
    return names.append_column("position_id", pc.binary_join_element_wise(*texts, "|"))


def _named(names: pa.Table, pos: np.ndarray) -> dict[str, pa.Array]:
    """Panel, port and id of positions; missing where ``pos`` is beyond the last."""
    import pyarrow as pa

    take = pa.array(pos, mask=pos >= len(names))
    return {name: names[name].take(take) for name in ("panel", "port", "position_id")}


def _ids(columns: dict[str, pa.Array]) -> pa.Array:
    """``serial|epoch|counter``, with the fibre of a ribbon; else serial, time and fingerprint."""
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pa.string()
    counter, fibre = columns["counter"], columns["fibre"]
    second = columns["epoch"].dictionary_encode().cast(text)
    third = counter.cast(text)
    fourth = pc.if_else(pc.greater(fibre, 0), fibre, pa.scalar(None, fibre.type)).cast(text)
    if counter.null_count:
        known = pc.is_valid(counter)
        shown = pc.strftime(columns["when_shown"].cast(pa.timestamp("s")), "%Y-%m-%dT%H:%M:%S")
        second = pc.if_else(known, second, shown)
        third = pc.coalesce(third, columns["fingerprint"])
        fourth = pc.if_else(known, fourth, pa.scalar(None, text))
    serial = columns["serial"].cast(text)
    return pc.binary_join_element_wise(serial, second, third, fourth, "|", null_handling="skip")


def _one_of(codes: np.ndarray, words: tuple[str, ...]) -> pa.Array:
    import pyarrow as pa

    return pa.DictionaryArray.from_arrays(pa.array(codes.astype(np.int8)), list(words))


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
