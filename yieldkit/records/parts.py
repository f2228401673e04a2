"""Downloads laid one after the other in one file: where each begins, and what it says above itself.

A part begins where the headings stand again, or at a line of the preamble that names a machine.
Whether headings that stand again belong to the next page or to another machine's download is
told by what stands above them, else by the records (``continues``).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.records.bodies import Header, find_header
from yieldkit.records.declared import Layout
from yieldkit.records.furniture import is_record_like
from yieldkit.records.patterns import sought
from yieldkit.records.reading import MAX_LINE, Rows, begins_with_digit, fields, rows_with

MACHINE = ("splicer", "serial")
"""Keys that name a machine."""
_REACH = 20
"""Numbers that a counter may leap between two pages of one printout."""
_PAUSE = np.timedelta64(3, "D")
"""Longest pause between two pages of one printout without a counter."""
_LABEL = re.compile(r"^[^\w]*([^\W\d][^\d:;=,\t|]{2,30})")
_MOST_PARTS = 10_000
_MOST_LOOKED_AT = 5_000
_JOINED = "another file goes on in this line; put a line break before {found!r}"


@dataclass(frozen=True, eq=False)
class Part:
    """Rows of one download.

    Parameters
    ----------
    rows : Rows
        The file up to the part's last row: rows keep their numbers.
    header : Header
        Its headings; ``row + rows`` is where its data begin.
    above : tuple of str
        Lines above its headings.
    aside : frozenset of int
        Rows within it that are the next part's preamble.
    joined : dict
        Rows on which another file goes on, with the reason for refusing them.
    """

    rows: Rows
    header: Header
    above: tuple[str, ...]
    aside: frozenset[int] = frozenset()
    joined: dict[int, str] | None = None


@dataclass(frozen=True)
class _Begin:
    """A part's first row of data, where the part before stops, the first row of its preamble."""

    data: int
    stop: int
    block: int
    header: Header
    above: tuple[str, ...]
    aside: frozenset[int]
    joined: dict[int, str]


def parts_of(rows: Rows, header: Header, layout: Layout) -> list[Part]:
    """Downloads that one text file or sheet holds, in order; nearly always one.

    Parameters
    ----------
    rows, header : Rows, Header
        The file and the headings found first.
    layout : Layout
        Its layout.
    """
    above = _above(rows, 0, header.row)
    first = _Begin(header.row + header.rows, 0, 0, header, above, frozenset(), {})
    begins = [first, *_later(rows, header, layout)][:_MOST_PARTS]
    if len(begins) == 1:
        return [Part(rows, header, above)]
    found = []
    for begin, after in zip(begins, [*begins[1:], None], strict=True):
        found.append(
            Part(
                rows if after is None else _until(rows, after.stop),
                replace(begin.header, row=begin.data - begin.header.rows),
                begin.above,
                after.aside if after else frozenset(),
                after.joined if after else {},
            )
        )
    return found


def _until(rows: Rows, stop: int) -> Rows:
    cells = None if rows.cells is None else rows.cells[:stop]
    return replace(rows, lines=rows.lines.slice(0, stop), cells=cells, ended=True)


def _above(rows: Rows, start: int, stop: int) -> tuple[str, ...]:
    """Lines as patterns look at them."""
    lines = rows.lines.slice(start, stop - start).to_pylist()
    return tuple((line or "")[:MAX_LINE].replace("\t", " ") for line in lines)


def _later(rows: Rows, header: Header, layout: Layout) -> list[_Begin]:
    """Beginnings of the second and later parts."""
    start = header.row + header.rows
    again, joined = _headings_again(rows, header, layout, start)
    found: list[_Begin] = []
    labels = _labels(rows, header)
    last = start
    for at, head in again:
        named = joined.get(at - 1) if at - 1 in joined else None
        stop = at - max(head.rows, 1)
        block = _block(rows, header, layout, last, stop)
        above = _above(rows, block, stop)
        aside = frozenset(
            row for row in range(block, stop) if _is_above(rows.lines[row].as_py(), labels, layout)
        )
        mixed: dict[int, str] = {}
        if named is not None:  # the headings themselves stand at the end of a row
            mixed = {at - 1: named}
            above, aside = (), frozenset()
        elif block > last and (told := _joined(rows, block - 1, labels)):
            mixed = {block - 1: _JOINED.format(found=told[:40])}
            above = (told, *above)
        stop = at if mixed and named else stop
        found.append(_Begin(at, stop, block, head, above, aside, mixed))
        last = at
    return _with_named(rows, header, layout, found)


def _headings_again(
    rows: Rows, header: Header, layout: Layout, start: int
) -> tuple[list[tuple[int, Header]], dict[int, str]]:
    """First row below headings that stand again, with them; rows that end in headings."""
    if layout.starts_after:
        lead = _lead(rows.lines[start - 1].as_py() or "")
        near = _beginning(rows.lines, lead, start)
        return [(at + 1, header) for at in near if sought(layout.starts_after, _line(rows, at))], {}
    if not header.rows:
        return [], {}
    text = _line(rows, header.row).strip()
    longest = sorted({n.rsplit(" / ", 1)[-1] for n in header.names}, key=len, reverse=True)
    if len(text) < 4 or not longest[0]:
        return [], {}
    named = rows_with(rows.lines, longest[0])
    if len(longest) > 1 and len(named) > _MOST_LOOKED_AT:
        named = np.intersect1d(named, rows_with(rows.lines, longest[1]))
    again, joined = [], {}
    for at in named.tolist():
        if at < start:
            continue
        if text in (shown := _line(rows, at).strip()) and not shown.startswith(text):
            again.append((at + 1, header))
            joined[at] = _JOINED.format(found=text[:40])
        elif (head := _header_at(rows, at, header, layout)) is not None:
            again.append((at + head.rows, head))
    return again, joined


