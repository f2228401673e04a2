"""Sentences about rework."""

from collections.abc import Callable, Mapping
from typing import Any

from yieldkit.wording.numbers import count, interval, money, percent


def _rework_none(values: Mapping[str, Any]) -> str:
    return "No rework was written down in this period; that is not the same as none done."


def _money(values: Mapping[str, Any]) -> str:
    cost = values["cost"]
    if cost <= 0:
        return "no prices set, so no cost"
    return money(cost, values["currency"])


def _rework_total(values: Mapping[str, Any]) -> str:
    said = (
        f"At least {count(values['events'], 'failure')} in "
        f"{count(values['n'], 'log entry', 'log entries')}: "
        f"{count(round(values['parts']), 'part')} (bodies, sleeves, rings), "
        f"{count(round(values['minutes']), 'min', 'min')} on the "
        f"{values['minutes_known']} entries that say minutes, {_money(values)}."
    )
    visits = round(values.get("visits", 0))
    if visits:
        priced = "" if values["visit_cost"] else " (no price set for one)"
        said += (
            f" At least {count(visits, 'return visit')}: days when a job saw nothing but joints"
            f" made again{priced}."
        )
    if values["guessed"]:
        said += (
            f" On {count(values['guessed'], 'entry', 'entries')} no parts are written; your"
            " settings' usual parts stand in."
        )
    return said


def _rework_dearest(values: Mapping[str, Any]) -> str:
    return (
        f"Dearest: {values['cause']}, found at step {values['step']}: "
        f"{count(values['events'], 'failure')} (chance alone would give "
        f"{values['low']:.0f} to {values['high']:.0f}), {_money(values)}."
    )


def _rework_too_late(values: Mapping[str, Any]) -> str:
    return (
        f"{count(values['late'], 'failure')} cost a connector body, found after the point of no"
        f" return; {values['before']:.0f} of them ({percent(values['share'], 0)},"
        f" {interval(values['low'], values['high'], 0)}) had a cause that a look before the arc can"
        " show: strip, cleave, dust, a missing part."
    )


SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "rework_none": _rework_none,
    "rework_total": _rework_total,
    "rework_dearest": _rework_dearest,
    "rework_too_late": _rework_too_late,
}
