"""Patterns that a layout declares: anybody may have written them, so each is tried for a while."""

from __future__ import annotations

import regex

from yieldkit.errors import CrewError

LONGEST = 2_000
"""Characters of a line in which a pattern is sought."""
SECONDS = 1.0
"""After which a pattern is given up [s]; usual ones take microseconds."""


def check(pattern: str) -> None:
    """Whether a pattern can be read.

    Raises
    ------
    ValueError
        If it cannot, with the reason.
    """
    try:
        regex.compile(pattern)
    except regex.error as error:
        raise ValueError(str(error)) from None


def sought(pattern: str, line: str) -> regex.Match[str] | None:
    """First place in a line that the pattern fits, whatever its case.

    Raises
    ------
    CrewError
        If the pattern is not done in time: one with repeats in repeats may never be.
    """
    try:
        return regex.search(pattern, line[:LONGEST], regex.IGNORECASE, timeout=SECONDS)
    except TimeoutError:
        raise CrewError(
            "a pattern of the layout takes too long on a line of this file",
            found=pattern,
            remedy="Write it without repeats inside repeats, such as (a+)+.",
        ) from None
