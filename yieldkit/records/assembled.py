"""Attempts and positions, the large tables, put together a month at a time from numbered rows."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from yieldkit.records import clocks
from yieldkit.records.columns import (
    UNDATED,
    Listed,
    Values,
    mixed,
    month_name,
    months_of,
    whole,
)
from yieldkit.records.first_pass import TOLD
from yieldkit.records.placed import KIT_SOURCES, TECHNICIAN_SOURCES
from yieldkit.records.places import LINKS
from yieldkit.records.stacking import Coded, coded
from yieldkit.records.tables import TABLES, arrow_schema

if TYPE_CHECKING:
    import pyarrow as pa

    from yieldkit.records.attempts import Shown
    from yieldkit.records.clocks import Times
    from yieldkit.records.positions import Positions
    from yieldkit.records.stacking import Source

_AS_SHOWN = (
    *("counter", "when_shown", "fibre", "loss_text", "angle_crew_deg", "angle_other_deg"),
    *("arcs", "file", "source_row", "fingerprint"),
)
_WORDS_AS_SHOWN = {
    **{"ribbon": "ribbon_text", "program": "program", "error_text": "outcome_text"},
    **{"die": "die_text", "remark": "remark"},
}
"""Columns of text as a record shows them, without the blanks around."""
_LOTS = ("fibre_lot", "connector_lot")
_OF_FIRST_ARC = ("technician", "splicer", "cleaver", "heater", "program")
_LINKS, _SOURCES, _BY_WHOM, _BY_WHAT, _REDO = (
    Listed(words)
    for words in (
        *(LINKS, clocks.SOURCES, TECHNICIAN_SOURCES, KIT_SOURCES),
        ("no", "yes", "probable"),
    )
)
_ANSWER, _WHY = ({one: one.split(": ")[part] for one in TOLD} for part in (0, 1))


@dataclass(frozen=True, eq=False)
class Months:
    """Attempts and positions by month, each month made when its turn comes.

    A position belongs to the month of its first arc.

    Parameters
    ----------
    positions : Positions
        And the records behind them.
    again : ndarray of bool
        Records without a position that may redo the one before.
    shown : Shown
    times : Times
    sources : sequence of Source
    """

    positions: Positions
    again: np.ndarray
    shown: Shown
    times: Times
    sources: Sequence[Source]

    def __iter__(self) -> Iterator[Month]:
        there = np.flatnonzero(self.positions.there)
        nothing = np.zeros(0, dtype=np.int64)
        rows = self._rows or {UNDATED: nothing}
        places = _by_month(there, self.positions.day(there)) or {UNDATED: nothing}
        for month in sorted({*rows, *places}):
            tables = ("attempts",) * (month in rows) + ("positions",) * (month in places)
            yield Month(
                month_name(month),
                tables,
                self,
                rows.get(month, nothing),
                places.get(month, nothing),
            )

    def table(self, name: str) -> pa.Table:
        """One of the two tables as a whole."""
        import pyarrow as pa

        schema = arrow_schema(TABLES[name])
        return pa.concat_tables(
            [schema.empty_table(), *(month.table(name).cast(schema) for month in self)]
        )

    def attempt_ids(self, rows: np.ndarray) -> pa.Array:
        """Ids of the attempts of some records; missing where the record is -1."""
        import pyarrow as pa

        known = rows[rows >= 0]
        found = Month("", ("attempts",), self, known, known[:0]).attempts["attempt_id"]
        at = np.full(len(rows), -1)
        at[rows >= 0] = np.arange(len(known))
        return whole(found).take(pa.array(at, mask=at < 0))

    @cached_property
    def _rows(self) -> dict[int, np.ndarray]:
        """Records of each month, in order of time."""
        placed = self.positions.records.placed
        return _by_month(placed.in_time, placed.day[placed.in_time])

    @cached_property
    def turn(self) -> np.ndarray:
        """Which row of the table of attempts each record is."""
        turn = np.zeros(len(self.again), dtype=np.int64)
        turn[np.concatenate([turn[:0], *self._rows.values()])] = np.arange(len(turn))
        return turn

    @cached_property
    def _number(self) -> np.ndarray:
        """Which arc of its position each record is; 0 for none."""
        arcs = self.positions.records.arcs
        number = np.zeros(len(self.again), dtype=np.int32)
        number[arcs.row] = arcs.number
        return number

    @cached_property
    def _place(self) -> dict[str, Values]:
        """Job, panel and port of each position."""
        names = self.shown.places.names
        found = {}
        for name in ("job", "panel", "port"):
            column = whole(names[name])
            found[name] = Values(column.indices.to_numpy(), Listed(column.dictionary.to_pylist()))
        return found

    @cached_property
    def _places_written(self) -> Listed:
        return Listed(self.shown.places.texts)

    @cached_property
    def _of_file(self) -> np.ndarray:
        """A number for the typed rows of each file: the same key, the same rows."""
        return Listed([f"{one.file}|{one.sha256}|{one.key}" for one in self.sources]).digests

    @cached_property
    def _begins(self) -> np.ndarray:
        """Stacked row at which each file begins."""
        src = whole(self.shown.rows["src"]).to_numpy()
        return np.searchsorted(src, np.arange(len(self.sources)))

    @cached_property
    def _changed(self) -> dict[str, _Changed]:
        """Columns of text whose words are changed a little."""
        found = {
            name: _Changed.of(coded(self.shown.rows, column), _or_none, None)
            for name, column in _WORDS_AS_SHOWN.items()
        }
        for name, none in (("error", "none"), ("sheet", "")):
            found[name] = _Changed.of(coded(self.shown.rows, name), str, none)
        return found

    def place(self, pos: np.ndarray) -> dict[str, Values]:
        """Job, panel and port of some positions, -1 for none."""
        return {
            name: Values(_or_minus(column.values, pos), column.words)
            for name, column in self._place.items()
        }

    def records(self, rows: np.ndarray) -> dict[str, Values]:
        """What is reckoned of some records."""
        placed, words = self.positions.records.placed, self.positions.records.placed.words.listed
        coded = ("splicer", "serial", "technician", "cleaver", "heater", "job", *_LOTS)
        columns = {name: Values(getattr(placed, name)[rows], words) for name in coded}
        place = self.place(placed.pos[rows])
        number = self._number[rows]
        low, high = placed.low[rows], placed.high[rows]
        redo = np.where(number > 1, 1, np.where(self.again[rows], 2, 0))
        return columns | {
            "job_of_place": place["job"],
            "panel": place["panel"],
            "port": place["port"],
            "connector_type": Values(placed.kind[rows], words),
            "date": Values(placed.day[rows]),
            "epoch": Values(placed.epoch[rows]),
            "when": Values(placed.utc[rows].astype("datetime64[us]")),
            "link": Values(placed.link[rows], _LINKS),
            "loss_low_db": Values(low, none=np.isnan(low)),
            "loss_high_db": Values(high, none=np.isnan(high)),
            "when_source": Values(self.times.source[rows], _SOURCES),
            "technician_source": Values(placed.technician_source[rows], _BY_WHOM),
            "kit_source": Values(placed.kit_source[rows], _BY_WHAT),
            "place_text": Values(self.shown.written[placed.at[rows]], self._places_written),
            "reached_arc": Values(placed.reached[rows]),
            "error": self._changed["error"].at(placed.at[rows]),
            "attempt_no": Values(number, none=number == 0),
            "redo": Values(redo, _REDO),
        }

    def digests(self, rows: np.ndarray, columns: dict[str, Values]) -> np.ndarray:
        """A 64-bit digest of each record: of its file, its row there and what is reckoned of it."""
        placed = self.positions.records.placed
        src = placed.src[rows]
        row = placed.at[rows] - self._begins[src]
        parts = [self._of_file[src], row, *(one.bits() for one in columns.values())]
        return mixed(parts, len(rows))


@dataclass(frozen=True, eq=False)
class Month:
    """One month of some ``tables``: some ``rows`` of the records, some ``places``."""

    name: str
    tables: tuple[str, ...]
    of: Months
    rows: np.ndarray
    places: np.ndarray

    def mark(self, name: str) -> str:
        """Digest of all that a table's rows of this month are made of, in their order."""
        made = self._digests if name == "attempts" else self._digests_of_places
        return hashlib.sha256(made.tobytes()).hexdigest()

    def table(self, name: str) -> pa.Table:
        """The rows of a table; text is coded."""
        import pyarrow as pa

        columns = self.attempts if name == "attempts" else self._positions
        schema = arrow_schema(TABLES[name])
        return pa.table({one.name: in_kind(columns[one.name], one.type) for one in schema})

    @property
    def answers(self) -> pa.Table:
        """``first_date`` and ``first_pass_termination`` of the positions."""
        import pyarrow as pa

        columns = {
            "first_date": self._found["first_date"].arrow(),
            "first_pass_termination": self._told(_ANSWER),
        }
        return pa.table(columns)

    def _told(self, part: dict[str, str]) -> pa.Array:
        """A part of what is told of each position's first pass."""
        told = Coded(self._found["termination"].values, list(TOLD))
        return _Changed.of(told, part.__getitem__, None).at(slice(None)).arrow()

    @cached_property
    def _records(self) -> dict[str, Values]:
        return self.of.records(self.rows)

    @cached_property
    def _digests(self) -> np.ndarray:
        return self.of.digests(self.rows, self._records)

    @cached_property
    def _found(self) -> dict[str, Values]:
        """Columns of the positions; a lot is that of the first arc, else the planned one."""
        found = self.of.positions.columns(self.places)
        first = self.of.positions.first[self.places]
        for name in _LOTS:
            own = _or_minus(getattr(self.of.positions.records.placed, name), first)
            planned = found[name]
            found[name] = Values(np.where(own < 0, planned.values, own), planned.words)
        return found

    @cached_property
    def _first(self) -> np.ndarray:
        """Place of each position's first arc among the records of the month, -1 without one."""
        first = self.of.positions.first[self.places]
        if not len(self.rows):
            return np.full(len(first), -1)
        return np.where(first < 0, -1, self.of.turn[first] - self.of.turn[self.rows[0]])

    @cached_property
    def _digests_of_places(self) -> np.ndarray:
        first = np.append(self._digests, np.uint64(0))[self._first]
        columns = [*self.of.place(self.places).values(), *self._found.values()]
        return mixed([first, *(one.bits() for one in columns)], len(self.places))

    @cached_property
    def attempts(self) -> dict[str, pa.Array]:
        """Columns of the attempts."""
        shown = self.of.shown
        at = self.of.positions.records.placed.at[self.rows]
        columns = {name: one.arrow() for name, one in self._records.items()}
        columns |= {name: shown.take(name, at) for name in _AS_SHOWN}
        for name in (*_WORDS_AS_SHOWN, "sheet"):
            columns[name] = self.of._changed[name].at(at).arrow()
        pos = self.of.positions.records.placed.pos[self.rows]
        columns["position_id"] = _joined(self.of.place(pos))
        columns["attempt_id"] = _ids(columns)
        return columns

    @cached_property
    def _positions(self) -> dict[str, pa.Array]:
        import pyarrow as pa

        place = self.of.place(self.places)
        columns = {name: one.arrow() for name, one in (place | self._found).items()}
        columns |= {"first_pass_termination": self._told(_ANSWER), "why": self._told(_WHY)}
        row = pa.array(self._first, mask=self._first < 0)
        for name, theirs in (("first_attempt_id", "attempt_id"), ("first_when", "when")):
            columns[name] = self.attempts[theirs].take(row)
        columns |= {name: self.attempts[name].take(row) for name in _OF_FIRST_ARC}
        columns["position_id"] = _joined(place)
        return columns


