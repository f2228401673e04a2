"""Sentences about losses."""

from collections.abc import Callable, Mapping
from typing import Any

from yieldkit.wording.numbers import count, day, decibels, missing, percent


def _what(values: Mapping[str, Any]) -> str:
    """Group and kind of reading: "LC, insertion loss 1310 nm"."""
    wave = "" if missing(values["wavelength_nm"]) else f" {values['wavelength_nm']:g} nm"
    group = "" if values["group"] in ("all", "") else f"{values['group']}, "
    return f"{group}{values['quantity']}{wave}"


def _between(low: float, high: float) -> str:
    if missing(low) and missing(high):
        return "no interval"
    if missing(high) or high == float("inf"):
        return f"{low:.3f} dB or more"
    if missing(low):
        return f"at most {high:.3f} dB"
    return f"{low:.3f} to {high:.3f} dB"


def _figure(values: Mapping[str, Any], name: str) -> str:
    between = _between(values[f"{name}_low"], values[f"{name}_high"])
    return f"{decibels(values[name])} ({between})"


def _direction(values: Mapping[str, Any]) -> str:
    way = values.get("direction") or ""
    return f", {way}" if way not in ("", "any", "each", "mean") else ""


def _summary(values: Mapping[str, Any]) -> str:
    return (
        f"{_what(values)}{_direction(values)}: mean {_figure(values, 'mean_db')}, 97 % stay under "
        f"{_figure(values, 'q97_db')}; {count(values['n'], 'reading')}{_doubts(values)}."
    )


_DOUBTS = {
    "few intervals": "few different values on the display, so take the tail as rough",
    "half hidden": "half of the readings or more lie at an end of the display",
}


def _doubts(values: Mapping[str, Any]) -> str:
    said = [_DOUBTS[each] for each in str(values.get("doubts", "")).split(", ") if each in _DOUBTS]
    return f" ({'; '.join(said)})" if said else ""


def _not_settled(values: Mapping[str, Any]) -> str:
    made = count(values["n"], "reading")
    if missing(values["median_db_high"]):
        return f"{_what(values)}: cannot tell from {made}; the display shows too little."
    return (
        f"{_what(values)}: too few different values to name a mean ({made}); half stay under "
        f"{values['median_db_high']:.3f} dB. A finer display or more readings would tell."
    )


def _too_few(values: Mapping[str, Any]) -> str:
    return f"{_what(values)}: too few to tell ({count(values['n'], 'reading')})."


def _verdict(values: Mapping[str, Any]) -> str:
    head = {"met": "Met", "not met": "Not met", "cannot tell": "Cannot tell yet"}
    low, high = values["low"], values["high"]
    group = "" if values["group"] in ("all", "") else f"{values['group']}, "
    said = f"{head[values['verdict']]}: {group}{values['limit']}. "
    n = values["n"]
    if values["statistic"] == "each":
        end = "Least" if values["quantity"] == "return loss" else "Greatest"
        said += f"{_over(values)}; the {end.lower()} lies in {_between(low, high)}."
    elif missing(values["value"]) and not missing(values["n_more"]):
        more = count(values["n_more"], "more reading")
        return f"{said}Too few to tell ({count(n, 'reading')}); {more} to begin with."
    else:
        name = "Mean" if values["statistic"] == "mean" else "97 % value"
        said += (
            f"{name} {decibels(values['value'])} ({_between(low, high)}, {count(n, 'reading')})."
        )
    return said + _next(values)


def _over(values: Mapping[str, Any]) -> str:
    """How many readings are surely or perhaps beyond the limit, of how many."""
    of_all = f"of {count(values['n'], 'reading')}"
    side = "under" if values["quantity"] == "return loss" else "over"
    if values["over"]:
        return f"{values['over']} {of_all} {side} it"
    if values["near"]:
        return f"{values['near']} {of_all} may be {side} it, as the display rounds"
    return f"{count(values['n'], 'reading')}, none {side} it"


def _next(values: Mapping[str, Any]) -> str:
    each, verdict = values["statistic"] == "each", values["verdict"]
    if verdict == "met":
        return ""
    if verdict == "not met":
        if not each:
            return " Look which kit, lot or job carries it before the next job."
        if values["quantity"] == "estimated loss":
            return " Measure these joints or splice them again."
        return " Clean, inspect and test these joints again."
    more = values["n_more"]
    if each:
        if values["near"]:
            return " Read these again on a finer display, or agree that the shown figure counts."
        return " Some joints were read from one end only: read them from the other."
    if more is None or missing(more):
        return " It lies so near the limit that more readings will not soon tell."
    when = values.get("by_day")
    pace = "" if when is None or missing(when) else f"; at this pace by {day(when)}"
    return f" About {count(more, 'more reading')} would tell, four times in five{pace}."