def _header_at(rows: Rows, at: int, header: Header, layout: Layout) -> Header | None:
    """Headings of the layout at one row, perhaps in another order."""
    cells = None if rows.cells is None else rows.cells[at : at + header.rows]
    lines = rows.lines.slice(at, header.rows)
    found = find_header(Rows(rows.sheet, lines, cells), layout)
    if found is None or found.row:
        return None
    return replace(found, row=at)


def _block(rows: Rows, header: Header, layout: Layout, low: int, at: int) -> int:
    """First row of what stands directly above headings at ``at``."""
    first = at
    while first > low and at - first < header.row + 6:
        if is_record_like(_cells(rows, first - 1, layout), header):
            break
        first -= 1
    return first


def _cells(rows: Rows, at: int, layout: Layout) -> list[str]:
    if rows.cells is not None:
        return rows.cells[at]
    line = _line(rows, at)
    if layout.format == "fixed":
        spans = [str(s).split("-") for found in layout.headings.values() for s in found]
        return [line[int(a) - 1 : int(b) if b else None] for a, b in spans]
    return fields(line, layout.delimiter, layout.quote)


def _line(rows: Rows, at: int) -> str:
    return (rows.lines[at].as_py() or "")[:MAX_LINE]


def _labels(rows: Rows, header: Header) -> tuple[str, ...]:
    """How the lines of the first preamble begin."""
    found = [_LABEL.match(_line(rows, at)) for at in range(header.row)]
    return tuple(dict.fromkeys(one[1].strip() for one in found if one))


def _is_above(line: str | None, labels: Sequence[str], layout: Layout) -> bool:
    """Whether a line is of a preamble: it begins as one, or says what one says."""
    text = line or ""
    begins = re.sub(r"^[^\w]+", "", text)
    if any(begins.startswith(label) for label in labels):
        return True
    return any(sought(pattern, text) for pattern in layout.preamble.values())


def _joined(rows: Rows, at: int, labels: Sequence[str]) -> str | None:
    """The preamble's first line where it goes on at the end of a row."""
    line = _line(rows, at)
    for label in labels:
        where = line.find(label, 1)
        if len(label) > 3 and where > 0:
            return line[where:]
    return None


def _with_named(rows: Rows, header: Header, layout: Layout, found: list[_Begin]) -> list[_Begin]:
    """Beginnings, with those that only a line naming a machine tells."""
    patterns = [layout.preamble[key] for key in MACHINE if key in layout.preamble]
    if not patterns:
        return found
    start = header.row + header.rows
    seen = {row for one in found for row in range(one.block, one.data)}
    leads = [_lead(_line(rows, at)) for at in range(header.row) if _says(patterns, rows, at)]
    near = _beginning(rows.lines, leads[0] if leads else "", start)
    more = []
    for at in near:
        line = _line(rows, at)
        match = next((m for p in patterns if (m := sought(p, line))), None)
        if at in seen or match is None or re.search(r"\w", line[: match.start()]):
            continue
        if is_record_like(_cells(rows, at, layout), header):
            continue
        heads = [one.header for one in found if one.data <= at]
        head = heads[-1] if heads else header
        more.append(_Begin(at + 1, at, at, head, _above(rows, at, at + 1), frozenset(), {}))
    return sorted([*found, *more], key=lambda one: one.data)


def _says(patterns: Sequence[str], rows: Rows, at: int) -> bool:
    return any(sought(pattern, _line(rows, at)) for pattern in patterns)


def _lead(line: str) -> str:
    """First letters of a line, by which others like it are found quickly."""
    return line[:3] if len(line) > 2 and line[:3].isalpha() else ""


def _beginning(lines: pa.StringArray, lead: str, start: int) -> list[int]:
    """Rows from ``start`` on that begin with ``lead``; without one, that begin with no number."""
    near = np.flatnonzero(~begins_with_digit(lines))
    some = lines.take(pa.array(near))
    if lead:
        found = pc.starts_with(some, lead, ignore_case=True)
    else:
        found = pc.match_substring_regex(some, r"^[\s\"#;,\t]*\pL\pL")
    rows = near[found.to_numpy(zero_copy_only=False)]
    return [int(row) for row in rows if row >= start]


def continues(before: pa.Table, after: pa.Table) -> bool:
    """Whether rows below headings that stand again are of the same machine as those above.

    They are if a record number stands in both with the same time, or if numbers, else times, run
    on in one direction; a number that stands in both with other times tells of another machine.
    """
    if not before.num_rows or not after.num_rows:
        return True
    known = _numbered(before)
    mine = _numbered(after)
    if known and mine:
        both = known.keys() & mine.keys()
        if both:
            return any(known[number] == mine[number] for number in both)
        a, b = list(known), list(mine)
        way = np.sign(a[-1] - a[0]) or np.sign(b[-1] - b[0]) or np.sign(b[0] - a[-1])
        return bool(0 < (b[0] - a[-1]) * way <= _REACH)
    times = [table["when_shown"].drop_null().to_numpy() for table in (before, after)]
    if not len(times[0]) or not len(times[1]):
        return False
    a0, a1, b0 = times[0][0], times[0][-1], times[1][0]
    back = a1 < a0
    pause = a1 - b0 if back else b0 - a1
    return bool(np.timedelta64(0) <= pause <= _PAUSE)


def _numbered(rows: pa.Table) -> dict[int, object]:
    """Time of each record number, in the order of the rows."""
    numbers, times = rows["counter"].to_pylist(), rows["when_shown"].to_pylist()
    return {n: t for n, t in zip(numbers, times, strict=True) if n is not None}
