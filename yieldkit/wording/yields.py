"""Sentences about yields."""

from collections.abc import Callable, Mapping
from typing import Any

from yieldkit.wording.numbers import count, interval, percent


def _first_pass_yield(values: Mapping[str, Any]) -> str:
    said = (
        f"{values['group']}: {percent(values['yield'])} right the first time "
        f"({interval(values['low'], values['high'])}, {count(values['n'], 'position')})"
    )
    return said + _open(values) + "."


def _first_pass_too_few(values: Mapping[str, Any]) -> str:
    made = count(values["n"], "decided position")
    return f"{values['group']}: too few to tell ({made}){_open(values)}."


def _open(values: Mapping[str, Any]) -> str:
    waiting, unknown = values.get("pending", 0), values.get("unknown", 0)
    if not waiting and not unknown:
        return ""
    said = [f"{waiting} still to be tested"] if waiting else []
    said += [f"{unknown} not known"] if unknown else []
    bounds = interval(values["bound_low"], values["bound_high"])
    return f"; {' and '.join(said)}, so at the outside {bounds}"


def _worst_step(values: Mapping[str, Any]) -> str:
    lost = percent(1 - values["yield"])
    between = interval(1 - values["high"], 1 - values["low"])
    return (
        f"Most first attempts that failed were found at step {values['step']}: "
        f"{values['failed']} of {values['all']} ({lost} of the {values['n']} that reached it, "
        f"{between})."
    )


def _preparation_losses(values: Mapping[str, Any]) -> str:
    lost = count(values["lost"], "preparation loss", "preparation losses")
    return (
        f"At least {lost} written down (broken strip, rejected cleave) on "
        f"{count(values['n'], 'position')}; those not written down are not in it."
    )


def _open_positions(values: Mapping[str, Any]) -> str:
    return (
        f"{count(values['open'], 'begun position')} in {count(values['jobs'], 'job')} not accepted "
        f"yet, {values['not_started']} not started, of {values['n']} in the records."
    )


def _open_too_long(values: Mapping[str, Any]) -> str:
    return (
        f"{values['job']}: {count(values['open'], 'position')} open, the oldest for "
        f"{values['oldest_days']:.0f} days (your limit {values['limit_days']} days). Test or close"
        " them; after the limit they count as not known."
    )


SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "first_pass_yield": _first_pass_yield,
    "first_pass_too_few": _first_pass_too_few,
    "worst_step": _worst_step,
    "preparation_losses": _preparation_losses,
    "open_positions": _open_positions,
    "open_too_long": _open_too_long,
}
