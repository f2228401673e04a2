"""Sentences about sources."""

from collections.abc import Callable, Mapping
from typing import Any

from yieldkit.wording.numbers import count, interval, listed, percent

KIND_WORDS = {
    "technician": "people",
    "splicer": "splicers",
    "cleaver": "cleavers",
    "heater": "heaters",
    "connector_lot": "connector lots",
    "fibre_lot": "fibre lots",
    "connector_type": "connector types",
    "pair": "pairs of person and splicer",
    "job": "jobs",
    "day": "days",
    "luck": "luck",
}


def _gap(values: Mapping[str, Any]) -> str:
    return (
        f"{-values['gap_points']:.1f} points behind the crew "
        f"({-values['high']:.1f} to {-values['low']:.1f}, {count(values['n'], 'position')})"
    )


def _source_named(values: Mapping[str, Any]) -> str:
    gap = _gap(values)
    return (
        f"Most likely behind the failures: {values['unit']}. Its first pass is {gap}; the chance"
        f" that it is the worst unit, by more than {values['margin']:g} points, is"
        f" {percent(values['chance_source'], 0)}. Check it first."
    )


def _source_none(values: Mapping[str, Any]) -> str:
    return (
        f"No unit stands out by more than {values['margin']:g} points (chance"
        f" {percent(values['none_stands_out'], 0)}, {count(values['all'], 'position')})."
    )


def _source_cannot_tell(values: Mapping[str, Any]) -> str:
    said = f"Cannot tell which unit is behind the failures ({count(values['all'], 'position')})"
    return said + _open_question(values, "position")


def _open_question(values: Mapping[str, Any], one: str) -> str:
    """Who is likeliest, what else it could be, and how many more would tell."""
    said = ""
    if values["candidates"]:
        each = _chances(values)
        said = f": the likeliest {'is' if len(each) == 1 else 'are'} {listed(each)}"
    if values["people"]:
        said += ", or habits of work rather than kit"
    return f"{said}{_none(values)}. {_more_would_tell(values, one)}"


def _more_would_tell(values: Mapping[str, Any], one: str) -> str:
    if values["n_more"] is None:
        return f"More {one}s alone will hardly tell: these are too close."
    more = count(values["n_more"], f"more {one}")
    if one == "reading":
        return f"About {more} on mixed kit would give even odds of telling."
    return f"At least {more} on mixed kit before that can be told, often several times as many."


def _chances(values: Mapping[str, Any]) -> list[str]:
    return [
        f"{unit} {percent(chance, 0)}"
        for unit, chance in zip(values["candidates"], values["chances"], strict=True)
    ]


def _none(values: Mapping[str, Any]) -> str:
    chance = values["none_stands_out"]
    return f"; chance that none stands out {percent(chance, 0)}" if chance >= 0.005 else ""


def _source_points_the_same_way(values: Mapping[str, Any]) -> str:
    return (
        f"All units set side by side over the last weeks ({count(values['all'], 'position')}) point"
        " the same way, less surely: chance of being behind the failures"
        f" {listed(_chances(values))}. {_more_would_tell(values, 'position')}"
    )


def _source_nothing_to_compare(values: Mapping[str, Any]) -> str:
    return "Cannot tell: too few decided positions, or only one unit of each kind, to compare."


def _source_could_hide(values: Mapping[str, Any]) -> str:
    return (
        "These figures set side by side what was used together; they prove no cause. Hard jobs"
        " always given to one person, or failures one person does not write down, still hide in"
        " them. A chance under 90 % is a hint, not a finding."
    )


def _spread_largest(values: Mapping[str, Any]) -> str:
    between = {"position": "between joints", "reading": "in loss between joints of a type"}
    return (
        f"Luck is {percent(values['luck'], 0)} of the differences {between[values['counted']]}"
        f" ({interval(values['luck_low'], values['luck_high'], 0)}); the largest known part is"
        f" {KIND_WORDS[values['kind']]}, {percent(values['share'], 0)}"
        f" ({interval(values['low'], values['high'], 0)}, {count(values['n'], values['counted'])})."
    )


