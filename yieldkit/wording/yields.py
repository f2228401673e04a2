"""Sentences about yields."""

from collections.abc import Callable, Mapping
from typing import Any

from yieldkit.wording.numbers import count, day, interval, listed, missing, percent


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
        f"{values['failed']} of {values['all']} ({lost} of the {count(values['n'], 'attempt')} that"
        f" reached it, {between})."
    )


def _used_per_accepted(values: Mapping[str, Any]) -> str:
    def each(row: Mapping[str, Any], part: str, words: str) -> str:
        ends = (
            ""
            if missing(row[f"{part}_low"])
            else f" ({row[f'{part}_low']:.2f} to {row[f'{part}_high']:.2f})"
        )
        return f"{row[part]:.2f} {words}{ends}"

    told = []
    for row in values["rows"]:
        said = f"{row['group']} {each(row, 'arcs', 'arcs')}"
        if row["bodies"] > 0:
            said += f" and {each(row, 'bodies', 'bodies')}"
        told.append(f"{said}, {count(row['n'], 'joint')}")
    return f"Each accepted joint took at least: {'; '.join(told)}."


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


def _groups_compared(values: Mapping[str, Any]) -> str:
    made = f"{count(values['n'], 'position')} against {values['n_against']:,}".replace(
        ",", "\u202f"
    )
    between = f"{values['low']:+.1f} to {values['high']:+.1f} points, {made}"
    names = f"{values['group']} and {values['against']}"
    if values["verdict"] == "cannot tell":
        said = (
            f"Cannot tell {names} apart: difference {values['difference']:+.1f} points ({between})"
        )
        if not values["low"] <= 0 <= values["high"]:
            waits = values["waiting" if values["difference"] < 0 else "waiting_against"]
            said += f"; {count(waits, 'position')} still wait, and failures show before passes"
        elif values["n_more"] == values["n_more"]:
            said += f"; about {count(values['n_more'], 'more position')} in each would"
        return said + "."
    said = f"{values['group']} is {values['verdict']} than {values['against']} by"
    said += f" {abs(values['difference']):.1f} points ({between}"
    if values["comparisons"] > 1:
        said += f"; allowed for {values['comparisons']} comparisons"
    return said + ")."


def _groups_alike(values: Mapping[str, Any]) -> str:
    why = "luck"
    if values["waiting"]:
        why += f", or tests still out (up to {count(values['waiting'], 'position')} of a group)"
    return (
        f"Cannot tell any of them from the others ({values['comparisons']} compared,"
        f" {count(values['n'], 'position')}); the differences could all be {why}."
    )


def _funnel(values: Mapping[str, Any]) -> str:
    made = f"{values['groups']} groups, {count(values['n'], 'position')}"
    if values.get("some"):
        return (
            f"{values['some']} of {made}, lie outside what luck explains: look at kit and jobs"
            " first."
        )
    if values["outside"]:
        return f"Outside what luck explains: {listed(values['outside'])} ({made})."
    return f"All within what luck explains ({made})."


def _more_positions(values: Mapping[str, Any]) -> str:
    wanted = f"{percent(values['first'], 0)} from {percent(values['second'], 0)}"
    if not values["n_more"]:
        return f"There are enough positions to tell {wanted} ({count(values['n'], 'position')})."
    said = (
        f"To tell {wanted} takes {count(values['needed'], 'position')} in each of two groups; about"
        f" {count(values['n_more'], 'more position')} in each"
    )
    when = values["by_date"]
    return said + (f", by {day(when)} at this pace." if when is not None else ".")


def _unlogged_failures(values: Mapping[str, Any]) -> str:
    return (
        f"First pass is {percent(values['yield'])} of {count(values['n'], 'position')} if every"
        f" failure was written down; if {percent(values['share'], 0)} of the failures were not, it"
        f" is {percent(values['then'])}."
    )


SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "first_pass_yield": _first_pass_yield,
    "first_pass_too_few": _first_pass_too_few,
    "worst_step": _worst_step,
    "preparation_losses": _preparation_losses,
    "used_per_accepted": _used_per_accepted,
    "open_positions": _open_positions,
    "open_too_long": _open_too_long,
    "groups_compared": _groups_compared,
    "groups_alike": _groups_alike,
    "funnel": _funnel,
    "more_positions": _more_positions,
    "unlogged_failures": _unlogged_failures,
}
