"""Commands ``drift`` and ``plan``: what has got worse, and what the crew could see at all."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from datetime import date, timedelta
from typing import TYPE_CHECKING

from yieldkit.cli.options import DONE, SIGNAL, add_crew, add_json, new_command

if TYPE_CHECKING:
    import pandas as pd

    from yieldkit.answers.result import Finding, Result

DAYS = ("since", "since_low", "since_high")
WATCHED = timedelta(weeks=26)
"""So far back goes the past that a unit is compared with."""


def add(commands: argparse._SubParsersAction) -> None:
    """Add the two commands."""
    drift = new_command(
        commands,
        "drift",
        help="say which splicer, cleaver, heater or lot has got worse; fit for every morning",
        description="""\
Compare every splicer, cleaver, heater and lot with its own past: losses, failures, cleave
angles. Says what has got worse, since when, how sure, and what to do first; else what could
have been seen. False alarms are kept at the rate in the settings (false_alarms_per_quarter).
Ends with status 3 at a signal and 0 when quiet, also where it cannot tell yet, so that it can run
by itself every morning.""",
        epilog="""\
examples:
  yieldkit drift                      half a year up to the newest record
  yieldkit drift --since 2026-09-01   the past from a day on, for example after a rebuild
  yieldkit drift --json               the table for another program""",
    )
    add_crew(drift)
    drift.add_argument(
        "--since",
        type=_day,
        metavar="DATE",
        help="first day of the past that units are compared with (default: 26 weeks back)",
    )
    add_json(drift)
    drift.set_defaults(run=run_drift)

    plan = new_command(
        commands,
        "plan",
        help="say what a crew of this size could see, and how soon",
        description="""\
For the crew's own volume, kit and false-alarm rate: the chance to notice that one splicer's or
cleaver's losses or failures rise to 1.25, 1.5 or 2 times, within 1, 2, 4 and 13 weeks; whether
kit is mixed enough to tell units apart; and how worn blades and electrodes are.""",
        epilog="""\
examples:
  yieldkit plan                       at the rate in the settings
  yieldkit plan --false-alarms 4      what four false alarms in 13 weeks would buy""",
    )
    add_crew(plan)
    plan.add_argument(
        "--false-alarms",
        type=float,
        metavar="N",
        help="false alarms in 13 weeks for the whole crew (default: from the settings)",
    )
    add_json(plan)
    plan.set_defaults(run=run_plan)


def run_drift(arguments: argparse.Namespace) -> int:
    """Print the crew's signals; status 3 where there is one, 0 where none can be told yet."""
    from yieldkit.answers.drift import PROBABLE, drift_watch
    from yieldkit.records.opened import open_crew

    records = open_crew(arguments.crew)
    crew = records.settings.model_copy(
        update={"general": records.settings.general.model_copy(update={"watch_technicians": False})}
    )
    last = records.as_of.tz_convert(crew.general.zone).date()
    since = arguments.since or last - WATCHED
    found = drift_watch(
        records.attempts(since=since),
        records.positions(since=since),
        records.measurements(since=since),
        records.service(),
        checks=records.checks(since=since),
        crew=crew,
        confidence=crew.general.confidence,
        as_of=records.as_of,
    )
    if arguments.json:
        print(_as_json(found.table))
    else:
        for line in _lines(_verdict_first(found)):
            print(line)
    told = (found.table["chance_this_unit"] >= PROBABLE).any()
    return SIGNAL if told else DONE


def _verdict_first(found: Result) -> tuple[Finding, ...]:
    """The findings; where there is no signal, that comes first."""
    from yieldkit.answers.result import Finding

    watched = found.settings.get("streams", 0)
    if len(found.table) or not watched:
        return found.findings
    return Finding("page_no_drift", {"n": watched}, "fine"), *found.findings


def run_plan(arguments: argparse.Namespace) -> int:
    """Print what the crew could see, and the wear of its blades and electrodes."""
    from yieldkit.answers.plan import what_can_we_see
    from yieldkit.answers.wear import blade_wear
    from yieldkit.records.opened import open_crew

    records = open_crew(arguments.crew)
    crew, since = records.settings, records.as_of.date() - WATCHED
    attempts, service = records.attempts(since=since), records.service()
    found = what_can_we_see(
        attempts,
        records.positions(since=since),
        records.measurements(since=since),
        service,
        checks=records.checks(since=since),
        crew=crew,
        false_alarms=arguments.false_alarms,
    )
    if arguments.json:
        print(_as_json(found.table))
        return DONE
    wear = [
        blade_wear(attempts, service, crew=crew, rework=records.rework(since=since), unit_kind=kind)
        for kind in ("cleaver", "splicer")
    ]
    for answer in (found, *wear):
        for line in _lines(answer.findings):
            print(line)
    return DONE


def _as_json(table: pd.DataFrame) -> str:
    days = {name: table[name].astype(str) for name in DAYS if name in table}
    rows = json.loads(table.assign(**days).to_json(orient="records"))
    return json.dumps(rows, indent=2, ensure_ascii=False)


def _lines(findings: Iterable[Finding]) -> Iterable[str]:
    """Each finding in a paragraph, with its step and caution."""
    from yieldkit.wording.steps import caution_words, step_words

    for found in findings:
        yield str(found)
        for said in (step_words(found.step, found.values), caution_words(found.caution)):
            if said:
                yield f"  {said}"


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no day; write one like 2026-09-01"
        ) from error
