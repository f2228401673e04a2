"""Rows that never were records: blank ones, rulers, headings again, totals, titles."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.records.declared import Layout
from yieldkit.records.reading import Rows, begins_with_digit, fields, first_signs
from yieldkit.records.words import ENDS, TOTALS, plain


@dataclass(frozen=True)
class Header:
    """Headings found: row of the first heading (from 0), rows taken, names, places by key."""

    row: int
    rows: int
    names: tuple[str, ...]
    where: dict[str, tuple[int, ...]]

    @property
    def width(self) -> int:
        """Cells of a data row."""
        return len(self.names)


def furniture_rows(
    rows: Rows, lines: pa.StringArray, start: int, header: Header, layout: Layout
) -> np.ndarray:
    """Rows that never were records: blank ones, rulers, headings again, totals, titles."""
    delimiter = "\t" if rows.cells is not None else layout.delimiter
    edge = re.escape(delimiter) if delimiter not in ("\t", " ") else ""
    empty = rf"^[\s{edge}\"]*$|^[-=_+|\s]{{3,}}$"
    drop = np.zeros(len(lines), dtype=bool)
    wordless = np.flatnonzero(~begins_with_digit(lines))  # most records begin with a digit
    found = pc.match_substring_regex(lines.take(pa.array(wordless)), empty)
    drop[wordless] = found.to_numpy(zero_copy_only=False)
    for shift in range(header.rows):
        again = rows.lines[header.row + shift].as_py()
        drop |= pc.equal(lines, again).to_numpy(zero_copy_only=False)
    for pattern in layout.furniture:
        drop |= pc.match_substring_regex(lines, pattern, ignore_case=True).to_numpy(
            zero_copy_only=False
        )
    signs = first_signs(lines)
    first_is_text = ~drop & (signs | 32 >= ord("a")) & (signs | 32 <= ord("z"))
    odd = np.flatnonzero(~drop & ~first_is_text & ((signs < ord("0")) | (signs > ord("9"))))
    letters = pc.match_substring_regex(lines.take(pa.array(odd)), r"^[^\pL\d]*\pL")
    first_is_text[odd[letters.to_numpy(zero_copy_only=False)]] = True
    if layout.format == "fixed" or not first_is_text.any():
        return drop
    # Most exports begin with a number, a date or an id: look closely only at the odd beginnings.
    head = lines if first_is_text.all() else lines.filter(pa.array(first_is_text))
    bare = pc.utf8_trim(head, f'{delimiter if edge else ""} \t\n\r\f"')
    several = pc.match_substring_regex(bare, f"[{edge or chr(9)}]")
    title = ~several.to_numpy(zero_copy_only=False)
    single = pc.match_substring_regex(head.filter(pa.array(title)), r"\pL\pL\pL\pL")
    title[title] = single.to_numpy(zero_copy_only=False)
    total = pc.match_substring_regex(pc.utf8_lower(head), r"^[^\pL]*(" + _total_words() + ")")
    look = title | total.to_numpy(zero_copy_only=False)
    last = len(lines) - 1
    for at in np.flatnonzero(first_is_text)[look]:
        cells = (
            rows.cells[start + int(at)]
            if rows.cells is not None
            else fields(lines[int(at)].as_py(), delimiter, layout.quote)
        )
        cut = int(at) == last and not rows.ended and not ENDS.match(plain(cells[0]))
        drop[at] = not cut and _is_furniture(cells, header)
    return drop


def _total_words() -> str:
    return TOTALS.pattern.removeprefix("^(").split(r")\b")[0] + "|łącznie|średnia|průměr"


def _is_furniture(cells: Sequence[str], header: Header) -> bool:
    """A totals row or a title among the data: no time and no number of its own."""
    filled = [place for place, cell in enumerate(cells) if cell.strip()]
    if [plain(cell) for cell in cells if cell.strip()] == [plain(n) for n in header.names if n]:
        return True
    if not filled:
        return True
    first = filled[0]
    if len(filled) == 1 and header.width > 2:
        return first not in header.where.get("remark", ())
    if not TOTALS.match(plain(cells[first])):
        return False
    when, counter = (set(header.where.get(key, ())) - {first} for key in ("when", "counter"))
    dated = any(re.search(r"\d\D+\d", cells[p]) for p in filled if p in when)
    return not dated and not any(p in counter for p in filled)


def is_record_like(cells: Sequence[str], header: Header) -> bool:
    """Whether cells are of a record, however spoilt, and not of a line above headings."""
    filled = sum(bool(cell.strip()) for cell in cells)
    keys = {p for key in ("when", "counter") for p in header.where.get(key, ()) if p < len(cells)}
    if not keys:
        return 2 * filled > header.width
    return filled > 2 and all(any(one.isdigit() for one in cells[place]) for place in keys)
