"""One source row that holds several readings: ribbons, wide test rows, and long test rows."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.records.cells import Cells, first_of, laid
from yieldkit.records.declared import UNITS, Reading
from yieldkit.records.numbers import Numbers
from yieldkit.records.typing_cells import (
    BOUNDS,
    Typed,
    bounds_of,
    cells_of,
    loss_columns,
    outcome_columns,
    read_numbers,
    rows_of,
    scaled,
    shown,
    taken,
    within,
    without_missing,
)
from yieldkit.records.words import class_of, plain, result_class


def _repeat(typed: Typed, spread: np.ndarray, leave: set[str]) -> None:
    """Spread the columns that a source row gives once."""
    for name, column in typed.columns.items():
        if name not in leave:
            typed.columns[name] = rows_of(column, spread)


def _laid(parts: list[Any], rows: np.ndarray) -> Any:
    """Some rows of columns laid one behind the other."""
    if isinstance(parts[0], Cells):
        return laid(parts).take(rows)
    return pa.concat_arrays(parts).take(pa.array(rows))


def ribbon_rows(typed: Typed, good: np.ndarray) -> np.ndarray:
    """One row a fibre of each ribbon record, with one ribbon id.

    Returns
    -------
    ndarray
        Source row of each typed row.
    """
    body, n = typed.body, typed.n
    losses = body.cells("ribbon.loss")
    filled = [without_missing(cells, typed.layout).filled for cells in losses]
    kept = np.array(filled).reshape(len(losses), n)
    alone = ~kept.any(axis=0)
    kept[0] |= alone  # an error of the whole ribbon, or a single fibre without an estimate
    fibres = []
    made: dict[str, list[Any]] = {}
    for number, cells in enumerate(losses):
        typed_one = Typed(body, typed.layout, n, columns=dict(typed.columns), bad=typed.bad)
        outcome_columns(typed_one, loss_columns(typed_one, cells, "ribbon.loss"), "ribbon.loss")
        for key in ("angle_crew_deg", "angle_other_deg"):
            found = body.cells(f"ribbon.{key}")
            if number < len(found):
                text = without_missing(found[number], typed.layout)
                angle = read_numbers(typed, key, text)
                typed.refuse_words(~angle.read, f"ribbon.{key}", text, "not a number")
                within(typed, key, text, angle.value, None)
                typed_one.columns[key] = taken(angle.value, ~np.isfinite(angle.value), text)
        typed.unknown_words |= typed_one.unknown_words
        for name in (
            *("loss_text", "loss_db", "loss_mark", "loss_step", "outcome_text", "error"),
            *("reached_arc", "angle_crew_deg", "angle_other_deg"),
        ):
            made.setdefault(name, []).append(typed_one.columns[name])
        mask = alone if number == 0 else np.zeros(n, dtype=bool)
        fibres.append(pa.array(np.full(n, number + 1), pa.int64(), mask=mask))
    order = np.argsort(np.tile(np.arange(n), len(losses)), kind="stable")
    order = order[kept.ravel()[order]]
    spread = order % n
    typed.columns["ribbon_text"] = _ribbon_id(typed)
    _repeat(typed, spread, set(made) | {"fibre"})
    for name, parts in made.items():
        typed.columns[name] = _laid(parts, order)
    own = typed.columns.get("fibre")
    first = own.take(pa.array(spread)) if own is not None and own.null_count < n else None
    fibre = pa.concat_arrays(fibres).take(pa.array(order))
    # a fibre column beside the losses names the ribbon's first fibre
    typed.columns["fibre"] = fibre if first is None else pc.add(pc.subtract(first, 1), fibre)
    return spread


def _ribbon_id(typed: Typed) -> Cells:
    """The file's own ribbon id, else the record number, else the time with the place."""
    said = typed.columns.get("ribbon_text", Cells.alike(None, typed.n))
    counter = Cells.of(typed.columns["counter"].cast(pa.string()))
    when, place = (pc.fill_null(typed.columns[k].plain(), "") for k in ("when_text", "place_text"))
    return first_of(said, counter, Cells.of(pc.binary_join_element_wise(when, place, " ")))


