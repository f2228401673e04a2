"""A crew's settings: people, equipment, connector types, limits, parts, prices, aliases.

One model behind ``crew.xlsx`` (a sheet a kind) and ``crew.toml``; ``records/settings.py`` reads and
writes both. Every number here is a default that the crew overrides.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

ALL = "all"


def _split(cell: object) -> object:
    """A cell "insertion loss 1310; return loss" as a tuple; other values unchanged."""
    if isinstance(cell, str):
        return tuple(part.strip() for part in cell.split(";") if part.strip())
    return cell


Words = Annotated[tuple[str, ...], BeforeValidator(_split)]
Code = Annotated[str, Field(min_length=1, max_length=60)]
Fraction = Annotated[float, Field(gt=0, lt=1)]


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class General(_Row):
    """Settings of the whole crew."""

    name: str = Field("Our crew", description="Name shown on the pages")
    zone: str = Field("UTC", description="Time zone of the crew, for example Europe/Helsinki")
    week_starts: Literal["Monday", "Sunday", "Saturday"] = Field(
        "Monday", description="First day of the crew's week; Monday gives ISO weeks"
    )
    currency: str = Field("EUR", description="Currency of all prices")
    confidence: Fraction = Field(0.95, description="Confidence of all intervals, 0.95 for 95 %")
    false_alarms_per_quarter: float = Field(
        1.0, gt=0, le=100, description="False alarms accepted in 13 weeks for the whole crew"
    )
    pending_days: int = Field(
        28,
        ge=1,
        description="Days after the first arc until a missing test makes the answer unknown",
    )
    too_few_positions: int = Field(
        20, ge=1, description="A person's figure is too few to tell under this many positions"
    )
    too_wide_points: float = Field(
        15.0, gt=0, description="... or when its interval is wider than this [percentage points]"
    )
    redo_minutes: float = Field(
        5.0, gt=0, description="Two arcs on one kit closer than this may be a redo [min]"
    )
    watch_technicians: bool = Field(
        False, description="Watch technicians for drift too (lead's view only)"
    )
    labour_per_hour: float = Field(0.0, ge=0, description="Loaded labour rate [currency per hour]")
    utilisation: float = Field(
        0.6,
        gt=0,
        le=1,
        description="Share of paid time spent on joints [common practice 0.33-0.75]",
    )
    minutes_per_position: float = Field(
        6.0, gt=0, description="Minutes for one joint without rework [common practice 3-8]"
    )
    failed_minutes: float = Field(
        15.0,
        gt=0,
        description="Minutes a failed first attempt costs where the rework log says too seldom"
        " [common practice 10-20]",
    )
    recleave_minutes: float = Field(
        2.0,
        gt=0,
        description="Minutes to cleave again after a refused cleave [common practice 1-3]",
    )
    blade_turn_minutes: float = Field(
        3.0, gt=0, description="Minutes to turn a blade and test it [common practice 2-5]"
    )
    electrode_change_minutes: float = Field(
        20.0,
        gt=0,
        description="Minutes to change electrodes, stabilise them and check the arc"
        " [common practice 15-30]",
    )
    return_visit_cost: float = Field(0.0, ge=0, description="Cost of one return visit [currency]")
    spare_rule_percent: float = Field(
        5.0, ge=0, description="The crew's own rule of thumb for spare bodies [%]"
    )
    keep_personal_days: int = Field(
        730, ge=30, description="Days after which `yieldkit forget` is due for personal rows"
    )
    seed: int = Field(20261116, ge=0, description="Seed of every random number")

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (KeyError, ValueError, OSError):
            raise ValueError("is not a time zone; wanted a zone such as Europe/Helsinki") from None
        return zone


class Person(_Row):
    """One person, by code; the name is the key to the code and never leaves the crew's folder."""

    code: Code = Field(description="Code shown everywhere, for example T01")
    name: str = Field("", description="Name, for the lead alone; may stay empty")
    role: Literal["technician", "apprentice", "lead", "tester"] = Field(
        "technician", description="Role"
    )
    from_date: date | None = Field(None, description="First day with the crew")
    to_date: date | None = Field(None, description="Last day with the crew")


class Equipment(_Row):
    """One unit under one serial number."""

    unit: Code = Field(description="Code written on the unit, for example SP-01")
    kind: Literal["splicer", "cleaver", "heater", "test set"] = Field(description="Kind of unit")
    model: str = Field("", description="Model class (own word); estimates of two models never mix")
    serial: str = Field("", description="Serial number; a repaired or swapped unit gets a new row")
    valid_from: date | None = Field(None, description="First day of this serial under this code")
    valid_to: date | None = Field(None, description="Last day")
    calibration_due: date | None = Field(None, description="Day by which calibration is due")
    clock_zone: str = Field("", description="Zone of its clock if not the crew's")
    display_step_db: float = Field(0.01, gt=0, le=1, description="Step of the loss display [dB]")
    display: Literal["rounds", "truncates"] = Field(
        "rounds", description="Whether the display rounds or cuts off"
    )
    display_floor_db: float | None = Field(
        None, ge=0, description="Least loss it can show [dB]; empty if 0.00"
    )
    display_ceiling_db: float | None = Field(
        None, gt=0, description="Greatest loss it can show [dB]; empty if none"
    )

    def valid_on(self, day: date) -> bool:
        """Whether the unit had this serial on a day."""
        return (self.valid_from is None or self.valid_from <= day) and (
            self.valid_to is None or day <= self.valid_to
        )


