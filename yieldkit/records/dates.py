"""Dates and times as written, by declared forms such as ``dd.mm.yyyy hh:mm:ss``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.records.words import AFTERNOON, MONTHS, MORNING, WEEKDAYS, plain

ISO = ("yyyy-mm-dd hh:mm:ss", "yyyy-mm-dd hh:mm", "yyyy-mm-dd")
"""Always understood, with a blank or a T before the time."""
_TOKENS = re.compile(r"yyyy|yy|mmmm|mmm|mm|m|dd|d|hh|h|ss|am|.", re.I | re.S)


_WEEKDAY = r"^(\pL[\pL-]{1,12})[.,]?\s+"
_BLANKS = r"[\x{a0}\x{2007}\x{2009}\x{202f}]"
_CLOCK_WORD = r"(?i)(\d)\s*(?:uhr|hrs?|h)\.?$"


def undressed(cells: pa.StringArray) -> pa.StringArray:
    """Cells without a weekday before the date and a word for "o'clock" behind it, blanks plain.

    Examples
    --------
    >>> undressed(pa.array(["Mo 16.11.2026 08:30 Uhr", "Nov 16, 2026"])).to_pylist()
    ['16.11.2026 08:30', 'Nov 16, 2026']
    """
    cells = pc.replace_substring_regex(cells, _BLANKS, " ")
    first = pc.struct_field(pc.extract_regex(cells, _WEEKDAY.replace("(", "(?P<day>", 1)), "day")
    coded = first.dictionary_encode()
    words = coded.dictionary.to_pylist()
    known = pa.array([plain(word) in WEEKDAYS for word in words], pa.bool_())
    named = pc.fill_null(known.take(coded.indices), False)
    bare = pc.replace_substring_regex(cells, _WEEKDAY, "")
    return pc.replace_substring_regex(pc.if_else(named, bare, cells), _CLOCK_WORD, r"\1")


def bare_date(cell: str) -> str:
    """As ``undressed``, for one cell."""
    text = cell.strip()
    first = re.match(r"([^\W\d_]+)[.,]?\s+", text)
    if first and plain(first[1]) in WEEKDAYS:
        text = text[first.end() :]
    return re.sub(r"(\d)\s*(?:uhr|hrs?|h)\.?$", r"\1", text, flags=re.I)


@dataclass(frozen=True)
class Form:
    """A form made ready: its pattern, its fields, and places if all digits are fixed."""

    text: str
    pattern: str
    fields: tuple[str, ...]
    places: dict[str, tuple[int, int]] | None
    length: int
    literal: tuple[tuple[int, str], ...]


@lru_cache(maxsize=256)
def form(text: str) -> Form:
    """Read a form.

    Parameters
    ----------
    text : str
        ``yyyy`` or ``yy``, ``mm`` or ``m``, ``mmm`` (a month's name), ``dd`` or ``d``, then
        ``hh`` or ``h``, ``mm``, ``ss`` and ``am`` (a 12-hour clock). Other characters stand for
        themselves; ``mm`` after ``hh`` are minutes.

    Raises
    ------
    ValueError
        If day, month or year is missing.
    """
    pattern, fields, places, literal = "", [], {}, []
    at, fixed, clock = 0, True, False
    for token in _TOKENS.findall(text):
        low = token.lower()
        kind = {"y": "year", "m": "month", "d": "day", "h": "hour", "s": "second"}.get(low[0], "")
        if low == "am":
            pattern, fixed = pattern + r"\s*(?P<half>\pL\.?\s?\pL?\.?\pL{0,4}\.?)", False
            fields.append("half")
            continue
        if kind and (low in ("yyyy", "yy", "mmmm", "mmm", "mm", "m", "dd", "d", "hh", "h", "ss")):
            if kind == "month" and clock and low in ("mm", "m"):
                kind = "minute"
            clock = clock or kind == "hour"
            if low in ("mmm", "mmmm"):
                pattern, fixed = pattern + r"(?P<name>\pL+)\.?", False
                fields.append("name")
                continue
            size = len(low)
            pattern += rf"(?P<{kind}>\d{{{size}}})" if low == "yyyy" else rf"(?P<{kind}>\d{{1,2}})"
            fixed = fixed and size > 1
            places[kind] = (at, size)
            fields.append(kind)
            at += size
        else:
            pattern += r"[T\s]\s*" if token.isspace() else re.escape(token)
            if not token.isspace():
                literal.append((at, token))
            at += 1
    named = set(fields) | ({"month"} if "name" in fields else set())
    if not {"year", "month", "day"} <= named or len(fields) != len(set(fields)):
        raise ValueError(f'the date form "{text}" needs a day, a month and a year, each once')
    if "second" in fields:
        pattern += r"(?:[.,]\d{1,9})?"
    pattern += r"(?:\s?(?:Z|[+-]\d\d:?\d\d))?" if "hour" in fields else ""
    ascii_only = all(ord(c) < 128 for _, c in literal)
    ready = places if fixed and ascii_only else None
    return Form(text, f"^{pattern}$", tuple(fields), ready, at, tuple(literal))


@dataclass(frozen=True, eq=False)
class Times:
    """A column of times: milliseconds since 1970 on the clock as shown, and what was read.

    ``shaped`` is true where the cell has the form, though its date may be impossible.
    """

    ms: np.ndarray
    read: np.ndarray
    shaped: np.ndarray

    def take(self, codes: np.ndarray) -> Times:
        """The times of rows, given those of words."""
        return Times(self.ms[codes], self.read[codes], self.shaped[codes])


def times(cells: pa.StringArray, forms: tuple[str, ...]) -> Times:
    """Read a column by the first form that fits each cell; ISO forms come last.

    Parameters
    ----------
    cells : pyarrow.StringArray
        Text, trimmed; null or empty where nothing stands.
    forms : tuple of str
        Declared forms in order.
    """
    text = pc.fill_null(cells, "")
    n = len(text)
    ms = np.zeros(n, dtype=np.int64)
    shaped = np.zeros(n, dtype=bool)
    read = np.zeros(n, dtype=bool)
    left = pc.not_equal(text, "").to_numpy(zero_copy_only=False).copy()
    every = (*forms, *ISO)
    for number, one in enumerate((*every, *every)):
        if not left.any():
            break
        if number == len(every):  # once more without what stands around
            bare = undressed(text)
            if bare.equals(text):
                break
            text = bare
        rows = np.flatnonzero(left)
        got, fits, good = _by_form(_some(text, rows), form(one))
        ms[rows[good]], read[rows[good]] = got[good], True
        shaped[rows[fits]] = True
        left[rows[good]] = False
    return Times(ms, read, shaped)


def _some(text: pa.StringArray, rows: np.ndarray) -> pa.StringArray:
    """Some cells, copied only where they do not lie one behind the other."""
    if rows[-1] - rows[0] + 1 == len(rows):
        return text.slice(rows[0], len(rows))
    return text.take(pa.array(rows))


def _by_form(text: pa.StringArray, wanted: Form) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Milliseconds, which cells have the form, which of them are real dates."""
    n = len(text)
    parts = {k: np.zeros(n, dtype=np.int64) for k in ("hour", "minute", "second")}
    fits = np.zeros(n, dtype=bool)
    if wanted.places is not None:
        length = pc.binary_length(text).to_numpy(zero_copy_only=False)
        rows = np.flatnonzero(length == wanted.length)
        if len(rows):
            _by_place(text, rows, wanted, parts, fits)
    rest = np.flatnonzero(~fits)
    if len(rest):
        _by_pattern(text, rest, wanted, parts, fits)
    year = parts["year"]
    if "yyyy" not in wanted.text.lower():
        year = np.where(year < 70, 2000 + year, 1900 + year)
    hour = parts["hour"]
    good = fits & (hour < 24) & (parts["minute"] < 60) & (parts["second"] < 60)
    good &= (parts["month"] >= 1) & (parts["month"] <= 12) & (parts["day"] >= 1)
    good &= (year >= 1900) & (year <= 2200)
    month = np.where(good, (year - 1970) * 12 + parts["month"] - 1, 0)
    earliest = int(month.min(initial=0))
    starts = np.arange(earliest, int(month.max(initial=0)) + 2).astype("datetime64[M]")
    first = starts.astype("datetime64[D]").astype(np.int64)
    month -= earliest
    good &= parts["day"] <= np.diff(first)[month]
    day = first[month] + parts["day"] - 1
    seconds = day * 86400 + hour * 3600 + parts["minute"] * 60 + parts["second"]
    return seconds * 1000, fits, good


def _by_place(
    text: pa.StringArray,
    rows: np.ndarray,
    wanted: Form,
    parts: dict[str, np.ndarray],
    fits: np.ndarray,
) -> None:
    """Digits at fixed places, read as bytes."""
    every = slice(None) if len(rows) == len(text) else rows
    part = _some(text, rows)
    offsets = np.frombuffer(part.buffers()[1], dtype=np.int32)[part.offset :]
    start, stop = int(offsets[0]), int(offsets[len(part)])
    data = np.frombuffer(part.buffers()[2], dtype=np.uint8)[start:stop]
    grid = np.ascontiguousarray(data.reshape(len(part), wanted.length).T)
    good = np.ones(len(part), dtype=bool)
    for at, sign in wanted.literal:
        good &= grid[at] == ord(sign)
    taken = {at for at, _ in wanted.literal}
    for kind, (at, size) in wanted.places.items():  # type: ignore[union-attr]
        taken |= set(range(at, at + size))
        value = np.zeros(len(part), dtype=np.int16)
        for digit in grid[at : at + size] - np.uint8(48):  # what is below 0 lies above 9
            good &= digit <= 9
            value = value * np.int16(10) + digit
        parts.setdefault(kind, np.zeros(len(text), dtype=np.int64))[every] = value
    for at in set(range(wanted.length)) - taken:  # a blank or the T before the time
        good &= (grid[at] == 32) | (grid[at] == 84)
    for kind in ("year", "month", "day"):
        parts.setdefault(kind, np.zeros(len(text), dtype=np.int64))
    fits[every] = good


def _by_pattern(
    text: pa.StringArray,
    rest: np.ndarray,
    wanted: Form,
    parts: dict[str, np.ndarray],
    fits: np.ndarray,
) -> None:
    """The rest, by the form's pattern."""
    part = _some(text, rest)
    found = pc.extract_regex(part, wanted.pattern)
    rows = rest[pc.is_valid(found).to_numpy(zero_copy_only=False)]
    found = found.drop_null()
    good = np.ones(len(rows), dtype=bool)
    for kind in ("year", "month", "day"):
        parts.setdefault(kind, np.zeros(len(text), dtype=np.int64))
    half = None
    for kind in wanted.fields:
        field = pc.struct_field(found, kind)
        if kind == "name":
            parts["month"][rows] = _named(field, MONTHS)
        elif kind == "half":
            half = _named(field, {**dict.fromkeys(MORNING, 1), **dict.fromkeys(AFTERNOON, 2)})
        else:
            parts[kind][rows] = pc.cast(field, pa.int64()).to_numpy(zero_copy_only=False)
    if half is not None:
        hour = parts["hour"][rows]
        good &= (half > 0) & (hour >= 1) & (hour <= 12)
        parts["hour"][rows] = hour % 12 + np.where(half == 2, 12, 0)
    fits[rows] = good


def _named(field: pa.StringArray, names: dict[str, int]) -> np.ndarray:
    """Number of each name; 0 for a name that is not known."""
    coded = field.dictionary_encode()
    known = [names.get(plain(word), 0) for word in coded.dictionary.to_pylist()]
    return np.array(known, dtype=np.int64)[coded.indices.to_numpy(zero_copy_only=False)]
