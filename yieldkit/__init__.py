"""First-pass yield, losses, drift and spares of a fibre crew, honest about bad records.

In a notebook::

    import yieldkit as yk

    crew = yk.open_crew(".")
    yk.first_pass_yield(crew.positions(week="2026-W47"), by="connector_type")

What is named in ``__all__`` is loaded when it is first used, so that ``import yieldkit`` is quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOMES: dict[str, str] = {
    "open_crew": "yieldkit.records.opened",
    "ingest": "yieldkit.records.ingest",
    "what_came_in": "yieldkit.answers.doubts",
    "hidden_failures": "yieldkit.answers.hidden",
    "first_pass_yield": "yieldkit.answers.yields",
    "first_pass_table": "yieldkit.answers.yields",
    "weekly_trend": "yieldkit.answers.steps",
    "step_yields": "yieldkit.answers.steps",
    "used_per_accepted": "yieldkit.answers.steps",
    "open_positions": "yieldkit.answers.steps",
    "cost_of_rework": "yieldkit.answers.rework",
    "drift_watch": "yieldkit.answers.drift",
    "blade_wear": "yieldkit.answers.wear",
    "what_can_we_see": "yieldkit.answers.plan",
    "loss_summary": "yieldkit.answers.losses",
    "limit_verdicts": "yieldkit.answers.limits",
    "shares_over": "yieldkit.answers.loss_shares",
    "tolerance_bounds": "yieldkit.answers.loss_bounds",
    "performance_index": "yieldkit.answers.loss_bounds",
    "bend_list": "yieldkit.answers.loss_bounds",
    "loss_change": "yieldkit.answers.loss_shape",
    "loss_families": "yieldkit.answers.loss_shape",
    "redone_splices": "yieldkit.answers.loss_shape",
    "likely_sources": "yieldkit.answers.sources",
    "sources_of_losses": "yieldkit.answers.loss_sources",
    "fit_checks": "yieldkit.answers.fit_checks",
    "swap_plan": "yieldkit.answers.swaps",
    "bid_spares": "yieldkit.answers.spares",
    "stores_ahead": "yieldkit.answers.stores",
    "backtest_bids": "yieldkit.answers.bid_backtest",
    "read_bid": "yieldkit.records.bids",
    "write_review": "yieldkit.review",
    "picture_of": "yieldkit.review.pictures",
}
"""Where each public name lives."""

__all__ = ["__version__", *_HOMES]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'yieldkit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
