"""Commands of the records: new, ingest, rebuild, withdraw, history, forget."""

from __future__ import annotations

import argparse
import sys
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from yieldkit.cli.options import add_crew, add_strict, new_command

if TYPE_CHECKING:
    from yieldkit.records.ingest import IngestReport


def add(commands: argparse._SubParsersAction) -> None:
    """Add the commands of the records."""
    new = new_command(
        commands,
        "new",
        help="make a crew's folder",
        description=(
            "Make a crew's folder: crew.xlsx (the settings, with drop-downs and notes), inbox/,"
            "\nlayouts/, forms/ (blank sheets to keep) and notebooks/. Nothing that is there\n"
            "already is written over."
        ),
        epilog="then: fill in crew.xlsx, put the crew's files into inbox/, run `yieldkit ingest`",
    )
    new.add_argument("folder", type=Path, metavar="FOLDER", help="the folder to make")
    new.set_defaults(run=_new)
    take = new_command(
        commands,
        "ingest",
        help="take in what lies in the inbox",
        description=(
            "Take in what lies in inbox/: each file is kept as it came, read by the layout that"
            "\nfits it, and all tables are derived again. The same file twice changes nothing."
            "\nIt says how many rows count, were known already (duplicates), claim a record that"
            "\nanother row claims with other values (held) or were refused; each new file in which"
            "\nsomething is amiss has a line with the reasons. All of it is listed in doubts.xlsx;"
            "\nwhat you decide there is applied by the next run. A killed run leaves everything as"
            "\nit was before."
        ),
        epilog="example: yieldkit ingest --crew my-crew",
    )
    add_crew(take)
    add_strict(take)
    take.set_defaults(run=_ingest)
    again = new_command(
        commands,
        "rebuild",
        help="derive everything again from the kept files",
        description=(
            "Read every kept file again and derive all tables anew. The result is the same"
            "\nwhatever the order in which the files came; nothing in inbox/ is needed for it."
        ),
    )
    add_crew(again)
    add_strict(again)
    again.set_defaults(run=_rebuild)
    back = new_command(
        commands,
        "withdraw",
        help="take a file back",
        description=(
            "Take a file back: its rows no longer count, and rows it had made duplicates of"
            "\nreappear. The file may stay in inbox/; it does not come back by itself. To take it"
            "\nin again after all, save it into inbox/ under another name and run `ingest`."
        ),
        epilog='example: yieldkit withdraw "export of October.csv"',
    )
    back.add_argument("file", metavar="FILE", help="its name, as `yieldkit history` shows it")
    add_crew(back)
    back.set_defaults(run=_withdraw)
    past = new_command(
        commands,
        "history",
        help="list what was taken in, withdrawn and decided",
        description="List what was done to the records, oldest first.",
    )
    add_crew(past)
    past.set_defaults(run=_history)
    old = new_command(
        commands,
        "forget",
        help="replace old personal rows by sums",
        description=(
            "Replace the personal rows before a day by sums that name nobody, in the tables and"
            "\nin the kept files, and say what can no longer be rebuilt. Cannot be undone."
        ),
        epilog="example: yieldkit forget --before 2024-01-01",
    )
    old.add_argument(
        "--before", required=True, metavar="DATE", help="first day that is kept, such as 2024-01-01"
    )
    old.add_argument("--yes", action="store_true", help="do it without asking")
    add_crew(old)
    old.set_defaults(run=_forget)


def _new(arguments: argparse.Namespace) -> int:
    from yieldkit.cli.shipped import copy_notebooks
    from yieldkit.records.bids import BLANK, write_blank_bid
    from yieldkit.records.forms import write_forms
    from yieldkit.records.settings import write_new_settings

    folder: Path = arguments.folder
    folder.mkdir(parents=True, exist_ok=True)
    settings = write_new_settings(folder)
    for part in ("inbox", "layouts"):
        (folder / part).mkdir(exist_ok=True)
    copy_notebooks(folder)
    if not (folder / "forms").exists():
        write_forms(folder / "forms")
    if not (folder / "bids").exists():
        write_blank_bid(folder / "bids" / BLANK)
    print(f"Made {folder}. Fill in {settings.name} there, put the crew's files into inbox/,")
    print(f"then run `yieldkit ingest --crew {folder}`.")
    return 0


def _ingest(arguments: argparse.Namespace) -> int:
    from yieldkit.records.ingest import ingest

    return _said(ingest(arguments.crew, progress=_progress), arguments.strict)


def _rebuild(arguments: argparse.Namespace) -> int:
    from yieldkit.records.ingest import ingest

    return _said(ingest(arguments.crew, progress=_progress, again=True), arguments.strict)


def _withdraw(arguments: argparse.Namespace) -> int:
    from yieldkit.records.ingest import withdraw

    return _said(withdraw(arguments.crew, arguments.file, progress=_progress), False)


def _progress(line: str) -> None:
    from yieldkit.wording.records import shown

    print(f"  {shown(line)}", file=sys.stderr)


def _said(report: IngestReport, strict: bool) -> int:
    from yieldkit.wording.records import report_lines, shown

    for line in report_lines(report):
        print(shown(line))
    return 1 if strict and report.refused_anything else 0


def _history(arguments: argparse.Namespace) -> int:
    from yieldkit.records.ingest import history
    from yieldkit.records.settings import read_settings
    from yieldkit.wording.records import shown

    lines, zone = history(arguments.crew), read_settings(arguments.crew).zone
    for line in lines:
        when = datetime.fromisoformat(line["when"]).astimezone(zone)
        print(f"{when:%Y-%m-%d %H:%M}  {line['what']:<10}  {shown(line['file'])}".rstrip())
    if lines:
        print(f"Times are of {zone.key}.")
    else:
        print("Nothing was taken in yet.")
    return 0


def _forget(arguments: argparse.Namespace) -> int:
    from yieldkit.errors import CrewError
    from yieldkit.records.forgetting import forget

    try:
        before = date.fromisoformat(arguments.before)
    except ValueError:
        raise CrewError(
            "no such day", found=arguments.before, wanted="year-month-day, such as 2024-01-31"
        ) from None
    if not arguments.yes:
        print(f"Personal rows before {before} will be replaced by sums; this cannot be undone.")
        try:
            said = input("Go on? (yes/no) ")
        except EOFError:
            raise CrewError(
                "nobody is there to answer; nothing was changed", remedy="Give --yes to go on."
            ) from None
        if said.strip().lower() not in ("y", "yes"):
            print("Nothing was changed.")
            return 0
    for line in forget(arguments.crew, before, progress=_progress):
        print(line)
    return 0
