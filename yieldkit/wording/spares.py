"""Sentences about spares."""

from collections.abc import Callable, Mapping
from typing import Any

from yieldkit.wording.numbers import count, day, interval, listed, money, percent

PARTS = {
    "body": ("connector body", "connector bodies"),
    "sleeve": ("sleeve", "sleeves"),
    "ring": ("crimp ring", "crimp rings"),
    "boot": ("boot", "boots"),
    "cord_m": ("cord [m]", "cord [m]"),
}
INSTRUCTION = (
    "Strip lengths and crimp dies in the settings are examples of common practice; follow the"
    " connector's instruction."
)

CAPTION = (
    "Spares beyond one a position that suffice in 50, 80, 95 and 99 of 100 such jobs, and what is"
    " to be had (cross)."
)
PARTS_CAPTION = "What to have: pieces (metres) in all, with those of the positions themselves"
PARTS_HEADS = (
    *(
        "Part",
        "Positions",
        "enough in 50\u00a0%",
        "80\u00a0%",
        "90\u00a0%",
        "95\u00a0%",
        "99\u00a0%",
    ),
    *("Packs to buy", "Then at hand", "All\u00a0suffice with\u00a0one pack\u00a0more"),
)
TYPES_CAPTION = "First-pass yield of the new job"
TYPES_HEADS = ("Type", "Positions", "Yield", "Interval", "n [positions]", "From")
HOURS_CAPTION = "Paid hours that suffice"
HOURS_HEADS = ("In", "Hours", "of them rework", "Rework with parts")
MATTERS_CAPTION = "Failures to provide for at 95 %, if one thing is otherwise"
MATTERS_HEADS = ("If", "turns out well", "turns out badly")
STORES_CAPTION = "The store: chance to run out in each job ahead"
STORES_HEADS = (
    *("Part", "Job", "In store", "Needed by then, 50 %", "95 %"),
    *("Chance to run out", "Order by", "Now"),
)
READING = (
    "Quantities are forecasts of a new job by this crew: each chance allows for what is not known"
    " of its yield and for jobs that differ. Parts fail together, so the chance that everything"
    " suffices is less than that of each part. Retries have their own chance, as recorded;"
    " failures before the arc (strip, cleave) are not counted."
)
HEADINGS = {
    "connector_type": "connector type",
    "p50": "enough in 50 %",
    "p80": "enough in 80 %",
    "p90": "enough in 90 %",
    "p95": "enough in 95 %",
    "p99": "enough in 99 %",
    "quantity": "then at hand [pieces or m]",
    "hours": "paid hours [h]",
    "rework_hours": "of them rework [h]",
    "rework_cost": "rework with parts [currency]",
    "level": "chance that they suffice",
    "chance": "chance that all suffices with one pack more",
    "price": "price of that pack [currency]",
    "low": "low (good end)",
    "high": "high (bad end)",
    "n": "n [positions]",
    "failed": "failed [positions]",
}


def part_words(part: str, many: float = 2) -> str:
    """A part as a person names it."""
    one, more = PARTS.get(part, (part.replace("_", " "), part.replace("_", " ")))
    return one if many == 1 else more


def _take(values: Mapping[str, Any]) -> str:
    def one(item: tuple[str, str, float, int]) -> str:
        name, part, quantity, positions = item
        whose = "" if name == "all" else f"{name} "
        return f"{quantity:g} {whose}{part_words(part, quantity)} for {positions} positions"

    least = "" if values["exact"] else "at least "
    bare = "" if values["jobs"] else "From assumptions alone, not from records: have"
    words = (
        f"{bare or 'Have'} {listed(one(item) for item in values['take'])}, and the other parts as"
        f" listed. Chance that nothing runs short: {least}{percent(values['joint'], 0)} "
        f"(give or take {100 * 2 * values['error']:.1f} points from the computation; it rests on "
        f"{count(values['jobs'], 'past job')} and {count(values['n'], 'position')} of these types)."
    )
    if values["cost"] is not None:
        words += (
            f" That is the purchase of least expected cost where running short costs "
            f"{money(values['event_cost'], values['currency'])}: "
            f"{money(values['cost'], values['currency'])} on average for leftovers and shortages. "
            "To be safer, go by the columns of the list."
        )
    return words


