"""Sentences about drift."""

from collections.abc import Callable, Mapping
from typing import Any

from yieldkit.wording.numbers import count, day, listed, percent

_TIMES = "times what they were"
_MEANT = {
    "estimated loss": ("splice losses (the splicer's estimates)", "{:.2f}", _TIMES, "joint"),
    "failures": ("failed first attempts", "{:.2f}", _TIMES, "joint"),
    "cleave angle": ("cleave angles", "{:.2f}", "deg above what they were", "cleave"),
    "second arcs": ("joints arced a second time", "{:.2f}", _TIMES, "joint"),
    "refused cleaves": ("cleaves refused before the arc", "{:.2f}", _TIMES, "attempt"),
    "insertion loss": ("test readings", "{:+.3f}", "dB from what they were", "joint"),
    "check splice": ("morning check splices", "{:.2f}", _TIMES, "check splice"),
    "reference check": ("checks of the reference", "{:+.3f}", "dB from what they were", "check"),
}
_KIND = {
    "splicer": "Splicer {}",
    "cleaver": "Cleaver {}",
    "heater": "Heater {}",
    "connector_lot": "Connector lot {}",
    "fibre_lot": "Fibre lot {}",
    "technician": "Technician {}",
    "crew": "All joints together",
}
_NOT_ONE_UNIT = "Chance that it is what all share, and no single unit: {}; look at {}."
_SHARED = {
    "insertion loss": "test set and reference cord",
    "check splice": "the reference fibre and the weather",
    "reference check": "the reference cord and the test set",
}
_ANY_SHARED = "test set and reference cord, weather, site, a new kind of job"
_NATURE = {
    "offset": (
        " The mean rose more than the spread: an offset of the machine (groove, clamps, arc off"
        " centre) rather than noise."
    ),
    "noise": (
        " Mean and spread rose alike: noise (cleaves, dirt) rather than an offset of the machine."
    ),
}
SURE = 0.9
"""A unit is said to have got worse from this chance on; a suspect below is put as probable."""


def _drift_signal(values: Mapping[str, Any]) -> str:
    what, number, unit, of = _MEANT[values["quantity"]]
    size, low, high = (number.format(values[name]) for name in ("size", "low", "high"))
    whole = values["unit_kind"] == "crew"
    said = (
        f"{_verdict(values)}: {'the' if whole else 'its'} {what} are {size} {unit} "
        f"({low} to {high}, {count(values['n'], of)}). {_onset(values)}; "
        f"{count(values['joints_since'], of)} since the first of these days. "
        f"{_source(values, whole)}"
    )
    if values.get("nature"):
        said += _NATURE[values["nature"]]
    if values["not_separable_from"]:
        others = listed(values["not_separable_from"].split("; "), "or")
        said += f" The records cannot tell it from {others}: they made the same joints."
    return said


def _verdict(values: Mapping[str, Any]) -> str:
    name = _KIND[values["unit_kind"]].format(values["unit"])
    small = name[0].lower() + name[1:]
    has = "have" if values["unit_kind"] == "crew" else "has"
    chance = values["chance_this_unit"]
    if not values.get("sure", True):
        return f"Cannot tell yet: {small} may have got worse"
    if chance < SURE or values["not_separable_from"]:
        return f"Probably {small} {has} got worse ({percent(chance, 0)})"
    return f"{name} {has} got worse"


_SHAPES = {
    "step": ", within a week",
    "ramp": ", little by little",
    "either": ", at once or little by little",
}


def _onset(values: Mapping[str, Any]) -> str:
    how = _SHAPES[values.get("shape", "either")]
    if values["since_low"] == values["since_high"]:
        return f"It began about {day(values['since_low'])}{how}"
    return f"It began between {day(values['since_low'])} and {day(values['since_high'])}{how}"


def _source(values: Mapping[str, Any], whole: bool) -> str:
    chance = percent(values["chance_this_unit"], 0)
    if whole:
        return _NOT_ONE_UNIT.format(chance, _SHARED.get(values["quantity"], _ANY_SHARED))
    said = f"Chance that it is this unit: {chance}"
    others = values.get("others", ())
    return f"{said}; else {listed(others, 'or')}, or chance alone." if others else f"{said}."


def _drift_could_see(values: Mapping[str, Any]) -> str:
    weeks = values["weeks"]
    able = [rise for rise in sorted(weeks, reverse=True) if weeks[rise] <= 26]
    alarms = (
        f"{count(values['streams'], 'series', 'series')} watched; at most about "
        f"{values['alarms']:g} false {'alarm' if values['alarms'] == 1 else 'alarms'} in 13 weeks "
        "for the whole crew. "
    )
    if not able:
        return (
            f"{alarms}At your volume not even a doubled loss of a splicer would be seen four times"
            " in five within half a year."
        )
    seen = [f"a rise to {rise:g} times within {count(int(weeks[rise]), 'week')}" for rise in able]
    return (
        f"{alarms}At your volume four times in five a splicer's loss would be noticed after "
        f"{listed(seen)}; smaller rises we cannot see."
    )


def _drift_nothing(values: Mapping[str, Any]) -> str:
    return (
        "Cannot tell whether a unit drifts: no unit has losses on six days or more. "
        "Take in more weeks."
    )


SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "drift_signal": _drift_signal,
    "drift_could_see": _drift_could_see,
    "drift_nothing_to_watch": _drift_nothing,
}
