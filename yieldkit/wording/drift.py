"""Sentences about drift."""

from collections.abc import Callable, Mapping
from typing import Any

from yieldkit.wording.numbers import count, day, listed, percent

_MEANT = {
    "estimated loss": ("its splice losses (the splicer's estimates)", "times what they were"),
    "failures": ("its failed first attempts", "times what they were"),
    "cleave angle": ("its cleave angles", "deg above what they were"),
}
_KIND = {
    "splicer": "Splicer",
    "cleaver": "Cleaver",
    "heater": "Heater",
    "connector_lot": "Connector lot",
    "fibre_lot": "Fibre lot",
    "technician": "Technician",
}


def _drift_signal(values: Mapping[str, Any]) -> str:
    what, unit = _MEANT[values["quantity"]]
    said = (
        f"{_KIND[values['unit_kind']]} {values['unit']} has got worse: {what} are "
        f"{values['size']:.2f} {unit} ({values['low']:.2f} to {values['high']:.2f}, "
        f"{count(values['n'], 'joint')}). It began between {day(values['since_low'])} and "
        f"{day(values['since_high'])}; {count(values['joints_since'], 'joint')} since then. "
        "Chance that it is this unit and no other one watched: "
        f"{percent(values['chance_this_unit'], 0)}."
    )
    if values["not_separable_from"]:
        others = listed(values["not_separable_from"].split("; "), "or")
        said += f" The records cannot tell it from {others}: they made the same joints."
    return said


def _drift_could_see(values: Mapping[str, Any]) -> str:
    weeks = values["weeks"]

    def seen(rise: float) -> str:
        return f"a rise to {rise:g} times in about {weeks[rise]:.0f} weeks"

    able = [rise for rise in sorted(weeks, reverse=True) if weeks[rise] <= 26]
    alarms = (
        f"{count(values['streams'], 'series', 'series')} watched at about {values['alarms']:g} "
        "false alarms in 13 weeks for the whole crew. "
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
