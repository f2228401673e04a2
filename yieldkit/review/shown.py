"""Tables as the page shows them: rounded, in words, few columns; the rest is in the workbook."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import Any

import pandas as pd

from yieldkit.answers.losses import TOO_FEW
from yieldkit.review.model import Shown
from yieldkit.wording import page as words
from yieldkit.wording.numbers import day, decibels, interval, missing, percent

MOST_ROWS = 12


def first_pass(table: pd.DataFrame, caption: str) -> Shown:
    """Yields of groups: the figure, its interval, what is decided and what is not."""
    adjusted = table["adjusted"].notna().any()
    undecided = [name for name in ("pending", "unknown") if table[name].fillna(0).gt(0).any()]
    heads = ["Group", "Begun", "First pass", "Interval", "Failed"]
    heads += [words.heading(name) for name in undecided]
    if adjusted:
        heads.append("With the same mix")

    def row(each: pd.Series) -> list[str]:
        few = missing(each["yield"])
        cells = [
            str(each["group"]),
            whole(each["positions"]),
            words.TOO_FEW if few else percent(each["yield"]),
            "" if few else interval(each["low"], each["high"]),
            whole(each["failed"]),
            *(whole(each[name]) for name in undecided),
        ]
        if adjusted:
            between = interval(each["adjusted_low"], each["adjusted_high"])
            known = not missing(each["adjusted"])
            cells.append(f"{percent(each['adjusted'])} ({between})" if known else "–")
        return cells

    return _shown(table, caption, heads, row, figures=range(1, len(heads)))


def persons(table: pd.DataFrame, caption: str, *, too_few: int, too_wide_points: float) -> Shown:
    """Yields of persons for the lead; a figure on few joints says so beside it."""

    def row(each: pd.Series) -> list[str]:
        decided = each["first_pass"] + each["failed"]
        wide = not 100 * (each["high"] - each["low"]) <= too_wide_points
        return [
            str(each["group"]),
            whole(each["positions"]),
            whole(decided),
            percent(each["yield"]),
            interval(each["low"], each["high"]),
            words.TOO_FEW if decided < too_few or wide else "",
        ]

    heads = ["Person", "Begun", "Decided", "First pass", "Interval", ""]
    return _shown(table, caption, heads, row, figures=range(1, 5), most=60)


def open_jobs(table: pd.DataFrame, caption: str) -> Shown:
    """Jobs with waiting joints: how many, since when, how many not begun."""

    def row(each: pd.Series) -> list[str]:
        site = text(each["site"])
        return [
            str(each["job"]) + (f", {site}" if site else ""),
            whole(each["open"]),
            a_day(each["oldest"]),
            whole(each["oldest_days"]),
            whole(each["not_started"]),
            whole(each["n"]),
        ]

    heads = ["Job", "Open", "Oldest begun", "Waits [days]", "Not begun", "Of all"]
    return _shown(table, caption, heads, row, figures=(1, 3, 4, 5), most=9)


def steps(table: pd.DataFrame, caption: str) -> Shown:
    """Share of first attempts that got past each step."""

    def row(each: pd.Series) -> list[str]:
        return [
            str(each["step"]),
            whole(each["n"]),
            whole(each["failed"]),
            "–" if missing(each["yield"]) else percent(each["yield"]),
            "–" if missing(each["low"]) else interval(each["low"], each["high"]),
        ]

    heads = ["Step", "Reached", "Failed there", "Got past", "Interval"]
    return _shown(table, caption, heads, row, figures=range(1, 5))


def records(table: pd.DataFrame, caption: str) -> Shown:
    """Files and what became of their rows; those with something amiss first, then the newest."""
    amiss = table["data_rows"].eq(0) | (table["held"] + table["refused"] > 0)
    order = table.assign(fine=~amiss)
    table = order.sort_values(["fine", "newest", "file"], ascending=[True, False, True])
    counts = ["data_rows", "accepted", "duplicates", "held", "refused"]

    def row(each: pd.Series) -> list[str]:
        read_as = text(each["layout"]) or text(each.get("status")) or "–"
        return [str(each["file"]), read_as, *(whole(each[name]) for name in counts)]

    heads = ["File", "Read as", *(words.heading(name) for name in counts)]
    return _shown(table, caption, heads, row, figures=range(2, 7), most=16)


def limits(table: pd.DataFrame, caption: str) -> Shown:
    """Limit rows with their verdict in three states; of those that are met, a few stand here."""
    open_or_failed = int((table["verdict"] != "met").sum())

    def row(each: pd.Series) -> list[str]:
        more, few = each["n_more"], missing(each["value"])
        verdict = str(each["verdict"])
        if verdict == "cannot tell" and not missing(more):
            many = whole(more)
            verdict += f", {many} more to begin with" if few else f", about {many} more"
        side = "≥" if each["quantity"] == "return loss" else "≤"
        edge = decibels(each["limit_db"], 2).replace(" ", "\u00a0")
        return [
            _which(each) + reading(each),
            f"{text(each['statistic'])} {side}\u00a0{edge}",
            whole(each["n"]),
            "too few" if few else decibels(each["value"]),
            "" if few else loss_range(each["low"], each["high"]),
            interval(each["over_share_low"], each["over_share_high"]),
            f"{MARKS.get(str(each['verdict']), '')} {verdict}".strip(),
        ]

    heads = ["Reading", "Rule", "n", "Value", "Interval", "Beyond it", "Verdict"]
    most = min(max(6, open_or_failed), 14)
    return _shown(table, caption, heads, row, figures=range(2, 6), most=most)


def _which(each: pd.Series) -> str:
    """The group before what is read of it; a group of joints without a type says so."""
    group = str(each["group"])
    if group in ("all", ""):
        return ""
    return f"{words.group_of(group)}, "


MARKS = {"met": "●", "not met": "◆", "cannot tell": "○"}
"""A mark a verdict, told apart by shape."""


def losses(table: pd.DataFrame, caption: str) -> Shown:
    """Losses of groups: mean, and what 97 % stay under, with their intervals."""

    def row(each: pd.Series) -> list[str]:
        which = _which(each)
        cells = [which + reading(each), whole(each["n"])]
        unknown = words.TOO_FEW if each["family"] == TOO_FEW else "cannot tell"
        for name in ("mean_db", "q97_db"):
            known = not missing(each[name])
            cells.append(decibels(each[name]) if known else unknown)
            cells.append(loss_range(each[f"{name}_low"], each[f"{name}_high"]) if known else "")
        return cells

    heads = ["Reading", "n", "Mean", "Interval", "97 % stay under", "Interval"]
    return _shown(table, caption, heads, row, figures=range(1, 6), most=9)


def signals(table: pd.DataFrame, caption: str) -> Shown:
    """Alarms with their suspect."""

    def row(each: pd.Series) -> list[str]:
        chance = each["chance_this_unit"]
        return [
            f"{text(each['unit_kind'])} {text(each['unit'])}".strip(),
            text(each["quantity"]),
            _began(each),
            "not known" if missing(chance) else percent(chance, 0),
            text(each["not_separable_from"]) or "–",
        ]

    heads = [
        "Suspect",
        "What drifts",
        "Began",
        "Chance it is this",
        "Cannot be told from",
    ]
    return _shown(table, caption, heads, row, figures=(3,))


def _began(each: pd.Series) -> str:
    """The days between which it began: never one as if it were known."""
    low, high = a_day(each["since_low"]), a_day(each["since_high"])
    return f"about {low}" if low == high else f"{low} to {high}"


def rework(table: pd.DataFrame, caption: str, currency: str) -> Shown:
    """Logged failures by step and cause, and what they used up."""

    def row(each: pd.Series) -> list[str]:
        return [
            f"{each['step']}: {each['cause']}",
            whole(each["events"]),
            text(each["parts"]) if isinstance(each["parts"], str) else whole(each["parts"]),
            whole(each["minutes"]),
            whole(each["cost"]),
        ]

    heads = ["Step and cause", "Failures", "Parts", "Time [min]", f"Cost [{currency}]"]
    return _shown(table, caption, heads, row, figures=range(1, 5))


def plain(
    table: pd.DataFrame, caption: str, columns: Sequence[str], *, most: int = MOST_ROWS
) -> Shown:
    """Any table: texts as they are, counts and days in words."""

    def row(each: pd.Series) -> list[str]:
        return [any_cell(each[name]) for name in columns]

    figures = [
        number
        for number, name in enumerate(columns)
        if number and pd.api.types.is_numeric_dtype(table[name])
    ]
    return _shown(
        table, caption, [words.heading(name) for name in columns], row, figures=figures, most=most
    )


def at_wavelength(wavelength_nm: float) -> str:
    """ " 1310 nm", or nothing where a reading has no wavelength."""
    return "" if missing(wavelength_nm) else f" {wavelength_nm:g} nm"


def reading(each: pd.Series) -> str:
    """Kind of reading with its wavelength and direction: "insertion loss 1310 nm, A to B"."""
    wave = at_wavelength(each["wavelength_nm"])
    way = text(each["direction"])
    return f"{text(each['quantity'])}{wave}" + (f", {way}" if way not in ("", "any") else "")


def loss_range(low: float, high: float) -> str:
    """Ends of an interval [dB] as "0.031 to 0.040"."""
    if missing(low) or missing(high):
        return "no interval"
    return f"{low:.3f} to {high:.3f}" if abs(high) < 1e6 else f"{low:.3f} and more"


def whole(number: Any) -> str:
    """A count; a dash where it is not known."""
    if number is None or number != number or number is pd.NA:
        return "–"
    return f"{round(float(number)):,}".replace(",", "\u202f")


def text(value: object) -> str:
    """A text; empty where it is missing."""
    return "" if value is None or value is pd.NA or value != value else str(value)


def a_day(value: Any) -> str:
    """A day; a dash where it is not known."""
    if value is None or value is pd.NaT or value != value:
        return "–"
    return day(pd.Timestamp(value))


def any_cell(value: Any) -> str:
    """A value of any kind."""
    if isinstance(value, (pd.Timestamp, date)):
        return a_day(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)) or hasattr(value, "item"):
        number = float(value)
        if number != number:
            return "–"
        return whole(number) if number.is_integer() else f"{number:.3g}"
    return text(value)


def _shown(
    table: pd.DataFrame,
    caption: str,
    heads: Sequence[str],
    row: Callable[[pd.Series], list[str]],
    *,
    figures: Sequence[int],
    most: int = MOST_ROWS,
) -> Shown:
    rows = [tuple(row(each)) for _, each in table.head(most).iterrows()]
    left = len(table) - len(rows)
    more = f"{left} more {'row is' if left == 1 else 'rows are'} in the workbook." if left else ""
    return Shown(caption, tuple(heads), tuple(rows), frozenset(figures), more)