@dataclass(frozen=True, eq=False)
class _Changed:
    """A column of text with each word changed: ``table`` has the new number of each old one."""

    codes: np.ndarray
    table: np.ndarray
    words: Listed

    @classmethod
    def of(cls, column: Coded, change: Callable[[str], str | None], none: str | None) -> _Changed:
        """Change each word; ``none`` where nothing stands."""
        words = [*(change(word) for word in column.words), none]
        number: dict[str | None, int] = {}
        for word in words:
            if word is not None:
                number.setdefault(word, len(number))
        table = np.array([number.get(word, -1) for word in words], dtype=np.int32)
        return cls(column.codes, table, Listed([word for word in number if word is not None]))

    def at(self, where: np.ndarray | slice) -> Values:
        """The changed words of some rows."""
        return Values(self.table[self.codes[where]], self.words)


def in_kind(column: pa.Array | pa.ChunkedArray, kind: pa.DataType) -> pa.Array | pa.ChunkedArray:
    """A column in the kind its table wants; coded text stays coded."""
    import pyarrow as pa

    coded = pa.types.is_string(kind) and pa.types.is_dictionary(column.type)
    return column if coded or column.type == kind else column.cast(kind)


def _by_month(rows: np.ndarray, days: np.ndarray) -> dict[int, np.ndarray]:
    """Rows of each month by the day of each, in their order."""
    if not len(rows):
        return {}
    months = months_of(days)
    if (np.diff(months) < 0).any():
        order = np.argsort(months, kind="stable")
        rows, months = rows[order], months[order]
    starts = np.flatnonzero(np.diff(months, prepend=-(1 << 60)))
    return dict(zip(months[starts].tolist(), np.split(rows, starts[1:]), strict=True))


