"""Decisions: what the lead filled into the doubts list, kept with its day in the store."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from yieldkit.errors import CrewError
from yieldkit.records.doubts_workbook import WORKBOOK, filled_in, is_untouched, place_of
from yieldkit.records.spelling import tokens
from yieldkit.records.store import Store
from yieldkit.records.tables import CAUSES, ERRORS, STEPS

if TYPE_CHECKING:
    from yieldkit.crew import Crew
    from yieldkit.records.deriving import Decided, Derived

OPEN, APPLIED, NOTED = "open", "applied by rule", "to know"
"""States of a doubt."""
SEEN, COUNTS, ASIDE, AS_SHOWN = "seen", "let it count", "set aside", "as shown"
WORDS = ("technician", "unit", "job", "connector type", "place", "step", "cause", "outcome")
"""Kinds whose decision is a meaning of a word."""
ALLOWED = {"step": STEPS, "cause": CAUSES, "outcome": ERRORS}
FIXED = {
    "held row": (COUNTS, SEEN),
    "refused row": (SEEN,),
    "clock": (AS_SHOWN, SEEN),
    "entered twice": (ASIDE, SEEN),
    "gone from newer save": (ASIDE, SEEN),
    "type differs": (SEEN,),
    "die differs": (SEEN,),
    "counter gap": (SEEN,),
}
"""Kinds whose decision is one of a few words."""


def codes_of(crew: Crew, kind: str, candidates: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Candidates, then what the settings list of a kind."""
    listed = {
        "technician": [row.code for row in crew.people],
        "unit": list(dict.fromkeys(row.unit for row in crew.equipment)),
        "connector type": [row.connector_type for row in crew.connector_types],
    }.get(kind, [])
    return tuple(dict.fromkeys([*candidates, *listed]))


def decided_of(repairs: list[dict[str, Any]]) -> Decided:
    """Decisions as deriving takes them."""
    from yieldkit.records.deriving import Decided

    words: dict[str, dict[str, str]] = {}
    places: dict[str, str] = {}
    by_word: dict[str, list[str]] = {COUNTS: [], ASIDE: [], AS_SHOWN: []}
    for repair in repairs:
        if repair["kind"] == "place" and repair["meaning"] == SEEN:
            continue
        if repair["kind"] in WORDS:
            words.setdefault(repair["kind"], {})[repair["key"]] = repair["meaning"]
        elif repair["kind"] == "position of a row":
            if repair["meaning"] != SEEN:
                places[repair["key"]] = repair["meaning"]
        elif repair["meaning"] in by_word:
            by_word[repair["meaning"]].append(repair["key"])
    return Decided(
        words, tuple(by_word[COUNTS]), places, tuple(by_word[ASIDE]), tuple(by_word[AS_SHOWN])
    )


def read_decisions(store: Store, state: dict[str, Any]) -> list[dict[str, Any]]:
    """Decisions known, with those newly filled into ``doubts.xlsx`` and without those undone there.

    Raises
    ------
    CrewError
        If the workbook cannot be read, or a decision is none of those that its row offers.
    """
    found = {(repair["kind"], repair["key"]): repair for repair in state["repairs"]}
    path = store.crew_folder / WORKBOOK
    if not path.exists() or is_untouched(store):
        return list(found.values())
    today = date.today().isoformat()
    for row in filled_in(path, FIXED | ALLOWED):
        pair = (row["kind"], row["key"])
        if row["undo"]:
            found.pop(pair, None)
        elif "meaning" not in row:
            if pair in found and found[pair]["remark"] != row["remark"]:
                found[pair] = found[pair] | {"remark": row["remark"]}
        elif pair not in found or found[pair]["meaning"] != row["meaning"]:
            found[pair] = {
                "kind": row["kind"],
                "key": row["key"],
                "meaning": row["meaning"],
                "remark": row["remark"],
                "decided": today,
            }
    return sorted(found.values(), key=lambda repair: (repair["kind"], repair["key"]))


def in_listed_form(repairs: list[dict[str, Any]], crew: Crew) -> list[dict[str, Any]]:
    """Decisions that name a person, unit or type in another form, with the code as it is listed."""
    made = []
    for repair in repairs:
        codes = codes_of(crew, repair["kind"])
        same = [code for code in codes if tokens(code) == tokens(str(repair["meaning"]))]
        exact = repair["meaning"] in codes or len(same) != 1
        made.append(repair if exact else repair | {"meaning": same[0]})
    return made


def check_decisions(
    store: Store, repairs: list[dict[str, Any]], derived: Derived, crew: Crew
) -> None:
    """Refuse a new decision that names a person, a unit, a type or a place that there is not.

    Parameters
    ----------
    repairs : list of dict
        Decisions that no run has applied yet.
    derived : Derived
        What they make: a row whose place is still among the unsettled got none.

    Raises
    ------
    CrewError
        Naming the cell.
    """
    if not repairs:
        return
    homeless = {}
    for name in ("place", "arc", "entry"):
        for row in derived.unsettled[name].to_pylist():
            pair = (
                ("place", f"{row['job'] or ''}|{row['raw']}")
                if name == "place"
                else ("position of a row", row["fingerprint"])
            )
            homeless[pair] = row["job"]
    for repair in repairs:
        kind, key, meaning = repair["kind"], repair["key"], repair["meaning"]
        listed = _may_be(kind, derived, crew)
        if listed and meaning not in listed:
            what, wanted = f"no such {kind} in the settings", _few(listed)
            remedy = "Write one of them, or add it to the crew's settings."
        elif (kind, key) in homeless and meaning != SEEN:
            job = homeless[kind, key]
            what = (
                f"the plan of job {job} holds no such place"
                if job
                else "the row names no job, so no place can be told"
            )
            wanted = None
            remedy = f'Write a place of the plan, or "{SEEN}" to leave it without one.'
        else:
            continue
        file, row = place_of(store.crew_folder / WORKBOOK, kind, key)
        raise CrewError(
            what,
            file=file,
            row=row,
            column="decision",
            found=meaning,
            wanted=wanted,
            remedy=remedy,
        )


def _may_be(kind: str, derived: Derived, crew: Crew) -> list[str]:
    """Codes that a spelling may stand for where the settings list them; else empty."""
    listed = list(codes_of(crew, kind))
    if not listed:
        return []
    if kind != "technician":  # the kit sheet and the plan may name more
        listed += [
            found.meaning
            for found in derived.meanings
            if found.kind == kind and found.meaning and found.how in ("exact", "normalised", "new")
        ]
    return list(dict.fromkeys([*listed, "unknown"]))


def _few(words: list[str]) -> str:
    shown = ", ".join(words[:8])
    return f"{shown} or {len(words) - 8} more" if len(words) > 8 else shown
