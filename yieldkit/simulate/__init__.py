"""A crew whose truth is known: to judge every claim, and to ask "could we even see this?"."""

from yieldkit.simulate.crew import SimulatedCrew, Truth, simulate
from yieldkit.simulate.inbox import write_inbox
from yieldkit.simulate.plan import (
    Certifying,
    CrewPlan,
    Logging,
    Shift,
    SplicerPlan,
    Spread,
    TypePlan,
    Wear,
    fitting_crew,
    misspecified,
    typical_crew,
)
from yieldkit.simulate.seeing import could_we_see
from yieldkit.simulate.spoilt import Defects

__all__ = [
    "CrewPlan",
    "Defects",
    "Logging",
    "Shift",
    "SimulatedCrew",
    "SplicerPlan",
    "Spread",
    "Certifying",
    "Truth",
    "TypePlan",
    "Wear",
    "could_we_see",
    "fitting_crew",
    "misspecified",
    "simulate",
    "typical_crew",
    "write_inbox",
]
