"""What the bytes of a new file tell: encoding, delimiter, where the headings stand."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from yieldkit.records.bodies import stacked
from yieldkit.records.headings import HEADINGS, likeness
from yieldkit.records.reading import UTF32, decode, fields, utf16
from yieldkit.records.words import GOOD, MONTHS, TOTALS, outcome_class, plain

ENCODINGS = ("windows-1252", "windows-1250", "cp850", "mac_roman", "iso8859-15", "windows-1251")
DELIMITERS = (";", ",", "\t", "|", "^", "~", "\x1f", "¦", "::")
_NUMBER = re.compile(r"^[<>≤≥]?\s*[+-]?\d{1,9}([.,]\d+)?\s*(dB|db|°|deg|nm|min|m|mm)?$")
_WHEN = re.compile(
    r"^(\d{1,4}[./-]\d{1,2}[./-]\d{2,4}|\d{1,2}[. -]+\w{3,10}\.?[ -]\d{2,4}"
    r"|\w{3,10} \d{1,2},? \d{4})"
)
_TIME = re.compile(r"^\d{1,2}:\d{2}(:\d{2})?\s*([ap]\.?m\.?)?$", re.I)


@dataclass(frozen=True)
class Choice:
    """One decision about a file: what, which, why, how sure (0 to 1)."""

    what: str
    value: str
    reason: str
    confidence: float


def is_value(cell: str) -> bool:
    """Whether a cell holds a number, a date or a time rather than a heading."""
    cell = cell.strip()
    return bool(_NUMBER.match(cell) or _WHEN.match(cell) or _TIME.match(cell))


def encoding_of(data: bytes) -> Choice:
    """Encoding of a text file, by its mark, by UTF-8's rules, then by the words it gives."""
    if data[:3] == b"\xef\xbb\xbf":
        return Choice("encoding", "utf-8", "the file begins with the UTF-8 mark", 1.0)
    if data[:4] in UTF32:
        return Choice("encoding", "utf-32", "the file begins with the UTF-32 mark", 1.0)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return Choice("encoding", "utf-16", "the file begins with the UTF-16 mark", 1.0)
    if wide := utf16(data):
        return Choice("encoding", wide, "every other byte is zero", 0.95)
    if data.isascii():
        return Choice("encoding", "utf-8", "plain ASCII; any encoding reads it alike", 1.0)
    try:
        data.decode("utf-8")
        return Choice("encoding", "utf-8", "all bytes follow the rules of UTF-8", 0.99)
    except UnicodeDecodeError as error:
        if error.start > len(data) - 4:  # cut within a letter at the file's end
            return Choice("encoding", "utf-8", "UTF-8 up to a last letter that is cut off", 0.9)
    scores = {name: _sense(data, name) for name in ENCODINGS}
    best = max(scores, key=lambda name: scores[name])
    others = sorted((s for n, s in scores.items() if n != best), reverse=True)
    sure = 0.9 if scores[best] > others[0] else 0.6
    why = "not UTF-8; in this encoding the words with accents are known or likely ones"
    return Choice("encoding", best, why, sure)


def _sense(data: bytes, encoding: str) -> float:
    """How sensible the letters beyond ASCII are: known words count, signs count against."""
    try:
        text = data[: 2**18].decode(encoding)
    except UnicodeDecodeError:
        return -1e9
    score = 0.0
    for word, count in Counter(re.findall(r"[^\s;,|\t\"]*[^\x00-\x7f][^\s;,|\t\"]*", text)).items():
        weight = min(count, 3)
        if any(likeness(word, key) >= 0.8 for key in HEADINGS) or plain(word) in MONTHS:
            score += 5
        elif plain(word) in GOOD or outcome_class(word) not in (None, "other"):
            score += 4
        for sign in word:
            if ord(sign) > 127:
                score += 0.3 * weight if sign.isalpha() and sign in _COMMON else -0.5 * weight
    return score


_COMMON = set(
    "äöüßÄÖÜéèêëàâçîïôûùœÉÈÀÇñÑáíóúÁÍÓÚ¿¡åÅæøÆØãõìòąćęłńśźżĄĆĘŁŃŚŹŻčďěňřšťůýžČĎĚŇŘŠŤŮÝŽ°µ"
)


