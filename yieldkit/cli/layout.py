"""Commands ``layout`` (propose how to read a new file) and ``forms`` (blank sheets to keep)."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from yieldkit.cli.options import add_crew, new_command

if TYPE_CHECKING:
    from yieldkit.records.proposing import Proposal


def add(subparsers: argparse._SubParsersAction) -> None:
    """Add the commands."""
    layout = new_command(
        subparsers,
        "layout",
        help="look at a new kind of file and propose how to read it",
        description=(
            "Looks at a file that no layout fits, says what it found and why, shows the first\n"
            "rows as they would be read, and writes the layout into the crew's layouts/.\n"
            "What the file cannot tell (day or month first, which mark is the decimal one) is\n"
            "asked; unanswered, it is left open in the layout and such cells are refused."
        ),
        epilog=(
            "examples:\n"
            "  yieldkit layout inbox/export.csv\n"
            "  yieldkit layout inbox/export.csv --answer 'date order=day first'\n"
            "  yieldkit layout inbox/export.csv --show"
        ),
    )
    layout.add_argument("file", type=Path, metavar="FILE", help="the file to look at")
    layout.add_argument("--name", help="name of the layout (default: from the file's name)")
    layout.add_argument(
        "--answer",
        action="append",
        default=[],
        metavar="QUESTION=ANSWER",
        help="answer a question that the file leaves open; may be given several times",
    )
    layout.add_argument(
        "--show", action="store_true", help="only show the proposal; ask and write nothing"
    )
    add_crew(layout)
    layout.set_defaults(run=_layout)

    forms = new_command(
        subparsers,
        "forms",
        help="write blank sheets: rework log, kit sheet, service log and the others",
        description=(
            "Writes printable sheets to keep by hand or on a screen. Saved into inbox/, they are\n"
            "read without a layout."
        ),
    )
    forms.add_argument(
        "folder",
        type=Path,
        nargs="?",
        metavar="FOLDER",
        help="where to write them (default: forms/ in the crew's folder)",
    )
    add_crew(forms)
    forms.set_defaults(run=_forms)


def _layout(arguments: argparse.Namespace) -> int:
    """Propose, ask, show, write."""
    from yieldkit.errors import CrewError
    from yieldkit.records.layouts import read_layout
    from yieldkit.records.proposing import left_open, propose, toml_of, write_layout
    from yieldkit.records.reading import load

    if not arguments.file.is_file():
        raise CrewError("there is no such file", file=str(arguments.file))
    data = load(arguments.file)
    answers: dict[str, str] = {}
    left = None
    if not arguments.name and not arguments.show:
        left, done = _already_read(arguments, data)
        if done:
            return 0
        if left is not None:
            answers = left_open(left)[1]
    for said in arguments.answer:
        code, equals, answer = said.rpartition("=")
        if not equals:
            raise CrewError("an answer is written QUESTION=ANSWER", found=said)
        answers[code.strip()] = answer.strip()
    proposal = propose(data, arguments.file.name, answers)
    if not arguments.show and sys.stdin.isatty():
        answers |= _ask(proposal)
        proposal = propose(data, arguments.file.name, answers)
    if arguments.name:
        proposal = _named(proposal, arguments.name)
    print(_told(proposal, arguments.file.name))
    if arguments.show:
        print(toml_of(proposal))
        return 0
    folder = arguments.crew / "layouts"
    if left is not None:
        write_layout(_named(proposal, read_layout(left).name), left)
        print(f"Written over {left}, which had left this open. Then run `yieldkit ingest`.")
        return 0
    if not arguments.name:
        proposal = _named(proposal, _free_name(folder, _safe(proposal.layout.name)))
    path = write_layout(proposal, folder / f"{_safe(proposal.layout.name)}.toml")
    print(f"Written to {path}. Look it over; then run `yieldkit ingest`.")
    return 0


def _already_read(arguments: argparse.Namespace, data: bytes) -> tuple[Path | None, bool]:
    """Whether a layout of the crew's, or of our forms, reads the file; then it is said.

    Where that layout left a question open which can be answered now, its path, and nothing said.
    """
    from yieldkit.errors import CrewError
    from yieldkit.records.layouts import choose_layout, load_layouts, read_layout
    from yieldkit.records.parsing import parse
    from yieldkit.records.proposing import left_open, refused_line

    name = arguments.file.name
    try:
        layout = choose_layout(data, name, load_layouts(arguments.crew / "layouts"))
    except CrewError as error:
        if "no layout fits" not in error.what:
            raise
        return None, False
    paths = sorted((arguments.crew / "layouts").glob("*.toml"))
    path = next((path for path in paths if read_layout(path).name == layout.name), None)
    asked = left_open(path)[0] if path else []
    if asked and (arguments.answer or sys.stdin.isatty()):
        return path, False
    found = parse(data, name, layout)
    todo = (
        "; ".join(f"{code} is open: answer it with --answer '{code}=...'" for code in asked)
        if asked
        else "give --name to write another layout"
    )
    print(
        f'{_clean(name)}: layout "{_clean(layout.name)}" reads it already, '
        f"{found.data_rows - found.refused.num_rows} of {found.data_rows} rows. "
        f"Nothing was written; {_clean(todo)}."
    )
    for row in found.refused.slice(0, 5).to_pylist():
        print(_clean(f"  {refused_line(row)}"))
    return path, True


def _free_name(folder: Path, name: str) -> str:
    """The name, or the first of name_2, name_3, ... that no layout has."""
    number, free = 1, name
    while (folder / f"{free}.toml").exists():
        number += 1
        free = f"{name}_{number}"
    return free


def _named(proposal: Proposal, name: str) -> Proposal:
    from dataclasses import replace

    return replace(proposal, layout=proposal.layout.model_copy(update={"name": name}))


def _safe(name: str) -> str:
    """A name that stays in its folder."""
    return "".join(c if c.isalnum() or c in "-_" else "_" for c in name)[:60] or "layout"


def _ask(proposal: Proposal) -> dict[str, str]:
    """Ask each open question; an empty answer leaves it open."""
    answers = {}
    for question in proposal.questions:
        print(question.question, question.hint)
        for number, answer in enumerate(question.answers, 1):
            print(f"  {number}  {answer}")
        said = input("Number, or Enter to leave it open: ").strip()
        if said.isdigit() and 1 <= int(said) <= len(question.answers):
            answers[question.code] = question.answers[int(said) - 1]
    return answers


def _told(proposal: Proposal, name: str) -> str:
    """The proposal in words: verdict first, then why, then the rows, then what is open."""
    read = proposal.rows - proposal.refused
    lines = [
        f"{_clean(name)}: {read} of {proposal.rows} rows can be read as table "
        f'"{proposal.layout.table}".',
        "",
    ]
    lines += [
        f"  {one.what}: {_shown(one.value)} ({one.confidence:.0%}; {one.reason})"
        for one in proposal.choices
    ]
    if proposal.first_rows:
        lines += ["", "First rows as they would be read:"]
        for row in proposal.first_rows[:4]:
            skip = ("sheet", "when_text", "loss_text", "loss_step", "value_text")
            shown = ", ".join(f"{k} {v}" for k, v in row.items() if k not in skip)
            lines.append(f"  {shown}")
    if proposal.reasons:
        lines += ["", "Refused, among others:", *(f"  {reason}" for reason in proposal.reasons)]
    for question in proposal.questions:
        lines += [
            "",
            f"OPEN ({question.code}): {question.question} {question.hint}".rstrip(),
            f"  Answer with --answer '{question.code}=...': {', '.join(question.answers)}",
        ]
    return "\n".join(_clean(line) for line in lines)


def _clean(text: str) -> str:
    """Text that cannot move a terminal's cursor."""
    return "".join(c if c.isprintable() else "\ufffd" for c in text)


def _forms(arguments: argparse.Namespace) -> int:
    """Write the blank sheets."""
    from yieldkit.errors import CrewError
    from yieldkit.records.forms import write_forms
    from yieldkit.records.settings import TEXT, WORKBOOK, read_settings

    if not arguments.crew.is_dir():
        raise CrewError(
            "there is no such crew's folder",
            file=str(arguments.crew),
            remedy="Make one with `yieldkit new FOLDER`, or name yours with --crew.",
        )
    has_settings = any((arguments.crew / name).exists() for name in (WORKBOOK, TEXT))
    crew = read_settings(arguments.crew) if has_settings else None
    folder = arguments.folder or arguments.crew / "forms"
    for path in write_forms(folder, crew):
        print(path)
    return 0


def _shown(value: str) -> str:
    return {"": "none", "\t": "tab"}.get(value, value)
