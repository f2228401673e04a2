"""Commands ``review``, ``demo`` and ``lab``: the weekly page and what shows the package."""

from __future__ import annotations

import argparse
import subprocess
import sys
from pathlib import Path

from yieldkit.cli.options import DONE, WRONG_USE, add_crew, new_command
from yieldkit.errors import CrewError

FIRST_NOTEBOOK = "weekly_review.ipynb"


def add(commands: argparse._SubParsersAction) -> None:
    """Add the three commands."""
    review = new_command(
        commands,
        "review",
        help="write the week's page, workbook and tables",
        description="""\
Write the weekly quality review of a crew into reviews/<week>/:

  review.html   one self-contained page: read it in a browser, on a phone, or print it
  review.xlsx   every table on a sheet of its own
  tables/       the same tables as CSV, names and columns stable
  given.csv     the week's yields as first given; written once, never changed

The page opens with the few findings that need a decision. Weeks change afterwards (a test
comes late, a joint fails later): the page shows last week's figures as first given and as
known now. Figures on single persons stay blank where they rest on too few joints.""",
        epilog="""\
examples:
  yieldkit review                          the last whole week in the records
  yieldkit review --week 2026-W47          an ISO week
  yieldkit review --week 2026-11-17        the week of a date
  yieldkit review --lead                   the lead's own view, into reviews/<week>/lead/""",
    )
    add_crew(review)
    review.add_argument(
        "--week",
        metavar="WEEK",
        help="a week such as 2026-W47, or any date in it (default: the last whole week)",
    )
    review.add_argument(
        "--lead",
        action="store_true",
        help="the lead's view with figures on persons; they are personal data, keep them to you",
    )
    review.set_defaults(run=run_review)

    demo = new_command(
        commands,
        "demo",
        help="copy an invented crew, take its files in and write its review",
        description="""\
Copy the demo crew (invented people, kit and jobs) into a new folder, take its inbox in, write
its weekly review and name the page. Nothing leaves your machine.""",
        epilog="""\
examples:
  yieldkit demo                 into ./demo-crew
  yieldkit demo ~/try-it        into a folder of your choice""",
    )
    demo.add_argument(
        "folder",
        nargs="?",
        type=Path,
        default=Path("demo-crew"),
        metavar="FOLDER",
        help="folder to make (default: demo-crew); a crew that is there already is not touched",
    )
    demo.set_defaults(run=run_demo)

    lab = new_command(
        commands,
        "lab",
        help="open the crew's notebooks in JupyterLab",
        description="""\
Open JupyterLab in the crew's folder. The notebooks lie in notebooks/ there, copied when the
folder was made; change them as you like, they are yours.""",
    )
    add_crew(lab)
    lab.add_argument(
        "--no-browser", action="store_true", help="only print the address, open no browser"
    )
    lab.add_argument(
        "words", nargs="*", metavar="-- WORDS", help="further words for JupyterLab, after --"
    )
    lab.set_defaults(run=run_lab)


def run_review(arguments: argparse.Namespace) -> int:
    """Write the review of a week and name its page."""
    from yieldkit.review import write_review

    written = write_review(arguments.crew, week=arguments.week, lead=arguments.lead)
    for line in written.lines():
        print(line)
    return DONE


def run_demo(arguments: argparse.Namespace) -> int:
    """Copy the demo crew, take its inbox in, write its review."""
    from yieldkit.cli.shipped import copy_demo
    from yieldkit.records.ingest import ingest
    from yieldkit.review import write_review

    folder = copy_demo(arguments.folder)
    print(f"Copied an invented crew to {folder}.")
    ingest(folder)
    written = write_review(folder)
    for line in written.lines():
        print(line)
    print(f"Open {written.page.resolve().as_uri()} in a browser.")
    print(f"Then try: yieldkit review --crew {folder} --lead, or yieldkit lab --crew {folder}")
    return DONE


def run_lab(arguments: argparse.Namespace) -> int:
    """Open JupyterLab in the crew's folder; it keeps to this machine."""
    from yieldkit.cli.shipped import copy_notebooks

    folder: Path = arguments.crew
    if not any((folder / name).exists() for name in ("crew.xlsx", "crew.toml")):
        raise CrewError(
            "this is no crew's folder: it has no crew.xlsx",
            file=str(folder),
            remedy="Make one with `yieldkit new FOLDER`, or name yours with --crew.",
        )
    copy_notebooks(folder)
    words = [
        sys.executable,
        "-m",
        "jupyterlab",
        f"--ServerApp.root_dir={folder.resolve()}",
        "--LabApp.news_url=None",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        "--LabApp.extension_manager=readonly",
        f"--LabApp.default_url=/lab/tree/notebooks/{FIRST_NOTEBOOK}",
        *(["--no-browser"] if arguments.no_browser else []),
        *arguments.words,
    ]
    ended = subprocess.run(words, check=False).returncode
    return WRONG_USE if ended else DONE