def _spread_few_units(values: Mapping[str, Any]) -> str:
    each = [
        f"{units} {KIND_WORDS[kind]}"
        for kind, units in zip(values["kinds"], values["units"], strict=True)
    ]
    return f"With only {listed(each)}, how far such units differ in general is hardly known."


def _reading(values: Mapping[str, Any]) -> str:
    said = str(values["quantity"])
    if values.get("wavelength_nm") == values.get("wavelength_nm") and values.get("wavelength_nm"):
        said += f" at {values['wavelength_nm']:.0f} nm"
    return said + (f", {values['direction']}" if values.get("direction") else "")


def _more(values: Mapping[str, Any], at: float) -> str:
    return f"{at:.0f} %" if values["effect_unit"] == "percent" else f"{at:.3f} dB"


def _loss_source_named(values: Mapping[str, Any]) -> str:
    return (
        f"Most likely behind high losses: {values['unit']}. Its {_reading(values)} is"
        f" {_more(values, values['gap'])} above the mean of its kind"
        f" ({_more(values, values['low'])} to {_more(values, values['high'])},"
        f" {count(values['n'], 'reading')}); the chance that it is the worst unit, by more than"
        f" {_more(values, values['margin'])}, is {percent(values['chance_source'], 0)}."
        " Check it first."
    )


def _loss_source_none(values: Mapping[str, Any]) -> str:
    return (
        f"No unit's {_reading(values)} is more than {_more(values, values['margin'])} above the"
        f" mean of its kind (chance {percent(values['none_stands_out'], 0)},"
        f" {count(values['all'], 'reading')})."
    )


def _loss_source_cannot_tell(values: Mapping[str, Any]) -> str:
    made = count(values["all"], "reading")
    if values["none_stands_out"] < 0.5:
        said = f"Cannot tell which unit is behind high losses ({_reading(values)}, {made})"
        return said + _open_question(values, "reading")
    said = (
        f"Cannot tell yet whether any unit's {_reading(values)} is more than"
        f" {_more(values, values['margin'])} above the mean of its kind ({made}): chance that none"
        f" is {percent(values['none_stands_out'], 0)}"
    )
    if values["candidates"]:
        said += f", that it is {listed(_chances(values))}"
    if values["people"]:
        said += "; most of the rest lies with habits of work rather than kit"
    return f"{said}. {_more_would_tell(values, 'reading')}"


def _loss_source_too_few(values: Mapping[str, Any]) -> str:
    return (
        f"Cannot tell what is behind the losses: {count(values['n'], 'reading')} of one kind"
        f" (at least {values['wanted']} are needed), nearly all shown alike, or only one unit of"
        " each kind."
    )


def _loss_source_models(values: Mapping[str, Any]) -> str:
    return (
        f"The estimates come from {values['models']} splicer models, which are not one scale: the"
        " splicers are not compared here. Tested losses would compare them."
    )


def _together_exactly(values: Mapping[str, Any]) -> str:
    partners = listed(values["partners"])
    if values["share"] >= 0.999:
        return (
            f"{values['unit']} has only ever been used with {partners}, and the other way round"
            f" ({count(values['n'], 'position')}): their effects cannot be told apart."
        )
    return (
        f"{values['unit']} was used with {partners} in too few mixes with the rest of the crew's"
        f" kit ({count(values['n'], 'position')}): its own part cannot be told apart from theirs."
    )


def _together_nearly(values: Mapping[str, Any]) -> str:
    return (
        f"{values['unit']} was nearly always used with {listed(values['partners'])}"
        f" (both on at least {percent(values['share'], 0)} of their positions,"
        f" {count(values['n'], 'position')}): only {percent(values['kept'], 0)} of the record"
        " tells them apart."
    )


def _together_many(values: Mapping[str, Any]) -> str:
    pairs = [
        f"{pair['unit']} with {listed(pair['partners'])} ({percent(pair['kept'], 0)} of"
        f" {count(pair['n'], 'position')})"
        for pair in values["pairs"]
    ]
    return (
        "Used so much together that little of the record tells them apart (in brackets how much):"
        f" {listed(pairs)}."
    )


