"""Titles, headings and standing notes of the weekly page and its workbook."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from typing import Any

from yieldkit.wording.numbers import count, decibels, interval, listed, missing, percent

SECTIONS: dict[str, tuple[str, str]] = {
    "arrived": (
        "What came in, and what is missing",
        "Every row of every file is counted once: it counts, was known already, conflicts with"
        " another row, or cannot be read.",
    ),
    "open": (
        "Open positions",
        "Joints that were begun and are not accepted yet: the oldest first.",
    ),
    "yields": (
        "First-pass yield",
        "Joints whose first arc led to an accepted joint, of all that are decided. The bar is the"
        " interval; the pale band shows where the figure would end if all joints undecided, or"
        " linked only probably, failed, or all passed.",
    ),
    "drift": (
        "Drift watch",
        "Splicers and cleavers compared with their own past, at the false-alarm rate that the"
        " settings allow for the whole crew.",
    ),
    "losses": (
        "Losses against limits",
        "Each limit is held against its own kind of reading, on joints now in place: single joints"
        " of this week, means and 97 % values of thirteen weeks. Beyond it: share of such joints"
        " beyond the limit. Losses count every arc of the week, so their n is another. Curves"
        " weighed: exponential, gamma, Weibull, lognormal; normal and Gumbel where readings lie"
        " below zero. Under 30 readings no mean and no tail is told.",
    ),
    "decisions": (
        "Decisions taken, and whether they helped",
        "First-pass yield of the unit before and after each decision of the last weeks. A unit that"
        " was picked for its bad weeks mostly looks better afterwards, whatever was done.",
    ),
    "parts": (
        "Parts and hours",
        "What failed joints used up, by the step where they failed and by cause. Counts are of"
        " logged and linked failures, so they are the least that was lost.",
    ),
    "persons": (
        "Figures on persons",
        "For the lead alone. Look at kit, jobs and lots first; a low figure is a question, never a"
        " verdict. Order is by code.",
    ),
}
"""Title and one line about each section, in the order of the page."""

SEVERITIES = {
    "decide": "Decide",
    "watch": "Watch",
    "cannot tell": "Cannot tell yet",
    "note": "Note",
    "fine": "In order",
}

LINKS = (
    "Links",
    "How surely records were matched to positions: exact; after tidying a spelling; probable; or"
    " not at all.",
)

READING = (
    "An interval such as 90.9 to 96.2 % holds the true figure in {confidence} of weeks like this"
    " one. A wide interval means few joints, not bad work.",
    "Waiting joints have a first arc and lack a required test; unknown ones cannot be decided from"
    " the records. Both are left out of the yield and shown beside it.",
    "A failure that is found later belongs to the week of the joint's first arc, so past weeks"
    " change. The page then shows the figure as first given and as known now.",
    "Limits meet readings of their own kind only: a splicer's estimate is no measured loss, and"
    " estimates of two splicer models are never mixed.",
    "Where the records cannot decide, the page says so. That is an answer, too.",
)
"""How to read the page; ``{confidence}`` is filled in."""

PRIVACY = (
    "Persons appear as codes. Figures about a person are personal data: say to your people what is"
    " kept and why, show each their own, keep no longer than needed, and decide nothing about pay"
    " or employment by them alone. Rules differ by country and by agreement; this is not legal"
    " advice."
)
PRIVACY_LEAD = (
    "This is the lead's own view. It shows figures on single persons: do not post it, print it for"
    " the wall or send it on."
)
SAFETY = (
    "Steps named here assume a trained person. Local rules, the site's permit and the maker's"
    " instruction come first; nothing on this page says that a place is safe to work in."
)
DEMO = "An invented crew, for trying out: people, places, kit and losses are made up."
TOO_FEW = "too few to tell"
NOTHING_TO_DECIDE = "Nothing in the records asks for a decision this week."
SAID_ABOVE = "What there is to say stands at the top of the page."
NOTHING_HERE = {
    "arrived": "No file has been taken in yet: put files into inbox/ and run `yieldkit ingest`.",
    "open": "No begun joint is waiting.",
    "yields": "No first arc is dated in this week.",
    "drift": "No unit stands out from its own past.",
    "losses": "No limit row of the settings meets a reading of this week.",
    "decisions": "No decision is on record for the last five weeks. Put a decisions file into the"
    " inbox (date, decision, unit, by whom, why), and the page will say whether each helped.",
    "parts": "No failure is logged in this week. If you know of some, they are worth writing down.",
    "persons": "No person is named in this week's records.",
}
TRUST_LOW = "Not all could be linked; the sheet `doubts` lists what to look at."

NO_TYPE = "type not known"


def group_of(name: str) -> str:
    """A group of joints by connector type; one without a type says so."""
    return name.replace("unknown", NO_TYPE, 1)


CAPTIONS = {
    "records": "Files, and what became of their rows",
    "open": "Jobs with joints that wait",
    "connector_type": "By connector type",
    "splicer": "By splicer of the first arc",
    "cleaver": "By cleaver of the first arc",
    "technician": "By person of the first arc, in the order of codes",
    "steps": "Where first attempts fail",
    "trend": "First-pass yield by week of the first arc. Hollow: joints of that week still wait.",
    "groups": "First-pass yield of the week; n is the number decided.",
    "rework": "By step and cause",
    "limits": "Limits, joints now in place",
    "losses": "Losses of this week, every arc counted",
    "signals": "Alarms",
    "watch": "Watched sums, a line a unit: a sum grows while a unit does worse than in its past.",
    "q97": "Loss that 97 % of the week's joints stay under.",
    "sources": (
        "First pass of each unit less the crew's, with the same mix of work (last four weeks)."
        " Hollow: cannot be told from another."
    ),
}
"""Words over a table or under a picture."""

HEADINGS: dict[str, str] = {
    "by": "By",
    "group": "Group",
    "stage": "Stage",
    "positions": "Positions",
    "first_pass": "First pass",
    "failed": "Failed",
    "pending": "Waiting",
    "unknown": "Unknown",
    "yield": "Yield [%]",
    "bound_low": "If all in doubt fail [%]",
    "bound_high": "If all in doubt pass [%]",
    "adjusted": "Adjusted yield [%]",
    "adjusted_low": "Adjusted from [%]",
    "adjusted_high": "Adjusted to [%]",
    "as_of": "Known until",
    "file": "File",
    "layout": "Layout",
    "data_rows": "Rows",
    "accepted": "Count",
    "duplicates": "Known already",
    "held": "In conflict",
    "refused": "Refused",
    "quantity": "Reading",
    "wavelength_nm": "Wavelength [nm]",
    "direction": "Direction",
    "n": "n",
    "family": "Curve",
    "limit": "Limit row",
    "statistic": "Rule",
    "value": "Value [dB]",
    "limit_db": "Limit [dB]",
    "verdict": "Verdict",
    "n_more": "More needed",
    "over": "Beyond the limit [readings]",
    "near": "Perhaps beyond [readings]",
    "over_share_low": "Share beyond, from [%]",
    "over_share_high": "Share beyond, to [%]",
    "unit_kind": "Kind",
    "unit": "Unit",
    "since": "Since",
    "since_low": "Since, earliest",
    "since_high": "Since, latest",
    "size": "Size",
    "chance_this_unit": "Chance it is this unit [%]",
    "not_separable_from": "Cannot be told from",
    "suggested_step": "Suggested step",
    "step": "Step",
    "cause": "Cause",
    "events": "Failures",
    "parts": "Parts",
    "minutes": "Time [min]",
    "cost": "Cost",
}
"""Heading of a column on the page and in the workbook; others are made from the column's name."""

