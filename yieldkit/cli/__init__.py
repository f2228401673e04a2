"""The command ``yieldkit``: one module a topic, each with ``add(subparsers)``.

A topic's ``add`` makes its commands and sets their function by ``set_defaults(run=...)``; that
function takes the parsed arguments and returns the exit status. Heavy imports stay inside it, so
that ``yieldkit --help`` answers at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module

from yieldkit import __version__
from yieldkit.cli.options import DONE, REFUSED, SIGNAL, WRONG_USE
from yieldkit.errors import CrewError
from yieldkit.wording.records import shown

__all__ = ["DONE", "REFUSED", "SIGNAL", "WRONG_USE", "main", "parser"]

TOPICS = ("records", "layout", "review", "drift", "spares")
"""Modules of commands, in the order in which ``--help`` shows them."""

_DESCRIPTION = """\
From a crew's raw splicer files and hand-kept rework log to honest yields, a weekly page,
a watch on drift, and spares for bids. What the records cannot tell is said, not guessed."""

_EPILOG = """\
a first week:
  yieldkit demo              see everything at work on an invented crew
  yieldkit new my-crew       make your crew's folder; fill in crew.xlsx there
  cd my-crew                 then drop your files, as they are, into inbox/
  yieldkit ingest            take them in; what is refused is listed with the reason
  yieldkit review            write the page, the workbook and the tables of last week

exit status: 0 done; 1 done, but something was refused and --strict asked;
2 wrong use, or a file cannot be read; 3 a drift signal (yieldkit drift only)."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; a person sees sentences, never a traceback.

    Parameters
    ----------
    argv : sequence of str, optional
        The words after ``yieldkit``; those of the process if missing.

    Returns
    -------
    int
        Exit status (``DONE``, ``REFUSED``, ``WRONG_USE`` or ``SIGNAL``).
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a console that lacks a letter shows "?" instead
            stream.reconfigure(errors="replace")
    try:
        arguments = parser().parse_args(argv)
    except SystemExit as stop:  # argparse has said why
        return int(stop.code or 0)
    try:
        return int(arguments.run(arguments))
    except CrewError as error:
        print(f"yieldkit: {_harmless(str(error))}", file=sys.stderr)
    except KeyboardInterrupt:
        print("yieldkit: stopped; nothing half-done was kept.", file=sys.stderr)
    except BrokenPipeError:  # the reader of our output has gone, for example `| head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        print(f"yieldkit: {_harmless(_about_file(error))}", file=sys.stderr)
    except Exception as error:
        if arguments.traceback:
            raise
        print(f"yieldkit: {_about_program(error)}", file=sys.stderr)
    return WRONG_USE


def parser() -> argparse.ArgumentParser:
    """The command line with all its commands."""
    top = argparse.ArgumentParser(
        prog="yieldkit",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"yieldkit {__version__}")
    top.add_argument(
        "--traceback", action="store_true", help="show where the program failed, for a report"
    )
    commands = top.add_subparsers(
        title="commands",
        metavar="COMMAND",
        required=True,
        dest="command",
        description="`yieldkit COMMAND --help` tells more of each.",
    )
    for topic in TOPICS:
        import_module(f"yieldkit.cli.{topic}").add(commands)
    return top


def _harmless(text: str) -> str:
    """Text without anything that could move a cursor; a file's cells may stand in it."""
    return "\n".join(shown(line) for line in text.split("\n"))


def _about_file(error: OSError) -> str:
    place = f"{error.filename}: " if error.filename else ""
    why = (error.strerror or str(error)).lower()
    return str(
        CrewError(
            f"{place}{why}",
            remedy="Close it in other programs, and check that the folder is there, may be written"
            " to and has space left.",
        )
    )


def _about_program(error: Exception) -> str:
    first_line = (str(error).splitlines() or [""])[0]
    return str(
        CrewError(
            f"the program itself failed ({type(error).__name__}: {first_line})",
            remedy="Your records are as they were. Run `yieldkit --traceback ...` and send what it"
            " shows with a report.",
        )
    )
