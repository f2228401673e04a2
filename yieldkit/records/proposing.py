"""A layout proposed for a new file, each decision with its reason; what is open is asked."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldkit.errors import CrewError
from yieldkit.records.assigning import TABLES, Assigned, assign, unit_of
from yieldkit.records.declared import Layout, keys_of
from yieldkit.records.headings import likeness
from yieldkit.records.layouts import layout_of, write_toml
from yieldkit.records.looking import Seen, cells_of, look, name_of, no_table, profiles_of, sample_of
from yieldkit.records.naming import direction_in
from yieldkit.records.orders import Question, date_forms, marks_of
from yieldkit.records.parsing import parse
from yieldkit.records.profiles import Profile, is_date
from yieldkit.records.reading import load
from yieldkit.records.sniffing import Choice
from yieldkit.records.words import outcome_class, plain

if TYPE_CHECKING:
    import pandas as pd

_OPEN, _ANSWERED = "OPEN, ", "Answered, "
"""How the comments of a written layout name a question."""
_CLOSE = 0.06
"""Tables whose scores are this near are asked about."""


@dataclass(frozen=True, eq=False)
class Proposal:
    """A proposed layout and what it rests on.

    Parameters
    ----------
    layout : Layout
        What is open is left out, so that such cells are refused and never guessed.
    choices : tuple of Choice
        What was decided, why, and how sure.
    questions : tuple of Question
        What the file cannot tell; answer by ``propose(..., answers={code: answer})``.
    first_rows : list of dict
        First rows as they would be read.
    rows, refused : int
        Rows seen and rows that the layout would refuse.
    reasons : tuple of str
        Reasons of the first refusals.
    answers : mapping
        Answers by code that it rests on.
    """

    layout: Layout
    choices: tuple[Choice, ...]
    questions: tuple[Question, ...]
    first_rows: list[dict[str, Any]]
    rows: int
    refused: int
    reasons: tuple[str, ...]
    answers: Mapping[str, str] = field(default_factory=dict)

    def decisions(self) -> pd.DataFrame:
        """What was decided, why, and how sure (0 to 1), a row each."""
        import pandas as pd

        found = [(one.what, one.value, one.reason, one.confidence) for one in self.choices]
        return pd.DataFrame(found, columns=["what", "value", "reason", "confidence"])

    def preview(self) -> pd.DataFrame:
        """The first rows as they would be read."""
        import pandas as pd

        return pd.DataFrame(self.first_rows)


def propose(data: bytes, name: str, answers: Mapping[str, str] | None = None) -> Proposal:
    """Look at a file and propose a layout.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Its name.
    answers : mapping, optional
        Answers to an earlier proposal's questions, by code.

    Returns
    -------
    Proposal

    Raises
    ------
    CrewError
        If the file cannot be read, or does not look like any table of the crew's records.
    """
    given = dict(answers or {})
    seen = look(data, name)
    decimal, thousands, choice, question = marks_of(
        cell
        for at, row in sample_of(seen)
        for column, cell in enumerate(row)
        if (at, column) not in seen.real and not is_date(cell)
    )
    questions: list[Question] = []
    if question and question.code in given:
        mark = "." if decimal == "," else ","
        decimal, thousands = (decimal, mark) if given[question.code] == "thousands" else (mark, "")
        choice = Choice("decimal", decimal, "as answered", 1.0)
    elif question:
        questions.append(question)
    choices = [*seen.choices, choice]
    profiles = profiles_of(seen, decimal, thousands)
    best = _with_days(seen, _table(seen, profiles, name, given, choices, questions))
    said = seen.said | {"name": _layout_name(name), "table": best.table, "decimal": decimal}
    said |= {"thousands": thousands} if thousands else {}
    said |= _columns(seen, best, choices)
    said |= _dates(seen, best, given, choices, questions)
    said |= _outcomes(seen, best, given, choices, questions)
    said |= _machine(seen, best, name, choices)
    layout = layout_of(said, name)
    return replace(_tried(data, name, layout, choices, questions), answers=given)


def propose_file(path: Path | str, answers: Mapping[str, str] | None = None) -> Proposal:
    """As ``propose``, for a file on disk.

    Parameters
    ----------
    path : Path
        The file.
    answers : mapping, optional
        Answers to questions left open, for example ``{"date order": "day first"}``.
    """
    path = Path(path)
    if not path.is_file():
        raise CrewError("there is no such file", file=str(path))
    return propose(load(path), path.name, answers)


def write_layout(proposal: Proposal, path: Path) -> Path:
    """Write a proposal as a commented TOML file; over one only that left questions open.

    Raises
    ------
    CrewError
        If the file is there already and leaves nothing open.
    """
    if path.exists() and not left_open(path)[0]:
        raise CrewError(
            "this layout is there already",
            file=path.name,
            remedy="Give the new one another name, or delete the old one.",
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(toml_of(proposal), "utf-8")
    return path


def left_open(path: Path) -> tuple[list[str], dict[str, str]]:
    """Questions that a written layout leaves open, and the answers it rests on."""
    text = path.read_text("utf-8-sig")
    asked = re.findall(rf"^# {_OPEN}(.+?): ", text, re.M)
    return asked, dict(re.findall(rf"^# {_ANSWERED}(.+?): (.*)$", text, re.M))


def toml_of(proposal: Proposal) -> str:
    """The TOML text of a proposal, its reasons and open questions as comments."""
    notes = ["Proposed by `yieldkit layout`; docs/layouts.md tells every key.", ""]
    for one in proposal.choices:
        notes.append(f"{one.what}: {one.value or 'none'} ({one.reason}; {one.confidence:.0%})")
    for question in proposal.questions:
        notes += ["", f"{_OPEN}{question.code}: {question.question} {question.hint}".strip()]
        notes.append("Possible: " + ", ".join(question.answers))
    notes += [f"{_ANSWERED}{code}: {answer}" for code, answer in proposal.answers.items()]
    clean = ["".join(c if c.isprintable() else "\ufffd" for c in note) for note in notes]
    return write_toml(proposal.layout, clean)


def _table(
    seen: Seen,
    profiles: list[Profile],
    name: str,
    given: Mapping[str, str],
    choices: list[Choice],
    questions: list[Question],
) -> Assigned:
    """The table whose columns explain the file best."""
    headings = seen.header.names if seen.header.rows else [""] * len(profiles)
    ranked = sorted(
        (assign(headings, profiles, table) for table in TABLES), key=lambda one: -one.score
    )
    if "table" in given:
        ranked.sort(key=lambda one: one.table != given["table"])
        choices.append(Choice("table", ranked[0].table, "as answered", 1.0))
        return ranked[0]
    best, second = ranked[0], ranked[1]
    if best.score < 0.3:
        shown = ", ".join(str(cell) for cell in seen.header.names[:8])
        raise no_table(name, f"its columns ({shown}) are none that a crew's records have")
    sure = min(0.99, 0.5 + best.score / 2 - 0.3 * (best.score - second.score < _CLOSE))
    what = f"{len(best.taken())} of {len(profiles)} columns are of this table"
    choices.append(Choice("table", best.table, what, round(sure, 2)))
    if second.score > 0 and best.score - second.score < _CLOSE:
        both = (best.table, second.table)
        text = (
            f'Is a row of this file one of "{both[0]}" or of "{both[1]}"? Taken for now: {both[0]}.'
        )
        questions.append(Question("table", text, both))
    return best


def _with_days(seen: Seen, best: Assigned) -> Assigned:
    """Dates that a workbook shows as numbers of days, where a heading says that they are dates."""
    if seen.said.get("format") != "workbook" or "when" in best.places:
        return best
    if "when" not in keys_of(best.table):
        return best
    for place, heading in enumerate(seen.header.names):
        cells = [cell for cell in cells_of(seen, (place,)) if cell]
        days = sum(bool(re.fullmatch(r"[2-6]\d{4}([.,]\d+)?", cell)) for cell in cells)
        if (
            place not in best.taken()
            and likeness(heading, "when") >= 0.8
            and days > 0.8 * len(cells) > 0
        ):
            why = f'days since 1899-12-30, as a workbook keeps dates ("{heading}")'
            return replace(
                best,
                places=best.places | {"when": (place,)},
                sure=best.sure | {"when": 0.7},
                why=best.why | {"when": why},
            )
    return best


def _columns(seen: Seen, best: Assigned, choices: list[Choice]) -> dict[str, Any]:
    """``[columns]``, units, ribbon, readings and the headings that are not needed."""
    columns: dict[str, Any] = {}
    for key, several in best.places.items():
        named = [name_of(seen, place) for place in several]
        columns[key] = named if len(named) > 1 else named[0]
        shown = " + ".join(str(one) for one in named)
        choices.append(Choice(f"column {key}", shown, best.why[key], best.sure[key]))
    said: dict[str, Any] = {"columns": columns}
    names = seen.header.names
    units = {
        key: unit
        for key, several in best.places.items()
        if seen.header.rows and (unit := unit_of(names[several[0]], key))
    }
    said |= {"units": units} if units else {}
    if best.ribbon:
        said["ribbon"] = {k: [name_of(seen, p) for p in v] for k, v in best.ribbon.items()}
        text = f"{len(best.ribbon['loss'])} numbered columns of losses"
        choices.append(Choice("ribbon", "one row a fibre", text, 0.9))
    if best.readings:
        said["readings"] = []
        for place, quantity, nm in best.readings:
            one = {"heading": name_of(seen, place), "quantity": quantity}
            way = direction_in(seen.header.names[place]) if quantity == "one-way loss" else ""
            one |= {"direction": way} if way else {}
            if quantity == "return loss" and _below_zero(seen, place):
                one["negate"] = True  # a reflectance
            said["readings"].append(one | ({"wavelength_nm": nm} if nm else {}))
            shown = quantity + (f" at {nm:g} nm" if nm else "")
            choices.append(Choice(f"reading {one['heading']}", shown, "the heading says so", 0.9))
    taken = best.taken()
    rest = [name_of(seen, p) for p, n in enumerate(names) if n and p not in taken]
    untold = [one for one in rest if isinstance(one, str) and likeness(one, "when") >= 0.8]
    if untold and "when" not in best.places:
        why = f'"{untold[0]}" holds no dates that can be read'
        choices.append(Choice("column when", "none", why, 0.2))
    if rest and seen.header.rows:
        said |= {"ignore": rest} if not seen.spans else {}
        choices.append(Choice("not used", ", ".join(map(str, rest)), "nothing it could be", 0.5))
    return said


def _below_zero(seen: Seen, place: int) -> bool:
    """Whether most numbers of a column are negative."""
    cells = [row[place] for row in seen.rows if place < len(row) and row[place]]
    return sum(cell.startswith(("-", "\u2212")) for cell in cells) > 0.8 * max(1, len(cells))


def _dates(
    seen: Seen,
    best: Assigned,
    given: Mapping[str, str],
    choices: list[Choice],
    questions: list[Question],
) -> dict[str, Any]:
    """Forms of the dates, unless the order is open."""
    cells: list[str] = []
    for key in ("when", "opened", "closed", "expires"):
        if key in best.places:
            cells += [cell for cell in cells_of(seen, best.places[key]) if is_date(cell)]
    found = date_forms(cells)
    if found.question and found.question.code in given:
        answer = given[found.question.code]
        if answer not in found.forms:
            raise CrewError("no such answer", found=answer, wanted=" or ".join(found.forms))
        choices.append(Choice("dates", ", ".join(found.forms[answer]), "as answered", 1.0))
        return {"dates": list(found.forms[answer])}
    choices.append(found.choice)
    if found.question:
        questions.append(found.question)
        return {}
    forms = list(found.forms[""])
    return {"dates": forms} if forms else {}


def _outcomes(
    seen: Seen,
    best: Assigned,
    given: Mapping[str, str],
    choices: list[Choice],
    questions: list[Question],
) -> dict[str, Any]:
    """Words of the outcome, or those in the loss column, with their class."""
    if best.table != "attempts":
        return {}
    words: dict[str, int] = {}
    for key in ("outcome", "loss"):
        for cell in cells_of(seen, best.places.get(key, ())):
            if cell and not re.match(r"^[<>≤≥]?\s*[+-]?[\d.,]+\s*\w{0,3}$", cell):
                words[cell] = words.get(cell, 0) + 1
    found: dict[str, list[str]] = {}
    for word, count in sorted(words.items(), key=lambda one: -one[1])[:60]:
        if len(word) > 60 or plain(word) in ("n/a", "na") or not re.search(r"\w", word):
            continue
        code = f"outcome {word}"
        named = given.get(code) or outcome_class(word, {})
        if named is None:
            from yieldkit.records.tables import ERRORS

            text = f'What does the outcome "{word}" mean ({count} rows)?'
            questions.append(Question(code, text, ERRORS))
            continue
        found.setdefault(named, []).append(word)
        sure = 1.0 if code in given else 0.6 if named == "other" else 0.9
        choices.append(Choice(code, named, f"{count} rows, by the word", sure))
    return {"outcomes": found} if found else {}


_LABEL = re.compile(r"^[\"\s#]*([^\W\d][^:;=,\t\d]{1,30}?)[\"\s]*[:;=,\t]+\s*\"?([^\s\";,]+)")
_LABEL_BEFORE_BLANK = re.compile(r"^[\"\s#]*([^\W\d][^:;=,\t\d]{1,30}?)\"?\s+\"?([^\s\";,]+)")
_VALUE = r"[\s:;=,\"]*([^\s;,\"]+)"
_DOWNLOADED = (
    r"download|export|created|printed|saved|read out|auszug vom|erstellt|ausgelesen|stand|exporte|"
    r"imprime|cree le|creado|esportato|gemaakt|utskriven|skapad|luotu|tulostettu|ladattu|utworzono|"
    r"vytvoreno"
)
_ROWS = r"rows|lines|records|count|zeilen|satze|lignes|filas|righe|rader|rivit|riveja|wiersze"


def _machine(seen: Seen, best: Assigned, name: str, choices: list[Choice]) -> dict[str, Any]:
    """What stands above the headings or in the file's name: machine, download time, rows."""
    said: dict[str, dict[str, str]] = {"preamble": {}, "file_name": {}}
    for line in seen.above:
        match = _LABEL.match(line) or _LABEL_BEFORE_BLANK.match(line)
        if not match:
            continue
        label, value = match[1].strip(), match[2]
        pattern = re.escape(label).replace(r"\ ", r"\s+") + _VALUE
        if best.table == "attempts":
            for key in ("splicer", "serial"):
                fits = likeness(label, key) >= 0.6 and re.search(r"\d", value)
                if fits and key not in best.places and key not in said["preamble"]:
                    said["preamble"][key] = pattern
                    why = f'the line "{line.strip()[:40]}" above the headings'
                    choices.append(Choice(f"machine ({key})", value, why, 0.9))
        if re.search(_DOWNLOADED, plain(label)) and (stamp := _stamp(line)):
            said["preamble"]["downloaded"] = re.escape(label).replace(r"\ ", r"\s+") + stamp
        if value.isdigit() and re.match(_ROWS, plain(label)):
            said["preamble"]["rows"] = pattern
    known = {"splicer", "serial"} & (set(best.places) | set(said["preamble"]))
    if best.table == "attempts" and not known:
        found = re.finditer(
            r"(?<![A-Za-z])([A-Za-z]{1,4}[-_]?\d{1,4})(?!\d)", name.rsplit(".", 1)[0]
        )
        people = {_letters(word) for word in cells_of(seen, best.places.get("technician", ()))}
        match = next((m for m in found if _letters(m[1]) not in _NO_MACHINE | people), None)
        if match:
            letters = re.match(r"[A-Za-z]+", match[1])
            said["file_name"]["splicer"] = rf"({letters[0] if letters else ''}[-_]?\d+)"
            why = "only the file's name says it; check that it is the machine"
            choices.append(Choice("machine (splicer)", match[1], why, 0.6))
        else:
            why = "nothing in the file says it; write it under [constants], splicer = ..."
            choices.append(Choice("machine (splicer)", "unknown", why, 0.0))
    return {key: value for key, value in said.items() if value}