SHEETS: dict[str, str] = {
    "records": "A file taken in, and what became of its rows",
    "first_pass": "First-pass yield of a group, at a stage",
    "losses": "Losses of a group, by reading, wavelength and direction",
    "limits": "A limit row held against the readings that it is for",
    "signals": "A unit that stands out, since when and how surely",
    "rework": "Logged failures of a step and a cause, and what they used up",
    "restated": "Last week's yield as first given and as known now",
    "trend": "First-pass yield of a week",
    "steps": "Share of first attempts that got past a step",
    "per_accepted": "A connector type: arcs and bodies for each accepted joint, lower bounds",
    "open": "A begun joint that is not accepted yet",
    "sources": "A unit: its first pass less the crew's, with the same mix of work [points]",
    "loss_sources": "A unit: its losses beside the mean of its kind, all else equal",
    "spread": "A kind, or luck: its part in failures (n positions) and in losses (n readings)",
    "refused": "A row that could not be read, with the reason and its raw text",
    "held": "A row that conflicts with a row that counts",
    "doubts": "Something in the records to look into",
    "decisions": "A decision, with the yield before and after it",
    "findings": "A sentence of the page",
    "retest": "An accepted joint made since a unit began to drift",
    "over_limit": "A reading beyond the limit for single joints, with its place",
    "bends": "A joint that surely loses more at 1550 nm than at 1310 nm",
    "wear": "Angles, losses and failures at so many uses since a blade or electrodes were renewed",
}
"""What a row of each sheet of the workbook is."""

