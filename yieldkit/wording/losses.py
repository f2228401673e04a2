"""Sentences about losses."""

from collections.abc import Callable, Mapping
from typing import Any

from yieldkit.wording.numbers import count, decibels, missing


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
    "few values": "few readings, so take the tail as rough",
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
    return f" About {count(more, 'more reading')} would tell, four times in five."


SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "loss_summary": _summary,
    "loss_not_settled": _not_settled,
    "loss_too_few": _too_few,
    "limit_verdict": _verdict,
}
