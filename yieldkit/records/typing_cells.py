"""Cells of one body to typed columns, table by table; a reason for every row that cannot be."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.records.bodies import Body
from yieldkit.records.cells import Cells, first_of
from yieldkit.records.dates import times
from yieldkit.records.declared import UNITS, Layout
from yieldkit.records.numbers import MARKS, Numbers, numbers, shown_decimals
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
    """Columns of one body while they grow; ``bad`` maps a row to (heading, found, reason).

    A column of text is of ``Cells``, any other an Arrow array.
    """

    body: Body
    layout: Layout
    n: int
    columns: dict[str, Any] = field(default_factory=dict)
    bad: dict[int, tuple[str, str, str]] = field(default_factory=dict)
    unknown_words: dict[str, set[str]] = field(default_factory=dict)
    texts: dict[str, Cells] = field(default_factory=dict)

    def refuse(self, wrong: np.ndarray, key: str, cells: Cells, reason: str) -> None:
        """Refuse rows for one column; the first reason of a row counts."""
        heading = self.body.heading(key)
        for row in np.flatnonzero(wrong).tolist():
            if row not in self.bad:
                self.bad[row] = (heading, cells.at(row) or "", reason)

    def refuse_words(self, wrong: np.ndarray, key: str, cells: Cells, reason: str) -> None:
        """Refuse the rows that hold some of the words of one column."""
        if wrong.any():
            self.refuse(wrong[cells.codes], key, cells, reason)


def rows_of(column: Any, rows: np.ndarray) -> Any:
    """Some rows of a column, coded or not."""
    return column.take(rows) if isinstance(column, Cells) else column.take(pa.array(rows))


def cells_of(typed: Typed, key: str) -> Cells:
    """Text of a key: its columns joined by a blank, else its constant, else nothing."""
    if key not in typed.texts:
        typed.texts[key] = _cells_of(typed, key)
    return typed.texts[key]


def _cells_of(typed: Typed, key: str) -> Cells:
    found = typed.body.cells(key)
    if len(found) > 1:
        columns = [cells.plain() for cells in found]
        if not any(column.null_count for column in columns):
            return Cells.of(pc.binary_join_element_wise(*columns, " "))
        joined = pc.binary_join_element_wise(*(pc.fill_null(c, "") for c in columns), " ")
        cells = Cells.of(pc.utf8_trim_whitespace(joined))
        return cells.without(cells.sizes == 0)
    if found:
        return found[0]
    return Cells.alike(typed.layout.constants.get(key), typed.n)


def without_missing(cells: Cells, layout: Layout, words: frozenset[str] = MISSING) -> Cells:
    """Nothing where the cell is a word that means: no value."""
    if not len(cells.words):
        return cells
    forms, longest = _forms_of((*sorted(words), *layout.missing))
    if cells.sizes.min() > longest:
        return cells
    found = pc.is_in(cells.words, value_set=forms)
    return cells.without(found.to_numpy(zero_copy_only=False))


@lru_cache(maxsize=256)
def _forms_of(words: tuple[str, ...]) -> tuple[pa.StringArray, int]:
    """The words in small and capital letters, with and without a stop; bytes of the longest."""
    found = {form for word in words for form in (word, word.lower(), word.upper(), word.title())}
    forms = pa.array(sorted(found | {f"{form}." for form in found}), pa.string())
    return forms, pc.max(pc.binary_length(forms)).as_py()


def plain_text(typed: Typed, column: Column, key: str) -> None:
    """A text column as written; a dash is no text."""
    cells = cells_of(typed, key)
    if key not in ("remark", "reason", "conditions", "decision", "site"):
        cells = without_missing(cells, typed.layout, DASHES)
    typed.columns[column.name] = cells


def read_numbers(typed: Typed, key: str, cells: Cells, lenient: bool = False) -> Numbers:
    """Number of each word of a column, and of nothing, in the table's unit."""
    layout = typed.layout
    own = layout.units.get(key, "")
    column = UNITS[own]
    units = None
    if key in CELL_UNITS:
        units = {unit: one / column for unit, one in CELL_UNITS[key].items()} | {own.lower(): 1.0}
    found = numbers(
        cells.each,
        decimal=layout.decimal,
        thousands=layout.thousands,
        lenient=lenient,
        units=units,
    )
    return scaled(found, column * (-1 if key in layout.negate else 1))