def _swap_plan(values: Mapping[str, Any]) -> str:
    return (
        f"To tell {values['unit']} from {values['partner']}: {values['swap']} for about"
        f" {count(values['days'], 'day')} ({count(values['positions'], 'position')});"
        f" the gap is then known to \u00b1{values['after']:.1f} points, now"
        f" \u00b1{values['before']:.1f}."
    )


def _check_joints(values: Mapping[str, Any]) -> str:
    return (
        f"Or without a swap: {count(values['positions'], 'check joint')} ({values['swap']}),"
        f" which cost parts but no waiting; the gap is then known to \u00b1{values['after']:.1f}"
        " points."
    )


def _swap_none(values: Mapping[str, Any]) -> str:
    return (
        f"No swap of one piece between two people tells {values['unit']} from {values['partner']}:"
        " everybody's usual kit is the same there. Borrow a second unit for some days."
    )


def _swap_out_of_reach(values: Mapping[str, Any]) -> str:
    return (
        f"No swap of up to {count(values['days'], 'day')} tells {values['unit']} from"
        f" {values['partner']} to \u00b1{values['wanted']:g} points (best: {values['swap']},"
        f" \u00b1{values['after']:.1f}, now \u00b1{values['before']:.1f})."
    )


def _fit_too_few(values: Mapping[str, Any]) -> str:
    return "Cannot tell whether the fair figures go with the records: too few decided positions."


def _fit_does(values: Mapping[str, Any]) -> str:
    return (
        f"The fair figures go with the records in {count(values['checks'], 'check')}"
        f" ({count(values['n'], 'position')}); few positions show gross faults only."
    )


def _fit_does_not(values: Mapping[str, Any]) -> str:
    seen, low, high = values["seen"], values["low"], values["high"]
    what = values["check"]
    if what == "worst day":
        said = f"The worst day had {seen:.0f} failures; a day like the others has {low:.0f} to"
        said += f" {high:.0f} at worst. Look at what happened that day before any unit is blamed"
    elif what == "jobs without failure":
        said = f"{count(seen, 'job')} had no failure at all; {low:.0f} to {high:.0f} were expected:"
        said += " ask whether failures there were written down"
    elif what.startswith("spread of"):
        kind = KIND_WORDS[what.removeprefix("spread of ")]
        said = (
            f"The yields of {kind} differ by {seen:.1f} points where {low:.1f} to {high:.1f} were"
        )
        said += " expected: one or two stand far from the rest, and their fair figures are drawn in"
        said += " too much"
    else:
        kind = KIND_WORDS[what.removeprefix("technician on ")]
        said = f"Some people do unlike the others on some {kind}: pairs are {seen:.2f} times as far"
        said += f" from what their parts give as luck ({low:.2f} to {high:.2f} expected). No unit"
        said += " of these should be named on this record"
    return f"{said} ({count(values['n'], 'position')})."


SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "source_named": _source_named,
    "source_none": _source_none,
    "source_cannot_tell": _source_cannot_tell,
    "source_points_the_same_way": _source_points_the_same_way,
    "source_nothing_to_compare": _source_nothing_to_compare,
    "source_could_hide": _source_could_hide,
    "spread_largest": _spread_largest,
    "spread_few_units": _spread_few_units,
    "loss_source_named": _loss_source_named,
    "loss_source_none": _loss_source_none,
    "loss_source_cannot_tell": _loss_source_cannot_tell,
    "loss_source_too_few": _loss_source_too_few,
    "loss_source_models": _loss_source_models,
    "together_exactly": _together_exactly,
    "together_nearly": _together_nearly,
    "together_many": _together_many,
    "fit_too_few": _fit_too_few,
    "fit_does": _fit_does,
    "fit_does_not": _fit_does_not,
    "swap_plan": _swap_plan,
    "check_joints": _check_joints,
    "swap_none": _swap_none,
    "swap_out_of_reach": _swap_out_of_reach,
}
