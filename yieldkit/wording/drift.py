"""Sentences about drift."""

from collections.abc import Callable, Mapping
from typing import Any

from yieldkit.wording.numbers import count, day, listed, percent

_MEANT = {
    "estimated loss": ("splice losses (the splicer's estimates)", "times what they were"),
    "failures": ("failed first attempts", "times what they were"),
    "cleave angle": ("cleave angles", "deg above what they were"),
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
_NOT_ONE_UNIT = (
    "Chance that it is what all share, and no single unit: {}; look at test set and reference cord,"
    " weather, site, a new kind of job."
)


def _drift_signal(values: Mapping[str, Any]) -> str:
    what, unit = _MEANT[values["quantity"]]
    name = _KIND[values["unit_kind"]].format(values["unit"])
    whole = values["unit_kind"] == "crew"
    if values.get("sure", True):
        verdict = f"{name} {'have' if whole else 'has'} got worse"
    else:
        verdict = f"Cannot tell yet: {name[0].lower()}{name[1:]} may have got worse"
    said = (
        f"{verdict}: {'the' if whole else 'its'} {what} are "
        f"{values['size']:.2f} {unit} ({values['low']:.2f} to {values['high']:.2f}, "
        f"{count(values['n'], 'joint')}). {_onset(values)}; "
        f"{count(values['joints_since'], 'joint')} since then. {_source(values, whole)}"
    )
    if values["not_separable_from"]:
        others = listed(values["not_separable_from"].split("; "), "or")
        said += f" The records cannot tell it from {others}: they made the same joints."
    return said


def _onset(values: Mapping[str, Any]) -> str:
    if values["since_low"] == values["since_high"]:
        return f"It began about {day(values['since_low'])}"
    return f"It began between {day(values['since_low'])} and {day(values['since_high'])}"


def _source(values: Mapping[str, Any], whole: bool) -> str:
    if whole:
        return _NOT_ONE_UNIT.format(percent(values["chance_this_unit"], 0))
    said = f"Chance that it is this unit: {percent(values['chance_this_unit'], 0)}"
    others = values.get("others", ())
    return f"{said}; else {listed(others, 'or')}, or chance alone." if others else f"{said}."


def _drift_could_see(values: Mapping[str, Any]) -> str:
    weeks = values["weeks"]

    def seen(rise: float) -> str:
        whole = max(round(weeks[rise]), 1)
        return f"a rise to {rise:g} times in about {count(whole, 'week')}"

    able = [rise for rise in sorted(weeks, reverse=True) if weeks[rise] <= 26]
    alarms = (
        f"{count(values['streams'], 'series', 'series')} watched; about {values['alarms']:g} "
        f"false {'alarm' if values['alarms'] == 1 else 'alarms'} in 13 weeks for the whole crew. "
    )
    if not able:
        return alarms + "At your volume not even a doubled loss would be seen within half a year."
    return (
        f"{alarms}At your volume a splicer's loss would be seen after "
        f"{listed(seen(rise) for rise in able)}; smaller rises we cannot see."
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