def scaled(found: Numbers, scale: float) -> Numbers:
    """Numbers in another unit, or with the other sign."""
    if scale == 1:
        return found
    turned = found.turned(np.full(len(found.value), scale < 0))
    return replace(turned, value=np.round(found.value * scale, 9))


def bounds_of(typed: Typed, key: str, column: Column | None = None) -> tuple[float, float]:
    """Least and greatest value: the layout's, else the usual ones, else the schema's."""
    if key in typed.layout.bounds:
        return typed.layout.bounds[key]
    low, high = BOUNDS.get(key, (-np.inf, np.inf))
    if column is not None:
        low = low if column.low is None else max(low, column.low)
        high = high if column.high is None else min(high, column.high)
    return low, high


def within(typed: Typed, key: str, cells: Cells, value: np.ndarray, column: Column | None) -> None:
    """Refuse words of impossible value."""
    low, high = bounds_of(typed, key, column)
    unit = "deg" if column is None else column.unit  # without a column: angles of a ribbon
    span = f"at least {low:g}" if np.isinf(high) else f"{low:g} to {high:g}"
    wanted = f"impossible value; wanted {span} {unit}".rstrip()
    typed.refuse_words((value < low) | (value > high), key, cells, wanted)


def number_column(typed: Typed, column: Column, key: str) -> None:
    """A number or whole number."""
    lenient = key in _LENIENT
    cells = cells_of(typed, key)
    if not len(cells.words):
        kind = pa.int64() if column.kind == "whole" else pa.float64()
        typed.columns[column.name] = pa.nulls(typed.n, kind)
        return
    if lenient:
        cells = cells.by_word(lambda word: "0" if plain(word) in _NONE_WORDS else word)
    cells = without_missing(cells, typed.layout)
    found = read_numbers(typed, key, cells, lenient)
    if not lenient:
        wanted = "a whole number" if column.kind == "whole" else "a number"
        typed.refuse_words(~found.read, key, cells, f"not a number; wanted {wanted}")
    value = np.where(found.read, found.value, np.nan)
    within(typed, key, cells, value, column)
    if column.kind == "whole":
        part = np.isfinite(value) & (value != np.round(value))
        typed.refuse_words(part, key, cells, "not a whole number")
        none = ~np.isfinite(value) | (np.abs(value) > 2**53)
        typed.columns[column.name] = taken(np.where(none, 0, value).astype(np.int64), none, cells)
    else:
        typed.columns[column.name] = taken(value, ~np.isfinite(value), cells)


def taken(value: np.ndarray, none: np.ndarray, cells: Cells) -> pa.Array:
    """What is reckoned of each word, or none, in the rows that hold it."""
    missing = none[cells.codes]
    return pa.array(value[cells.codes], mask=missing if missing.any() else None)


