"""What the cells of one column look like, and how well that suits each meaning."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

from yieldkit.records.dates import bare_date
from yieldkit.records.numbers import read_number
from yieldkit.records.words import (
    MISSING,
    MONTHS,
    cause_class,
    class_of,
    outcome_class,
    plain,
    result_class,
)

_DATE = re.compile(
    r"^(?:\d{4}[-./]\d{1,2}[-./]\d{1,2}"
    r"|\d{1,2}[-./ ]\s?\d{1,2}[-./ ]\s?\d{2,4}|(?:19|20)\d{6}(?:[T\s]?\d{6})?"
    r"|\d{1,2}\.?[\s-]*(?P<a>[^\W\d]{3,12})\.?[\s,-]*\d{2,4}"
    r"|(?P<b>[^\W\d]{3,12})\.?\s+\d{1,2},?\s+\d{4})"
    r"(?:[T\s,]+\d{1,2}[:.h]\d{2}.*)?$"
)
_TIME = re.compile(
    r"^(\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?|\d{1,2}[.h]\d{2}[.m]\d{2}s?|\d{1,2}h\d{2})\s*([ap]\.?\s?m\.?)?$",
    re.I,
)
_PLACE = re.compile(r"^[^\W\d]{0,6}[-. ]?\d{1,4}[A-Za-z]?\s*[/\-.:; _]\s*[^\W\d]{0,4}\s?\d{1,3}$")
_INITIALS = re.compile(r"^[^\W\d_]{1,3}\.?\s?([^\W\d_]\.?)?$")
_CODE = re.compile(r"^[^\W\d]{1,6}[-_. ]?\d{1,6}[A-Za-z]?$")
_CONNECTOR = re.compile(
    r"^(sc|lc|st|fc|e2000|mpo|mtp|mu|sma)([/ -]?(a?pc|upc|pc|sm|mm|om\d))*$"
    r"|^(splice|spleiss|epissure|empalme|giunto|giunzione|las|skarv|skjot|splejsning|jatkos|jatko|"
    r"spaw|spoj|svar|fusion)$"
)


@dataclass(frozen=True)
class Profile:
    """Shares (0 to 1) of a column's filled cells that look like something, and its numbers."""

    filled: float
    date: float
    time: float
    number: float
    whole: float
    lossy: float
    place: float
    code: float
    connector: float
    outcome: float
    result: float
    cause: float
    distinct: float
    values: int
    steady: bool
    middle: float
    top: float
    decimals: float
    length: float
    words: dict[str, int]


def profile(cells: Sequence[str], decimal: str = ".", thousands: str = "") -> Profile:
    """Look at a column; each distinct cell once."""
    shown = [cell.strip() for cell in cells]
    full = [cell for cell in shown if cell and plain(cell) not in MISSING]
    counts = Counter(full)
    n = max(1, len(full))
    numbers = {cell: read_number(cell, decimal, thousands) for cell in counts}

    def share(test: Callable[[str], bool]) -> float:
        return sum(count for cell, count in counts.items() if test(cell)) / n

    def is_number(cell: str) -> bool:
        return numbers[cell] is not None

    found = [(numbers[cell], count) for cell, count in counts.items() if numbers[cell]]
    spread = [one[0] for one, count in found if one for _ in range(count)]
    wholes = [int(one[0]) for cell in full if (one := numbers[cell]) and one[2] == 0]
    steps = [abs(b - a) for a, b in zip(wholes, wholes[1:], strict=False)]
    steady = bool(steps) and sum(step == 1 for step in steps) >= 0.6 * len(steps)
    decimals: Counter[int] = Counter()
    for one, count in found:
        if one:
            decimals[one[2]] += count
    return Profile(
        filled=len(full) / max(1, len(shown)),
        date=share(is_date),
        time=share(lambda c: bool(_TIME.match(c))),
        number=share(is_number),
        whole=len(wholes) / n,
        lossy=share(lambda c: is_number(c) or (outcome_class(c) not in (None, "none"))),
        place=share(lambda c: bool(_PLACE.match(c)) and not (is_date(c) or is_number(c))),
        code=share(lambda c: bool(_CODE.match(c))),
        connector=share(lambda c: bool(_CONNECTOR.match(plain(c)))),
        outcome=share(lambda c: not is_number(c) and outcome_class(c) is not None),
        result=share(lambda c: not is_number(c) and result_class(c) is not None),
        cause=share(lambda c: not is_number(c) and len(c) > 2 and cause_class(c) is not None),
        distinct=len(counts) / n,
        values=len(counts),
        steady=steady,
        middle=median(spread) if spread else float("nan"),
        top=sorted(spread)[int(0.98 * (len(spread) - 1))] if spread else float("nan"),
        decimals=decimals.most_common(1)[0][0] if decimals else 0,
        length=sum(len(cell) * count for cell, count in counts.items()) / n,
        words=dict(counts.most_common(200)),
    )


