"""Parts of a bid: what is needed at each risk, in packs, and whether all suffices together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import fftconvolve

from yieldkit.answers.bid_chances import STEPS
from yieldkit.crew import ALL, Crew
from yieldkit.methods import predictive
from yieldkit.methods.predictive import Chances, Use, Work
from yieldkit.records.bids import Bid

Array = np.ndarray
OWN_PARTS = ("body", "ring", "boot")
"""Parts that belong to one connector type even where one price serves all types."""
CORD = "cord_m"
TAIL = 1e-8
"""Chance of more failures than are counted."""


@dataclass(frozen=True, eq=False)
class Wanted:
    """One part to have at hand.

    Parameters
    ----------
    connector_type, part : str
        ``connector_type`` is ``all`` for a part that types share.
    base : float
        Pieces that accepted positions use themselves [pieces; m of cord].
    each : mapping
        By type's place: chance that a failure uses 0, 1, 2, ... pieces.
    metres : float
        Cord a failure uses [m]; 0 for pieces.
    price, leftover, pack, in_hand
        Price [currency], value lost by a leftover [currency], pieces in a pack, pieces in hand.
    """

    connector_type: str
    part: str
    base: float
    each: Mapping[int, Array]
    metres: float
    price: float
    leftover: float
    pack: int
    in_hand: float


@dataclass(frozen=True, eq=False)
class Job:
    """A job's distributions at the nodes of its mixture.

    Parameters
    ----------
    chances : Chances
        The mixture.
    works : tuple of Work
        One a type.
    failures : tuple of ndarray, shape (nodes, most + 1)
        Failures of each type at each node.
    wanted : tuple of Wanted
        Parts.
    pieces : tuple of ndarray, shape (nodes, most + 1)
        Pieces of each part that failures use, at each node.
    uses : tuple of Use
        One a type, for the joint chance.
    """

    chances: Chances
    works: tuple[Work, ...]
    failures: tuple[Array, ...]
    wanted: tuple[Wanted, ...]
    pieces: tuple[Array, ...]
    uses: tuple[Use, ...]

    def mixed(self, at: int) -> Array:
        """Distribution of a part's pieces used by failures."""
        return self.chances.weights @ self.pieces[at]

    def total_failures(self) -> Array:
        """Distribution of all failures together."""
        rows = self.failures[0]
        for more in self.failures[1:]:
            rows = np.maximum(fftconvolve(rows, more, axes=1), 0)
        return self.chances.weights @ rows

    def all_suffice(self, spares: Sequence[float]) -> tuple[float, bool]:
        """Chance that spares of every part suffice (one a part, in order), and whether exact."""
        own: list[list[int]] = [[] for _ in self.works]
        shared: list[int] = []
        for wanted, spare in zip(self.wanted, spares, strict=True):
            if wanted.metres:
                spare = spare / wanted.metres + 1e-9
            pieces = max(int(math.floor(spare)), -1)
            if pieces < 0:
                return 0.0, True
            if wanted.connector_type == ALL:
                shared.append(pieces)
            else:
                own[next(iter(wanted.each))].append(pieces)
        return predictive.all_suffice(
            self.chances, self.works, self.uses, own, shared, failures=self.failures
        )


