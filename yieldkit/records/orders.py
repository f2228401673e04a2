"""Day before month or after it, comma or point: what the cells prove and what they leave open."""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from yieldkit.records.dates import bare_date
from yieldkit.records.sniffing import Choice
from yieldkit.records.words import MONTHS, plain

_PARTS = re.compile(
    r"^(?P<a>\d{1,4})(?P<s>[-./ ])\s?(?P<b>\d{1,2})(?P<t>[-./ ])\s?(?P<c>\d{1,4})(?P<rest>.*)$"
)
_NAMED = re.compile(
    r"^(?:(?P<d>\d{1,2})(?P<p>\.?)(?P<s>[\s-]+)(?P<m>[^\W\d]+)(?P<q>\.?)(?P<t>[\s-]+)(?P<y>\d{4}|\d{2})"
    r"|(?P<m2>[^\W\d]+)(?P<q2>\.?)\s+(?P<d2>\d{1,2})(?P<k>,?)\s+(?P<y2>\d{4}))(?P<rest>.*)$"
)
_CLOCK = re.compile(
    r"^(?P<gap>[T\s]|,\s?|\s-\s)?\s*(?P<h>\d{1,2})(?P<c>[:.h])\d{2}(?P<sec>[:.]\d{2}(?:[.,]\d+)?)?"
    r"\s*(?P<half>[ap]\.?\s?m\.?|vorm\.?|nachm\.?|[ef]m|[ai]p\.)?",
    re.I,
)
ORDERS = {"day first": "dmy", "month first": "mdy", "year first": "ymd"}


@dataclass(frozen=True)
class Question:
    """What a file cannot tell: code, the question, possible answers, a hint that proves nothing."""

    code: str
    question: str
    answers: tuple[str, ...]
    hint: str = ""


@dataclass(frozen=True)
class DateForms:
    """Forms found, by answer where the order is open (``{"": forms}`` where it is not)."""

    forms: dict[str, tuple[str, ...]]
    choice: Choice
    question: Question | None = None


def date_forms(cells: Iterable[str]) -> DateForms:
    """Forms of the dates of a file, from every cell and not the first ones only.

    Parameters
    ----------
    cells : iterable of str
        Cells of the date columns, joined with their time where that stands apart.
    """
    distinct = list(dict.fromkeys(bare_date(cell) for cell in cells if cell and cell.strip()))
    shapes: dict[tuple[str, ...], list[tuple[int, int, int, str]]] = defaultdict(list)
    fixed: Counter[str] = Counter()
    for cell in distinct:
        if iso := re.match(r"^\d{4}-\d{1,2}-\d{1,2}", cell):
            clock = _clock(cell[iso.end() :])
            plain_iso = not clock or re.match(r"^ h{1,2}:mm(:ss)?$", clock)
            fixed["iso" if plain_iso else f"yyyy-mm-dd{clock}"] += 1
        elif named := _NAMED.match(cell):
            if plain(named["m"] or named["m2"]) in MONTHS:
                fixed[_named_form(named)] += 1
        elif parts := _PARTS.match(cell):
            shapes[parts["s"], str(len(parts["a"]) == 4), str(len(parts["c"]) == 4)].append(
                (int(parts["a"]), int(parts["b"]), int(parts["c"]), cell)
            )
        elif re.match(r"^\d{14}$", cell):
            fixed["yyyymmddhhmmss"] += 1
        elif re.match(r"^\d{8}($|\D)", cell):
            six = re.match(r"^[T\s]\d{6}$", cell[8:])
            fixed["yyyymmdd" + (" hhmmss" if six else _clock(cell[8:]))] += 1
    known = tuple(form for form, _ in fixed.most_common() if form != "iso")
    real = [dt.date(*map(int, cell[:10].split("-"))) for cell in distinct if is_iso(cell)]
    fits = {key: _near(found, _orders(key, found), real) for key, found in shapes.items()}
    open_ones = [key for key, orders in fits.items() if len(orders) > 1]
    if not shapes:
        if not fixed:
            return DateForms({"": ()}, Choice("dates", "none", "no column of dates", 1.0))
        named_months = any("mmm" in form for form in known)
        why = "months are named" if named_months else "written as eight digits, year first"
        why = "dates are ISO, year first" if fixed["iso"] else why
        return DateForms({"": known}, Choice("dates", ", ".join(known) or "ISO", why, 0.98))
    if not open_ones:
        forms = known + _forms(shapes, {key: (o or ["dmy"])[0] for key, o in fits.items()})
        return DateForms({"": forms}, Choice("dates", ", ".join(forms), _proof(shapes, fits), 0.98))
    order, why = _by_points(open_ones, fits)
    if order:
        forms = known + _forms(shapes, {k: o[0] if len(o) == 1 else order for k, o in fits.items()})
        return DateForms({"": forms}, Choice("dates", ", ".join(forms), why, 0.9))
    return _left_open(shapes, fits, known)


