"""Cells of one body to typed columns, table by table; a reason for every row that cannot be."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.records.bodies import Body
from yieldkit.records.dates import times
from yieldkit.records.declared import UNITS, Layout
from yieldkit.records.numbers import Numbers, numbers, shown_decimals
from yieldkit.records.parsed import PARSED
from yieldkit.records.tables import Column
from yieldkit.records.words import (
    DASHES,
    MISSING,
    cause_class,
    class_of,
    outcome_class,
    plain,
    result_class,
)

BOUNDS = {
    "loss": (0.0, 30.0),
    "angle_crew_deg": (0.0, 30.0),
    "angle_other_deg": (0.0, 30.0),
    "value": (-5.0, 100.0),
    "insertion loss": (-2.0, 60.0),
    "one-way loss": (-5.0, 60.0),
    "two-way loss": (-2.0, 60.0),
    "estimated loss": (0.0, 30.0),
    "return loss": (0.0, 100.0),
    "rework_min": (0.0, 1440.0),
    "wavelength_nm": (400.0, 2000.0),
    "counter": (0.0, 1e9),
    "ports": (1.0, 20_000.0),
}
"""Least and greatest value that a column can hold (common practice; a layout's [bounds] win)."""
_LENIENT = {"tries", "bodies", "sleeves", "rings", "cord_m", "rework_min", "ports", "planned"}
_PIECES = dict.fromkeys(
    ("pc", "pcs", "piece", "pieces", "st", "stk", "stück", "szt", "kpl", "x"), 1.0
)
_DB = {"db": 1.0}
_DEG = {"°": 1.0, "deg": 1.0, "grad": 1.0, "degrees": 1.0, "mrad": 0.05729577951308232}
CELL_UNITS: dict[str, dict[str, float]] = {
    "loss": _DB,
    "value": _DB,
    "angle_crew_deg": _DEG,
    "angle_other_deg": _DEG,
    "wavelength_nm": {"nm": 1.0, "um": 1000.0, "µm": 1000.0, "μm": 1000.0},
    "rework_min": {
        **dict.fromkeys(("min", "mins", "minutes", "minute", "minuten", "m", "'", "′"), 1.0),
        **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "std", "stunde", "stunden", "t"), 60.0),
        **dict.fromkeys(("s", "sec"), 1 / 60),
    },
    "cord_m": {
        **{"m": 1.0, "cm": 0.01, "mm": 0.001, "in": 0.0254, '"': 0.0254, "″": 0.0254},
        **{"inch": 0.0254, "inches": 0.0254, "ft": 0.3048, "feet": 0.3048},
    },
    **dict.fromkeys(("tries", "bodies", "sleeves", "rings", "ports", "planned"), _PIECES),
}
"""Units that may stand behind a number in its cell, and what one is in the table's unit."""
_NONE_WORDS = {
    "none",
    "no",
    "nil",
    "kein",
    "keine",
    "aucun",
    "ninguno",
    "ei",
    "inga",
    "brak",
    "geen",
}


@dataclass(eq=False)
class Typed:
    """Columns of one body while they grow; ``bad`` maps a row to (heading, found, reason)."""

    body: Body
    layout: Layout
    n: int
    columns: dict[str, pa.Array] = field(default_factory=dict)
    bad: dict[int, tuple[str, str, str]] = field(default_factory=dict)
    unknown_words: dict[str, set[str]] = field(default_factory=dict)
    texts: dict[str, pa.Array] = field(default_factory=dict)

    def refuse(self, rows: np.ndarray, key: str, cells: pa.Array, reason: str) -> None:
        """Refuse rows for one column; the first reason of a row counts."""
        heading = self.body.heading(key)
        for row in np.asarray(rows).tolist():
            if row not in self.bad:
                self.bad[row] = (heading, cells[row].as_py() or "", reason)


def empty(n: int) -> pa.Array:
    """Text cells without anything."""
    return pa.nulls(n, pa.string())


def cells_of(typed: Typed, key: str) -> pa.Array:
    """Text of a key: its columns joined by a blank, else its constant, else nothing."""
    if key not in typed.texts:
        typed.texts[key] = _cells_of(typed, key)
    return typed.texts[key]


def _cells_of(typed: Typed, key: str) -> pa.Array:
    found = typed.body.cells(key)
    if len(found) > 1:
        if not any(column.null_count for column in found):
            return pc.binary_join_element_wise(*found, " ")
        joined = pc.binary_join_element_wise(*(pc.fill_null(c, "") for c in found), " ")
        joined = pc.utf8_trim_whitespace(joined)
        return pc.if_else(pc.equal(joined, ""), pa.scalar(None, pa.string()), joined)
    if found:
        return found[0]
    if key in typed.layout.constants:
        return pa.repeat(pa.scalar(typed.layout.constants[key], pa.string()), typed.n)
    return empty(typed.n)