def is_date(cell: str) -> bool:
    """Whether a cell reads as a day, with or without a time."""
    match = _DATE.match(cell.strip()) or _DATE.match(bare_date(cell))
    if not match:
        return False
    name = match["a"] or match["b"]
    return name is None or plain(name) in MONTHS


def suits(found: Profile, key: str) -> float:
    """How well the cells suit a key: 0 cannot be, 0.5 could be, 1 are such cells.

    Parameters
    ----------
    found : Profile
        Of the column.
    key : str
        Key of a layout's ``[columns]``.
    """
    if not found.values:
        return 0.35 if key not in ("when", "loss", "cause") else 0.1
    test = _TESTS.get(key)
    return test(found) if test else _text(found)


def _when(p: Profile) -> float:
    return 1.0 if p.date > 0.7 else 0.6 if p.time > 0.8 else 0.0


def _day(p: Profile) -> float:
    return 1.0 if p.date > 0.8 else 0.0


def _counter(p: Profile) -> float:
    if p.whole < 0.9 or p.distinct < 0.85:
        return 0.0
    return 1.0 if p.steady else 0.6


def _few_codes(p: Profile, most: int) -> float:
    if p.number > 0.5 or p.date > 0.3 or p.place > 0.5 or p.connector > 0.5 or p.time > 0.5:
        return 0.0
    few = p.values <= most and (p.distinct < 0.5 or p.values <= 6)
    return (0.8 if p.code > 0.5 else 0.6) if few else 0.2


def _person(p: Profile) -> float:
    score = _few_codes(p, 60)
    hinted = any(re.match(r"(?i)t(ech)?[\s.-]?\d", word) for word in p.words)
    initials = sum(n for word, n in p.words.items() if _INITIALS.match(word))
    if initials > 0.8 * sum(p.words.values()) and max(p.outcome, p.result) < 0.3:
        hinted = hinted or p.values > 1
    return min(1.0, score + 0.3) if hinted and score >= 0.6 else score


def _unit_of(letters: str) -> Callable[[Profile], float]:
    def test(p: Profile) -> float:
        score = _few_codes(p, 20)
        hinted = any(re.match(rf"(?i)({letters})[\s._-]?\d", word) for word in p.words)
        return min(1.0, score + 0.15) if hinted and score else score * 0.8

    return test


def _job(p: Profile) -> float:
    if p.date > 0.3 or p.place > 0.6 or p.decimals > 0 or p.time > 0.5 or p.connector > 0.5:
        return 0.0
    hinted = any(re.match(r"(?i)[jawp]\w{0,2}[\s-]?\d{3,}", word) for word in p.words)
    few = 0.8 if p.distinct < 0.5 else 0.5
    return min(1.0, few + 0.15) if hinted else few * (0.6 if p.number > 0.5 else 0.9)


def _panel(p: Profile) -> float:
    if p.date > 0.3 or p.decimals > 0 or p.connector > 0.5 or p.time > 0.5:
        return 0.0
    return 0.7 if p.code > 0.5 and p.distinct < 0.6 else 0.4


def _port(p: Profile) -> float:
    if p.date > 0.3 or p.decimals > 0 or p.connector > 0.5 or p.time > 0.5 or p.place > 0.7:
        return 0.0
    return 0.8 if p.whole > 0.8 and p.top <= 999 else 0.4


def _place(p: Profile) -> float:
    if p.date > 0.3 or p.decimals > 0 or p.time > 0.5 or p.number > 0.7 or p.connector > 0.5:
        return 0.0
    if p.place < 0.2 and p.code < 0.2:
        return 0.0 if not any(re.search(r"\d", word) for word in p.words) else 0.3
    return 1.0 if p.place > 0.6 else 0.35


def _fibre(p: Profile) -> float:
    return 0.7 if p.whole > 0.9 and p.middle >= 1 and p.top <= 2000 else 0.0


def _connector(p: Profile) -> float:
    if p.number > 0.3 or p.date > 0.3 or p.place > 0.5:
        return 0.0
    return 1.0 if p.connector > 0.6 else 0.3 if p.values <= 15 else 0.0


def _loss(p: Profile) -> float:
    if p.number < 0.3 or p.lossy < 0.7 or p.date > 0.3 or p.time > 0.5:
        return 0.0
    if p.decimals == 0 and p.middle != 0:
        return 0.15
    usual = 0 <= p.middle <= 0.4 and p.top < 8
    return (0.9 if p.decimals >= 2 else 0.6) + (0.1 if p.lossy > p.number else 0) if usual else 0.3


def _angle(p: Profile) -> float:
    if p.number < 0.7 or p.date > 0.3 or p.time > 0.5:
        return 0.0
    if p.decimals == 0 and p.middle != 0:
        return 0.2
    return 0.8 if 0.02 <= p.middle <= 4 and p.top < 15 else 0.1


def _outcome(p: Profile) -> float:
    if p.number > 0.3 or p.date > 0.3 or p.place > 0.5:
        return 0.0
    return 0.9 if p.outcome > 0.6 and p.values <= 40 else 0.3 if p.values <= 30 else 0.0


