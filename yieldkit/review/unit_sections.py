"""Sections on drift and on losses."""

from __future__ import annotations

from yieldkit.review.asked import Asked, Part
from yieldkit.review.model import Section


def drift(asked: Asked) -> Part:
    """Units that stand out from their own past."""
    return Part(Section("drift"))


def losses(asked: Asked) -> Part:
    """Losses and limit rows."""
    return Part(Section("losses"))
