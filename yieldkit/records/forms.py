"""Blank forms, and the layouts that read them."""

from __future__ import annotations

from yieldkit.records.declared import Layout

LAYOUTS: tuple[Layout, ...] = ()