def delimiter_of(text: str) -> tuple[Choice, str]:
    """Delimiter and quoting character; an empty delimiter stands for fixed width."""
    lines = [line for line in re.split(r"\r\n|\r|\n", text)[:400] if line.strip()][:300]
    best, best_score, width = "", 0.0, 1
    for one in DELIMITERS:
        rows = [fields(line, one) for line in lines]
        widths = Counter(len(row) for row in rows if len(row) > 1)
        if not widths:
            continue
        usual, times = widths.most_common(1)[0]
        share = times / max(1, len(lines))
        others = "".join(d for d in DELIMITERS if d != one)
        cells = [cell for row in rows if len(row) == usual for cell in row if cell.strip()]
        mixed = sum(
            1
            for cell in cells
            if (any(d in cell for d in others) and not _NUMBER.match(cell))
            or re.search(r"\S {2,}\S", cell)  # columns by place, parted at decimal commas
        )
        clean = 1 - mixed / max(1, len(cells))
        score = share * clean**2 * (1 + min(usual, 20) / 50)
        if score > best_score:
            best, best_score, width = one, score, usual
    quote = _quote_of(lines, best)
    name = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "pipe"}.get(best, best)
    if best_score < 0.4:
        return Choice("delimiter", "", "no mark parts the lines evenly: columns by place", 0.6), '"'
    reason = f"a {name} parts most lines into {width} cells"
    return Choice("delimiter", best, reason, min(0.99, round(best_score, 2))), quote


def _quote_of(lines: list[str], delimiter: str) -> str:
    """The apostrophe where most cells stand between two of them, else the double quote."""
    cells = [cell.strip() for line in lines for cell in line.split(delimiter or None)]
    between = sum(len(c) > 1 and c[0] == c[-1] == "'" for c in cells)
    return "'" if between > 0.5 * len(cells) else '"'


def spans_of(lines: list[str]) -> list[tuple[int, int | None]]:
    """Columns of a fixed-width text: runs of places that are not blank in all data lines.

    Runs without a heading of their own above them belong to the column left of them: the time
    behind a date, the number behind "Tech".
    """
    usual = [line for line in lines if line.strip() and not re.match(r"^[-=_+|\s]+$", line)]
    data = [line for line in usual if sum(c.isdigit() for c in line) > 0.15 * len(line)]
    data = data or usual
    longest = max((len(line.rstrip()) for line in data), default=0)
    data = [line for line in data if len(line.rstrip()) >= 0.5 * longest]
    runs: list[list[int]] = []
    for at in range(longest):
        if all(at >= len(line) or line[at] == " " for line in data):
            continue
        if runs and runs[-1][1] == at:
            runs[-1][1] = at + 1
        else:
            runs.append([at, at + 1])
    words = _words_above(usual, data)
    if len(words) >= 0.6 * len(runs):
        runs = _with_headings(runs, words)
    elif len(runs) > 2 and words:
        runs = _with_words(runs, _words_above(usual, data, r"\S+"))
    columns: list[list[int]] = []
    for run in runs:
        headed = any(a < run[1] and run[0] < b for a, b in words)
        if columns and words and not headed:
            columns[-1][1] = run[1]
        else:
            columns.append(run)
    return [
        (a, columns[i + 1][0] if i + 1 < len(columns) else None) for i, (a, _) in enumerate(columns)
    ]


def _with_headings(runs: list[list[int]], words: list[tuple[int, int]]) -> list[list[int]]:
    """Runs made as wide as the heading above them; runs under one heading are one column."""
    over = [[word for word in words if word[0] < run[1] and run[0] < word[1]] for run in runs]
    found: list[list[int]] = []
    last: tuple[int, int] | None = None
    for run, above in zip(runs, over, strict=True):
        one = above[0] if len(above) == 1 else None
        if one is not None and one == last:
            found[-1][1] = max(found[-1][1], run[1])
        else:
            found.append([min(run[0], one[0]), max(run[1], one[1])] if one else list(run))
        last = one
    return found


def _with_words(runs: list[list[int]], words: list[tuple[int, int]]) -> list[list[int]]:
    """Runs made as wide as the words over them, each word given to the run nearest to it."""
    found = [list(run) for run in runs]
    for a, b in words:
        near = min(range(len(runs)), key=lambda i: max(runs[i][0] - b, a - runs[i][1]))
        low = runs[near - 1][1] if near else 0
        high = runs[near + 1][0] if near + 1 < len(runs) else b
        found[near] = [min(found[near][0], max(a, low)), max(found[near][1], min(b, high))]
    return found


def _words_above(
    usual: list[str], data: list[str], word: str = r"\S+(?: \S+)*"
) -> list[tuple[int, int]]:
    """Places of the headings in the line above the first data line; empty if it has none."""
    if not data or data[0] not in usual:
        return []
    above = usual[: usual.index(data[0])][-1:]
    if not above or sum(c.isdigit() for c in above[0]) > 0.05 * len(above[0]):
        return []
    return [(m.start(), m.end()) for m in re.finditer(word, above[0])]


@dataclass(frozen=True)
class HeaderFound:
    """Where the headings stand: first row (from 0), rows taken (0 for none), names."""

    row: int
    rows: int
    names: tuple[str, ...]
    choice: Choice


