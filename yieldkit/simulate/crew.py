"""A simulated crew: its tables as the records show them, and the truth beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit

from yieldkit.crew import Crew
from yieldkit.records import tables
from yieldkit.simulate import paper
from yieldkit.simulate.attempts import attempts_table, position_names
from yieldkit.simulate.chances import COLUMN, Array, step_weights, true_chance, type_shares
from yieldkit.simulate.effects import Effects, growth, make_effects
from yieldkit.simulate.machines import Log, keep_log
from yieldkit.simulate.plan import CrewPlan
from yieldkit.simulate.positions import derive_positions
from yieldkit.simulate.readings import Readings, measurements_table, take_readings
from yieldkit.simulate.roster import Roster, Work, last_day, make_roster, make_work
from yieldkit.simulate.settings import fitting_settings
from yieldkit.simulate.world import STEPS, Happened, live


@dataclass(frozen=True, eq=False)
class Truth:
    """What nobody in the crew knows.

    Parameters
    ----------
    positions : DataFrame
        A row a position begun, in the order begun: ``position_id``, the first attempt's person, kit
        and lots, ``chance`` (that the first arc leads to an accepted joint, given everything that
        acts on it), ``chance_splice`` (that the first arc is within its limit), ``first_pass`` and
        ``first_pass_splice`` (what happened), ``tries``, ``accepted``.
    attempts : DataFrame
        A row an arc and fibre, unlogged failures too: ``loss_db`` before any display, ``mean_db``,
        ``bias``, ``logit`` (of a fault), ``wear`` [blade lives], ``step`` where it failed
        (``none``), ``over`` (limit of the estimate), ``rejected`` cleaves, ``kept`` by the splicer,
        ``logged`` in the rework log, ``attempt_id`` if kept.
    effects : DataFrame
        A row a unit: ``kind``, ``unit``, ``fault`` (on the logit), ``loss`` (on the log mean), both
        as contrasts with the mean of its kind, without shifts and wear.
    onsets : DataFrame
        A row a shift: ``kind``, ``unit``, ``date``, ``full`` (date at full size), sizes.
    honesty : Series
        Share of failures that each person writes down.
    """

    positions: pd.DataFrame
    attempts: pd.DataFrame
    effects: pd.DataFrame
    onsets: pd.DataFrame
    honesty: pd.Series


@dataclass(frozen=True, eq=False)
class Parts:
    """The arrays from which the tables are made; files are written from them too."""

    plan: CrewPlan
    seed: int
    roster: Roster
    work: Work
    effects: Effects
    happened: Happened
    log: Log
    readings: Readings
    rework: paper.Rework
    kit_known: np.ndarray


@dataclass(frozen=True, eq=False)
class SimulatedCrew:
    """Tables, settings, truth.

    Parameters
    ----------
    tables : dict of DataFrame
        By name, in the schemas of ``records.tables``: attempts, rework, measurements, kit_use,
        planned, jobs, equipment, service, stock, checks, positions.
    crew : Crew
        Settings that fit.
    truth : Truth
        Effects, onsets, chances, every attempt.
    as_of : Timestamp
        End of the period, UTC.
    parts : Parts
        What the raw files are written from.
    """

    tables: dict[str, pd.DataFrame]
    crew: Crew
    truth: Truth
    as_of: pd.Timestamp
    parts: Parts

    def yields(self, kind: str) -> pd.DataFrame:
        """True first-pass yields (termination) of the units of a kind.

        Parameters
        ----------
        kind : str
            technician, splicer, cleaver, heater, fibre_lot or connector_lot.

        Returns
        -------
        DataFrame
            Index the unit; ``positions``, ``as_worked`` (mean true chance of the positions that it
            began) and ``fair`` (mean true chance if it had begun all positions of the crew, with
            everything else as it was; its wear, shifts and learning at their mean).
        """
        parts, happened = self.parts, self.parts.happened
        first = np.flatnonzero(happened.try_no == 1)
        codes = {
            "fibre_lot": parts.work.fibre_lot[happened.position[first]],
            "connector_lot": parts.work.connector_lot[happened.position[first]],
        }
        code = codes[kind] if kind in codes else getattr(happened, kind)[first]
        names = parts.effects.names[kind]
        column = COLUMN[kind]
        own_fault = happened.fault_parts[first, column]
        own_loss = happened.loss_parts[first, column]
        bias = happened.bias[first]
        mean = happened.mean_db[first]
        if kind == "splicer":
            base = np.array([splicer.mean_db for splicer in parts.plan.splicers])
            own_loss = own_loss + np.log(base[code])
        chance = _chance(self, first, happened.eta[first], mean, bias)
        rows = []
        for unit, name in enumerate(names):
            here = code == unit
            if not here.any():
                continue
            other_bias = bias
            if kind == "splicer":
                other_bias = np.full(len(first), bias[here].mean())
            swapped = _chance(
                self,
                first,
                happened.eta[first] - own_fault + own_fault[here].mean(),
                mean * np.exp(own_loss[here].mean() - own_loss),
                other_bias,
            )
            rows.append((name, int(here.sum()), chance[here].mean(), swapped.mean()))
        table = pd.DataFrame(rows, columns=[kind, "positions", "as_worked", "fair"])
        return table.set_index(kind)


def _chance(crew: SimulatedCrew, first: np.ndarray, eta: Array, mean: Array, bias: Array) -> Array:
    parts = crew.parts
    kind = parts.work.kind[parts.happened.position[first]]
    return true_chance(parts.plan, kind, eta, mean, bias, parts.happened.arc[first])[1]


def simulate(
    plan: CrewPlan,
    *,
    seed: int | None = None,
    rng: np.random.Generator | None = None,
) -> SimulatedCrew:
    """A crew attempt by attempt, with known truth.

    Parameters
    ----------
    plan : CrewPlan
        The crew and its switches; ``typical_crew``, ``fitting_crew`` and ``misspecified`` make one.
    seed : int, optional
        Seed; the same seed and plan give the same crew.
    rng : Generator, optional
        In place of a seed.

    Returns
    -------
    SimulatedCrew

    Raises
    ------
    ValueError
        If neither or both of ``seed`` and ``rng`` are given.

    Examples
    --------
    >>> from yieldkit.simulate import simulate, typical_crew
    >>> crew = simulate(typical_crew(technicians=2, weeks=1), seed=1)
    >>> bool(crew.truth.positions["chance"].between(0, 1).all())
    True
    """
    if (seed is None) == (rng is None):
        raise ValueError("wanted either a seed or a generator (rng=), not both and not none")
    rng = np.random.default_rng(seed) if rng is None else rng
    roster = make_roster(plan, rng)
    work = make_work(plan, roster, rng)
    effects = make_effects(plan, work, rng)
    happened = live(plan, roster, work, effects, rng)
    log = keep_log(plan, roster, work, happened, rng)
    readings = take_readings(plan, roster, work, happened, rng)
    honest = paper.honesty(plan, rng)
    rework = paper.keep_rework(plan, roster, happened, log, readings, honest, rng)
    kit_known = (roster.splicer >= 0) & (rng.random(roster.splicer.shape) < plan.logging.kit_sheet)
    parts = Parts(
        plan, seed or 0, roster, work, effects, happened, log, readings, rework, kit_known
    )
    crew = fitting_settings(plan, seed or 0)
    as_of = pd.Timestamp(last_day(plan) + 1, tz=plan.zone).tz_convert("UTC").as_unit("ms")
    made, kept = _tables(parts, crew, as_of, rng)
    return SimulatedCrew(made, crew, _truth(parts, made, kept, honest), as_of, parts)


def _tables(
    parts: Parts, crew: Crew, as_of: pd.Timestamp, rng: np.random.Generator
) -> tuple[dict[str, pd.DataFrame], np.ndarray]:
    plan, roster, work, happened = parts.plan, parts.roster, parts.work, parts.happened
    names = position_names(work)
    attempts, rows = attempts_table(plan, roster, work, happened, parts.log, parts.kit_known, names)
    arcs = ~parts.log.refusal[rows]
    ids = dict(
        zip(parts.log.attempt[rows[arcs]].tolist(), attempts["attempt_id"][arcs], strict=True)
    )
    measurements = measurements_table(plan, happened, parts.readings, names)
    rework = paper.rework_table(plan, work, happened, parts.rework, ids, crew, names)
    planned = paper.planned_table(plan, work)
    effects = parts.effects
    days = (plan.days, len(plan.splicers))
    by_splicer = effects.losses["splicer"][:, None] + effects.shift_losses["splicer"]
    by_splicer = by_splicer + effects.losses["splicer_day"].reshape(days).T
    equipment = pd.DataFrame([row.model_dump() for row in crew.equipment])
    made = {
        "attempts": attempts,
        "rework": rework,
        "measurements": measurements,
        "kit_use": paper.kit_table(plan, roster, parts.kit_known),
        "planned": planned,
        "jobs": paper.jobs_table(plan, roster, work),
        "equipment": _equipment(equipment),
        "service": paper.service_table(plan, roster, happened),
        "stock": paper.stock_table(plan, roster, work, happened, crew),
        "checks": paper.checks_table(plan, roster, by_splicer, rng),
        "positions": derive_positions(
            attempts, rework, measurements, planned, crew=crew, as_of=as_of
        ),
    }
    return made, rows


def _equipment(rows: pd.DataFrame) -> pd.DataFrame:
    table = rows[tables.EQUIPMENT.names].copy()
    for column in ("valid_from", "valid_to", "calibration_due"):
        table[column] = pd.to_datetime(table[column])
    return table


def _truth(parts: Parts, made: dict[str, pd.DataFrame], kept: np.ndarray, honest: Array) -> Truth:
    plan, work, happened, effects = parts.plan, parts.work, parts.happened, parts.effects
    kind = work.kind[happened.position]
    within, chance = true_chance(
        plan, kind, happened.eta, happened.mean_db, happened.bias, happened.arc
    )
    weights = step_weights(type_shares(plan)[kind], happened.fault_parts)
    share = weights[:, 0] / weights.sum(axis=1)
    arcs = ~parts.log.refusal[kept]
    ids = np.full(len(kind), None, dtype=object)
    ids[parts.log.attempt[kept[arcs]]] = made["attempts"]["attempt_id"].to_numpy(object)[arcs]
    written = np.zeros(len(kind), dtype=bool)
    written[parts.rework.attempt] = True
    names = position_names(work)
    attempts = pd.DataFrame(
        {
            "position_id": names["position_id"].iloc[happened.position].reset_index(drop=True),
            "date": parts.roster.dates[happened.day].astype("datetime64[ms]"),
            **{
                unit: np.array(effects.names[unit], dtype=object)[getattr(happened, unit)]
                for unit in ("technician", "splicer", "cleaver", "heater")
            },
            "connector_type": np.array([k.name for k in plan.types], dtype=object)[kind],
            "try_no": happened.try_no,
            "arc": happened.arc,
            "chance": chance,
            "chance_splice": within * (1 - expit(happened.eta) * share),
            "logit": happened.eta,
            "mean_db": happened.mean_db,
            "bias": happened.bias,
            "loss_db": happened.loss_db,
            "step": np.array(STEPS, dtype=object)[happened.step],
            "over": happened.over,
            "rejected": happened.rejected,
            "wear": happened.wear,
            "kept": pd.notna(ids),
            "logged": written,
            "attempt_id": ids,
        }
    )
    return Truth(
        positions=_true_positions(attempts, happened, work),
        attempts=attempts,
        effects=_true_effects(effects),
        onsets=_onsets(parts),
        honesty=pd.Series(honest, index=list(plan.technicians), name="logged"),
    )


def _true_positions(attempts: pd.DataFrame, happened: Happened, work: Work) -> pd.DataFrame:
    order = np.argsort(happened.position, kind="stable")
    begins = order[np.flatnonzero(np.diff(happened.position[order], prepend=-1))]
    first = attempts.iloc[begins]
    tries = np.bincount(happened.position, minlength=len(work.port))
    ends = np.bincount(happened.position[happened.step == 0], minlength=len(work.port)) > 0
    table = first[
        ["position_id", "date", "technician", "splicer", "cleaver", "heater", "connector_type"]
        + ["arc", "chance", "chance_splice", "logit"]
    ].reset_index(drop=True)
    table["fibre_lot"] = np.array(work.fibre_lots, dtype=object)[work.fibre_lot]
    table["connector_lot"] = np.array([*work.connector_lots, ""], dtype=object)[work.connector_lot]
    table["first_pass"] = (first["step"] == "none").to_numpy()
    table["first_pass_splice"] = (first["step"] != "splice").to_numpy()
    table["failed_step"] = first["step"].to_numpy()
    table["tries"] = tries
    table["accepted"] = ends
    return table


def _true_effects(effects: Effects) -> pd.DataFrame:
    rows = []
    for kind in ("technician", "splicer", "cleaver", "heater", "fibre_lot", "connector_lot", "job"):
        fault, loss = effects.faults[kind], effects.losses[kind]
        if len(fault):
            for name, a, b in zip(
                effects.names[kind], fault - fault.mean(), loss - loss.mean(), strict=True
            ):
                rows.append((kind, name, a, b))
    return pd.DataFrame(rows, columns=["kind", "unit", "fault", "loss"])


def _onsets(parts: Parts) -> pd.DataFrame:
    dates = parts.roster.dates.astype("datetime64[ms]")
    rows = []
    for shift in parts.plan.shifts:
        full = np.flatnonzero(growth(shift, len(dates)) >= 1)
        rows.append(
            {
                "kind": shift.kind,
                "unit": shift.unit,
                "date": dates[min(shift.start_day, len(dates) - 1)],
                "full": dates[full[0]] if len(full) else pd.NaT,
                "fault": shift.fault,
                "loss_factor": shift.loss_factor,
                "bias": shift.bias,
            }
        )
    columns = ["kind", "unit", "date", "full", "fault", "loss_factor", "bias"]
    return pd.DataFrame(rows, columns=columns)