_NO_MACHINE = frozenset(
    [*("w", "wk", "week", "kw", "vko", "v", "s", "sem", "tydz", "tyd", "uke", "uge", "set", "no")]
    + [*("nr", "num", "p", "page", "rev", "ver", "q", "y", "m", "d", "day", "copy", "part", "job")]
    + [*("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec", "j")]
)
"""Letters before a number in the name of a file that are no machine's: weeks, months, pages."""


def _letters(word: str) -> str:
    return "".join(re.findall(r"^[^\W\d_]*", word.strip().lower()))


def _stamp(line: str) -> str | None:
    """Pattern of the time that a line of the preamble tells."""
    match = re.search(r"\d{1,4}[./-]\d{1,2}[./-]\d{2,4}([T ]\s?\d{1,2}:\d{2}(:\d{2})?)?", line)
    return r"[^\d]*([\d./-]+(?:[T ]\s?[\d:]+)?)" if match else None


def _layout_name(name: str) -> str:
    """A layout's name from a file's: letters and words, no digits of a week."""
    stem = re.sub(r"\.\w{1,5}$", "", name.rsplit("/", 1)[-1].rsplit("\\", 1)[-1])
    words = re.findall(r"[^\W\d_]{2,}", stem)
    return "_".join(plain(w) for w in words if plain(w).isascii())[:40] or "layout"


def _tried(
    data: bytes,
    name: str,
    layout: Layout,
    choices: list[Choice],
    questions: list[Question],
) -> Proposal:
    """Read the file with the layout, and show what comes."""
    parsed = parse(data, name, layout)
    first = [
        {key: value for key, value in row.items() if value not in (None, "")}
        for row in parsed.rows.slice(0, 8).drop_columns(["fingerprint"]).to_pylist()
    ]
    reasons = []
    for row in parsed.refused.slice(0, 200).to_pylist():
        reasons.append(refused_line(row))
    return Proposal(
        layout,
        tuple(choices),
        tuple(questions),
        first,
        parsed.data_rows,
        parsed.refused.num_rows,
        tuple(reasons[:5]),
    )


def refused_line(row: dict[str, Any]) -> str:
    """A refused row in one line: where, what stood there, why."""
    column = f', column "{row["column"]}"' if row["column"] else ""
    found = f' (found "{row["found"][:40]}")' if row["found"] else ""
    return f"row {row['source_row']}{column}: {row['reason']}{found}"