class ConnectorType(_Row):
    """One connector type, or ``splice`` for an ordinary splice."""

    connector_type: Code = Field(description="Name, for example LC")
    design: Literal["A", "B", "C", "D", "E"] = Field(
        "A",
        description=(
            "A stub cleaved at the factory, B stub cleaved by you, C pigtail, D ordinary splice,"
            " E epoxy and polish"
        ),
    )
    required_tests: Words = Field(
        ("insertion loss",),
        description=(
            "Tests that must pass before it is accepted, separated by ';', each with its wavelength"
            " if that matters: insertion loss 1310; insertion loss 1550; return loss. none if none"
        ),
    )
    like: str = Field("", description="Type to borrow a yield from while this one has no history")
    strip_jacket_mm: float = Field(
        37.0, ge=0, description="Jacket stripped [mm]; follow the connector's instruction"
    )
    strip_buffer_mm: float = Field(
        7.0, ge=0, description="Buffer stripped [mm]; follow the connector's instruction"
    )
    cleave_mm: float = Field(12.0, ge=0, description="Fibre lost at each cleave [mm]")
    tail_mm: float = Field(500.0, gt=0, description="Length of cord in hand at a position [mm]")
    max_tries: int = Field(8, ge=1, description="Tries at a position before it is given up")
    body_die_in: float | None = Field(
        None, gt=0, description="Hex die of the body crimp [in]; follow the connector's instruction"
    )
    boot_die_in: float | None = Field(
        None, gt=0, description="Hex die of the boot crimp [in]; follow the connector's instruction"
    )

    @property
    def dies_in(self) -> tuple[float, ...]:
        """Dies that belong to it [in]: those of the body's and of the boot's crimp."""
        return tuple(die for die in (self.body_die_in, self.boot_die_in) if die is not None)

    @field_validator("required_tests")
    @classmethod
    def _known_tests(cls, tests: tuple[str, ...]) -> tuple[str, ...]:
        if tests == ("none",):
            return ()
        for test in tests:
            required_test(test)
        return tests


class Limit(_Row):
    """One limit: it meets its own quantity, wavelength, direction, job and tier only."""

    quantity: Literal[
        "estimated loss", "one-way loss", "two-way loss", "insertion loss", "return loss"
    ] = Field(description="Quantity that the limit is for")
    connector_type: str = Field(ALL, description="Connector type, or all")
    wavelength_nm: float | None = Field(None, gt=0, description="Wavelength [nm]; empty for any")
    direction: Literal["any", "each", "mean"] = Field(
        "any", description="any: as read; each: both directions within; mean: mean of both"
    )
    statistic: Literal["each", "mean", "97 %"] = Field(
        "each", description="each joint, the mean of all, or the value that 97 % keep"
    )
    limit_db: float = Field(description="Limit [dB]; at most for losses, at least for return loss")
    job: str = Field(ALL, description="Job, or all")
    after_tries: int = Field(0, ge=0, description="Applies after this many failed tries; 0 always")
    listed: bool = Field(False, description="Accepted under this limit only if listed")
    edition: str = Field("", description="Edition of the standard or contract")
    source: str = Field("", description="Where the limit is written")
    from_date: date | None = Field(None, description="First day on which it holds")

    @property
    def at_least(self) -> bool:
        """True where a greater value is better (return loss)."""
        return self.quantity == "return loss"


class Part(_Row):
    """One part that joints or failures use up."""

    part: Code = Field(description="Part: body, sleeve, ring, boot, cord_m, ...")
    connector_type: str = Field(ALL, description="Connector type, or all if shared")
    price: float = Field(0.0, ge=0, description="Price of one [currency]")
    pack: int = Field(1, ge=1, description="Pieces in a pack")
    lead_time_days: float = Field(7.0, ge=0, description="Days from order to shelf")
    leftover_value: float = Field(
        0.5, ge=0, le=1, description="Share of the price that a leftover keeps"
    )
    stock: float = Field(0.0, ge=0, description="Pieces in store now")


class PartUse(_Row):
    """What one failure found at a step costs in one part."""

    connector_type: str = Field(ALL, description="Connector type, or all")
    step: Literal["prepare", "cleave", "splice", "protect", "crimp", "inspect", "test", "unknown"]
    part: Code
    pieces: float = Field(ge=0, description="Pieces used up by one failure found at this step")


class Alias(_Row):
    """A spelling and what it means."""

    kind: Literal[
        "technician",
        "unit",
        "job",
        "panel",
        "place",
        "connector type",
        "cause",
        "step",
        "disposition",
        "outcome",
        "part",
    ] = Field(description="What kind of word it is")
    written: Code = Field(description="As written in the files")
    meaning: Code = Field(description="What it means")