def _tolerance(values: Mapping[str, Any]) -> str:
    sure = f"{100 * values['confidence']:.0f} %"
    share = f"{100 * values['share']:.0f} %"
    said = f"{_what(values)}: at least {share} of joints under {decibels(values['bound_db'])}"
    made = count(values["n"], "reading")
    if values["label"] == "extrapolated":
        return (
            f"{said} ({sure} sure, {made}): extrapolated, as it rests on a fitted curve; "
            f"{values['needed']} readings would show it without one."
        )
    return (
        f"{said} ({sure} sure, {made}); the sorted readings alone give "
        f"{decibels(values['free_db'])}."
    )


def _share_over(values: Mapping[str, Any]) -> str:
    ends = f"{percent(values['low'], 2)} to {percent(values['high'], 2)}"
    return (
        f"{_what(values)}: {percent(values['share'], 2)} of joints above {values['at_db']:g} dB "
        f"({ends}, {count(values['n'], 'reading')}); {percent(values['seen'], 2)} seen above it."
    )


def _index(values: Mapping[str, Any]) -> str:
    room = f"{values['index']:.2f} ({values['low']:.2f} to {values['high']:.2f})"
    return (
        f"{_what(values)}: room to the limit of {values['limit_db']:g} dB is {room} times the "
        f"spread above the median ({count(values['n'], 'reading')})."
    )


def _bends(values: Mapping[str, Any]) -> str:
    named = [place.replace("|", "\u00a0") for place in values["places"]]
    shown = ", ".join(named) + (" ..." if values["bent"] > len(values["places"]) else "")
    joints = count(values["bent"], "joint")
    return (
        f"Bent: {joints} of {values['n']} read at both wavelengths lose surely more at 1550 nm "
        f"than at 1310 nm ({shown}). Look for a tight bend or a pinched sleeve before you splice "
        "again."
    )


def _no_bends(values: Mapping[str, Any]) -> str:
    return f"No sign of a bend in {count(values['n'], 'joint')} read at 1310 and 1550 nm."


def _times(values: Mapping[str, Any], name: str) -> str:
    ends = f"{values[name + '_low']:.2f} to {values[name + '_high']:.2f}"
    return f"{values[name]:.2f} times ({ends})"


def _change(values: Mapping[str, Any]) -> str:
    n = f"{values['n']} readings after, {values['n_before']} before"
    if values["says"] == "cannot tell":
        return f"{_what(values)}: cannot tell what kind of change this is ({n})."
    mean, spread = _times(values, "ratio"), _times(values, "cv_ratio")
    if values["says"] == "some bad joints":
        said = "rose, which is how some bad joints among good ones look"
        step = "Find which day, lot or hand they share first."
    elif values["says"] == "machine offset":
        said = "fell, which is how a machine that is off to one side looks"
        step = "Clean the groove and lenses and run the arc check first."
    else:
        said = "stayed, which is how hand, cleave or dirt looks"
        step = "Look at blades and cleaning first."
    return (
        f"{_what(values)}: mean is {mean} what it was, relative spread {spread} and so {said}; {n}."
        f" {step}"
    )


def _mixed(values: Mapping[str, Any]) -> str:
    return (
        f"{_what(values)}: a longer tail than one kit on one day gives "
        f"({count(values['n'], 'reading')}). Most often two kinds of work are mixed: look at kit, "
        "lot and job apart before you trust its tail."
    )


def _redone(values: Mapping[str, Any]) -> str:
    made = count(values["n"], "reading")
    if values["says"] == "arcs over the limit are kept":
        return (
            f"{values['group']}: {values['over']} of {made} are over {values['limit_db']:g} dB, so"
            " arcs that missed the limit stand in the records; whether all do, they cannot tell."
        )
    head = f"{values['group']}: no estimate over {values['limit_db']:g} dB is in the records"
    if values["says"] == "few if any dropped":
        return f"{head}, and few if any seem to be missing ({made})."
    if values["says"] == "cannot tell":
        return (
            f"{head}; cannot tell what the dropped ones looked like ({made}). Keep the record of "
            "every arc."
        )
    dropped = f"{100 * values['dropped_low']:.0f} to {100 * values['dropped_high']:.0f} %"
    return (
        f"{head}. If those over it were redone and left out, the mean of all arcs lies in "
        f"{_between(values['mean_low_db'], values['mean_high_db'])} instead of "
        f"{decibels(values['mean_shown_db'])}, and {dropped} of arcs are missing ({made}). Keep "
        "the record of every arc."
    )


def _without_reading(v: Mapping[str, Any]) -> str:
    return (
        f"Cannot tell: {v['limit']}. No reading of this kind in the last thirteen weeks. If you do"
        " take such readings, check wavelength, type and job of that row in the settings."
    )


SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "loss_summary": _summary,
    "loss_not_settled": _not_settled,
    "loss_too_few": _too_few,
    "limit_verdict": _verdict,
    "limit_without_reading": _without_reading,
    "limits_none_set": lambda values: (
        "Cannot tell whether losses meet their limits: the settings hold none. Fill in the sheet"
        " limits of crew.xlsx."
    ),
    "tolerance_bound": _tolerance,
    "loss_index": _index,
    "share_over": _share_over,
    "bends": _bends,
    "no_bends": _no_bends,
    "loss_change": _change,
    "mixed_work": _mixed,
    "redone_splices": _redone,
}
