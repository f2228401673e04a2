"""What a simulated crew is made of: sizes of every effect and of every imperfection."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Literal

EffectShape = Literal["normal", "heavy", "two-point"]
LossFamily = Literal["exponential", "gamma", "weibull", "lognormal", "mixture"]
SOURCES = (
    "technician",
    "splicer",
    "cleaver",
    "heater",
    "fibre_lot",
    "connector_lot",
    "job",
    "day",
    "splicer_day",
    "end",
)
"""What can shift a joint: people, units, lots, the job's site, the day, one splicer on one day, and
the cable end itself, which all tries at one position share."""


@dataclass(frozen=True)
class Spread:
    """Standard deviation of each source's effects; a source left out has none.

    On the logit of a fault for ``faults``, on the logarithm of the mean loss for ``losses``.
    """

    technician: float = 0.0
    splicer: float = 0.0
    cleaver: float = 0.0
    heater: float = 0.0
    fibre_lot: float = 0.0
    connector_lot: float = 0.0
    job: float = 0.0
    day: float = 0.0
    splicer_day: float = 0.0
    end: float = 0.0


@dataclass(frozen=True)
class TypePlan:
    """One connector type, or ``splice``: how often it comes, how hard it is, how it is tested."""

    name: str
    share: float
    fault: float = 0.04
    """Chance of a fault at the first arc where all effects are nil."""
    design: Literal["A", "B", "C", "D", "E"] = "A"
    test_limit_db: float | None = 0.50
    mating_db: float = 0.16
    """Mean insertion loss beside the splice; its shape is gamma 4."""
    zero_db: float = 0.0
    """Taken off every reading: how far below nothing a test set can read."""
    return_loss: bool = True


@dataclass(frozen=True)
class SplicerPlan:
    """One splicer: what it adds to a loss, how it shows it, its counter and its clock."""

    unit: str
    model: str = "core image"
    mean_db: float = 0.030
    """Mean estimate where all effects are nil [dB]."""
    bias: float = 0.0
    """Noncentrality of the loss: squared steady offset in units of the random offset's variance."""
    display_step_db: float = 0.01
    display: Literal["rounds", "truncates"] = "rounds"
    floor_db: float | None = None
    ceiling_db: float | None = 1.0
    counter: bool = True
    counter_start: int = 1000
    clock_off_min: float = 0.0
    """Minutes its clock runs ahead."""
    keeps_summer_time: bool = False
    """True: nobody puts its clock back in autumn or forward in spring."""
    dead_battery: tuple[int, int] | None = None
    """First working day, and records, shown from 1 January 2000 after a flat battery."""
    angle_step_deg: float = 0.1


@dataclass(frozen=True)
class Shift:
    """Something that changes on a day: a drift, a fault, a bad lot, a repair.

    ``fault`` is added to the logit, ``loss_factor`` multiplies the mean loss, ``bias`` is added to
    the noncentrality; all grow evenly over ``ramp_days`` working days (0: a step).
    """

    kind: Literal["technician", "splicer", "cleaver", "heater", "fibre_lot", "connector_lot"]
    unit: str
    start_day: int = 0
    ramp_days: int = 0
    end_day: int | None = None
    fault: float = 0.0
    loss_factor: float = 1.0
    bias: float = 0.0


@dataclass(frozen=True)
class Wear:
    """Blade wear on cleaves since rotation, electrode wear on arcs since replacement.

    An effect grows with the square of (cleaves / life), up to ``most`` lives.
    """

    blade_life: float = 1500.0
    fault: float = 0.15
    """Added to the logit of a fault at one blade life."""
    loss: float = 0.08
    """Added to the log mean loss at one blade life."""
    refusal: float = 0.4
    """Added to the logit of a rejected cleave at one blade life."""
    angle: float = 0.35
    """Share by which cleave angles grow at one blade life."""
    most: float = 2.5
    overdue: tuple[str, ...] = ()
    """Cleavers whose blade nobody turns."""
    overdue_start: float = 0.4
    """Blade lives already used by those when the period begins."""
    electrode_life: float = 2500.0
    electrode_loss: float = 0.05


