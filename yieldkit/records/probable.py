"""Arcs without a usable place: linked where time, kit and person leave one position; else doubtful.

An arc that stays unlinked may be the first arc of the position that its maker worked on next.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldkit.crew import Crew

if TYPE_CHECKING:
    import duckdb

_NONE = """
CREATE TABLE linked_attempts AS SELECT * FROM placed_attempts;
CREATE TABLE maybe_first AS SELECT position_id FROM placed_attempts WHERE false;
"""


def link_probable(con: duckdb.DuckDBPyConnection, crew: Crew) -> None:
    """Make ``linked_attempts`` and ``maybe_first`` (positions whose first arc may be unlinked)."""
    con.execute(_NONE)