HEADINGS |= {
    "given": "As first given [%]",
    "given_decided": "Decided then",
    "now": "As known now [%]",
    "now_low": "Now from [%]",
    "now_high": "Now to [%]",
    "now_decided": "Decided now",
    "before": "Before [%]",
    "before_low": "Before from [%]",
    "before_high": "Before to [%]",
    "before_n": "Decided before",
    "after": "After [%]",
    "after_low": "After from [%]",
    "after_high": "After to [%]",
    "after_n": "Decided after",
    "first_date": "First arc",
    "waited_days": "Waits [days]",
    "gap_points": "Beside the crew [points]",
    "gap_percent": "Beside the mean of its kind [%]",
    "gap_percent_low": "From [%]",
    "gap_percent_high": "To [%]",
    "gap_db": "Beside the mean of its kind [dB]",
    "chance_worse": "Chance that it is off by a margin that matters [%]",
    "chance_source": "Chance that it is the worst of all [%]",
    "told": "Can be told from others",
    "of": "Differences in",
    "share": "Part [%]",
}

_UNITS = {"db": "dB", "mm": "mm", "nm": "nm", "min": "min", "deg": "deg", "m": "m", "days": "days"}


def heading(column: str) -> str:
    """Heading of a column: ``median_db_low`` is "Median low [dB]"."""
    if column in HEADINGS:
        return HEADINGS[column]
    words = column.split("_")
    unit = next((word for word in words[1:] if word in _UNITS), "")
    kept = [word for word in words if word != unit] if unit else words
    text = " ".join(kept)
    return text[:1].upper() + text[1:] + (f" [{_UNITS[unit]}]" if unit else "")


_SHARE_TABLES = ("first_pass", "trend", "steps", "restated", "decisions", "spread")
_RANGE_UNITS = {"limits": " [dB]", "sources": " [points]", "over_limit": " [dB]"} | dict.fromkeys(
    _SHARE_TABLES, " [%]"
)


def is_share(table: str) -> bool:
    """Whether the interval of a table is of fractions, shown in per cent."""
    return table in _SHARE_TABLES


def workbook_heading(table: str, column: str) -> str:
    """Heading of a column in a sheet; an interval's unit depends on the table."""
    if column in ("low", "high"):
        words = "Interval from" if column == "low" else "Interval to"
        return words + _RANGE_UNITS.get(table, "")
    return heading(column)


_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def week_title(week: str, first: date, last: date) -> tuple[str, str]:
    """Title and dates of a week: ("Week 47", "16 to 22 November 2026")."""
    start = f"{first.day}"
    if (first.year, first.month) != (last.year, last.month):
        start += f" {_MONTHS[first.month - 1]}"
    if first.year != last.year:
        start += f" {first.year}"
    number = week.rpartition("-W")[2].lstrip("0")
    title = f"Week {number}" if "-W" in week else week
    return title, f"{start} to {last.day} {_MONTHS[last.month - 1]} {last.year}"


def more_below(number: int) -> str:
    """How many findings of a kind stand in their sections only; empty if none does."""
    return f"And {number} more, in the sections below." if number > 0 else ""


def opening(decide: int, cannot_tell: int, watch: int) -> str:
    """First line under the title: how much there is to decide."""
    words = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine")

    def many(number: int) -> str:
        return words[number] if number < len(words) else str(number)

    if decide:
        first = f"{many(decide)} {'thing needs' if decide == 1 else 'things need'} a decision"
    else:
        first = "Nothing needs a decision"
    rest = []
    if watch:
        rest.append(f"{many(watch).lower()} to watch")
    if cannot_tell:
        rest.append(f"{many(cannot_tell).lower()} cannot be told yet")
    return ", ".join([first, *rest]) + "."