def reading_columns(typed: Typed, good: np.ndarray) -> np.ndarray:
    """One row a reading of each wide test row; a row without any keeps its first, missing."""
    n, body = typed.n, typed.body
    made: dict[str, list[Any]] = {}
    kept = []
    row_result = typed.columns["result"]
    for number, reading in enumerate(typed.layout.readings):
        cells = body.cells(f"readings.{number}")[0]
        kept.append(cells.filled)
        for name, column in _one_reading(typed, reading, number, cells, row_result).items():
            made.setdefault(name, []).append(column)
    grid = np.array(kept).reshape(len(kept), n)
    grid[0] |= ~grid.any(axis=0)
    order = np.argsort(np.tile(np.arange(n), len(kept)), kind="stable")
    order = order[grid.ravel()[order]]
    spread = order % n
    _repeat(typed, spread, set(made))
    for name, parts in made.items():
        typed.columns[name] = _laid(parts, order)
    return spread


def _one_reading(
    typed: Typed, reading: Reading, number: int, cells: Cells, row_result: Cells
) -> dict[str, Any]:
    """Columns of one reading of all rows."""
    n, key = typed.n, f"readings.{number}"
    read = without_missing(cells, typed.layout)
    result = row_result
    if reading.quantity == "end face":
        own = read.by_word(result_class)
        result = first_of(own, row_result)
        read = read.where(~own.filled)
    scale = UNITS[reading.unit] * (-1 if reading.negate else 1)
    found = scaled(read_numbers(typed, key, read), scale).take(read.codes)
    if reading.quantity != "end face":
        typed.refuse(~found.read, key, cells, "not a reading; wanted a number")
        _impossible(typed, key, cells, found.value, reading.quantity)
    return _value_arrays(found, cells, scale) | {
        "quantity": Cells.alike(reading.quantity, n),
        "wavelength_nm": _wavelength(typed, reading),
        "direction": Cells.alike(reading.direction, n),
        "result": result,
    }


def _wavelength(typed: Typed, reading: Reading) -> pa.Array:
    """The reading's own wavelength, else the row's where the file has a column of it."""
    own = typed.columns.get("wavelength_nm")
    if reading.wavelength_nm is None and own is not None and reading.quantity != "end face":
        return own.cast(pa.float64())
    mask = np.full(typed.n, reading.wavelength_nm is None)
    return pa.array(np.full(typed.n, reading.wavelength_nm or np.nan), mask=mask)


def _impossible(typed: Typed, key: str, cells: Cells, value: np.ndarray, quantity: str) -> None:
    low, high = typed.layout.bounds.get("value", BOUNDS.get(quantity, BOUNDS["value"]))
    out = (value < low) | (value > high)
    typed.refuse(out, key, cells, f"impossible {quantity}; wanted {low:g} to {high:g} dB")


def _value_arrays(found: Numbers, cells: Cells, scale: float) -> dict[str, Any]:
    made = shown(found, cells, scale)
    return {
        "value_text": cells,
        "value": made["db"],
        "value_mark": made["mark"],
        "value_step": made["step"],
    }


def value_columns(typed: Typed) -> None:
    """A row with one value; in tests its quantity and wavelength are columns or constants."""
    cells = cells_of(typed, "value")
    read = without_missing(cells, typed.layout)
    verdict = read.by_word(result_class)
    found = read_numbers(typed, "value", read).take(read.codes)
    words = verdict.filled & ~found.read
    wanted = "not a reading; wanted a number, or a word under missing"
    typed.refuse(~found.read & ~words, "value", cells, wanted)
    scale = UNITS[typed.layout.units.get("value", "")]
    if typed.layout.table == "measurements":
        found = found.turned(_quantity(typed) & (found.value < 0))
    typed.columns |= _value_arrays(found, cells, scale)
    said = typed.columns["result"]
    typed.columns["result"] = first_of(verdict.where(words), said.where(~said.are("unknown")))
    if typed.layout.table == "measurements":
        quantities = typed.columns["quantity"]
        for quantity in quantities.words.to_pylist():
            value = np.where(quantities.are(quantity), found.value, np.nan)
            _impossible(typed, "value", cells, value, quantity)
    else:
        low, high = bounds_of(typed, "value")
        out = (found.value < low) | (found.value > high)
        typed.refuse(out, "value", cells, f"impossible value; wanted {low:g} to {high:g} dB")


def _quantity(typed: Typed) -> np.ndarray:
    """What was read, from its column by words or from the layout's constant.

    Returns
    -------
    ndarray
        Rows that call it a reflectance: below zero it is a return loss with the sign turned.
    """
    said = cells_of(typed, "quantity")
    own = {
        plain(w): name for name, ws in typed.layout.words.get("quantity", {}).items() for w in ws
    }
    found = said.by_word(lambda w: own.get(plain(w)) or class_of("quantity", w))
    typed.columns["quantity"] = found
    typed.refuse(~found.filled, "quantity", said, "the row does not say what was read")
    return said.by_word(lambda w: "y" if "refle" in plain(w) else None).filled