def date_column(typed: Typed, column: Column, key: str) -> None:
    """A day."""
    cells = without_missing(cells_of(typed, key), typed.layout)
    found = times(cells.each, typed.layout.dates)
    wrong = ~found.read
    wrong[-1] = False
    typed.refuse_words(wrong, key, cells, f"not a date; wanted {_forms(typed.layout)}")
    days = (found.ms // 86_400_000).astype("datetime64[D]")
    typed.columns[column.name] = taken(days, ~found.read, cells)


def when_columns(typed: Typed) -> None:
    """Time as shown; an impossible date keeps its row where a counter can place it."""
    cells = cells_of(typed, "when")
    read = without_missing(cells, typed.layout)
    words = _serial_dates(read.each, typed.layout)
    found = times(words, typed.layout.dates).take(read.codes)
    counter = typed.columns.get("counter")
    placed = np.zeros(typed.n, dtype=bool)
    if counter is not None:
        placed = pc.is_valid(counter).to_numpy(zero_copy_only=False)
    wrong = read.filled & ~found.read & ~(found.shaped & placed)
    forms = _forms(typed.layout)
    impossible = f"impossible date or time; wanted {forms}"
    typed.refuse(wrong & found.shaped, "when", cells, impossible)
    typed.refuse(wrong, "when", cells, f"not a date or time; wanted {forms}")
    typed.columns["when_shown"] = pa.array(found.ms.view("datetime64[ms]"), mask=~found.read)
    typed.columns["when_text"] = cells


def _serial_dates(cells: pa.StringArray, layout: Layout) -> pa.StringArray:
    """Days since 1899-12-30, as a workbook stores an unformatted date."""
    if layout.format != "workbook":
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


def loss_columns(typed: Typed, cells: Cells | None = None, key: str = "loss") -> Cells:
    """Estimate as shown, its number, bound and step; the words that stand in its place."""
    cells = cells_of(typed, "loss") if cells is None else cells
    read = without_missing(cells, typed.layout)
    found = read_numbers(typed, "loss", read).take(read.codes)
    low, high = bounds_of(typed, "loss")
    out = (found.value < low) | (found.value > high)
    typed.refuse(out, key, cells, f"impossible loss; wanted {low:g} to {high:g} dB")
    scale = UNITS[typed.layout.units.get("loss", "")]
    typed.columns["loss_text"] = cells
    typed.columns |= {f"loss_{name}": made for name, made in shown(found, read, scale).items()}
    return read.where(~found.read).used()


def shown(found: Numbers, cells: Cells, scale: float) -> dict[str, Any]:
    """Numbers [dB], how they bound, and the step of the display from the decimals shown."""
    none = ~np.isfinite(found.value)
    steps = np.round(10.0 ** -np.arange(10.0) * abs(scale), 12)
    return {
        "db": pa.array(found.value, mask=none),
        "mark": Cells(pa.array(MARKS), np.where(none, 0, found.mark).astype(np.int32)),
        "step": pa.array(steps[np.minimum(shown_decimals(cells, found), 9)], mask=none),
    }


def outcome_columns(typed: Typed, loss_words: Cells, key: str = "loss") -> None:
    """Class of the outcome from its own column or from the word in the loss cell."""
    layout = typed.layout
    own = {plain(w): name for name, words in layout.outcomes.items() for w in words}
    said = without_missing(cells_of(typed, "outcome"), layout)
    by_outcome = said.by_word(lambda word: outcome_class(word, own))
    by_loss = loss_words.by_word(lambda word: outcome_class(word, own))
    has_loss = pc.is_valid(typed.columns["loss_db"]).to_numpy(zero_copy_only=False)
    not_known = said.filled & ~by_outcome.filled
    for code in np.unique(said.codes[not_known]).tolist():
        typed.unknown_words.setdefault("outcome", set()).add(said.words[code].as_py())
    # a word in the loss cell tells no success; it must be a known word or the outcome must say
    success = by_outcome.are("none")
    lost = loss_words.filled & (~by_loss.filled | by_loss.are("none"))
    lost &= ~by_outcome.filled | success
    wanted = "not a loss; wanted a number, or a word listed under [outcomes] or missing"
    typed.refuse(lost, key, loss_words, wanted)
    guess = Cells.alike("other", typed.n).where(not_known & ~has_loss)
    error = first_of(by_outcome.where(~success), by_loss, by_outcome, guess)
    if "outcome" not in typed.body.header.where:
        error = first_of(error, Cells.alike("none", typed.n).where(has_loss))
    typed.columns["outcome_text"] = first_of(said, loss_words)
    typed.columns["error"] = error
    reached = np.array([word not in layout.before_arc for word in error.words.to_pylist()] + [True])
    typed.columns["reached_arc"] = pa.array(reached[error.codes])


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
        mine = own.get("cause", {})
        cause = cells_of(typed, "cause")
        typed.columns["cause_text"] = cause
        typed.columns["cause"] = cause.by_word(
            lambda w: mine.get(plain(w)) or (cause_class(w) or (None, None))[1]
        )
        step = without_missing(cells_of(typed, "step"), typed.layout)
        typed.columns["step_text"] = step
        told = cause.by_word(lambda w: (cause_class(w) or (None, None))[0])
        typed.columns["step"] = first_of(step.by_word(lambda w: classed("step", w)), told)
        done = without_missing(cells_of(typed, "disposition"), typed.layout)
        typed.columns["disposition_text"] = done
        typed.columns["disposition"] = done.by_word(lambda w: classed("disposition", w))
    if "result" in names:
        result = without_missing(cells_of(typed, "result"), typed.layout)
        verdicts = own.get("result", {})
        typed.columns["result"] = result.by_word(
            lambda w: verdicts.get(plain(w)) or result_class(w) or "unknown"
        )
    if "part_of_day" in names:
        part = cells_of(typed, "part_of_day").by_word(lambda w: classed("part_of_day", w))
        typed.columns["part_of_day"] = first_of(part, Cells.alike("all", typed.n))
    if "after_cleaning" in names:
        said = cells_of(typed, "after_cleaning")
        yes = said.by_word(
            lambda w: "y" if re.match(r"(y|1|x|true|ja|oui|si|s$|j$|k)", plain(w)) else None
        )
        typed.columns["after_cleaning"] = pa.array(yes.filled)