def _result(p: Profile) -> float:
    if p.number > 0.5 or p.date > 0.3 or p.values > 12:
        return 0.0
    return 1.0 if p.result > 0.8 else 0.2


def _cause(p: Profile) -> float:
    if p.number > 0.4 or p.date > 0.3 or p.place > 0.5 or p.connector > 0.5:
        return 0.0
    return 0.9 if p.cause > 0.4 else 0.35


def _of_class(kind: str) -> Callable[[Profile], float]:
    def test(p: Profile) -> float:
        if p.number > 0.5 or p.date > 0.3 or p.place > 0.5:
            return 0.0
        if p.connector > 0.5 and kind != "step":  # "splice" is a type and a step
            return 0.0
        n = sum(p.words.values())
        share = sum(c for w, c in p.words.items() if class_of(kind, w)) / max(1, n)
        return 0.9 if share > 0.6 else 0.25

    return test


def _pieces(p: Profile) -> float:
    few = re.compile(r"^\d{1,3}\b|^(none|no|nil|-)", re.I)
    share = sum(c for w, c in p.words.items() if few.match(w)) / max(1, sum(p.words.values()))
    return 0.8 if share > 0.7 and p.date < 0.3 and p.decimals == 0 else 0.0


def _whole(p: Profile) -> float:
    return 0.8 if p.whole > 0.8 and p.date < 0.3 else 0.0


def _minutes(p: Profile) -> float:
    if p.number < 0.6 or p.date > 0.3:
        return 0.0
    fives = sum(c for w, c in p.words.items() if re.match(r"^\d*[05]\b", w))
    return 0.95 if fives > 0.6 * sum(p.words.values()) else 0.7


def _die(p: Profile) -> float:
    size = re.compile(r"^\W*(0?[.,]\d{2,3}\b|[2-9]([.,]\d{1,2})?\s*mm\b)", re.I)
    share = sum(c for w, c in p.words.items() if size.search(w)) / max(1, sum(p.words.values()))
    few = len(p.words) <= 15 and p.date < 0.3 and p.time < 0.5
    return (0.9 if share > 0.6 else 0.3) if few else 0.0


def _value(p: Profile) -> float:
    return 0.8 if p.number > 0.6 and p.date < 0.3 else 0.0


def _wavelength(p: Profile) -> float:
    near = sum(
        c for w, c in p.words.items() if re.match(r"^(850|1300|1310|1383|1490|1550|16\d\d)\b", w)
    )
    return 1.0 if near > 0.8 * sum(p.words.values()) else 0.0


def _check(p: Profile) -> float:
    kind = re.compile(r"check|reference|kontrol|prufung|referen|verif|tarkast|sprawdz")
    share = sum(n for word, n in p.words.items() if kind.search(plain(word)))
    return 0.95 if share > 0.6 * sum(p.words.values()) else _text(p) * 0.6


def _lot(p: Profile) -> float:
    if p.number > 0.7 or p.date > 0.3 or p.place > 0.5 or p.connector > 0.5:
        return 0.0
    return 0.6 if p.code > 0.4 and p.distinct < 0.6 else 0.4


def _text(p: Profile) -> float:
    if p.number > 0.8 or p.date > 0.5 or p.time > 0.5:
        return 0.0
    return 0.45


def _remark(p: Profile) -> float:
    if p.number > 0.8 or p.date > 0.5 or p.time > 0.5:
        return 0.05
    return 0.6 if p.filled < 0.6 else 0.4


_TESTS: dict[str, Callable[[Profile], float]] = {
    "when": _when,
    "opened": _day,
    "closed": _day,
    "expires": _day,
    "counter": _counter,
    "technician": _person,
    "by": _person,
    "splicer": _unit_of("sp|spl|s|m|fs"),
    "cleaver": _unit_of("c|cl|cv"),
    "heater": _unit_of("h|ht|o"),
    "unit": lambda p: _few_codes(p, 60),
    "job": _job,
    "panel": _panel,
    "port": _port,
    "place": _place,
    "fibre": _fibre,
    "ribbon": lambda p: 0.6 if max(p.whole, p.code) > 0.8 else 0.3,
    "connector_type": _connector,
    "loss": _loss,
    "angle_crew_deg": _angle,
    "angle_other_deg": _angle,
    "arcs": _whole,
    "outcome": _outcome,
    "result": _result,
    "cause": _cause,
    "step": _of_class("step"),
    "disposition": _of_class("disposition"),
    "quantity": _of_class("quantity"),
    "part_of_day": _of_class("part_of_day"),
    "tries": _whole,
    "bodies": _pieces,
    "sleeves": _pieces,
    "rings": _pieces,
    "die": _die,
    "cord_m": _value,
    "quantity_pieces": _value,
    "rework_min": _minutes,
    "ports": _whole,
    "planned": _whole,
    "value": _value,
    "check": _check,
    "wavelength_nm": _wavelength,
    "fibre_lot": _lot,
    "connector_lot": _lot,
    "lot": _lot,
    "remark": _remark,
}
