"""Numbers as people and machines write them: decimal and thousands marks, units, bounds."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.records.cells import Cells

_UNITS = r"(?:dB|db|DB|°|deg|Grad|nm|µm|um|mm|cm|m|mins?|minutes|h|s|pcs?|St(?:k|ück)?|x|%)?"
_MARKS = {"<": "<", "≤": "<", "<=": "<", ">": ">", "≥": ">", ">=": ">", "=": "=", "": "="}
MARKS = ("", "=", "<", ">")
"""How a number bounds, by code; the first where there is none."""
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

    ``mark`` is a place in ``MARKS``; ``read`` is false where the cell is neither empty nor a
    number.
    """

    value: np.ndarray
    mark: np.ndarray
    decimals: np.ndarray
    read: np.ndarray

    def take(self, codes: np.ndarray) -> Numbers:
        """The numbers of rows, given those of words."""
        return Numbers(self.value[codes], self.mark[codes], self.decimals[codes], self.read[codes])

    def turned(self, where: np.ndarray) -> Numbers:
        """Numbers with the other sign in some rows: what was below a bound is then above it."""
        value = np.where(where, -self.value, self.value)
        return replace(self, value=value, mark=np.where(where, _TURNED[self.mark], self.mark))


_TURNED = np.array([0, 1, 3, 2], dtype=np.int8)


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
    """Read the words of a column.

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
    text = pc.fill_null(cells, "")
    if _digits_alone(text):
        return _whole(text)
    simple = pc.match_substring_regex(text, rf"^[+-]?\d+([{decimal}]\d+)?$")
    plain = pc.if_else(simple, text, pa.nulls(1, pa.string())[0])
    if decimal != ".":
        plain = pc.replace_substring(plain, decimal, ".", max_replacements=1)
    value = pc.fill_null(pc.cast(plain, pa.float64()), float("nan")).to_numpy().copy()
    point = pc.find_substring(text, decimal).to_numpy()
    known = simple.to_numpy(zero_copy_only=False)
    shown = pc.utf8_length(text).to_numpy() - point - 1
    decimals = np.where(known & (point >= 0), shown, 0)  # a word with a stop in it shows none
    mark = known.astype(np.int8)
    read = known | (pc.binary_length(text).to_numpy() == 0)
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


def _digits_alone(text: pa.StringArray) -> bool:
    """Whether nothing but digits stands in the cells, few enough for an exact number."""
    signs = np.frombuffer(text.buffers()[2] or b"", dtype=np.uint8)
    most = pc.max(pc.binary_length(text)).as_py()
    return bool(most) and most < 16 and signs.min() >= ord("0") and signs.max() <= ord("9")


def _whole(text: pa.StringArray) -> Numbers:
    """Cells of digits or nothing: as text of many columns of numbers is, without a second look."""
    filled = pc.not_equal(text, "")
    digits = pc.if_else(filled, text, pa.nulls(1, pa.string())[0])
    value = pc.fill_null(pc.cast(digits, pa.float64()), float("nan")).to_numpy()
    mark = filled.to_numpy(zero_copy_only=False).astype(np.int8)
    return Numbers(value, mark, np.zeros_like(mark, dtype=np.int64), np.ones_like(mark, dtype=bool))


def shown_decimals(cells: Cells, found: Numbers) -> np.ndarray:
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
    ends = pc.match_substring_regex(cells.words, r"[.,]\d*0[^\d]*$")
    ends = np.append(ends.to_numpy(zero_copy_only=False), False)[cells.codes]
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
    """Read the odd cells one by one."""
    for at, cell in zip(rest.tolist(), text.to_pylist(), strict=True):
        one = read_number(cell, decimal, thousands)
        if units is not None:
            one = _in_unit(cell, one, units, decimal, thousands)
        if one is None and lenient:
            one = _first(cell, units)
        if one is not None:
            value[at], mark[at], decimals[at] = one[0], MARKS.index(one[1]), one[2]
            read[at] = True


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
