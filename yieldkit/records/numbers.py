"""Numbers as people and machines write them: decimal and thousands marks, units, bounds."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

_UNITS = r"(?:dB|db|DB|°|deg|Grad|nm|µm|um|mm|cm|m|mins?|minutes|h|s|pcs?|St(?:k|ück)?|x|%)?"
_MARKS = {"<": "<", "≤": "<", "<=": "<", ">": ">", "≥": ">", ">=": ">", "=": "=", "": "="}
_NUMBER = re.compile(
    r"(?P<mark><=|>=|[<>≤≥=])?\s*(?P<sign>[+-])?"
    rf"(?P<body>\d[\d.,'\u00a0\u202f ]*|[.,]\d+)\s*{_UNITS}\.?$"
)
_UNIT = re.compile(r"(?<=[\d.])\s*([^\W\d_]+|[°%'\"\u2032\u2033])\.?$")
_CLOCK = re.compile(r"^(\d{1,2})\s*(?::|h|hrs?|std\.?|t)\s*([0-5]?\d)\s*(?:m|mins?\.?)?$", re.I)
_FIRST = re.compile(r"[+-]?\d+(?:[.,]\d+)?")


@dataclass(frozen=True, eq=False)
class Numbers:
    """A column of numbers: value (NaN where none), how it bounds, decimals shown, what it is.

    ``read`` is false where the cell is neither empty nor a number.
    """

    value: np.ndarray
    mark: np.ndarray
    decimals: np.ndarray
    read: np.ndarray


def read_number(
    cell: str, decimal: str = ".", thousands: str = ""
) -> tuple[float, str, int] | None:
    """Value, bound (``=``, ``<``, ``>``) and decimals of one cell; ``None`` if no number.

    The other decimal mark is taken only where it cannot be a thousands mark.

    Examples
    --------
    >>> read_number("<0,01 dB", ",")
    (0.01, '<', 2)
    >>> read_number("1,234") is None
    True
    """
    match = _NUMBER.match(cell.strip().replace("\u2212", "-"))
    if not match:
        return None
    body = match["body"].strip()
    if thousands:
        body = _without_thousands(body, decimal, thousands)
    elif re.search(r"[' \u00a0\u202f]", body):
        return None
    if body is None:
        return None
    other = "," if decimal == "." else "."
    if other in body:
        if decimal in body or not re.fullmatch(r"(?:0?[.,]\d+|\d+[.,](?:\d{1,2}|\d{4,}))", body):
            return None
        body = body.replace(other, decimal)
    if body.count(decimal) > 1 or body.endswith(decimal):
        return None
    _, _, after = body.partition(decimal)
    value = float(body.replace(decimal, "."))
    return -value if match["sign"] == "-" else value, _MARKS[match["mark"] or ""], len(after)


def _without_thousands(body: str, decimal: str, thousands: str) -> str | None:
    """Drop well-placed thousands marks; ``None`` if they stand where they cannot."""
    marks = "\u00a0\u202f " if thousands == " " else thousands
    whole, point, after = body.partition(decimal)
    for mark in marks:
        if mark in whole:
            if not re.fullmatch(rf"\d{{1,3}}(?:{re.escape(mark)}\d{{3}})+", whole):
                return None if mark in after or whole.count(mark) > 1 else body
            whole = whole.replace(mark, "")
    return whole + point + after


def numbers(
    cells: pa.StringArray,
    *,
    decimal: str = ".",
    thousands: str = "",
    lenient: bool = False,
    units: Mapping[str, float] | None = None,
) -> Numbers:
    """Read a column.

    Parameters
    ----------
    cells : pyarrow.StringArray
        Text; null or empty where nothing stands.
    decimal, thousands : str
        The marks as declared.
    lenient : bool
        Take the first number in a hand-written cell ("about 15").
    units : mapping, optional
        Units that may stand behind a number, in small letters, and what one is in the column's
        unit; a number with another unit is not read. Left out, any usual unit is passed over.

    Returns
    -------
    Numbers
    """
    n = len(cells)
    if n > 1000:
        coded = cells.dictionary_encode()
        if 4 * len(coded.dictionary) < n:  # read each distinct cell once
            words = pa.concat_arrays([coded.dictionary, pa.nulls(1, pa.string())])
            found = numbers(
                words, decimal=decimal, thousands=thousands, lenient=lenient, units=units
            )
            at = coded.indices.fill_null(len(words) - 1).to_numpy(zero_copy_only=False)
            return Numbers(found.value[at], found.mark[at], found.decimals[at], found.read[at])
    text = pc.fill_null(cells, "")
    plain = pc.replace_substring(text, decimal, ".") if decimal != "." else text
    if decimal == ",":  # a point would be a second mark: leave those to the slow path
        plain = pc.if_else(pc.match_substring(text, "."), "", plain)
    simple = pc.match_substring_regex(plain, r"^[+-]?\d+(\.\d+)?$")
    value = pc.cast(pc.if_else(simple, plain, None), pa.float64())
    value = pc.fill_null(value, float("nan")).to_numpy(zero_copy_only=False).copy()
    point = pc.find_substring(plain, ".").to_numpy(zero_copy_only=False)
    length = pc.utf8_length(plain).to_numpy(zero_copy_only=False)
    decimals = np.where(point >= 0, length - point - 1, 0).astype(np.int64)
    known = simple.to_numpy(zero_copy_only=False)
    empty = pc.equal(text, "").to_numpy(zero_copy_only=False)
    mark = np.where(known, "=", "").astype("U1")
    read = known | empty
    rest = np.flatnonzero(~read)
    if len(rest):
        _slow(
            text.take(pa.array(rest)),
            rest,
            value,
            mark,
            decimals,
            read,
            decimal,
            thousands,
            lenient,
            units,
        )
    return Numbers(value, mark, decimals, read)


def shown_decimals(cells: pa.StringArray, found: Numbers) -> np.ndarray:
    """Decimals of the display, also where a program dropped the zeros at the end.

    If among 50 or more cells with the most decimals none ends in 0 (one in ten would), ends were
    dropped, and ``0.1`` was shown as ``0.10``; else each cell counts as it stands.
    """
    most = int(found.decimals.max(initial=0))
    if not 1 <= most <= 4:
        return found.decimals
    full = found.decimals == most
    if full.sum() < 50 or full.all():
        return found.decimals
    ends = pc.match_substring_regex(cells, r"[.,]\d*0[^\d]*$")
    ends = pc.fill_null(ends, False).to_numpy(zero_copy_only=False)
    return found.decimals if (ends & full).any() else np.full_like(found.decimals, most)


def _slow(
    text: pa.StringArray,
    rest: np.ndarray,
    value: np.ndarray,
    mark: np.ndarray,
    decimals: np.ndarray,
    read: np.ndarray,
    decimal: str,
    thousands: str,
    lenient: bool,
    units: Mapping[str, float] | None,
) -> None:
    """Read each distinct odd cell once, and put it where it stands."""
    coded = text.dictionary_encode()
    codes = coded.indices.to_numpy(zero_copy_only=False)
    found = []
    for cell in coded.dictionary.to_pylist():
        one = read_number(cell, decimal, thousands)
        if units is not None:
            one = _in_unit(cell, one, units, decimal, thousands)
        found.append(_first(cell, units) if one is None and lenient else one)
    values = np.array([one[0] if one else np.nan for one in found])
    marks = np.array([one[1] if one else "" for one in found], dtype="U1")
    places = np.array([one[2] if one else 0 for one in found], dtype=np.int64)
    taken = np.array([one is not None for one in found], dtype=bool)
    value[rest], mark[rest], decimals[rest] = values[codes], marks[codes], places[codes]
    read[rest] = taken[codes]


def _in_unit(
    cell: str,
    read: tuple[float, str, int] | None,
    units: Mapping[str, float],
    decimal: str,
    thousands: str,
) -> tuple[float, str, int] | None:
    """A number with the unit that stands behind it; none if it is not one of ``units``."""
    clock = _CLOCK.match(cell.strip()) if "h" in units else None
    if clock:
        return int(clock[1]) * units["h"] + int(clock[2]) * units["min"], "=", 0
    unit = _UNIT.search(cell)
    if unit is None:
        return read
    scale = units.get(unit[1].lower())
    if scale is None:
        return None
    bare = read_number(cell[: unit.start()], decimal, thousands)
    return None if bare is None else (bare[0] * scale, bare[1], bare[2])


def _first(cell: str, units: Mapping[str, float] | None) -> tuple[float, str, int] | None:
    """First number in words, if there is just one and no unit that is not the column's."""
    found = list(_FIRST.finditer(cell))
    if len(found) != 1:
        return None
    value = float(found[0][0].replace(",", "."))
    after = re.match(r"\s*([^\W\d_]+|[°%'\"\u2032\u2033])", cell[found[0].end() :])
    word = after[1].lower() if after else ""
    if units is not None and word in units:
        value *= units[word]
    elif any(word.startswith(one) for one in _NOT_PIECES):
        return None
    return value, "=", 0


_NOT_PIECES = (
    *("pack", "pak", "box", "bag", "karton", "carton", "schachtel", "beutel", "boite", "boîte"),
    *(
        "caja",
        "scatola",
        "rasia",
        "laatikko",
        "opak",
        "balen",
        "mm",
        "cm",
        "km",
        "ft",
        "sec",
        "day",
    ),
    *("tag", "jour", "hour", "std", "stunde"),
)
"""Beginnings of words behind a number that make it no number of the column's own unit."""
