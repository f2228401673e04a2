"""One source row that holds several readings: ribbons, wide test rows, and long test rows."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.records.declared import UNITS, Reading
from yieldkit.records.numbers import Numbers, shown_decimals
from yieldkit.records.typing_cells import (
    BOUNDS,
    Typed,
    bounds_of,
    by_word,
    cells_of,
    loss_columns,
    outcome_columns,
    read_numbers,
    within,
    without_missing,
)
from yieldkit.records.words import class_of, plain, result_class


@lru_cache(maxsize=1)
def _null() -> pa.Scalar:
    """No text; made when first needed, since that loads pandas."""
    return pa.scalar(None, pa.string())


def _repeat(typed: Typed, spread: np.ndarray, leave: set[str]) -> None:
    """Spread the columns that a source row gives once."""
    index = pa.array(spread)
    for name, column in typed.columns.items():
        if name not in leave:
            typed.columns[name] = column.take(index)


def ribbon_rows(typed: Typed, good: np.ndarray) -> np.ndarray:
    """One row a fibre of each ribbon record, with one ribbon id.

    Returns
    -------
    ndarray
        Source row of each typed row.
    """
    body, n = typed.body, typed.n
    losses = body.cells("ribbon.loss")
    filled = [pc.is_valid(without_missing(c, typed.layout)).to_numpy(False) for c in losses]
    kept = np.array(filled).reshape(len(losses), n)
    alone = ~kept.any(axis=0)
    kept[0] |= alone  # an error of the whole ribbon, or a single fibre without an estimate
    fibres = []
    made: dict[str, list[pa.Array]] = {}
    for number, cells in enumerate(losses):
        typed_one = Typed(body, typed.layout, n, columns=dict(typed.columns), bad=typed.bad)
        outcome_columns(typed_one, loss_columns(typed_one, cells, "ribbon.loss"), "ribbon.loss")
        for key in ("angle_crew_deg", "angle_other_deg"):
            found = body.cells(f"ribbon.{key}")
            if number < len(found):
                text = without_missing(found[number], typed.layout)
                angle = read_numbers(typed, key, text)
                typed.refuse(np.flatnonzero(~angle.read), f"ribbon.{key}", text, "not a number")
                within(typed, key, text, angle.value, None)
                typed_one.columns[key] = pa.array(angle.value, mask=~np.isfinite(angle.value))
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
    take = pa.array(order)
    for name, parts in made.items():
        typed.columns[name] = pa.concat_arrays(parts).take(take)
    own = typed.columns.get("fibre")
    first = own.take(pa.array(spread)) if own is not None and own.null_count < n else None
    fibre = pa.concat_arrays(fibres).take(take)
    # a fibre column beside the losses names the ribbon's first fibre
    typed.columns["fibre"] = fibre if first is None else pc.add(pc.subtract(first, 1), fibre)
    return spread


def _ribbon_id(typed: Typed) -> pa.Array:
    """The file's own ribbon id, else the record number, else the time with the place."""
    said = typed.columns.get("ribbon_text")
    counter = typed.columns["counter"].cast(pa.string())
    when, place = (pc.fill_null(typed.columns[k], "") for k in ("when_text", "place_text"))
    time = pc.binary_join_element_wise(when, place, " ")
    return pc.coalesce(said, counter, time) if said is not None else pc.coalesce(counter, time)


def reading_columns(typed: Typed, good: np.ndarray) -> np.ndarray:
    """One row a reading of each wide test row; a row without any keeps its first, missing."""
    n, body = typed.n, typed.body
    made: dict[str, list[pa.Array]] = {}
    kept = []
    row_result = typed.columns["result"]
    for number, reading in enumerate(typed.layout.readings):
        cells = body.cells(f"readings.{number}")[0]
        kept.append(pc.is_valid(cells).to_numpy(zero_copy_only=False))
        for name, column in _one_reading(typed, reading, number, cells, row_result).items():
            made.setdefault(name, []).append(column)
    grid = np.array(kept).reshape(len(kept), n)
    grid[0] |= ~grid.any(axis=0)
    order = np.argsort(np.tile(np.arange(n), len(kept)), kind="stable")
    order = order[grid.ravel()[order]]
    spread = order % n
    _repeat(typed, spread, set(made))
    take = pa.array(order)
    for name, parts in made.items():
        typed.columns[name] = pa.concat_arrays(parts).take(take)
    return spread


