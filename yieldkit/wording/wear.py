"""Sentences about wear of blades and electrodes, and about what the crew could see."""

from collections.abc import Callable, Mapping
from typing import Any

from yieldkit.wording.numbers import count, day, listed, percent

_TURN = {
    "cleaver": ("Blades", "turned", "cleave", "Cleaver {}: turn the blade today"),
    "splicer": ("Electrodes", "changed", "arc", "Splicer {}: change the electrodes today"),
}


def _number(uses: float) -> str:
    """A whole number of uses."""
    return f"{round(uses):,}".replace(",", "\u202f")


def _goal(values: Mapping[str, Any]) -> str:
    return "best" if values["goal_is_best"] else "usual"


def _too_few(values: Mapping[str, Any]) -> str:
    name, turned, _, _ = _TURN[values["unit_kind"]]
    whole = values["lives"]
    lives = count(whole, "whole life", "whole lives") if whole else "no whole life"
    return (
        f"Cannot tell how long {name.lower()} last: the records hold {lives} from one logged change"
        f" to the next, wanted 3 or more. Write down each time that they are {turned}; keep your"
        " habit until then."
    )


def _keep(values: Mapping[str, Any]) -> str:
    name, turned, use, _ = _TURN[values["unit_kind"]]
    return (
        f"{name}: keep your habit, {turned} after about {values['habit']:.0f} recorded {use}s "
        f"({count(values['lives'], 'life', 'lives')}, {count(values['n'], use)}). Failures rise by "
        f"{percent(max(values['rise'], 0))} over that time (interval {100 * values['low']:.1f} to "
        f"{100 * values['high']:.1f} points): no other interval is surely better. {_costs(values)}"
    )


def _costs(values: Mapping[str, Any]) -> str:
    """What wear and renewals cost a use at the habit, and at the best interval."""
    _, turned, use, _ = _TURN[values["unit_kind"]]
    unit = values["cost_unit"]
    said = (
        f"Wear and renewals cost about {values['cost']:.2f} {unit} a {use} "
        f"({values['cost_low']:.2f} to {values['cost_high']:.2f})"
    )
    if "best_cost" in values:
        said += f", at {values['best']:.0f} {use}s about {values['best_cost']:.2f} {unit}"
    return (
        f"{said}, at {values['failed_cost']:.2f} {unit} for a failed attempt, "
        f"{values['refused_cost']:.2f} {unit} for a refused cleave and "
        f"{values['renewal_cost']:.2f} {unit} each time that they are {turned}."
    )


def _interval(values: Mapping[str, Any]) -> str:
    name, turned, use, _ = _TURN[values["unit_kind"]]
    when = "earlier" if values["best"] < values["habit"] else "later"
    cut = (
        " More of a change than this the records cannot judge: look again after some lives."
        if values["best_cut"]
        else ""
    )
    return (
        f"{name} could be {turned} {when}: after about {values['best']:.0f} recorded {use}s "
        f"({values['best_low']:.0f} to {values['best_high']:.0f}; habit {values['habit']:.0f}; "
        f"{count(values['lives'], 'life', 'lives')}, {count(values['n'], use)}).{cut} "
        f"{_costs(values)}"
    )


def _due(values: Mapping[str, Any]) -> str:
    _, turned, use, due = _TURN[values["unit_kind"]]
    done, goal = count(round(values["done"]), use), _number(values["goal"])
    seen = "" if values["sure"] else f"; it was never {turned} in the service log"
    return (
        f"{due.format(values['unit'])}: at least {done} on it, where about "
        f"{goal} is {_goal(values)} ({count(values['lives'], 'life', 'lives')}){seen}."
        f"{_inferred(values)}"
    )


def _inferred(values: Mapping[str, Any]) -> str:
    if values.get("inferred") is None:
        return ""
    return (
        f" Counted from about {day(values['inferred'])}: its cleave angles fell then as after a"
        " turn, which the service log does not have."
    )


def _good_for(values: Mapping[str, Any]) -> str:
    _, _, use, _ = _TURN[values["unit_kind"]]
    kind = values["unit_kind"].capitalize()
    left = count(round(values["left"]), f"more recorded {use}")
    return (
        f"{kind} {values['unit']} is good for about {left} ({_number(values['done'])} done, "
        f"about {_number(values['goal'])} {_goal(values)}).{_inferred(values)}"
    )


def _unlogged(values: Mapping[str, Any]) -> str:
    _, turned, use, _ = _TURN[values["unit_kind"]]
    kind, units = values["unit_kind"], values["units"]
    many = len(units) > 1
    worn = f"{'their' if many else 'its'} {'blade' if kind == 'cleaver' else 'electrode'}"
    worn += " was" if kind == "cleaver" and not many else "s were"
    known = values["goal"] != float("inf")
    usual = f"; about {_number(values['goal'])} is {_goal(values)}" if known else ""
    each = [f"{one['unit']} (at least {count(round(one['done']), use)})" for one in units]
    plural, verb = ("s", "are") if many else ("", "is")
    return (
        f"Cannot tell how worn {kind}{plural} {listed(each)} {verb}: the service log does "
        f"not say that {worn} {turned} since the records began{usual}."
    )


def _plan(values: Mapping[str, Any]) -> str:
    number = f"{values['alarms']:g} false alarm{'' if values['alarms'] == 1 else 's'}"
    alarms = f"At {number} in 13 weeks over {values['streams']} series"
    weeks = values["weeks"]
    able = [rise for rise in sorted(weeks, reverse=True) if weeks[rise] <= 26]
    if not able:
        return (
            f"{alarms}, a crew of this size cannot count on seeing a doubling of "
            f"the {values['of']} of one {values['unit_kind']} within half a year "
            f"(chance within 13 weeks {percent(values['best'], 0)})."
        )
    said = [f"a rise to {rise:g} times within {count(int(weeks[rise]), 'week')}" for rise in able]
    return (
        f"{alarms}, four times in five a {values['unit_kind']}'s {values['of']} would be noticed "
        f"after {'; '.join(said)}. What is not named here may stay unseen for half a year."
    )


def _plan_mixing(values: Mapping[str, Any]) -> str:
    share = percent(values["told"], 0)
    kind, joints = values["unit_kind"], count(values["n"], "joint")
    if values["told"] > 0.7:
        return (
            f"Kit is mixed enough to tell {kind}s from the people and kit that they work with: "
            f"{share} of the joints tell ({joints})."
        )
    if values["told"] > 0.2:
        return (
            f"Kit is partly mixed: {share} of a {kind}'s joints tell it from the people and kit "
            f"that it works with ({joints}), so a source takes about {1 / values['told']:.1f} "
            "times as long to name as with kit drawn by lot each day."
        )
    return (
        f"Cannot tell {kind}s from the people and kit that they always work with: only {share} of "
        f"their joints tell ({joints}). Swap kit on two days a week, and a change can be put to "
        "its source."
    )


SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "wear_too_few": _too_few,
    "wear_keep": _keep,
    "wear_interval": _interval,
    "wear_due": _due,
    "wear_good_for": _good_for,
    "wear_unlogged": _unlogged,
    "plan_could_see": _plan,
    "plan_mixing": _plan_mixing,
}