def header_of(rows: list[list[str]], merged: tuple = ()) -> HeaderFound:
    """The row that reads like headings: known words, no values, records below of its width."""
    head = rows[:60]
    widths = Counter(_filled_to(row) for row in rows[:300] if _filled_to(row) > 1)
    usual = widths.most_common(1)[0][0] if widths else 1
    widest = max((w for w, n in widths.items() if n >= 0.2 * max(widths.values())), default=usual)
    best, best_score = -1, 0.0
    for at, row in enumerate(head):
        cells = [cell for cell in row if cell.strip()]
        if len(cells) < max(2, 0.5 * widest) or _filled_to(row) > 3 * widest:
            continue
        numbered = _numbering(cells)
        values = sum(is_value(cell) for cell in cells if cell not in numbered) / len(cells)
        if values > 0.5:
            continue
        known = sum(1.0 if cell in numbered else _known(cell) for cell in cells) / len(cells)
        with_digits = sum(bool(re.search(r"\d", cell)) for cell in cells if cell not in numbered)
        code = with_digits / len(cells)
        full = min(1.0, len(cells) / max(1, widest))
        score = known + 0.5 * (1 - values) - values - 0.3 * code + 0.4 * full - 0.01 * at
        if TOTALS.match(plain(cells[0])):
            score -= 1
        if score > best_score + 1e-9:
            best, best_score = at, score
    if best < 0 or best_score < 0.75:
        first = next((i for i, row in enumerate(rows) if _filled_to(row) >= 0.6 * usual), 0)
        names = tuple(f"column {i + 1}" for i in range(usual))
        choice = Choice("headings", "none", "no row reads like headings", 0.6)
        return HeaderFound(first, 0, names, choice)
    two = best > 0 and _upper(head[best - 1], head[best], merged, best - 1)
    first = best - 1 if two else best
    if not two and best + 1 < len(rows) and _lower(rows[best], rows[best + 1]):
        two, best = True, best + 1
    shown = stacked(rows[first : best + 1], merged, first)
    while shown and not shown[-1]:
        shown.pop()
    known = sum(_known(cell) for cell in shown if cell) / max(1, sum(bool(n) for n in shown))
    where = f"rows {first + 1} and {best + 1} read" if two else f"row {best + 1} reads"
    reason = f"{where} like headings" + (", the upper one of groups" if two else "")
    choice = Choice("headings", f"row {first + 1}", reason, round(min(0.99, 0.5 + known / 2), 2))
    return HeaderFound(first, 2 if two else 1, tuple(shown), choice)


def _lower(upper: list[str], lower: list[str]) -> bool:
    """Whether the row below the headings tells the columns of a group apart: left, right."""
    filled = [place for place, cell in enumerate(lower) if cell.strip()]
    if not 2 <= len(filled) <= 0.6 * _filled_to(upper) or any(is_value(lower[p]) for p in filled):
        return False
    own = [p for p in filled if p >= len(upper) or not upper[p].strip()]
    grouped = all(p - 1 in filled for p in own)
    return bool(own) and grouped and len({lower[p] for p in filled}) > 1


def _numbering(cells: list[str]) -> frozenset[str]:
    """Cells that number columns, 1 to at least 4 side by side: the fibres of a ribbon."""
    joined = " ".join(cell.strip() for cell in cells)
    counted = ""
    for last in range(24, 3, -1):
        counted = " ".join(str(number) for number in range(1, last + 1))
        if f" {counted} " in f" {joined} ":
            return frozenset(counted.split())
    return frozenset()


def _upper(upper: list[str], lower: list[str], merged: tuple, row: int) -> bool:
    """Whether the row above the headings holds groups: it fills gaps or names pairs."""
    cells = [(i, cell) for i, cell in enumerate(upper) if cell.strip()]
    if not cells or any(is_value(cell) for _, cell in cells):
        return False
    reach = [m for m in merged if m[0][0] == row and m[1][0] == row and m[1][1] > m[0][1]]
    if len(cells) == 1 and cells[0][0] == 0:
        return False
    lower_plain = [plain(cell) for cell in lower if cell.strip()]
    short = any(len(cell) <= 2 for cell in lower_plain) or len(set(lower_plain)) < len(lower_plain)
    gaps = any(i < len(lower) and not lower[i].strip() for i, _ in cells)
    return bool(reach and short) or gaps or (short and cells[0][0] > 0) or len(cells) >= 3


def _filled_to(row: list[str]) -> int:
    return max((i + 1 for i, cell in enumerate(row) if cell.strip()), default=0)


def _known(cell: str) -> float:
    if not cell.strip() or is_value(cell) or len(cell) > 60:
        return 0.0
    return max(likeness(cell, key) for key in HEADINGS)


def text_of(data: bytes, encoding: str) -> str:
    """Text with single line ends."""
    return decode(data, encoding).replace("\r\n", "\n").replace("\r", "\n")
