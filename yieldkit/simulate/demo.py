"""The demo crew: invented people, kit, town and sites; a splicer drifts, a blade is overdue."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from yieldkit.crew import Crew, Limit, Part
from yieldkit.simulate.crew import SimulatedCrew, simulate
from yieldkit.simulate.inbox import write_inbox
from yieldkit.simulate.plan import CrewPlan, Logging, Shift, SplicerPlan, Wear, typical_crew
from yieldkit.simulate.spoilt import Defects

SEED = 20261122
DRIFTING, OVERDUE = "SP-03", "C-02"
LAYOUTS = {"SP-01": "skarvlista", "SP-02": "joint_list", "SP-03": "cahier", "SP-04": "zapis"}

README = f"""# Demo crew

Everything here is invented: the crew, its town Heronsford and the sites, the kit, the file formats,
every record and every fault. Technicians are codes (T01 to T06; T90 tests). No real person, place,
machine or file format is meant.

Thirteen weeks, Monday 24 August to Sunday 22 November 2026 (ISO weeks 2026-W35 to 2026-W47). Four
splicers, each exporting in a format of its own; four cleavers; three curing ovens; connector types
SC, LC, ST and ordinary splices.

What is hidden in it, for the weekly page to find:

- {DRIFTING} drifts: from 19 October its losses rise over two weeks, whoever holds it.
- {OVERDUE} is overdue: nobody turned its blade in the whole period.

What else is wrong, as in any inbox: downloads overlap, one is there twice, forty records were typed
again into a workbook; lines are cut off, one is overwritten by zero bytes, some values are
impossible; the clock of SP-01 was not put back on 25 October, SP-04 showed the year 2000 for a
while after a flat battery; SP-02 has no record numbers; persons and places are written in several
ways or not at all; failures are missing from the rework log, and some stand there twice; one file
is empty, one has headings only, one is about something else.

| in | what it is |
| --- | --- |
| `crew.toml` | settings of the crew |
| `inbox/` | the files as they came |
| `layouts/` | how each kind of file is read |

Made, the same bytes each time, by `python -m yieldkit.simulate demo FOLDER` (seed {SEED}).
"""


def demo_plan() -> CrewPlan:
    """The plan of the demo crew."""
    base = typical_crew(technicians=6, weeks=13)
    one, two, three, four = base.splicers
    splicers: tuple[SplicerPlan, ...] = (
        replace(one, keeps_summer_time=True, counter_start=2310),
        replace(two, counter=False, floor_db=0.01),
        replace(three, counter_start=871),
        replace(four, dead_battery=(23, 9), display="truncates", counter_start=15020),
    )
    return replace(
        base,
        first_day=date(2026, 8, 24),
        splicers=splicers,
        per_day=13.0,
        apprentices=("T06",),
        shifts=(Shift("splicer", DRIFTING, start_day=40, ramp_days=10, bias=2.5),),
        wear=Wear(overdue=(OVERDUE,), overdue_start=0.7, fault=0.25, loss=0.12),
        logging=Logging(honest=0.75, spread=0.15),
    )


def demo_crew() -> SimulatedCrew:
    """The demo crew, simulated; its settings have prices, packs and limits."""
    crew = simulate(demo_plan(), seed=SEED)
    return replace(crew, crew=_settings(crew.crew))


def _settings(plain: Crew) -> Crew:
    general = plain.general.model_copy(
        update={
            "name": "Heronsford crew (invented demo)",
            "labour_per_hour": 46.0,
            "return_visit_cost": 180.0,
            "minutes_per_position": 7.0,
        }
    )
    more = (
        Limit(quantity="estimated loss", statistic="mean", limit_db=0.06, source="house rule"),
        Limit(quantity="estimated loss", statistic="97 %", limit_db=0.15, source="house rule"),
        Limit(
            quantity="insertion loss",
            connector_type="splice",
            wavelength_nm=1550,
            statistic="mean",
            limit_db=0.10,
            source="invented contract",
        ),
    )
    bodies = (("SC", 8.9, 12, 7), ("LC", 9.4, 12, 7), ("ST", 12.5, 10, 28))
    parts = tuple(
        Part(part="body", connector_type=kind, price=price, pack=pack, lead_time_days=days)
        for kind, price, pack, days in bodies
    ) + (
        Part(part="sleeve", price=0.55, pack=50),
        Part(part="ring", price=0.35, pack=50),
        Part(part="cord_m", price=0.40, pack=1),
    )
    return plain.model_copy(
        update={"general": general, "limits": plain.limits + more, "parts": parts}
    )


def write_demo(folder: Path | str) -> dict[str, Any]:
    """Write the demo crew's folder; gives the true counts of its files.

    Parameters
    ----------
    folder : Path
        Folder to write into; files of the same names are replaced.
    """
    folder = Path(folder)
    counts = write_inbox(
        demo_crew(), folder, layouts=LAYOUTS, weeks=5, defects=Defects(), seed=SEED
    )
    (folder / "README.md").write_bytes(README.encode())
    return counts
