"""The records that count with their people, kit and places; the order of time among them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from yieldkit.records.attempts import stripped
from yieldkit.records.columns import in_order_of, whole
from yieldkit.records.stacking import UNKNOWN, Words, coded

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

    from yieldkit.records.attempts import Shown
    from yieldkit.records.clocks import Times

_KIT = """
CREATE TABLE kit_halves_all AS
SELECT * EXCLUDE part_of_day, unnest(CASE part_of_day WHEN 'all' THEN ['am', 'pm']
    ELSE [part_of_day] END) = 'am' AS morning FROM kit_days;
CREATE TABLE sole_holder AS
SELECT splicer, date, morning, any_value(technician) AS technician FROM kit_halves_all
WHERE splicer <> 'unknown'
GROUP BY ALL HAVING count(DISTINCT technician) = 1 AND any_value(technician) <> 'unknown';
CREATE TABLE kit_halves AS
SELECT technician, date, morning, splicer, any_value(cleaver) AS cleaver,
    any_value(heater) AS heater, any_value(source) AS source FROM kit_halves_all
GROUP BY ALL HAVING count(DISTINCT (cleaver, heater)) = 1;
CREATE TABLE only_kit AS
SELECT technician, date, morning, any_value(cleaver) AS cleaver, any_value(heater) AS heater
FROM kit_halves GROUP BY ALL HAVING count(*) = 1;
"""

TECHNICIAN_SOURCES = ("export", "kit sheet", "unknown")
KIT_SOURCES = ("export", "kit sheet", "inferred", "unknown")


@dataclass(frozen=True, eq=False)
class Placed:
    """The records that count, with people, kit and places; one element a record, by its row.

    Parameters
    ----------
    at : ndarray of int
        Row of the stacked table, rising; the other arrays are alike.
    technician, splicer, serial, cleaver, heater, job, kind, fibre_lot, connector_lot : ndarray
        Numbers of ``words``; ``kind``: connector type. The job is -1 where none is known.
    technician_source, kit_source, link : ndarray of int
        Numbers of ``TECHNICIAN_SOURCES``, ``KIT_SOURCES``, ``places.LINKS``.
    spot, pos : ndarray of int
        Place as written and position, -1 without one.
    epoch, counter : ndarray of int
        Epoch of the machine's counter; record number, -1 without one.
    utc, day : ndarray of datetime64
        Time and the crew's day, missing where unknown.
    low, high : ndarray of float
        Interval that the estimate can mean [dB]; NaN without one.
    reached, failed, told : ndarray of bool
        Whether the arc was reached, an error is shown, an outcome is written.
    """

    words: Words
    at: np.ndarray
    src: np.ndarray
    splicer: np.ndarray
    serial: np.ndarray
    technician: np.ndarray
    technician_source: np.ndarray
    cleaver: np.ndarray
    heater: np.ndarray
    kit_source: np.ndarray
    job: np.ndarray
    kind: np.ndarray
    fibre_lot: np.ndarray
    connector_lot: np.ndarray
    spot: np.ndarray
    pos: np.ndarray
    link: np.ndarray
    epoch: np.ndarray
    counter: np.ndarray
    utc: np.ndarray
    day: np.ndarray
    low: np.ndarray
    high: np.ndarray
    reached: np.ndarray
    failed: np.ndarray
    told: np.ndarray

    @cached_property
    def in_time(self) -> np.ndarray:
        """Order of time, then machine, epoch and counter; records without time are last."""
        last = np.iinfo(np.int64).max
        when = self.utc.astype("datetime64[us]").astype(np.int64)
        when = np.where(np.isnat(self.utc), last, when)
        counter = np.where(self.counter < 0, last, self.counter)
        return np.lexsort((counter, self.serial.astype(np.int64) << 20 | self.epoch, when))

    def by(self, *groups: np.ndarray, where: np.ndarray | None = None) -> np.ndarray:
        """Records grouped by some numbers, within a group in order of time."""
        order = self.in_time if where is None else self.in_time[where[self.in_time]]
        for group in reversed(groups):
            order = order[in_order_of(group[order])]
        return order

    def register(self, con: duckdb.DuckDBPyConnection, view: str, **more: pa.Array) -> None:
        """Show the records to the engine as ``view``, with ``rn`` for the row and more columns."""
        import pyarrow as pa

        coded = ("splicer", "serial", "technician", "job", "connector_type")
        columns = {
            "rn": pa.array(self.at.astype(np.int32)),
            "src": pa.array(self.src),
            "splicer": self.words.column(self.splicer),
            "serial": self.words.column(self.serial),
            "technician": self.words.column(self.technician),
            "job": self.words.column(self.job),
            "connector_type": self.words.column(self.kind),
            "spot": pa.array(self.spot, mask=self.spot < 0),
            "pos": pa.array(self.pos, mask=self.pos < 0),
            "epoch": pa.array(self.epoch),
            "counter": pa.array(self.counter, mask=self.counter < 0),
            "when_utc": pa.array(self.utc.astype("datetime64[us]")),
            "day": pa.array(self.day),
            "reached": pa.array(self.reached),
            "failed": pa.array(self.failed),
        } | more
        con.register(f"{view}_arrow", pa.table(columns))
        shown = [f"{name}::word AS {name}" if name in coded else name for name in columns]
        con.execute(f"CREATE OR REPLACE VIEW {view} AS SELECT {', '.join(shown)} FROM {view}_arrow")


def place_attempts(
    con: duckdb.DuckDBPyConnection, shown: Shown, epoch: np.ndarray, times: Times
) -> Placed:
    """The records that count, with people, kit and places; also makes the tables of kit held."""
    import pyarrow.compute as pc

    at, words, rows = times.at, shown.words, shown.rows
    unknown = words.number[UNKNOWN]

    def lot(name: str) -> np.ndarray:
        found = coded(rows, name)
        return found.meant(stripped(words, found.words))[at]

    names = coded(rows, "technician_text")
    unnamed = np.array([not word.strip(" ") for word in names.words] + [True])[names.codes][at]
    outcome = coded(rows, "outcome_text")
    told = np.array([bool(word.strip(" ")) for word in outcome.words] + [False])[outcome.codes]
    errors = coded(rows, "error")
    failed = np.array([word != "none" for word in errors.words] + [False])[errors.codes]
    reached = pc.fill_null(whole(rows["reached_arc"]), True)
    pair = shown.places.pair[at]
    pos = shown.places.pos[pair]
    day = times.local.astype("datetime64[D]")
    morning = times.local < day.astype(times.local.dtype) + np.timedelta64(12, "h")
    con.execute(_KIT)
    half = _Half(day, morning, len(words.texts))
    held = _people_and_kit(con, shown, at, half, unnamed, unknown)
    own = (shown.kind[at], lot("fibre_lot_text"), lot("connector_lot_text"))
    plan = planned_words(con, len(shown.places.names), unknown)
    kind, fibre_lot, connector_lot = (
        np.where(mine < 0, planned[pos], mine) for mine, planned in zip(own, plan, strict=True)
    )
    return Placed(
        words=words,
        at=at,
        src=whole(rows["src"]).to_numpy()[at],
        splicer=shown.splicer[at],
        serial=shown.serial[at],
        **held,
        job=shown.job[at],
        kind=kind,
        fibre_lot=fibre_lot,
        connector_lot=connector_lot,
        spot=shown.spot[at],
        pos=pos,
        link=np.where(pos < 0, 3, np.where(shown.places.exact[pair], 0, 1)).astype(np.int8),
        epoch=epoch[at].astype(np.int16),
        counter=shown.counter[at],
        utc=times.utc,
        day=day,
        low=shown.low[at],
        high=shown.high[at],
        reached=reached.to_numpy(zero_copy_only=False)[at],
        failed=failed[at],
        told=told[at],
    )


def _people_and_kit(
    con: duckdb.DuckDBPyConnection,
    shown: Shown,
    at: np.ndarray,
    half: _Half,
    unnamed: np.ndarray,
    unknown: int,
) -> dict[str, np.ndarray]:
    """Who made each record on which kit, by the export, else the kit sheet, and how it is known."""
    splicer = shown.splicer[at]
    technician, technician_source = shown.technician[at], np.zeros(len(at), np.int8)
    alone = half.look_up(con, "sole_holder", ("splicer",), (splicer,), ("technician",))[0]
    other = np.where(unnamed, alone, -1)
    technician_source[technician < 0] = np.where(other < 0, 2, 1)[technician < 0]
    technician = np.where(technician < 0, np.where(other < 0, unknown, other), technician)
    on_sheet, *sheet = half.look_up(
        con,
        "kit_halves",
        ("technician", "splicer"),
        (technician, splicer),
        ("source = 'kit sheet'", "cleaver", "heater"),
    )
    only = half.look_up(con, "only_kit", ("technician",), (technician,), ("cleaver", "heater"))
    kit = []
    for own, of_sheet, of_only in zip(
        (shown.cleaver[at], shown.heater[at]), sheet, only, strict=True
    ):
        found = np.where(of_sheet < 0, of_only, of_sheet)
        kit.append(np.where(own < 0, np.where(found < 0, unknown, found), own))
    cases = (shown.cleaver[at] >= 0, on_sheet == 1, (on_sheet >= 0) | (only[0] >= 0))
    kit_source = np.select(cases, (0, 1, 2), 3).astype(np.int8)
    return {
        "technician": technician,
        "technician_source": technician_source,
        "cleaver": kit[0],
        "heater": kit[1],
        "kit_source": kit_source,
    }


def planned_words(
    con: duckdb.DuckDBPyConnection, positions: int, unknown: int, table: str = "planned"
) -> tuple[np.ndarray, ...]:
    """Type, fibre lot and connector lot planned at each position and, last, at none."""
    names = ("connector_type", "fibre_lot", "connector_lot")
    asked = ", ".join(f"enum_code({name})::INTEGER AS {name}" for name in names)
    found = con.execute(f"SELECT pos, {asked} FROM {table}").fetchnumpy()
    columns = []
    for name in names:
        column = np.full(positions + 1, unknown, dtype=np.int32)
        column[found["pos"]] = np.ma.filled(found[name], unknown)
        columns.append(column)
    return tuple(columns)


@dataclass(frozen=True, eq=False)
class _Half:
    """The half day of each record, by which kit is looked up; ``words``: how many there are."""

    day: np.ndarray
    morning: np.ndarray
    words: int

    def look_up(
        self,
        con: duckdb.DuckDBPyConnection,
        table: str,
        keys: tuple[str, ...],
        values: tuple[np.ndarray, ...],
        wanted: tuple[str, ...],
    ) -> list[np.ndarray]:
        """Numbers that a table of half days has for each record; -1 where it has no such row."""
        codes = [
            f"({one})::INTEGER" if " " in one else f"enum_code({one})::INTEGER" for one in wanted
        ]
        asked = ", ".join(f"{one} AS c{n}" for n, one in enumerate(codes))
        known = ", ".join(f"enum_code({key})::INTEGER AS {key}" for key in keys)
        rows = con.execute(f"SELECT date, morning, {known}, {asked} FROM {table}").fetchnumpy()
        if not len(rows["morning"]):
            return [np.full(len(self.day), -1, dtype=np.int32) for _ in wanted]
        have = self._key(rows["date"], rows["morning"], [rows[key] for key in keys])
        mine = self._key(self.day, self.morning, values)
        order = np.argsort(have)
        at = order[np.minimum(np.searchsorted(have, mine, sorter=order), len(have) - 1)]
        hit = (have[at] == mine) & ~np.isnat(self.day)
        return [np.where(hit, rows[f"c{n}"][at], -1).astype(np.int32) for n in range(len(wanted))]

    def _key(
        self, day: np.ndarray, morning: np.ndarray, values: Sequence[np.ndarray]
    ) -> np.ndarray:
        days = np.ma.filled(day, np.datetime64("NaT")).astype("datetime64[D]").astype(np.int64)
        key = np.clip(days, -1_000_000, 1_000_000) * 2 + morning
        for value in values:
            key = key * self.words + value
        return key