def is_iso(cell: str) -> bool:
    """Whether a cell is a real date in ISO form."""
    try:
        dt.date(*map(int, cell[:10].split("-")))
    except (TypeError, ValueError):
        return False
    return bool(re.match(r"^\d{4}-\d\d-\d\d", cell))


def _near(
    rows: list[tuple[int, int, int, str]], orders: list[str], iso: list[dt.date]
) -> list[str]:
    """Orders that put the dates among the file's real ones, if just one does."""
    if len(orders) < 2 or len(iso) < 5:
        return orders
    low, high = min(iso) - dt.timedelta(7), max(iso) + dt.timedelta(7)
    shares = {}
    for order in orders:
        days = _days(rows, order)
        shares[order] = sum(low <= day <= high for day in days) / max(1, len(days))
    near = [order for order, share in shares.items() if share >= 0.9]
    far = [order for order, share in shares.items() if share <= 0.1]
    return near if len(near) == 1 and len(far) == len(orders) - 1 else orders


def _left_open(shapes: dict, fits: dict, known: tuple[str, ...]) -> DateForms:
    """Both orders fit every cell."""
    open_orders = sorted({order for orders in fits.values() for order in orders})
    answers, hints = {}, []
    for name, order in ORDERS.items():
        if order not in open_orders:
            continue
        chosen = {k: order if order in o else (o or ["dmy"])[0] for k, o in fits.items()}
        answers[name] = known + _forms(shapes, chosen)
        days = [day for k, rows in shapes.items() for day in _days(rows, chosen[k])]
        if days:
            span = (max(days) - min(days)).days + 1
            back = sum(b < a for a, b in zip(days, days[1:], strict=False))
            hints.append(f"{name} they span {span} days and step back {back} times")
    example = next(iter(next(rows for k, rows in shapes.items() if len(fits[k]) > 1)))[3]
    question = Question(
        "date order",
        f'Which comes first in dates such as "{example}"? Every date of the file fits '
        + " and ".join(answers)
        + ".",
        tuple(answers),
        "Read " + "; read ".join(hints) + "." if hints else "",
    )
    choice = Choice("dates", "not decided", "every date fits more than one order", 0.0)
    return DateForms(answers, choice, question)


def _orders(key: tuple[str, ...], rows: list[tuple[int, int, int, str]]) -> list[str]:
    """Orders that make nearly every cell a real date; a few mistyped ones do not decide."""
    if key[1] == "True":
        return ["ymd"]
    candidates = ["dmy", "mdy"] if key[2] == "True" else ["dmy", "mdy", "ymd"]
    bad = {order: len(rows) - len(_days(rows, order)) for order in candidates}
    least = min(bad.values())
    if least > 0.05 * len(rows):
        return []
    fits = [order for order in candidates if bad[order] == least or bad[order] == 0]
    first, last = {row[0] for row in rows}, {row[2] for row in rows}
    if len(candidates) == 3 and max(len(first), len(last)) >= 3:
        # a year stays the same from row to row, a day does not
        if len(first) > 3 * len(last):
            fits = [order for order in fits if order != "ymd"] or fits
        elif len(last) > 3 * len(first):
            fits = [order for order in fits if order == "ymd"] or fits
    # one order with no misfit beats one with a few; with misfits in both nothing is proven
    return fits if least == 0 else [o for o in fits if bad[o] <= 0.01 * len(rows)] or fits


def _days(rows: Sequence[tuple[int, int, int, str]], order: str) -> list[dt.date]:
    found = []
    for a, b, c, _ in rows:
        one = dict(zip(order, (a, b, c), strict=True))
        year = one["y"] if one["y"] > 99 else one["y"] + (2000 if one["y"] < 70 else 1900)
        try:
            found.append(dt.date(year, one["m"], one["d"]))
        except ValueError:
            continue
    return found


def _by_points(open_ones: list, fits: dict) -> tuple[str, str]:
    """Order told by a sister shape of the same file, or by points between the numbers."""
    decided = {orders[0] for orders in fits.values() if len(orders) == 1} - {"ymd"}
    if len(decided) == 1 and all(decided <= set(fits[key]) for key in open_ones):
        return decided.pop(), "other dates of the same file fit one order only"
    if all(key[0] == "." and key[2] == "True" for key in open_ones):
        return "dmy", "points between day, month and a year of four digits: day first by custom"
    return "", ""


def _proof(shapes: dict, fits: dict) -> str:
    """The cell that proves the order."""
    for key, rows in shapes.items():
        orders = fits[key]
        if orders in (["dmy"], ["mdy"]):
            place = 0 if orders == ["dmy"] else 1
            proof = next((row[3] for row in rows if row[place] > 12), rows[0][3])
            name = "the day" if place == 0 else "the month"
            return f'{name} comes first: "{proof}" fits no other order'
    return "the year comes first"


