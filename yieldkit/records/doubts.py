"""The doubts list: what the records leave open, for the lead to decide."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldkit.crew import Crew
from yieldkit.records.deriving import Decided, Derived

if TYPE_CHECKING:
    import pyarrow as pa


def decided_of(repairs: list[dict[str, Any]]) -> Decided:
    """Decisions as deriving takes them."""
    words: dict[str, dict[str, str]] = {}
    preferred = []
    for repair in repairs:
        if repair["kind"] == "held":
            preferred.append(repair["key"])
        else:
            words.setdefault(repair["kind"], {})[repair["key"]] = repair["meaning"]
    return Decided(words, tuple(preferred))


def read_decisions(folder: Path, state: dict[str, Any]) -> list[dict[str, Any]]:
    """Decisions known and those newly filled into ``doubts.xlsx``."""
    repairs: list[dict[str, Any]] = state["repairs"]
    return repairs


def write_doubts(
    folder: Path,
    derived: Derived,
    crew: Crew,
    state: dict[str, Any],
    before: pa.Table | None,
) -> tuple[int, tuple[str, ...]]:
    """Write ``doubts.xlsx``; the number of open doubts and what changed in last week's figures."""
    return 0, ()