def lede(values: Mapping[str, Any]) -> str:
    """The week in one sentence: started, first pass with interval and n, waiting, unknown."""
    started = int(values["positions"])
    if not started:
        return "No joint was begun in this week, as far as the records tell."
    decided = int(values["first_pass"]) + int(values["failed"])
    rest = []
    if values["pending"]:
        waits = "waits" if values["pending"] == 1 else "wait"
        rest.append(f"{int(values['pending'])} still {waits} for a test")
    if values["unknown"]:
        rest.append(f"{int(values['unknown'])} cannot be decided from the records")
    tail = f" {listed(rest)[:1].upper()}{listed(rest)[1:]}." if rest else ""
    if not decided or missing(values["yield"]):
        return f"{count(started, 'joint')} begun; none is decided yet.{tail}"
    if rest and not missing(values.get("bound_low")):
        ends = interval(values["bound_low"], values["bound_high"])
        tail += f" Until they are known the figure may end anywhere from {ends}."
        if values["pending"] > 0.1 * decided:
            tail += (
                " Failures show at once and passes only after the test, so a week with many tests"
                " out looks worse than it ends."
            )
    return (
        f"{count(started, 'joint')} begun; {percent(values['yield'])} right the first time"
        f" ({interval(values['low'], values['high'])}, {decided} decided).{tail}"
    )


def named(groups: Iterable[str], by: Iterable[str]) -> list[str]:
    """Names of groups of several kinds: "unknown" says what is unknown."""
    return [
        f"{name} {kind.replace('_', ' ')}" if name == "unknown" else name
        for name, kind in zip(groups, by, strict=True)
    ]


def said_of_trend(weeks: Sequence[Mapping[Any, Any]]) -> str:
    """The trend in words, for those who cannot see it."""
    said = [f"{row['group']} {percent(row['yield'])}" for row in weeks]
    return f"First-pass yield by week: {listed(said)}."


def said_of_groups(groups: Sequence[Mapping[Any, Any]]) -> str:
    """Groups and their yields in words, for those who cannot see the picture."""
    said = [f"{row['group']} {percent(row['yield'])}" for row in groups]
    return f"First-pass yield: {listed(said)}."


def said_of_losses(rows: Sequence[Mapping[Any, Any]]) -> str:
    """What 97 % stay under in words, for those who cannot see the picture."""
    said = [f"{row['group']} {row['quantity']} {decibels(row['q97_db'])}" for row in rows]
    return f"97 % of joints stay under: {listed(said)}."


def _over_limit(values: Mapping[str, Any]) -> str:
    side = "under" if values["quantity"] == "return loss" else "over"
    edge = listed(f"{limit:g}" for limit in values["limits_db"])
    joints = list(values["joints"])
    few = joints[:5] + ([f"{len(joints) - 5} more"] if len(joints) > 5 else [])
    many = f"{count(values['over'], 'reading')} of {values['n']}"
    places = f": {listed(few)}" if joints else ""
    return (
        f"Not met: {values['quantity']} of single joints. {many}"
        f" {'is' if values['over'] == 1 else 'are'} {side} the limit of {edge} dB{places}."
    )


def _near_limit(values: Mapping[str, Any]) -> str:
    return (
        f"Cannot tell for each joint whether its {values['quantity']} is within the limit: the"
        f" display rounds ({listed(values['rows'])}, {count(values['n'], 'reading')}). Read those"
        " at the limit again on a finer display, or agree that the shown figure counts."
    )


def _limit_rows(values: Mapping[str, Any]) -> str:
    rows = list(values["rows"])
    rule = "mean" if values["statistic"] == "mean" else f"{values['statistic']} value"
    head = "Not met" if values["verdict"] == "not met" else "Cannot tell yet"
    said = [_limit_row(row) for row in rows[:3]]
    if len(rows) > 3:
        said.append(f"and {count(len(rows) - 3, 'other group')}, in the workbook")
    weeks = " (last 13 weeks)"
    return f"{head}: {rule} of the {values['quantity']}{weeks}. {'; '.join(said)}."


def _limit_row(row: Mapping[str, Any]) -> str:
    wave = "" if missing(row["wavelength_nm"]) else f" {row['wavelength_nm']:g} nm"
    if missing(row["low"]) or missing(row["high"]):
        between = "no interval"
    else:
        between = f"{row['low']:.3f} to {row['high']:.3f} dB"
    more = row["n_more"]
    if missing(row["value"]) and not missing(more):
        return (
            f"{group_of(row['group'])}{wave}: too few ({count(row['n'], 'reading')}),"
            f" {count(more, 'more reading')} to begin with"
        )
    about = "" if missing(more) else f"; about {count(more, 'more reading')} would tell"
    return (
        f"{group_of(row['group'])}{wave} {decibels(row['value'])} ({between}, n {row['n']}) against"
        f" {row['limit_db']:g} dB{about}"
    )


