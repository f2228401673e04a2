"""A new file taken apart for a proposal: its cells, where the headings stand, its columns."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from yieldkit.errors import CrewError
from yieldkit.records.profiles import Profile, profile
from yieldkit.records.reading import fields, kind_of
from yieldkit.records.sniffing import (
    Choice,
    HeaderFound,
    delimiter_of,
    encoding_of,
    header_of,
    spans_of,
    text_of,
)
from yieldkit.records.words import plain

_LOOKED_AT = 200_000
"""Rows looked at for dates: one late row may prove the order."""
_SAMPLE = 3_000
"""Rows spread over the file that tell what the columns are."""


@dataclass(frozen=True, eq=False)
class Seen:
    """A file taken apart as far as its cells."""

    said: dict[str, Any]
    header: HeaderFound
    above: list[str]
    rows: list[list[str]]
    real: frozenset[tuple[int, int]]
    choices: list[Choice]
    spans: list[tuple[int, int | None]]


def look(data: bytes, name: str) -> Seen:
    """Take a file apart: its rows of cells, where the headings stand."""
    kind = kind_of(data, name)
    if kind != "text":
        return _look_at_sheets(data, name, kind)
    encoding = encoding_of(data)
    text = text_of(data, encoding.value)
    delimiter, quote = delimiter_of(text)
    lines = text.split("\n")
    said: dict[str, Any] = {"encoding": encoding.value}
    spans: list[tuple[int, int | None]] = []
    if delimiter.value:
        rows = [fields(line, delimiter.value, quote) for line in lines[:_LOOKED_AT]]
        said["delimiter"] = delimiter.value
        said |= {"quote": quote} if quote != '"' else {}
    else:
        spans = spans_of(lines[:500])
        if len(spans) < 3:
            raise no_table(name, "its lines do not fall into columns")
        rows = [[line[a:b].strip() for a, b in spans] for line in lines[:_LOOKED_AT]]
        said["format"] = "fixed"
    rows = [[cell.strip() for cell in row] for row in rows]
    header = header_of(rows)
    above = lines[: header.row]
    said |= _header_said(header, lines, spans)
    body = _data(rows, header)
    return Seen(said, header, above, body, frozenset(), [encoding, delimiter, header.choice], spans)


def _header_said(header: HeaderFound, lines: Sequence[str], spans: Sequence[Any]) -> dict[str, Any]:
    if not spans:
        return {"header_rows": header.rows} if header.rows != 1 else {}
    if header.rows:
        last = lines[header.row + header.rows - 1].strip()
        pattern = r"\s+".join(re.escape(word) for word in last.split()[:4])
        return {"starts_after": rf"^\s*{pattern}", "header_rows": 0}
    return {"header_rows": min(3, header.row)}


def _look_at_sheets(data: bytes, name: str, kind: str) -> Seen:
    """The first sheet that has headings; sheets with the same headings go with it."""
    from yieldkit.records.workbook import sheets

    found = [rows for rows in sheets(data, name, kind) if rows.cells]
    best: tuple[float, Seen] | None = None
    for rows in found:
        cells = [[cell.strip() for cell in row] for row in (rows.cells or [])]
        header = header_of(cells, rows.merged)
        start = header.row + header.rows
        real = frozenset((r - start, c) for r, c in rows.real if r >= start)
        above = [" ".join(cell for cell in row if cell) for row in cells[: header.row]]
        said: dict[str, Any] = {"format": "workbook"}
        said |= {"header_rows": header.rows} if header.rows != 1 else {}
        choice = replace(header.choice, value=f'{header.choice.value} of sheet "{rows.sheet}"')
        body = cells[start:]
        seen = Seen(said, header, above, body, real, [choice], [])
        score = choice.confidence * (header.rows > 0) + 0.001 * min(len(body), 100)
        if best is None or score > best[0]:
            best = (score, seen)
    if best is None:
        raise no_table(name, "its sheets are empty")
    return best[1]


def _data(rows: list[list[str]], header: HeaderFound) -> list[list[str]]:
    """Rows below the headings; what is shifted by a row keeps its place for ``real``."""
    names = [plain(cell) for cell in header.names]
    return [
        row
        for row in rows[header.row + header.rows :]
        if [plain(cell) for cell in row if cell] != [n for n in names if n]
    ]


def profiles_of(seen: Seen, decimal: str, thousands: str) -> list[Profile]:
    """Profile of each column; real numbers of a workbook carry a point."""
    found = []
    width = len(seen.header.names)
    filled = [row for _, row in sample_of(seen) if sum(bool(c) for c in row) > min(2, width - 1)]
    for column in range(width):
        cells = [row[column] for row in filled if column < len(row)]
        if seen.real and decimal == ",":
            cells = [
                cell.replace(",", ".") if re.fullmatch(r"[<>]?-?\d+,\d+", cell) else cell
                for cell in cells
            ]
            found.append(profile(cells, ".", ""))
        else:
            found.append(profile(cells, decimal, thousands))
    return found


def no_table(name: str, why: str) -> CrewError:
    """What is said of a file that holds no records."""
    return CrewError(
        f"this does not look like records of joints, tests or kit: {why}",
        file=name,
        remedy="If it is one, write its layout by hand (docs/layouts.md has an example).",
    )


def name_of(seen: Seen, place: int) -> str | int:
    """How a layout names a column: heading, number, or places."""
    if seen.spans:
        a, b = seen.spans[place]
        return f"{a + 1}-{b or ''}"
    if not seen.header.rows or not seen.header.names[place]:
        return place + 1
    name = seen.header.names[place]
    before = [plain(n) for n in seen.header.names[:place]].count(plain(name))
    return f"{name}#{before + 1}" if before else name


def sample_of(seen: Seen) -> list[tuple[int, list[str]]]:
    """Rows with their number: the first third of the sample, then evenly to the end."""
    first = _SAMPLE // 3
    step = max(1, (len(seen.rows) - first) // (_SAMPLE - first))
    numbers = [*range(min(first, len(seen.rows))), *range(first, len(seen.rows), step)]
    return [(number, seen.rows[number]) for number in numbers]


def cells_of(seen: Seen, several: Sequence[int]) -> list[str]:
    """Cells of one key, its columns joined."""
    return [
        " ".join(row[place] for place in several if place < len(row) and row[place])
        for row in seen.rows
    ]
