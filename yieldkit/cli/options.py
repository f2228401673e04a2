"""Options and exit statuses that commands share, so that each means the same everywhere."""

from __future__ import annotations

import argparse
from pathlib import Path

DONE, REFUSED, WRONG_USE, SIGNAL = 0, 1, 2, 3
"""Exit statuses: done; done, but something was refused and ``--strict`` asked; wrong use or an
unreadable file; a drift signal (``yieldkit drift`` only)."""


def add_crew(command: argparse.ArgumentParser) -> None:
    """``--crew FOLDER``: the crew's folder, the present one if not given."""
    command.add_argument(
        "--crew",
        type=Path,
        default=Path("."),
        metavar="FOLDER",
        help="the crew's folder, with its crew.xlsx or crew.toml (default: the present folder)",
    )


def add_strict(command: argparse.ArgumentParser) -> None:
    """``--strict``: exit with status 1 when anything was refused."""
    command.add_argument(
        "--strict",
        action="store_true",
        help="end with exit status 1 if any file or row was refused (for scheduled runs)",
    )


def add_json(command: argparse.ArgumentParser) -> None:
    """``--json``: print the tables as JSON instead of sentences."""
    command.add_argument(
        "--json", action="store_true", help="print the tables as JSON instead of sentences"
    )


def new_command(
    commands: argparse._SubParsersAction,
    name: str,
    *,
    help: str,
    description: str,
    epilog: str = "",
) -> argparse.ArgumentParser:
    """A command whose description and examples keep their line breaks."""
    command: argparse.ArgumentParser = commands.add_parser(
        name,
        help=help,
        description=description,
        epilog=epilog or None,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    return command