@dataclass(frozen=True)
class Logging:
    """What is written down of what happened, and what not."""

    honest: float = 0.8
    """Mean share of failures that a person writes in the rework log."""
    spread: float = 0.1
    """How far persons differ in it (standard deviation, cut at 0 and 1)."""
    dishonest: tuple[str, ...] = ()
    """Persons who write nothing down and delete failed records from the splicer."""
    deleted: float = 0.7
    """Share of failed records that those delete."""
    refusals_recorded: float = 0.3
    """Share of rejected cleaves that the splicer keeps."""
    preparation_logged: float = 0.1
    cause_right: float = 0.7
    twice: float = 0.02
    late_days: int = 3
    minutes_blank: float = 0.25
    place_blank: float = 0.02
    """Share of splicer records without a place."""
    operator_blank: float = 0.05
    kit_sheet: float = 0.98
    """Share of the days whose kit is written on the kit sheet."""
    names_cleaver: bool = False
    """True: the records name cleaver and heater themselves."""


@dataclass(frozen=True)
class Certifying:
    """Tests, days later, by another person."""

    lag_days: float = 2.0
    """Mean working days from the joint to its test."""
    missing: float = 0.01
    dirty: float = 0.03
    """Share of first tests that fail for dirt and pass after cleaning."""
    estimate_limit_db: float | None = 0.15
    return_loss_mean_db: float = 54.0
    return_loss_sd_db: float = 3.0
    return_loss_limit_db: float | None = 45.0
    two_way_splices: bool = False
    """True: splices are read from both ends at 1550 nm in place of insertion loss."""
    mismatch_sd_db: float = 0.04
    """Spread of half the difference of both directions; it belongs to the pair of lots."""


@dataclass(frozen=True)
class CrewPlan:
    """A crew, its period and its work; every field is a switch with a size."""

    technicians: tuple[str, ...]
    splicers: tuple[SplicerPlan, ...]
    cleavers: tuple[str, ...]
    heaters: tuple[str, ...]
    types: tuple[TypePlan, ...]
    first_day: date = date(2026, 8, 24)
    weeks: int = 13
    zone: str = "Europe/Helsinki"
    per_day: float = 15.0
    """Mean positions started by a person on a day."""
    present: float = 0.92
    """Share of days on which a person works."""
    own_kit: float = 0.6
    """Share of days on which a person holds their own kit; 1 leaves nothing to tell apart."""
    job_positions: float = 140.0
    open_jobs: int = 3
    lot_weeks: float = 3.0
    faults: Spread = field(default_factory=Spread)
    losses: Spread = field(default_factory=Spread)
    together: float = 0.5
    """Correlation of a unit's effect on faults with its effect on losses."""
    shape: EffectShape = "normal"
    interaction: float = 0.0
    """Standard deviation of technician by splicer effects on the logit of a fault."""
    family: LossFamily = "exponential"
    family_shape: float = 1.0
    apprentices: tuple[str, ...] = ()
    learning: float = 1.2
    """Added to an apprentice's logit at the first joint; dies away over ``learning_joints``."""
    learning_joints: float = 150.0
    retry: float = 0.3
    """Added to the logit at a second or later try."""
    refusal: float = 0.04
    """Chance that a cleave is rejected, all effects nil."""
    max_tries: int = 6
    give_up: float = 0.02
    """Chance that a position is given up after a failure."""
    found_late: float = 0.4
    """Share of end-face failures found only at the test."""
    ribbons: float = 0.0
    """Share of the jobs that are ribbon splices only."""
    ribbon_fibres: int = 12
    """Fibres joined by one arc; a divisor of 24."""
    ribbon_loss: float = 0.25
    """Spread of the log mean loss between ribbon arcs."""
    shifts: tuple[Shift, ...] = ()
    wear: Wear = field(default_factory=Wear)
    logging: Logging = field(default_factory=Logging)
    testing: Certifying = field(default_factory=Certifying)

    def __post_init__(self) -> None:
        for name in ("technicians", "splicers", "cleavers", "heaters", "types"):
            if not getattr(self, name):
                raise ValueError(f"a crew needs {name}; the plan has none")
        if self.weeks < 1 or self.per_day <= 0:
            raise ValueError(
                f"weeks is {self.weeks} and per_day {self.per_day}; wanted at least 1 and more"
                " than 0"
            )
        if 24 % self.ribbon_fibres:
            raise ValueError(f"ribbon_fibres is {self.ribbon_fibres}, wanted a divisor of 24")
        known = {
            "technician": self.technicians,
            "splicer": tuple(splicer.unit for splicer in self.splicers),
            "cleaver": self.cleavers,
            "heater": self.heaters,
        }
        for shift in self.shifts:
            if shift.kind in known and shift.unit not in known[shift.kind]:
                raise ValueError(f"the plan shifts {shift.kind} {shift.unit}, which it has not")

    @property
    def days(self) -> int:
        """Working days of the period, five a week."""
        return 5 * self.weeks


