"""Spellings of people, kit, jobs and types: what is only case or punctuation, and what is a guess.

Works on distinct spellings, never on rows. ``T-07``, ``t07`` and ``T 7`` differ in form alone and
are one code. ``Tech 7`` is a guess; it is applied only where a list of the crew (settings or kit
sheet) leaves exactly one meaning, and it is then listed with the doubts.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from yieldkit.records.parsed import NOT_NAMED

How = Literal["exact", "normalised", "alias", "decision", "rule", "new", "unknown"]
"""How a spelling got its meaning. ``new``: no list names it, its own form is the code;
``unknown``: a list exists and it fits none or several."""

Said = tuple[tuple[How, Mapping[str, str], Mapping[tuple[str, ...], str]], ...]
"""Aliases and decisions: how, meaning of each spelling, meaning of each form."""
_TOKEN = re.compile(r"[^\W\d_]+|\d+")
_CODE = re.compile(r"^[^\W\d_]{1,3}[-_ ./]?\d{1,5}$")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")


@dataclass(frozen=True)
class Meaning:
    """What a spelling means, how that is known, and what else it could be."""

    kind: str
    written: str
    meaning: str | None
    how: How
    candidates: tuple[str, ...] = ()
    rows: int = 0
    """Rows in which it stands."""


def tokens(text: str) -> tuple[str, ...]:
    """Runs of letters (upper case) and of digits (no leading zeros) in ``text``.

    Examples
    --------
    >>> tokens("t-07"), tokens("P03/17")
    (('T', '7'), ('P', '3', '17'))
    """
    plain = unicodedata.normalize("NFKC", text)
    return tuple(
        (part.lstrip("0") or "0") if part.isdigit() else part.upper()
        for part in _TOKEN.findall(plain)
    )


def clean(text: str) -> str:
    """``text`` without control characters and outer blanks, inner blanks single."""
    return " ".join(_CONTROL.sub(" ", unicodedata.normalize("NFKC", text)).split())


def code_like(text: str) -> bool:
    """Whether ``text`` looks like a code (few letters, then a number) and not like a name."""
    return bool(_CODE.match(clean(text)))


def resolve(
    kind: str,
    written: Mapping[str, int],
    *,
    known: Iterable[str] = (),
    aliases: Mapping[str, str] | None = None,
    decided: Mapping[str, str] | None = None,
    guess: bool = False,
    closed: bool = False,
) -> dict[str, Meaning]:
    """Meaning of each distinct spelling.

    Parameters
    ----------
    kind : str
        Kind of word (``technician``, ``unit``, ...).
    written : mapping of str to int
        Each spelling and how often it stands in the files.
    known : iterable of str
        Codes that the crew has listed.
    aliases, decided : mapping, optional
        Spelling to code by the settings and by the lead's decisions; the settings win.
    guess : bool
        Whether a first letter and a number that fit one listed code alone may be applied.
    closed : bool
        Whether a spelling that fits no listed code is unknown unless it looks like a code.

    Returns
    -------
    dict
        One ``Meaning`` per spelling.
    """
    listed = list(dict.fromkeys(known))
    by_tokens: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for code in listed:
        by_tokens[tokens(code)].append(code)
    forms = _usual_forms(written)
    said: Said = (
        ("alias", aliases or {}, _by_form(aliases or {})),
        ("decision", decided or {}, _by_form(decided or {})),
    )
    return {
        text: replace(
            _meaning(kind, text, listed, by_tokens, forms, said, guess, closed),
            rows=rows,
        )
        for text, rows in written.items()
    }


def _usual_forms(written: Mapping[str, int]) -> dict[tuple[str, ...], str]:
    """The form that the files use most for each code, upper case; ties by code point."""
    counts: dict[tuple[str, ...], Counter[str]] = defaultdict(Counter)
    for text, count in written.items():
        form = clean(text)
        counts[tokens(text)][form.upper() if code_like(form) else form] += count
    return {key: min(found, key=lambda form: (-found[form], form)) for key, found in counts.items()}


def _by_form(said: Mapping[str, str]) -> dict[tuple[str, ...], str]:
    """Meanings by form alone, where all spellings of a form mean the same."""
    forms: dict[tuple[str, ...], set[str]] = defaultdict(set)
    for text, meaning in said.items():
        forms[tokens(text)].add(meaning)
    return {key: next(iter(found)) for key, found in forms.items() if key and len(found) == 1}


def _meaning(
    kind: str,
    text: str,
    listed: list[str],
    by_tokens: Mapping[tuple[str, ...], list[str]],
    forms: Mapping[tuple[str, ...], str],
    said: Said,
    guess: bool,
    closed: bool,
) -> Meaning:
    key = tokens(text)
    for how, exact, _ in said:
        for form in (text, clean(text)):
            if form in exact:
                return Meaning(kind, text, exact[form], how)
    if not key or text.startswith(NOT_NAMED):
        return Meaning(kind, text, None, "unknown", tuple(listed) if key else ())
    same = by_tokens.get(key, [])
    if len(same) == 1:
        return Meaning(kind, text, same[0], "exact" if text == same[0] else "normalised")
    if len(same) > 1:
        how_exact: How = "exact" if text in same else "unknown"
        return Meaning(kind, text, text if text in same else None, how_exact, tuple(same))
    for how, _, by_form in said:
        if key in by_form:
            return Meaning(kind, text, by_form[key], how)
    near = tuple(code for code in listed if _may_mean(key, tokens(code)))
    if guess and len(near) == 1:
        return Meaning(kind, text, near[0], "rule", near)
    if near or (closed and listed and not code_like(text)):
        return Meaning(kind, text, None, "unknown", near)
    return Meaning(kind, text, forms[key], "new")


def _may_mean(written: tuple[str, ...], code: tuple[str, ...]) -> bool:
    """Same first letter and same number, or one of the two alone where the other is not written."""
    numbers = [part for part in written if part.isdigit()]
    letters = [part for part in written if not part.isdigit()]
    code_numbers = [part for part in code if part.isdigit()]
    code_letters = [part for part in code if not part.isdigit()]
    if numbers and numbers != code_numbers:
        return False
    if letters and code_letters and letters[0][0] != code_letters[0][0]:
        return False
    if not numbers and len(written) == 1 and len(written[0]) > 2:
        return False
    return bool(numbers) or len(letters) > 0