def _one_reading(
    typed: Typed, reading: Reading, number: int, cells: pa.Array, row_result: pa.Array
) -> dict[str, pa.Array]:
    """Columns of one reading of all rows."""
    n, key = typed.n, f"readings.{number}"
    read = without_missing(cells, typed.layout)
    result = row_result
    if reading.quantity == "end face":
        own = by_word(read, lambda w: result_class(w))
        result = pc.coalesce(own, row_result)
        known = pc.is_valid(own).to_numpy(zero_copy_only=False)
        read = pc.if_else(pa.array(known), _null(), read)
    found = read_numbers(typed, key, read)
    scale = UNITS[reading.unit] * (-1 if reading.negate else 1)
    value = np.round(found.value * scale, 9) if scale != 1 else found.value
    if reading.quantity != "end face":
        typed.refuse(np.flatnonzero(~found.read), key, cells, "not a reading; wanted a number")
        _impossible(typed, key, cells, value, reading.quantity)
    mark = found.mark
    if scale < 0:
        mark = np.select([mark == "<", mark == ">"], [">", "<"], mark)
    return _value_arrays(Numbers(value, mark, found.decimals, found.read), cells, abs(scale)) | {
        "quantity": pa.array(np.full(n, reading.quantity), pa.string()),
        "wavelength_nm": _wavelength(typed, reading),
        "direction": pa.array(np.full(n, reading.direction), pa.string()),
        "result": result,
    }


def _wavelength(typed: Typed, reading: Reading) -> pa.Array:
    """The reading's own wavelength, else the row's where the file has a column of it."""
    own = typed.columns.get("wavelength_nm")
    if reading.wavelength_nm is None and own is not None and reading.quantity != "end face":
        return own.cast(pa.float64())
    mask = np.full(typed.n, reading.wavelength_nm is None)
    return pa.array(np.full(typed.n, reading.wavelength_nm or np.nan), mask=mask)


def _impossible(typed: Typed, key: str, cells: pa.Array, value: np.ndarray, quantity: str) -> None:
    low, high = typed.layout.bounds.get("value", BOUNDS.get(quantity, BOUNDS["value"]))
    out = np.flatnonzero((value < low) | (value > high))
    typed.refuse(out, key, cells, f"impossible {quantity}; wanted {low:g} to {high:g} dB")


def _value_arrays(found: Numbers, cells: pa.Array, scale: float) -> dict[str, pa.Array]:
    none = ~np.isfinite(found.value)
    decimals = shown_decimals(cells, found)
    step = np.round(10.0 ** -np.minimum(decimals, 9).astype(float) * scale, 12)
    return {
        "value_text": cells,
        "value": pa.array(found.value, mask=none),
        "value_mark": pa.array(np.where(none, "", found.mark), pa.string()),
        "value_step": pa.array(step, mask=none),
    }


def value_columns(typed: Typed) -> None:
    """A row with one value; in tests its quantity and wavelength are columns or constants."""
    cells = cells_of(typed, "value")
    read = without_missing(cells, typed.layout)
    verdict = by_word(read, result_class)
    found = read_numbers(typed, "value", read)
    words = pc.is_valid(verdict).to_numpy(zero_copy_only=False) & ~found.read
    wrong = np.flatnonzero(~found.read & ~words)
    typed.refuse(wrong, "value", cells, "not a reading; wanted a number, or a word under missing")
    scale = UNITS[typed.layout.units.get("value", "")]
    if typed.layout.table == "measurements":
        turned = _quantity(typed) & (found.value < 0)
        value = np.where(turned, -found.value, found.value)
        flipped = np.select([found.mark == "<", found.mark == ">"], [">", "<"], found.mark)
        mark = np.where(turned, flipped, found.mark)
        found = Numbers(value, mark, found.decimals, found.read)
    typed.columns |= _value_arrays(found, cells, scale)
    said = pc.if_else(
        pc.equal(typed.columns["result"], "unknown"), _null(), typed.columns["result"]
    )
    own = pc.if_else(pa.array(words), verdict, _null())
    typed.columns["result"] = pc.coalesce(own, said)
    if typed.layout.table == "measurements":
        for quantity in pc.unique(typed.columns["quantity"]).to_pylist():
            mine = pc.fill_null(pc.equal(typed.columns["quantity"], quantity), False)
            value = np.where(mine.to_numpy(zero_copy_only=False), found.value, np.nan)
            _impossible(typed, "value", cells, value, quantity or "")
    else:
        low, high = bounds_of(typed, "value")
        out = np.flatnonzero((found.value < low) | (found.value > high))
        typed.refuse(out, "value", cells, f"impossible value; wanted {low:g} to {high:g} dB")


def _quantity(typed: Typed) -> np.ndarray:
    """What was read, from its column by words or from the layout's constant.

    Returns
    -------
    ndarray
        Rows that call it a reflectance: below zero it is a return loss with the sign turned.
    """
    shown = cells_of(typed, "quantity")
    own = {
        plain(w): name for name, ws in typed.layout.words.get("quantity", {}).items() for w in ws
    }
    found = by_word(shown, lambda w: own.get(plain(w)) or class_of("quantity", w))
    typed.columns["quantity"] = found
    lost = np.flatnonzero(pc.is_null(found).to_numpy(zero_copy_only=False))
    typed.refuse(lost, "quantity", shown, "the row does not say what was read")
    reflected = by_word(shown, lambda w: "y" if "refle" in plain(w) else None)
    return pc.is_valid(reflected).to_numpy(zero_copy_only=False)
