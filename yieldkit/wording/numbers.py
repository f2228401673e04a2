"""Numbers, units, plurals and dates as a person reads them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date, datetime


def missing(value: object) -> bool:
    """Whether a number is not there (None, NaN, NaT, a table's <NA>)."""
    return value is None or str(value) == "<NA>" or value != value


def percent(fraction: float, digits: int = 1) -> str:
    """A fraction as "95.0 %"; "not known" when missing. Never shows 100 % for less than all."""
    if missing(fraction):
        return "not known"
    shown = round(100 * fraction, digits)
    if shown == 100 and fraction < 1:
        return f"over {100 - 10**-digits:.{digits}f} %"
    if shown == 0 and fraction > 0:
        return f"under {10**-digits:.{digits}f} %"
    return f"{shown:.{digits}f} %"


def interval(low: float, high: float, digits: int = 1) -> str:
    """Two fractions as "86.3 to 98.3 %"."""
    if missing(low) or missing(high):
        return "no interval"
    return f"{100 * low:.{digits}f} to {100 * high:.{digits}f} %"


def decibels(loss_db: float, digits: int = 3) -> str:
    """A loss as "0.034 dB"; "beyond the display" when not finite."""
    if missing(loss_db):
        return "not known"
    if math.isinf(loss_db):
        return "beyond the display"
    return f"{loss_db:.{digits}f} dB"


def count(number: float, one: str, many: str | None = None) -> str:
    """A count with its noun: "1 position", "60 positions"."""
    number = int(number)
    return f"{number:,} {one if number == 1 else many or one + 's'}".replace(",", "\u202f")


def money(amount: float, currency: str) -> str:
    """An amount without false digits: "EUR 1 240"."""
    shown = f"{amount:,.0f}" if abs(amount) >= 20 else f"{amount:,.2f}"
    return f"{currency} {shown}".replace(",", "\u202f")


def day(when: date | datetime) -> str:
    """A day as "Tue 17 Nov 2026", the same in every language setting."""
    if missing(when):
        return "an unknown day"
    names = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
    return f"{names[when.weekday()]} {when.day} {months[when.month - 1]} {when.year}"


def listed(names: Iterable[object], last: str = "and") -> str:
    """Names as "A, B and C"."""
    words = [str(name) for name in names]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"