TYPICAL_TYPES = (
    TypePlan("SC", 0.3, fault=0.04),
    TypePlan("LC", 0.35, fault=0.05),
    TypePlan("ST", 0.05, fault=0.06, design="B"),
    TypePlan(
        "splice",
        0.3,
        fault=0.015,
        design="D",
        test_limit_db=0.30,
        mating_db=0.04,
        zero_db=0.02,
        return_loss=False,
    ),
)
TYPICAL_FAULTS = Spread(
    technician=0.3,
    splicer=0.2,
    cleaver=0.2,
    heater=0.1,
    fibre_lot=0.15,
    connector_lot=0.15,
    job=0.3,
    day=0.15,
    end=0.5,
)
TYPICAL_LOSSES = Spread(
    technician=0.1,
    splicer=0.15,
    cleaver=0.1,
    fibre_lot=0.1,
    job=0.05,
    day=0.05,
    splicer_day=0.1,
    end=0.1,
)


def typical_crew(
    technicians: int = 6,
    weeks: int = 13,
    *,
    splicers: int = 4,
    cleavers: int = 4,
    heaters: int = 3,
    **changes: Any,
) -> CrewPlan:
    """An ordinary crew: mixed kit, most failures logged, small differences between units.

    Parameters
    ----------
    technicians, weeks, splicers, cleavers, heaters : int
        Numbers of persons, weeks and units.
    **changes
        Any other field of ``CrewPlan``, for example ``own_kit=0.95`` or ``ribbons=0.3``.

    Examples
    --------
    >>> typical_crew(technicians=2, weeks=1, own_kit=1.0).technicians
    ('T01', 'T02')
    """
    models = ("core image", "core image", "clad image", "fixed groove")
    means = {"core image": 0.024, "clad image": 0.036, "fixed groove": 0.042}
    plan = CrewPlan(
        technicians=tuple(f"T{i + 1:02d}" for i in range(technicians)),
        splicers=tuple(
            SplicerPlan(
                f"SP-{i + 1:02d}",
                model=models[i % 4],
                mean_db=means[models[i % 4]],
                counter_start=1000 * (i + 1),
            )
            for i in range(splicers)
        ),
        cleavers=tuple(f"C-{i + 1:02d}" for i in range(cleavers)),
        heaters=tuple(f"H-{i + 1:02d}" for i in range(heaters)),
        types=TYPICAL_TYPES,
        weeks=weeks,
        faults=TYPICAL_FAULTS,
        losses=TYPICAL_LOSSES,
    )
    return replace(plan, **changes)


def fitting_crew(
    technicians: int = 6,
    weeks: int = 13,
    *,
    splicers: int = 4,
    cleavers: int = 4,
    heaters: int = 3,
    **changes: Any,
) -> CrewPlan:
    """A crew that meets the assumptions of the plain models, all told and nothing hidden.

    Faults add on the logit with normal effects, losses are exponential, every failure is written
    down, every place is known, and no limit turns a loss into a failure.
    """
    plan = typical_crew(technicians, weeks, splicers=splicers, cleavers=cleavers, heaters=heaters)
    plain = replace(
        plan,
        types=tuple(replace(kind, test_limit_db=None) for kind in plan.types),
        faults=replace(TYPICAL_FAULTS, end=0.0),
        losses=replace(TYPICAL_LOSSES, end=0.0, splicer_day=0.0),
        wear=Wear(fault=0.0, loss=0.0, electrode_loss=0.0),
        logging=Logging(
            honest=1.0, spread=0.0, place_blank=0.0, operator_blank=0.0, kit_sheet=1.0, twice=0.0
        ),
        testing=Certifying(
            estimate_limit_db=None, return_loss_limit_db=None, missing=0.0, dirty=0.0
        ),
        retry=0.0,
    )
    return replace(plain, **changes)


def misspecified(plan: CrewPlan) -> CrewPlan:
    """The same crew in a world that plain models do not know.

    Effects have heavy tails, persons and splicers interact, losses are a mixture with a heavy tail,
    cable ends differ strongly, days shift everybody, and a fifth of the failures stays unwritten.
    """
    return replace(
        plan,
        shape="heavy",
        interaction=0.35,
        family="mixture",
        family_shape=4.0,
        faults=replace(plan.faults, end=1.0, day=max(plan.faults.day, 0.4)),
        losses=replace(plan.losses, day=max(plan.losses.day, 0.2), splicer_day=0.2),
        logging=replace(plan.logging, honest=min(plan.logging.honest, 0.8), spread=0.2),
    )
