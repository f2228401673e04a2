"""Could we even see this: a huge change is seen at once, a late one is refused."""

import pytest

from yieldkit.simulate import Shift, could_we_see, simulate, typical_crew
from yieldkit.simulate.seeing import first_alarms, watch

PLAN = typical_crew(4, 8)


def test_a_huge_change_is_seen_and_nothing_else_called_first():
    shift = Shift("splicer", "SP-02", start_day=20, loss_factor=4.0)
    table = could_we_see(PLAN, shift, crews=1, weeks=(1, 4))
    assert table.set_index("weeks").loc[4, "seen"] == 1.0
    assert (table["low"] < table["seen"]).all() and (table["crews"] == 1).all()
    assert table["seen"].is_monotonic_increasing


def test_alarm_days_lie_in_the_period():
    crew = simulate(PLAN, seed=1)
    alarms = first_alarms(watch(crew))
    assert set(alarms["kind"]) >= {"splicer", "cleaver"}
    days = alarms["day"].dropna()
    worked = crew.tables["attempts"]["date"]
    assert days.between(worked.min(), worked.max()).all()


def test_a_change_after_the_end_is_refused():
    with pytest.raises(ValueError, match="day 99"):
        could_we_see(PLAN, Shift("splicer", "SP-02", start_day=99))