def tries_at(crew: Crew, connector_type: str) -> int:
    """Most tries at a position: the settings' number, or what the tail of cord allows."""
    kind = crew.connector(connector_type)
    strip = kind.strip_jacket_mm + kind.strip_buffer_mm + kind.cleave_mm
    return max(min(kind.max_tries, int(kind.tail_mm // strip) if strip else kind.max_tries), 1)


def parts_wanted(bid: Bid, crew: Crew, steps: Mapping[str, Array]) -> tuple[Wanted, ...]:
    """The parts of a bid: each type's own, then those that types share."""
    made: dict[tuple[str, str], Wanted] = {}
    for place, line in enumerate(bid.lines):
        name = line.connector_type
        by_step = [crew.parts_for_failure(name, step) for step in STEPS]
        for part in dict.fromkeys(part for row in by_step for part in row):
            uses = np.array([row.get(part, 0.0) for row in by_step])
            if part == CORD:
                metres, each = float(uses.max()), np.array([0.0, 1.0])
                base = line.positions * metres
            else:
                metres, each = 0.0, _pieces(uses, steps[name])
                base = float(line.positions * math.ceil(uses.max()))
            owner = name if part == CORD or not _is_shared(crew, part, name) else ALL
            key = (owner, part)
            before = made.get(key)
            price, leftover, pack, in_hand = _bought(bid, crew, part, owner)
            made[key] = Wanted(
                owner,
                part,
                base + (before.base if before else 0.0),
                {**(before.each if before else {}), place: each},
                metres,
                price,
                leftover,
                pack,
                in_hand,
            )
    return tuple(sorted(made.values(), key=lambda wanted: wanted.connector_type == ALL))


def make_job(
    bid: Bid, crew: Crew, chances: Chances, steps: Mapping[str, Array], *, cord: bool = True
) -> Job:
    """Failures and parts of a bid at every node."""
    works = tuple(
        Work(line.positions, tries=tries_at(crew, line.connector_type)) for line in bid.lines
    )
    failures = [
        predictive.node_pmf(chances, work, kind, tail=TAIL) for kind, work in enumerate(works)
    ]
    wanted = [one for one in parts_wanted(bid, crew, steps) if cord or not one.metres]
    pieces = []
    for one in wanted:
        rows: Array | None = None
        for kind, each in one.each.items():
            own = failures[kind]
            if len(each) != 2 or each[1] < 1:  # else each failure uses one piece
                most = own.shape[1] - 1
                own = own @ predictive.pieces_after(each, most, most * (len(each) - 1))
            rows = own if rows is None else np.maximum(fftconvolve(rows, own, axes=1), 0)
        assert rows is not None
        long = int(np.searchsorted(np.cumsum(chances.weights @ rows), 1 - 2 * TAIL)) + 1
        pieces.append(rows[:, : max(long, 1) + 1])
    return Job(
        chances,
        works,
        tuple(failures),
        tuple(wanted),
        tuple(pieces),
        tuple(_use(kind, wanted, bid, crew, steps) for kind in range(len(works))),
    )


def to_buy(job: Job, bid: Bid, *, level: float) -> tuple[list[int], dict[str, float]]:
    """Packs of each part: at least expected cost, or so that all suffices at a service level.

    Returns
    -------
    packs : list of int
        One a part, in order; those that the positions themselves need included.
    why : dict
        ``short`` (chance that something runs short, parts taken as independent given the job),
        ``cost`` [currency] where costs decide.
    """
    base = [_base_packs(one) for one in job.wanted]
    priced = [at for at, one in enumerate(job.wanted) if one.leftover > 0 and not one.metres]
    if bid.event_cost is None or not priced:
        return _at_level(job, base, bid.service_level or level), {}
    items = [
        predictive.Item(
            job.pieces[at],
            predictive.Costs(job.wanted[at].leftover, bid.piece_cost or 0.0),
            pack=job.wanted[at].pack,
            in_hand=_spare(job.wanted[at], base[at]),
        )
        for at in priced
    ]
    best = predictive.best_packs(job.chances.weights, items, bid.event_cost)
    packs = _at_level(job, base, 0.999)
    for at, more in zip(priced, best.packs, strict=True):
        packs[at] = base[at] + more
    return packs, {"short": best.short, "cost": best.cost, "leftover_cost": best.leftover_cost}


def spares_of(job: Job, packs: Sequence[int]) -> list[float]:
    """Pieces (metres of cord) beyond those that the positions use themselves."""
    return [
        one.in_hand + many * one.pack - one.base
        for one, many in zip(job.wanted, packs, strict=True)
    ]


def _at_level(job: Job, base: list[int], level: float) -> list[int]:
    """Packs with which all suffices at a chance wanted, from plenty taking back what buys least.

    Parts count as independent given the job, which understates the chance a little: they fail
    together.
    """
    columns: list[list[Array]] = []  # by part and packs beyond the base: chance at each node
    for at, one in enumerate(job.wanted):
        reached = np.cumsum(job.pieces[at], axis=1)
        mixed = np.cumsum(job.mixed(at))
        plenty = int(np.searchsorted(mixed, 1 - (1 - level) / 1000)) * (one.metres or 1.0)
        most = max(math.ceil((one.base + plenty - one.in_hand) / one.pack - 1e-9) - base[at], 0)
        spare = one.in_hand + (base[at] + np.arange(most + 1)) * one.pack - one.base
        pieces = np.floor(spare / (one.metres or 1.0) + 1e-9).astype(int)
        columns.append(list(reached[:, np.clip(pieces, 0, reached.shape[1] - 1)].T))
    more = [len(column) - 1 for column in columns]
    value = [max(one.price, 1e-3) * one.pack for one in job.wanted]
    weights = job.chances.weights

    def enough(packs: list[int]) -> float:
        here = weights.copy()
        for column, many in zip(columns, packs, strict=True):
            here = here * column[many]
        return float(here.sum())

    now = enough(more)
    while True:
        best: tuple[float, int, float] | None = None
        for at in range(len(more)):
            if more[at]:
                then = enough([*more[:at], more[at] - 1, *more[at + 1 :]])
                rate = (now - then) / value[at]
                if then >= level and (best is None or rate < best[0]):
                    best = (rate, at, then)
        if best is None:
            return [least + many for least, many in zip(base, more, strict=True)]
        more[best[1]] -= 1
        now = best[2]


def _base_packs(one: Wanted) -> int:
    return max(math.ceil((one.base - one.in_hand) / one.pack - 1e-9), 0)


def _spare(one: Wanted, packs: int) -> int:
    return int(math.floor(one.in_hand + packs * one.pack - one.base + 1e-9))


def _pieces(uses: Array, steps: Array) -> Array:
    """Chance that a failure uses 0, 1, 2, ... pieces; half a piece is one in half the cases."""
    made = np.zeros(int(math.ceil(uses.max())) + 2)
    for use, chance in zip(uses, steps, strict=True):
        whole, part = int(use), use - int(use)
        made[whole] += chance * (1 - part)
        made[whole + 1] += chance * part
    return np.trim_zeros(made, "b") if made[1:].any() else made[:2]


def _is_shared(crew: Crew, part: str, name: str) -> bool:
    if part in OWN_PARTS:
        return False
    return not any(row.part == part and row.connector_type == name for row in crew.parts)


def _bought(bid: Bid, crew: Crew, part: str, owner: str) -> tuple[float, float, int, float]:
    """Price, value lost by a leftover, pack and pieces in hand."""
    usual = crew.part(part, owner)
    asked = {(row.part, row.connector_type): row for row in bid.parts}
    own = asked.get((part, owner)) or asked.get((part, ALL))

    def value(field: str, default: float) -> float:
        given = None if own is None else getattr(own, field)
        return float(default if given is None else given)

    price = value("price", usual.price)
    kept = value("leftover_value", usual.leftover_value)
    pack = int(value("pack", usual.pack))
    return price, price * (1 - kept), pack, value("in_hand", usual.stock)


def _use(
    kind: int, wanted: Sequence[Wanted], bid: Bid, crew: Crew, steps: Mapping[str, Array]
) -> Use:
    """Whole pieces by step of a type's own and of the shared parts; half a piece counts whole."""
    name = bid.lines[kind].connector_type
    rows = [crew.parts_for_failure(name, step) for step in STEPS]
    own, shared = [], []
    for one in wanted:
        here = kind in one.each
        if one.metres:
            column = [1 if here else 0] * len(STEPS)
        else:
            column = [math.ceil(row.get(one.part, 0.0)) if here else 0 for row in rows]
        if one.connector_type == ALL:
            shared.append(column)
        elif here:
            own.append(column)
    shape = (len(STEPS), 0)
    return Use(
        np.asarray(steps[name], float),
        np.array(own, int).T if own else np.zeros(shape, int),
        np.array(shared, int).T if shared else np.zeros(shape, int),
    )