def _arcs_missing(values: Mapping[str, Any]) -> str:
    return (
        f"Cannot tell what the losses of {listed(values['groups'])} would be with every arc kept:"
        f" no estimate over {values['limit_db']:g} dB is in their records"
        f" ({count(values['n'], 'reading')}, last 13 weeks), so some may have been redone and left"
        " out. Keep the record of every arc."
    )


def _arcs_kept(values: Mapping[str, Any]) -> str:
    return (
        f"Estimates over the limit of {values['limit_db']:g} dB are in the records of"
        f" {listed(values['groups'])} ({values['over']} of {count(values['n'], 'reading')}, last 13"
        " weeks): nothing says that redone arcs were left out, nor that none was."
    )


def _open_too_long(values: Mapping[str, Any]) -> str:
    return (
        f"{count(values['open'], 'position')} in {count(values['jobs'], 'job')} open for more than"
        f" {values['limit_days']} days, the oldest for {values['oldest_days']:.0f} days"
        f" ({values['oldest_job']}). Test or close them; until then they count as not known."
    )


def said_of_gaps(rows: Sequence[Mapping[Any, Any]]) -> str:
    """Gaps of units to the crew in words, for those who cannot see the picture."""
    said = [f"{row['unit']} {row['gap_points']:+.1f}" for row in rows]
    return f"Points of first pass beside the crew's: {listed(said)}."


def said_of_watch(loud: list[str], lines: int) -> str:
    """The watch in words, for those who cannot see it."""
    which = f"above the alarm line: {listed(loud)}" if loud else "none above the alarm line"
    return f"Watched sums of {count(lines, 'series', 'series')}; {which}."


def _no_drift(values: Mapping[str, Any]) -> str:
    return (
        f"No unit stands out from its own past ({count(values['n'], 'series', 'series')} watched)."
    )


def _restated(values: Mapping[str, Any]) -> str:
    before, now = percent(values["given"]), percent(values["now"])
    held = values["given"] == values["now"] and values["given_decided"] == values["now_decided"]
    if held:
        return (
            f"Last week's yield stands as first given: {now} "
            f"({interval(values['now_low'], values['now_high'])}, {values['now_decided']} decided)."
        )
    return (
        f"Last week's yield is restated: {before} as first given"
        f" ({values['given_decided']} decided), {now} as known now"
        f" ({interval(values['now_low'], values['now_high'])}, {values['now_decided']} decided)."
    )


def _not_given(values: Mapping[str, Any]) -> str:
    return (
        f"Last week ({values['week']}) had no page of its own, so there is no first-given figure;"
        f" as known now its yield is {percent(values['now'])}"
        f" ({interval(values['now_low'], values['now_high'])}, {values['now_decided']} decided)."
    )


def _no_last_week(values: Mapping[str, Any]) -> str:
    return f"No joint of last week ({values['week']}) is in the records."


def _not_worked_out(values: Mapping[str, Any]) -> str:
    return f"This part could not be worked out: {values['why']}"


def _decision_followed(values: Mapping[str, Any]) -> str:
    before = f"{percent(values['before'])} ({interval(values['before_low'], values['before_high'])}"
    after = f"{percent(values['after'])} ({interval(values['after_low'], values['after_high'])}"
    verdict = {
        "better": "It helped",
        "worse": "It did not help; the figure fell",
        "cannot tell": "Cannot tell yet whether it helped",
    }[values["verdict"]]
    said = (
        f"{values['decision']} ({values['unit']}, {values['date']}). {verdict}: first pass"
        f" {before}, n {values['before_n']}) before, {after}, n {values['after_n']}) after"
    )
    waits = values["waiting"] if values["verdict"] == "cannot tell" else 0
    if waits:
        said += f"; {count(waits, 'joint')} made since still {'waits' if waits == 1 else 'wait'}"
    return f"{said}."


def _decision_noted(values: Mapping[str, Any]) -> str:
    about = f"{values['unit']}, " if values["unit"] else ""
    return (
        f"{values['decision']} ({about}{values['date']}). The records name no joints made on it"
        " since, so nothing can be said yet."
    )


SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "page_no_drift": _no_drift,
    "page_over_limit": _over_limit,
    "page_near_limit": _near_limit,
    "page_limit_rows": _limit_rows,
    "page_arcs_missing": _arcs_missing,
    "page_arcs_kept": _arcs_kept,
    "page_open_too_long": _open_too_long,
    "page_restated": _restated,
    "page_not_given": _not_given,
    "page_no_last_week": _no_last_week,
    "page_not_worked_out": _not_worked_out,
    "page_decision_followed": _decision_followed,
    "page_decision_noted": _decision_noted,
}