class Crew(_Row):
    """All settings of a crew."""

    general: General = Field(default_factory=General)
    people: tuple[Person, ...] = ()
    equipment: tuple[Equipment, ...] = ()
    connector_types: tuple[ConnectorType, ...] = ()
    limits: tuple[Limit, ...] = ()
    parts: tuple[Part, ...] = ()
    part_use: tuple[PartUse, ...] = ()
    aliases: tuple[Alias, ...] = ()

    @model_validator(mode="after")
    def _no_contradiction(self) -> Crew:
        for rows, key, what in (
            (self.people, ("code",), "people"),
            (self.equipment, ("unit", "valid_from"), "equipment"),
            (self.connector_types, ("connector_type",), "connector_types"),
            (self.parts, ("part", "connector_type"), "parts"),
            (self.part_use, ("connector_type", "step", "part"), "part_use"),
            (self.aliases, ("kind", "written"), "aliases"),
        ):
            seen: set[tuple[object, ...]] = set()
            for row in rows:
                named = tuple(getattr(row, name) for name in key)
                if named in seen:
                    raise ValueError(f"{what}: two rows for {' '.join(map(str, named))}")
                seen.add(named)
        return self

    @property
    def zone(self) -> ZoneInfo:
        """The crew's time zone."""
        return ZoneInfo(self.general.zone)

    def connector(self, name: str) -> ConnectorType:
        """Settings of a type; without a row the defaults, design D for an ordinary splice."""
        for row in self.connector_types:
            if row.connector_type == name:
                return row
        usual = ConnectorType(connector_type="any", design="D" if name == "splice" else "A")
        return usual.model_copy(update={"connector_type": name})  # files may name it at any length

    def units(self, kind: str) -> list[str]:
        """Codes of the units of one kind, in order of the settings, each once."""
        return list(dict.fromkeys(row.unit for row in self.equipment if row.kind == kind))

    def unit_on(self, unit: str, when: date | None) -> Equipment | None:
        """The row of a unit that is valid on a day; the last row where the day is not known.

        Of several, the one that became valid last: a new row ends the one before.
        """
        rows = [row for row in self.equipment if row.unit == unit]
        valid = [row for row in rows if when is not None and row.valid_on(when)]
        if valid:
            return max(valid, key=lambda row: row.valid_from or date.min)
        return rows[-1] if rows else None

    def limits_for(
        self, quantity: str, *, connector_type: str = ALL, job: str = ALL
    ) -> list[Limit]:
        """Limit rows of a quantity that hold for a type and a job; a job's own rows come first."""
        found = [
            row
            for row in self.limits
            if row.quantity == quantity
            and row.connector_type in (ALL, connector_type)
            and row.job in (ALL, job)
        ]
        return sorted(found, key=lambda row: (row.job == ALL, row.connector_type == ALL))

    def part(self, part: str, connector_type: str = ALL) -> Part:
        """Price, pack and stock of a part: the type's own row, else the shared one, or defaults."""
        for owner in (connector_type, ALL):
            for row in self.parts:
                if row.part == part and row.connector_type == owner:
                    return row
        return Part(part=part, connector_type=connector_type)

    def parts_for_failure(self, connector_type: str, step: str) -> dict[str, float]:
        """Pieces that one failure found at ``step`` uses up [pieces; cord_m in m].

        The type's own rows, else the shared rows, else common practice by design (TRADE: a body is
        lost from the point of no return, a sleeve once protected, a ring once crimped).
        """
        for owner in (connector_type, ALL):
            rows = {
                row.part: row.pieces
                for row in self.part_use
                if row.step == step and row.connector_type == owner
            }
            if rows:
                return rows
        kind = self.connector(connector_type)
        cord = (kind.strip_jacket_mm + kind.strip_buffer_mm + kind.cleave_mm) / 1000
        order = ("prepare", "cleave", "splice", "protect", "crimp", "inspect", "test")
        reached = order.index(step) if step in order else order.index("splice")
        protected, crimped = order.index("protect"), order.index("crimp")
        body_lost_from = {"A": order.index("splice"), "B": protected, "E": protected}
        used = {"cord_m": cord}
        if kind.design in body_lost_from and reached >= body_lost_from[kind.design]:
            used["body"] = 1.0
        if reached >= protected:
            used["sleeve"] = 1.0
        if reached >= crimped and kind.design in body_lost_from:
            used["ring"] = 1.0
        return used


def required_test(test: str) -> tuple[str, float | None]:
    """Quantity and wavelength [nm] of "insertion loss 1310"; the wavelength may be missing.

    Raises
    ------
    ValueError
        If it names no quantity that can be tested.
    """
    quantity, _, last = test.rpartition(" ")
    wavelength = None
    if last.replace(".", "", 1).isdigit():
        wavelength = float(last)
    else:
        quantity = test
    known = ("insertion loss", "return loss", "one-way loss", "two-way loss", "end face")
    if quantity not in known:
        raise ValueError(f"{test!r} is no test; wanted one of {', '.join(known)}, or none")
    return quantity, wavelength