def without_missing(cells: pa.Array, layout: Layout, words: frozenset[str] = MISSING) -> pa.Array:
    """Null where the cell is a word that means: no value."""
    if cells.null_count == len(cells):
        return cells
    forms = _forms_of((*sorted(words), *layout.missing))
    drop = pc.is_in(cells, value_set=pa.array(forms, pa.string()))
    if not pc.any(drop).as_py():
        return cells
    return pc.if_else(drop, pa.scalar(None, pa.string()), cells)


@lru_cache(maxsize=256)
def _forms_of(words: tuple[str, ...]) -> list[str]:
    """The words in small and capital letters, with and without a stop."""
    found = {form for word in words for form in (word, word.lower(), word.upper(), word.title())}
    return sorted(found | {f"{form}." for form in found})


def by_word(cells: pa.Array, classify: object) -> pa.StringArray:
    """Classify each distinct cell once."""
    coded = cells.dictionary_encode()
    named = pa.array([classify(word) for word in coded.dictionary.to_pylist()], pa.string())  # type: ignore[operator]
    return named.take(coded.indices)


def plain_text(typed: Typed, column: Column, key: str) -> None:
    """A text column as written; a dash is no text."""
    cells = cells_of(typed, key)
    if key not in ("remark", "reason", "conditions", "decision", "site"):
        cells = without_missing(cells, typed.layout, DASHES)
    typed.columns[column.name] = cells


def read_numbers(typed: Typed, key: str, cells: pa.Array, lenient: bool = False) -> Numbers:
    """Numbers of a column, in the table's unit."""
    layout = typed.layout
    own = layout.units.get(key, "")
    column = UNITS[own]
    units = None
    if key in CELL_UNITS:
        units = {unit: one / column for unit, one in CELL_UNITS[key].items()} | {own.lower(): 1.0}
    found = numbers(
        cells,
        decimal=layout.decimal,
        thousands=layout.thousands,
        lenient=lenient,
        units=units,
    )
    scale = column * (-1 if key in layout.negate else 1)
    if scale != 1:
        value = np.round(found.value * scale, 9)
        if scale < 0:
            mark = np.select([found.mark == "<", found.mark == ">"], [">", "<"], found.mark)
            found = Numbers(value, mark, found.decimals, found.read)
        else:
            found = Numbers(value, found.mark, found.decimals, found.read)
    return found


def bounds_of(typed: Typed, key: str, column: Column | None = None) -> tuple[float, float]:
    """Least and greatest value: the layout's, else the usual ones, else the schema's."""
    if key in typed.layout.bounds:
        return typed.layout.bounds[key]
    low, high = BOUNDS.get(key, (-np.inf, np.inf))
    if column is not None:
        low = low if column.low is None else max(low, column.low)
        high = high if column.high is None else min(high, column.high)
    return low, high


def within(
    typed: Typed, key: str, cells: pa.Array, value: np.ndarray, column: Column | None
) -> None:
    """Refuse impossible values."""
    low, high = bounds_of(typed, key, column)
    out = np.flatnonzero((value < low) | (value > high))
    if len(out):
        unit = "deg" if column is None else column.unit  # without a column: angles of a ribbon
        span = f"at least {low:g}" if np.isinf(high) else f"{low:g} to {high:g}"
        typed.refuse(out, key, cells, f"impossible value; wanted {span} {unit}".rstrip())


def number_column(typed: Typed, column: Column, key: str) -> None:
    """A number or whole number."""
    lenient = key in _LENIENT
    cells = cells_of(typed, key)
    if lenient and cells.null_count < typed.n:
        none = by_word(cells, lambda word: "0" if plain(word) in _NONE_WORDS else word)
        cells = pc.coalesce(none, cells)
    cells = without_missing(cells, typed.layout)
    found = read_numbers(typed, key, cells, lenient)
    if not lenient:
        wanted = "a whole number" if column.kind == "whole" else "a number"
        typed.refuse(np.flatnonzero(~found.read), key, cells, f"not a number; wanted {wanted}")
    value = np.where(found.read, found.value, np.nan)
    within(typed, key, cells, value, column)
    if column.kind == "whole":
        part = np.isfinite(value) & (value != np.round(value))
        typed.refuse(np.flatnonzero(part), key, cells, "not a whole number")
        none = ~np.isfinite(value) | (np.abs(value) > 2**53)
        typed.columns[column.name] = pa.array(np.where(none, 0, value).astype(np.int64), mask=none)
    else:
        typed.columns[column.name] = pa.array(value, mask=~np.isfinite(value))


