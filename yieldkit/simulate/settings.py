"""Settings that fit a simulated crew."""

from __future__ import annotations

from datetime import date
from typing import Any

from yieldkit.crew import ConnectorType, Crew, Equipment, General, Limit, Part, Person
from yieldkit.simulate.plan import CrewPlan

TESTER = "T90"
PRICES = {"body": 9.50, "sleeve": 0.60, "ring": 0.35, "cord_m": 0.40}
"""Prices of parts [EUR], invented."""


def serials(plan: CrewPlan) -> list[str]:
    """Serial numbers of the splicers, invented."""
    return [f"N{7100 + 13 * i}" for i in range(len(plan.splicers))]


def fitting_settings(plan: CrewPlan, seed: int) -> Crew:
    """Settings of the crew: its people, kit with display rules, types, limits and prices."""
    since = date(plan.first_day.year - 1, 1, 1)
    equipment = [
        Equipment(
            unit=splicer.unit,
            kind="splicer",
            model=splicer.model,
            serial=serial,
            valid_from=since,
            display_step_db=splicer.display_step_db,
            display=splicer.display,
            display_floor_db=splicer.floor_db,
            display_ceiling_db=splicer.ceiling_db,
        )
        for splicer, serial in zip(plan.splicers, serials(plan), strict=True)
    ]
    equipment += [
        Equipment(unit=unit, kind="cleaver", valid_from=since, model="bench")
        for unit in plan.cleavers
    ]
    equipment += [
        Equipment(unit=unit, kind="heater", valid_from=since, model="oven") for unit in plan.heaters
    ]
    people = [
        Person(code=code, role="apprentice" if code in plan.apprentices else "technician")
        for code in plan.technicians
    ]
    return Crew(
        general=General(name="A simulated crew (invented)", zone=plan.zone, seed=seed),
        people=(*people, Person(code=TESTER, role="tester")),
        equipment=tuple(equipment),
        connector_types=tuple(_types(plan)),
        limits=tuple(_limits(plan)),
        parts=tuple(Part(part=part, price=price, pack=12) for part, price in PRICES.items()),
    )


def _types(plan: CrewPlan) -> list[ConnectorType]:
    rows = []
    for kind in plan.types:
        tests: list[str] = ["insertion loss 1310", "insertion loss 1550"]
        if kind.design == "D" and plan.testing.two_way_splices:
            tests = ["one-way loss 1550"]
        if kind.return_loss:
            tests += ["return loss", "end face"]
        rows.append(
            ConnectorType(
                connector_type=kind.name,
                design=kind.design,
                required_tests=tuple(tests),
                max_tries=plan.max_tries,
            )
        )
    return rows


def _limits(plan: CrewPlan) -> list[Limit]:
    testing = plan.testing
    source = "invented contract"
    rows = []
    if testing.estimate_limit_db is not None:
        rows.append(
            Limit(quantity="estimated loss", limit_db=testing.estimate_limit_db, source=source)
        )
    for kind in plan.types:
        if kind.test_limit_db is None:
            continue
        if kind.design == "D" and testing.two_way_splices:
            rows.append(
                Limit(
                    quantity="two-way loss",
                    connector_type=kind.name,
                    wavelength_nm=1550,
                    direction="mean",
                    limit_db=kind.test_limit_db,
                    source=source,
                )
            )
            continue
        rows += [
            Limit(
                quantity="insertion loss",
                connector_type=kind.name,
                wavelength_nm=wavelength,
                limit_db=kind.test_limit_db,
                source=source,
            )
            for wavelength in (1310, 1550)
        ]
        if kind.return_loss and testing.return_loss_limit_db is not None:
            rows.append(
                Limit(
                    quantity="return loss",
                    connector_type=kind.name,
                    limit_db=testing.return_loss_limit_db,
                    source=source,
                )
            )
    return rows


def settings_toml(crew: Crew) -> str:
    """Settings as the text of a ``crew.toml``; what stays at its default is left out."""
    said = crew.model_dump(exclude_defaults=True, mode="python")
    lines = ["[general]", *_pairs(said.get("general", {}))]
    for kind, rows in said.items():
        if kind != "general":
            for row in rows:
                lines += ["", f"[[{kind}]]", *_pairs(row)]
    return "\n".join(lines) + "\n"


def _pairs(row: dict[str, Any]) -> list[str]:
    return [f"{key} = {_value(value)}" for key, value in row.items() if value is not None]


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, tuple | list):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'
