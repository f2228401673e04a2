"""Sentences about wear."""

from collections.abc import Callable, Mapping
from typing import Any

SENTENCES: dict[str, Callable[[Mapping[str, Any]], str]] = {}