def _few_jobs(values: Mapping[str, Any]) -> str:
    return (
        f"Cannot tell yet how much jobs differ: {count(values['jobs'], 'past job')} known, "
        f"{values['wanted']} wanted. The forecast rests on an assumption: with jobs all alike "
        f"{count(values['low'], 'failure')} would do at 95 %, with jobs very unlike "
        f"{values['high']}. Bring the larger number if a shortage hurts."
    )


def _no_record(values: Mapping[str, Any]) -> str:
    source = "the yields in the bid" if values["own"] == values["types"] else "an assumed yield"
    return (
        "Cannot tell from records: none holds a decided joint of this crew. All figures below rest"
        f" on {source}, {percent(values['yield'], 0)} first pass"
        f" ({interval(values['low'], values['high'], 0)}), and on assumed differences between jobs."
        " Take in a past job's records before you rely on them."
    )


def _lately(values: Mapping[str, Any]) -> str:
    return (
        f"The last {values['days']} days were worse: {percent(values['yield_lately'])} first pass "
        f"(n = {values['n']}) against {percent(values['yield_before'])} for the same types before "
        f"(n = {values['n_before']}). The bid counts with the lower figure "
        f"({count(values['p95'], 'failure')} to provide for at 95 %); with the cause found and "
        f"mended, {values['p95_before']} would do."
    )


def _beyond(values: Mapping[str, Any]) -> str:
    return (
        f"Cannot tell how a job this large goes: {count(values['positions'], 'position')}, the "
        f"largest of {count(values['jobs'], 'past job')} had {values['largest']}. The forecast "
        "takes it as one job with one common effect; deliver in parts and order again after the "
        "first."
    )


def _borrowed(values: Mapping[str, Any]) -> str:
    return (
        f"No history of {values['connector_type']}: its yield is borrowed from "
        f"{values['source']}, with a wider interval. Make 20 before the price is fixed."
    )


def _own_figure(values: Mapping[str, Any]) -> str:
    return (
        f"{values['connector_type']} counts with the yield in the bid, {percent(values['yield'])}, "
        "not with a record (n = 0)."
    )


def _rule(values: Mapping[str, Any]) -> str:
    rule = values["rule"]
    verdict = "falls short of" if rule < values["joint"] - 0.02 else "is as safe as"
    return (
        f"Your rule of {values['percent']:g} % spare {verdict} this list: everything would suffice "
        f"in {percent(rule, 0)} of such jobs, against {percent(values['joint'], 0)}."
    )


def _hours(values: Mapping[str, Any]) -> str:
    return (
        f"Paid hours: {values['p50']:.0f} h at 50 %, {values['p80']:.0f} h at 80 %, "
        f"{values['p95']:.0f} h at 95 %. They count {values['minutes']:g} min a joint (settings), "
        f"{percent(values['utilisation'], 0)} of paid time on joints (settings), and "
        f"{values['rework_minutes']:.0f} min a rework ({values['low']:.0f} to {values['high']:.0f} "
        f"min, {values['written']} entries; {values['unwritten']} reworks without minutes taken as "
        "quick). Travel and set-up come on top."
    )


def _rework_cost(values: Mapping[str, Any]) -> str:
    words = f"Rework in this bid: {values['hours']:.1f} paid hours on average"
    if values["priced"]:
        words += (
            f" and {money(values['cost'], values['currency'])} with parts; under "
            f"{money(values['p95'], values['currency'])} in 95 of 100 such jobs"
        )
    return words + "."


def _matters(values: Mapping[str, Any]) -> str:
    return (
        f"What matters most is {values['assumption']}: between its good and its bad end the "
        f"failures to provide for at 95 % go from {values['low']} to {values['high']}."
    )


def _apprentices(values: Mapping[str, Any]) -> str:
    return (
        f"{count(values['apprentices'], 'apprentice')} of {values['people']} people: counted with "
        f"{values['times']:g} times as many failures in their share. That is your assumption, not "
        "a measured figure."
    )