def _forms(shapes: dict, orders: dict) -> tuple[str, ...]:
    """Declared forms for each shape in its order, with the clocks that occur."""
    found: Counter[str] = Counter()
    for key, rows in shapes.items():
        for a, b, c, cell in rows:
            parts = _PARTS.match(cell)
            if not parts:
                continue
            shown = {"a": parts["a"], "b": parts["b"], "c": parts["c"]}
            padded = len(parts["b"]) == 2 and all(len(shown[k]) != 1 for k in "ac")
            tokens = []
            for letter, name in zip(orders[key], "abc", strict=True):
                if letter == "y":
                    tokens.append("yyyy" if len(shown[name]) == 4 else "yy")
                else:
                    tokens.append(letter * 2 if padded else letter)
            gap = " " if re.search(r"[./-]\s", cell[: parts.start("rest")]) else ""
            head = tokens[0] + key[0] + gap + tokens[1] + parts["t"] + gap + tokens[2]
            found[head + _clock(parts["rest"])] += 1
            del a, b, c
    forms = [form for form, _ in found.most_common()]
    # a form with single letters reads padded cells too
    return tuple(form for form in forms if form == _single(form) or _single(form) not in forms)


def _single(form: str) -> str:
    head = form.split("h")[0]
    return head.replace("dd", "d").replace("mm", "m") + form[len(head) :]


def _named_form(match: re.Match[str]) -> str:
    """Form of a date with the month's name."""
    rest = _clock(match["rest"])
    if match["m"]:
        day = "dd" if len(match["d"]) == 2 else "d"
        year = "yyyy" if len(match["y"]) == 4 else "yy"
        gaps = [match[g] if "-" in match[g] else " " for g in ("s", "t")]
        return f"{day}{match['p']}{gaps[0]}mmm{gaps[1]}{year}{rest}"
    return f"mmm d{match['k']} yyyy{rest}"


def _clock(rest: str) -> str:
    """Form of the time behind a date."""
    match = _CLOCK.match(rest)
    if not match or not rest.strip():
        return ""
    gap = match["gap"] or ""
    gap = gap if gap.strip() and gap.strip() not in ("T", "t") else " " if gap else ""
    mark = match["c"]
    hours = "hh" if len(match["h"]) == 2 else "h"
    seconds = f"{match['sec'][0]}ss" if match["sec"] else ""
    return f"{gap}{hours}{mark}mm{seconds}" + (" am" if match["half"] else "")


_COMMA = re.compile(
    r"^[<>≤≥]?\s*[+-]?(\d+,(\d{1,2}|\d{4,})|0,\d+|\d{1,3}(\.\d{3})+,\d+)\s*[^\d.,]*$"
)
_POINT = re.compile(
    r"^[<>≤≥]?\s*[+-]?(\d+\.(\d{1,2}|\d{4,})|0\.\d+|\d{1,3}(,\d{3})+\.\d+)\s*[^\d.,]*$"
)
_OPEN = re.compile(r"^[+-]?[1-9]\d{0,2}[.,]\d{3}\s*[^\d.,]*$")


def marks_of(cells: Iterable[str]) -> tuple[str, str, Choice, Question | None]:
    """Decimal and thousands mark of a file, with what proves them.

    Returns
    -------
    decimal, thousands : str
    choice : Choice
    question : Question or None
        Asked where all numbers could be read either way.
    """
    counts = Counter(cell.strip() for cell in cells if cell and any(c.isdigit() for c in cell))
    comma = sum(n for cell, n in counts.items() if _COMMA.match(cell))
    point = sum(n for cell, n in counts.items() if _POINT.match(cell))
    unclear = [cell for cell in counts if _OPEN.match(cell)]
    blank = any(re.match(r"^\d{1,3}([ \u00a0\u202f]\d{3})+([.,]\d+)?$", cell) for cell in counts)
    apostrophe = any(re.match(r"^\d{1,3}('\d{3})+([.,]\d+)?$", cell) for cell in counts)
    other = " " if blank else "'" if apostrophe else ""
    if not comma and not point and unclear:
        mark = "." if "," in unclear[0] else ","  # so that such numbers are refused till answered
        question = Question(
            "decimal mark",
            f'Is "{unclear[0]}" more than a thousand, or a number with three decimals?',
            ("thousands", "decimals"),
        )
        return mark, "", Choice("decimal", "not decided", "no number proves it", 0.0), question
    decimal = "," if comma > point else "."
    thousands = other
    if unclear and not other:
        cross = "." if decimal == "," else ","
        if any(cross in cell for cell in unclear):
            thousands = cross
    n, least = max(comma, point), min(comma, point)
    if not n:
        why = "no number written as text shows a decimal mark"
        return ".", thousands, Choice("decimal", ".", why, 0.9), None
    name = "comma" if decimal == "," else "point"
    why = f"{n} numbers have a decimal {name}" + (f", {least} the other mark" if least else "")
    return decimal, thousands, Choice("decimal", decimal, why, round(n / (n + least), 2)), None
