"""Every sentence that a person reads: a finding's code and values in, plain words out.

Each module of this room holds the sentences of one question in ``SENTENCES``, a table from a
finding's code to a function of its values. A sentence gives the verdict first, then the number
with its unit, interval and sample size, then what to do.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib import import_module
from typing import Any

QUESTIONS = ("records", "yields", "losses", "sources", "rework", "drift", "wear", "spares", "page")


@cache
def _sentences() -> dict[str, Any]:
    merged: dict[str, Any] = {}
    for question in QUESTIONS:
        own = import_module(f"yieldkit.wording.{question}").SENTENCES
        twice = merged.keys() & own.keys()
        if twice:
            raise RuntimeError(f"two sentences for {sorted(twice)}")
        merged |= own
    return merged


def sentence(code: str, values: Mapping[str, Any]) -> str:
    """Words for a finding; an unknown ``code`` is an error of the program."""
    return _sentences()[code](values)