def _one_pack(values: Mapping[str, Any]) -> str:
    whose = "" if values["connector_type"] == "all" else f"{values['connector_type']} "
    words = (
        f"One pack of {values['pack']} {whose}{part_words(values['part'])} covers "
        f"{values['base']:g} positions and leaves {values['left']:g} for spares and the store"
    )
    if values["value"]:
        words += f"; what is left over loses up to {money(values['value'], values['currency'])}"
    return words + "."


def _no_price(values: Mapping[str, Any]) -> str:
    return (
        f"No price for {listed(part_words(part) for part in values['parts'])}: their quantities "
        "follow the risk, not the cost. Give prices in the settings or in the bid."
    )


def _tail(values: Mapping[str, Any]) -> str:
    tails = listed(
        f"{name} {count(tries, 'try', 'tries')} ({tail:g} mm)"
        for name, tail, tries in values["tails"]
    )
    lost = values["given_up"]
    often = "under 0.1" if lost < 0.1 else f"about {lost:.1f}"
    return (
        f"Tries that the tail of cord and the settings allow at a position: {tails}; {often} "
        f"positions will need another way. {INSTRUCTION}"
    )


def _stores_enough(values: Mapping[str, Any]) -> str:
    return (
        f"{_whose(values)}: enough. The stock of {values['stock']:g} serves all jobs to "
        f"{values['job']} ({day(values['until'])}) with a chance of "
        f"{percent(1 - values['chance'], 0)}; 95 of 100 times they need {values['need_p95']:g} or "
        "fewer."
    )


def _stores_wait(values: Mapping[str, Any]) -> str:
    return (
        f"{_whose(values)}: wait, but order by {day(values['order_by'])}, "
        f"{count(values['packs'], 'pack')} of {values['pack']}. Without them the stock of "
        f"{values['stock']:g} runs out in {values['job']} ({day(values['until'])}) with a chance "
        f"of {percent(values['chance'], 0)}."
    )


def _stores_order(values: Mapping[str, Any]) -> str:
    return (
        f"{_whose(values)}: order now, {count(values['packs'], 'pack')} of {values['pack']}. "
        f"Without them the stock of {values['stock']:g} runs out in {values['job']} "
        f"({day(values['until'])}) with a chance of {percent(values['chance'], 0)}; an order takes "
        f"{values['lead_time_days']:g} days."
    )


def _stores_expiry(values: Mapping[str, Any]) -> str:
    return (
        f"{_whose(values)}: {values['pieces']:g} expire on {day(values['expires'])}, before they "
        "are needed. Use them first, or count them as lost."
    )


def _whose(values: Mapping[str, Any]) -> str:
    words = part_words(values["part"])
    if values["connector_type"] == "all":
        return words[:1].upper() + words[1:]
    return f"{values['connector_type']} {words}"


def _backtest(values: Mapping[str, Any]) -> str:
    words = (
        f"Each of {count(values['jobs'], 'past job')} forecast from the ones before: the 95 % "
        f"quantity would have sufficed in {values['enough']} of {values['jobs']} (right forecasts "
        f"give {values['usual_low']} or more). Buying by it would have cost "
        f"{money(values['cost'], values['currency'])} a job on average, by your rule of "
        f"{values['percent']:g} % {money(values['rule_cost'], values['currency'])}."
    )
    if not values["tells"]:
        words += (
            " So few jobs prove little: a quantity that suffices in only 70 % of jobs still passes"
            " 8 of 8 by luck, one time in 17."
        )
    return words


SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "spares_take": _take,
    "spares_few_jobs": _few_jobs,
    "spares_no_record": _no_record,
    "spares_lately_worse": _lately,
    "spares_beyond_experience": _beyond,
    "spares_borrowed": _borrowed,
    "spares_own_figure": _own_figure,
    "spares_rule_of_thumb": _rule,
    "spares_hours": _hours,
    "spares_rework_cost": _rework_cost,
    "spares_matters_most": _matters,
    "spares_apprentices": _apprentices,
    "spares_one_pack": _one_pack,
    "spares_no_price": _no_price,
    "spares_tail": _tail,
    "spares_backtest": _backtest,
    "stores_enough": _stores_enough,
    "stores_wait": _stores_wait,
    "stores_order": _stores_order,
    "stores_expiry": _stores_expiry,
}