def date_column(typed: Typed, column: Column, key: str) -> None:
    """A day."""
    cells = without_missing(cells_of(typed, key), typed.layout)
    found = times(cells, typed.layout.dates)
    wrong = np.flatnonzero(pc.is_valid(cells).to_numpy(zero_copy_only=False) & ~found.read)
    typed.refuse(wrong, key, cells, f"not a date; wanted {_forms(typed.layout)}")
    days = pa.array((found.ms // 86_400_000).astype(np.int32), mask=~found.read)
    typed.columns[column.name] = days.cast(pa.date32())


def when_columns(typed: Typed) -> None:
    """Time as shown; an impossible date keeps its row where a counter can place it."""
    cells = cells_of(typed, "when")
    read = without_missing(cells, typed.layout)
    found = times(_serial_dates(read, typed), typed.layout.dates)
    filled = pc.is_valid(read).to_numpy(zero_copy_only=False)
    counter = typed.columns.get("counter")
    placed = np.zeros(typed.n, dtype=bool)
    if counter is not None:
        placed = pc.is_valid(counter).to_numpy(zero_copy_only=False)
    wrong = filled & ~found.read & ~(found.shaped & placed)
    forms = _forms(typed.layout)
    impossible = np.flatnonzero(wrong & found.shaped)
    typed.refuse(impossible, "when", cells, f"impossible date or time; wanted {forms}")
    typed.refuse(np.flatnonzero(wrong), "when", cells, f"not a date or time; wanted {forms}")
    typed.columns["when_shown"] = pa.array(found.ms, mask=~found.read).cast(pa.timestamp("ms"))
    typed.columns["when_text"] = cells


def _serial_dates(cells: pa.Array, typed: Typed) -> pa.Array:
    """Days since 1899-12-30, as a workbook stores an unformatted date."""
    if typed.layout.format != "workbook" or not len(cells):
        return cells
    serial = pc.match_substring_regex(cells, r"^[2-6]\d{4}([.,]\d+)?$")
    if not pc.any(serial).as_py():
        return cells
    number = pc.cast(
        pc.replace_substring(pc.if_else(serial, cells, None), ",", "."), pa.float64()
    ).to_numpy(zero_copy_only=False)
    seconds = np.round(np.nan_to_num(number) * 86400).astype(np.int64)
    shown = np.datetime64("1899-12-30T00:00:00") + seconds.astype("timedelta64[s]")
    text = pa.array(np.char.replace(shown.astype(str), "T", " "), pa.string())
    return pc.if_else(pc.fill_null(serial, False), text, cells)


def _forms(layout: Layout) -> str:
    return " or ".join(f'"{form}"' for form in (*layout.dates, "yyyy-mm-dd hh:mm:ss")[:3])


def loss_columns(typed: Typed, cells: pa.Array | None = None, key: str = "loss") -> pa.Array:
    """Estimate as shown, its number, bound and step; the words that stand in its place."""
    cells = cells_of(typed, "loss") if cells is None else cells
    read = without_missing(cells, typed.layout)
    found = read_numbers(typed, "loss", read)
    value = found.value
    low, high = bounds_of(typed, "loss")
    out = np.flatnonzero((value < low) | (value > high))
    typed.refuse(out, key, cells, f"impossible loss; wanted {low:g} to {high:g} dB")
    none = ~np.isfinite(value)
    typed.columns["loss_text"] = cells
    typed.columns["loss_db"] = pa.array(value, mask=none)
    typed.columns["loss_mark"] = pa.array(np.where(none, "", found.mark), pa.string())
    typed.columns["loss_step"] = _step(found, read, none, UNITS[typed.layout.units.get("loss", "")])
    words = pa.array(found.read | ~pc.is_valid(read).to_numpy(zero_copy_only=False))
    return pc.if_else(words, pa.scalar(None, pa.string()), read)


def _step(found: Numbers, cells: pa.Array, none: np.ndarray, scale: float) -> pa.Array:
    """Step of the display from the decimals shown."""
    step = np.round(
        10.0 ** -np.minimum(shown_decimals(cells, found), 9).astype(float) * abs(scale), 12
    )
    return pa.array(step, mask=none)


def outcome_columns(typed: Typed, loss_words: pa.Array, key: str = "loss") -> None:
    """Class of the outcome from its own column or from the word in the loss cell."""
    layout = typed.layout
    own = {plain(w): name for name, words in layout.outcomes.items() for w in words}
    shown = without_missing(cells_of(typed, "outcome"), layout)
    by_outcome = by_word(shown, lambda word: outcome_class(word, own))
    by_loss = by_word(loss_words, lambda word: outcome_class(word, own))
    has_loss = pc.is_valid(typed.columns["loss_db"])
    not_known = pc.and_(pc.is_valid(shown), pc.is_null(by_outcome))
    for word in pc.unique(shown.filter(not_known)).to_pylist():
        typed.unknown_words.setdefault("outcome", set()).add(word)
    # a word in the loss cell tells no success; it must be a known word or the outcome must say
    lost = pc.and_(
        pc.is_valid(loss_words),
        pc.or_(pc.is_null(by_loss), pc.fill_null(pc.equal(by_loss, "none"), False)),
    )
    explained = pc.and_(pc.is_valid(by_outcome), pc.not_equal(by_outcome, "none"))
    lost = pc.and_(lost, pc.invert(pc.fill_null(explained, False)))
    wanted = "not a loss; wanted a number, or a word listed under [outcomes] or missing"
    rows = np.flatnonzero(pc.fill_null(lost, False).to_numpy(zero_copy_only=False))
    typed.refuse(rows, key, loss_words, wanted)
    said = pc.if_else(pc.fill_null(pc.equal(by_outcome, "none"), False), by_loss, by_outcome)
    error = pc.coalesce(said, by_loss, by_outcome)
    guess = pc.if_else(has_loss, pa.scalar(None, pa.string()), "other")
    error = pc.if_else(not_known, pc.coalesce(by_loss, guess), error)
    if "outcome" not in typed.body.header.where:
        error = pc.coalesce(error, pc.if_else(has_loss, "none", pa.scalar(None, pa.string())))
    typed.columns["outcome_text"] = pc.coalesce(shown, loss_words)
    typed.columns["error"] = error
    before = pc.is_in(error, value_set=pa.array(layout.before_arc, pa.string()))
    typed.columns["reached_arc"] = pc.invert(pc.fill_null(before, False))


def word_columns(typed: Typed, table: str) -> None:
    """Classes of free words: step, cause and disposition of rework, verdicts, parts of a day."""
    names = {column.name for column in PARSED[table].columns}
    own = {
        key: {plain(w): name for name, words in found.items() for w in words}
        for key, found in typed.layout.words.items()
    }

    def classed(key: str, word: str) -> str | None:
        found = own.get(key, {}).get(plain(word))
        return found or class_of(key, word)

    if "cause" in names:
        cause = cells_of(typed, "cause")
        both = by_word(cause, lambda w: "|".join(cause_class(w) or ("", "")))
        guessed = pc.fill_null(both, "|").to_pylist()
        typed.columns["cause_text"] = cause
        mine = by_word(cause, lambda w: own.get("cause", {}).get(plain(w)))
        by_words = pa.array([one.split("|")[1] or None for one in guessed], pa.string())
        typed.columns["cause"] = pc.coalesce(mine, by_words)
        step = without_missing(cells_of(typed, "step"), typed.layout)
        typed.columns["step_text"] = step
        found = by_word(step, lambda w: classed("step", w))
        told = pa.array([one.split("|")[0] or None for one in guessed], pa.string())
        typed.columns["step"] = pc.coalesce(found, told)
        done = without_missing(cells_of(typed, "disposition"), typed.layout)
        typed.columns["disposition_text"] = done
        typed.columns["disposition"] = by_word(done, lambda w: classed("disposition", w))
    if "result" in names:
        result = without_missing(cells_of(typed, "result"), typed.layout)
        mine = own.get("result", {})
        typed.columns["result"] = by_word(
            result, lambda w: mine.get(plain(w)) or result_class(w) or "unknown"
        )
    if "part_of_day" in names:
        part = by_word(cells_of(typed, "part_of_day"), lambda w: classed("part_of_day", w))
        typed.columns["part_of_day"] = pc.fill_null(part, "all")
    if "after_cleaning" in names:
        said = cells_of(typed, "after_cleaning")
        yes = by_word(
            said, lambda w: "y" if re.match(r"(y|1|x|true|ja|oui|si|s$|j$|k)", plain(w)) else "n"
        )
        typed.columns["after_cleaning"] = pc.fill_null(pc.equal(yes, "y"), False)