def _or_minus(values: np.ndarray, where: np.ndarray) -> np.ndarray:
    """Values at some places, -1 where the place is -1."""
    found = values[where] if len(values) else np.empty(len(where), dtype=np.int32)
    found[where < 0] = -1
    return found


def _joined(place: dict[str, Values]) -> pa.Array:
    """``job|panel|port``: the id of each position."""
    import pyarrow as pa
    import pyarrow.compute as pc

    texts = [place[name].arrow().cast(pa.string()) for name in ("job", "panel", "port")]
    return pc.binary_join_element_wise(*texts, "|")


def _ids(columns: dict[str, pa.Array]) -> pa.Array:
    """``serial|epoch|counter``, with the fibre of a ribbon; else serial, time and fingerprint."""
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pa.string()
    counter, fibre = columns["counter"], columns["fibre"]
    several = fibre.null_count < len(fibre)
    parts = [columns["serial"], columns["epoch"].dictionary_encode(), counter]
    if several:
        parts.append(pc.if_else(pc.greater(fibre, 0), fibre, pa.scalar(None, fibre.type)))
    parts = [part.cast(text) for part in parts]
    if counter.null_count:
        known = pc.is_valid(counter)
        shown = pc.strftime(columns["when_shown"].cast(pa.timestamp("s")), "%Y-%m-%dT%H:%M:%S")
        parts[1] = pc.if_else(known, parts[1], shown)
        parts[2] = pc.coalesce(parts[2], columns["fingerprint"])
        parts[3:] = [pc.if_else(known, part, pa.scalar(None, text)) for part in parts[3:]]
    return pc.binary_join_element_wise(*parts, "|", null_handling="skip")


def _or_none(word: str) -> str | None:
    return word.strip(" ") or None
