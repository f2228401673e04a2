"""Command ``spares``: bodies, parts, packs and hours for a bid."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from yieldkit.cli.options import DONE, add_crew, add_json, new_command

if TYPE_CHECKING:
    from yieldkit.answers.stores import StoreRisk
    from yieldkit.records.bids import Bid
    from yieldkit.records.opened import CrewRecords


def add(commands: argparse._SubParsersAction) -> None:
    """Add the command."""
    spares = new_command(
        commands,
        "spares",
        help="say how many bodies, parts, packs and hours a bid needs, at what risk",
        description="""\
Forecast a job from the crew's own record: bodies and every part at 50, 80, 90, 95 and 99 %, the
chance that everything suffices together, packs at least expected cost, hours, the cost of rework.
Beside it: your rule of thumb, and which assumption matters most.

BID is a workbook or a TOML file: positions by connector type, and either the chance wanted that
nothing runs short, or what running short costs. With other jobs ahead it also says when the store
runs out. Written into bids/<name>/: bid.html (one page to staple to the bid), bid.xlsx,
spares.csv.""",
        epilog="""\
examples:
  yieldkit spares --blank                     write a blank bid into bids/
  yieldkit spares bids/harbour.xlsx           forecast it
  yieldkit spares bids/harbour.toml --json    the table for another program
  yieldkit spares --backtest                  would past forecasts have held?""",
    )
    spares.add_argument("bid", nargs="?", type=Path, metavar="BID", help="the bid, .xlsx or .toml")
    spares.add_argument(
        "--blank", action="store_true", help="write a blank bid into bids/; nothing is written over"
    )
    spares.add_argument(
        "--backtest",
        action="store_true",
        help="forecast each past job from the jobs before it and compare",
    )
    add_crew(spares)
    add_json(spares)
    spares.set_defaults(run=run_spares)


def run_spares(arguments: argparse.Namespace) -> int:
    """Forecast a bid, write a blank one, or test past forecasts."""
    from yieldkit.errors import CrewError

    if arguments.blank:
        return _blank(arguments.crew)
    if arguments.backtest:
        return _backtest(arguments)
    if arguments.bid is None:
        raise CrewError(
            "no bid is named",
            remedy="Name one, such as bids/harbour.xlsx; `yieldkit spares --blank` writes a blank.",
        )
    return _forecast(arguments)


def _blank(folder: Path) -> int:
    from yieldkit.records.bids import BLANK, write_blank_bid
    from yieldkit.records.settings import read_settings

    settings = read_settings(folder)
    path = folder / "bids" / BLANK
    if path.exists():
        print(f"{path} is there already; copy it and fill in the copy.")
        return DONE
    write_blank_bid(path, tuple(row.connector_type for row in settings.connector_types))
    print(f"Wrote {path}. Fill in a copy, then run `yieldkit spares` on the copy.")
    return DONE


def _forecast(arguments: argparse.Namespace) -> int:
    import numpy as np

    from yieldkit.answers.spares import bid_spares
    from yieldkit.errors import CrewError
    from yieldkit.records.bids import place_of_type, read_bid
    from yieldkit.records.opened import open_crew
    from yieldkit.review.bid_page import write_bid

    bid = read_bid(arguments.bid)
    records = open_crew(arguments.crew)
    crew = records.settings
    try:
        answer = bid_spares(
            bid,
            records.positions(),
            records.rework(),
            crew=crew,
            confidence=crew.general.confidence,
            rng=np.random.default_rng([crew.general.seed, 8]),
            as_of=records.as_of,
        )
    except CrewError as error:
        if error.column == "connector type" and error.file is None:
            error.file, error.row = place_of_type(arguments.bid, error.found or "")
        raise
    stores = _stores(bid, records)
    if arguments.json:
        print(json.dumps(json.loads(answer.table.to_json(orient="records")), indent=2))
        return DONE
    written = write_bid(
        records.folder / "bids" / arguments.bid.stem,
        answer,
        crew=crew.general.name,
        title=bid.title,
        stores=stores,
    )
    for found in (*answer.findings, *(stores.findings if stores else ())):
        print(found)
    print(f"Page to staple to the bid: {written.page}")
    print(f"Workbook: {written.workbook}")
    return DONE


def _stores(bid: Bid, records: CrewRecords) -> StoreRisk | None:
    """The store beside the other jobs and this one, where the bid names other jobs."""
    if not bid.other_jobs:
        return None
    import numpy as np

    from yieldkit.answers.stores import stores_ahead
    from yieldkit.records.bids import OtherJob

    crew = records.settings
    own = tuple(
        OtherJob(
            job=bid.title,
            starts=bid.starts,
            connector_type=line.connector_type,
            positions=line.positions,
        )
        for line in bid.lines
        if bid.starts is not None
    )
    return stores_ahead(
        bid.other_jobs + own,
        records.positions(),
        records.rework(),
        records.stock(),
        crew=crew,
        today=records.as_of.tz_convert(crew.general.zone).date(),
        confidence=crew.general.confidence,
        rng=np.random.default_rng([crew.general.seed, 9]),
        as_of=records.as_of,
    )


def _backtest(arguments: argparse.Namespace) -> int:
    import numpy as np

    from yieldkit.answers.bid_backtest import backtest_bids
    from yieldkit.records.opened import open_crew

    records = open_crew(arguments.crew)
    crew = records.settings
    found = backtest_bids(
        records.positions(), crew=crew, rng=np.random.default_rng([crew.general.seed, 10])
    )
    if arguments.json:
        print(json.dumps(json.loads(found.table.to_json(orient="records")), indent=2))
    elif found.findings:
        print(found)
    else:
        print("Cannot tell: fewer than four jobs in the records.")
    return DONE
