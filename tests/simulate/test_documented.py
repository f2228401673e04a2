"""Every switch is told in docs/simulate.md."""

from dataclasses import fields
from pathlib import Path

import pytest

from yieldkit.simulate import (
    Certifying,
    CrewPlan,
    Defects,
    Logging,
    Shift,
    SplicerPlan,
    Spread,
    TypePlan,
    Wear,
)
from yieldkit.simulate.formats import FORMATS

TEXT = (Path(__file__).parents[2] / "docs" / "simulate.md").read_text("utf-8")


@pytest.mark.parametrize(
    "switches",
    [CrewPlan, Defects, Logging, Shift, SplicerPlan, Spread, Certifying, TypePlan, Wear],
)
def test_every_switch_is_told(switches):
    missing = [f.name for f in fields(switches) if f"`{f.name}`" not in TEXT]
    assert not missing


def test_every_format_is_told():
    assert all(f"`{name}`" in TEXT for name in FORMATS)
