"""Which column of a new file is what: by its cells first, by its heading second."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from yieldkit.records.declared import keys_of
from yieldkit.records.headings import likeness, unit_in
from yieldkit.records.naming import is_angle, reading_in
from yieldkit.records.profiles import Profile, suits
from yieldkit.records.words import plain

TABLES = (
    *("attempts", "measurements", "rework", "kit_use", "planned", "jobs", "service", "stock"),
    *("checks", "decisions"),
)
_CELLS, _WORDS = 0.45, 0.55
_ENOUGH = 0.45
_BY_CELLS = {
    *("when", "counter", "place", "loss", "connector_type", "outcome", "result", "cause"),
    *("wavelength_nm", "technician", "splicer", "cleaver", "heater", "job", "check"),
    *("quantity",),
}
"""Keys that cells alone may tell, where no heading does."""
_NEEDS: dict[str, tuple[tuple[str, ...], ...]] = {
    "attempts": (
        ("loss", "ribbon"),
        ("when", "counter"),
        ("place", "panel", "port", "job", "counter", "fibre"),
    ),
    "measurements": (("value", "readings"), ("place", "port", "panel")),
    "rework": (("when",), ("cause", "step", "disposition")),
    "kit_use": (("when",), ("technician",), ("splicer", "cleaver", "heater")),
    "planned": (("panel", "place", "port"), ("connector_type", "ports")),
    "jobs": (("job",), ("planned", "opened", "site")),
    "service": (("when",), ("unit",), ("event",)),
    "stock": (("part",), ("quantity",)),
    "checks": (("when",), ("check", "unit"), ("value",)),
    "decisions": (("decision",),),
}
_BARS: dict[str, tuple[str, ...]] = {
    "planned": ("when",),
    "jobs": ("when", "panel", "place", "cause", "loss"),
    "kit_use": ("loss", "cause", "place"),
    "service": ("loss", "place"),
}
"""Keys whose presence speaks against a table."""


@dataclass(frozen=True)
class Assigned:
    """Columns of one table: places by key, how sure, why; readings; ribbon; the whole's score."""

    table: str
    places: dict[str, tuple[int, ...]]
    sure: dict[str, float]
    why: dict[str, str]
    readings: tuple[tuple[int, str, float | None], ...] = ()
    ribbon: dict[str, tuple[int, ...]] | None = None
    score: float = 0.0

    def taken(self) -> set[int]:
        """Columns that have a meaning."""
        found = {p for several in self.places.values() for p in several}
        found |= {place for place, _, _ in self.readings}
        return found | {p for several in (self.ribbon or {}).values() for p in several}


def assign(names: Sequence[str], profiles: Sequence[Profile], table: str) -> Assigned:
    """Give each column of a file its most likely key of one table."""
    readings = _readings(names, profiles) if table == "measurements" else ()
    ribbon = _ribbon(names, profiles) if table == "attempts" else None
    away = {place for place, _, _ in readings}
    away |= {p for several in (ribbon or {}).values() for p in several}
    keys = [key for key in keys_of(table) if key not in ("serial",) or table == "attempts"]
    if readings:
        said = {"value", "quantity", "direction"}
        said |= {"wavelength_nm"} if any(nm for _, _, nm in readings) else set()
        keys = [key for key in keys if key not in said]
    if ribbon:
        keys = [key for key in keys if key != "loss" and key not in ribbon]
    scored = []
    no_rows = not any(found.values for found in profiles)
    for place, (name, found) in enumerate(zip(names, profiles, strict=True)):
        if place in away:
            continue
        for key in keys:
            total, like, fit = _score(name, found, key, table)
            if no_rows and like:  # nothing but headings to go by
                total, fit = _WORDS * like, 0.0
            if total:
                scored.append((total, -place, key, like, fit))
    scored.sort(key=lambda one: (-one[0], -one[1]))
    places: dict[str, tuple[int, ...]] = {}
    sure, why = {}, {}
    used = set(away)
    for total, minus, key, like, fit in scored:
        place = -minus
        if key in places or place in used:
            continue
        places[key], used = (place,), used | {place}
        sure[key] = round(min(0.99, total), 2)
        why[key] = _why(names[place], like, fit)
    _add_time(names, profiles, places, used)
    if table == "attempts":
        _bare_angles(names, profiles, places, sure, why, used)
    _second_angle(places, sure)
    share = sum(sure.values()) + 0.9 * len(away)
    filled = sum(1 for found in profiles if found.values) or len(profiles)
    made = Assigned(table, places, sure, why, readings, ribbon)
    score = share / max(filled, len(made.taken()), 1) if _complete(made) else 0.0
    for bar in _BARS.get(table, ()):
        fits = max(
            (_score(n, p, bar, "")[0] for n, p in zip(names, profiles, strict=True)), default=0
        )
        score -= 0.25 if fits >= 0.75 and bar not in places else 0.0
    score -= 0.1 if table in ("checks", "decisions") else 0.0
    return Assigned(table, places, sure, why, readings, ribbon, round(max(0.0, score), 4))


def _score(name: str, found: Profile, key: str, table: str) -> tuple[float, float, float]:
    """Whole score, likeness of the heading, fit of the cells; all 0 if it cannot be."""
    asked = "quantity_pieces" if (table, key) == ("stock", "quantity") else key
    fit = suits(found, asked)
    like = likeness(name, asked)
    if table == "measurements" and key == "value" and reading_in(name):
        like = max(like, 0.8)
    if key == "port" and table != "attempts":  # a closure's places are its fibres
        like = max(like, 0.8 * likeness(name, "fibre"))
    if key in ("loss", "value") and unit_in(name).casefold() == "db":
        like = max(like, 0.6)
    if not fit:
        return 0.0, like, fit
    total = _CELLS * fit + _WORDS * like
    if like:
        return (total if total >= _ENOUGH else 0.0), like, fit
    enough = fit >= 0.9 and key in _BY_CELLS
    return (total if enough else 0.0), like, fit


def _why(name: str, like: float, fit: float) -> str:
    by_cells = (
        "cells are such" if fit >= 0.8 else "cells could be" if fit >= 0.4 else "cells tell little"
    )
    by_words = "the heading says so" if like >= 0.9 else "the heading is like it" if like else ""
    return ", ".join(part for part in (by_cells, by_words) if part) + f' ("{name}")'


def _add_time(
    names: Sequence[str],
    profiles: Sequence[Profile],
    places: dict[str, tuple[int, ...]],
    used: set[int],
) -> None:
    """A time of day in a column of its own joins the date."""
    place = places.get("when", (None,))[0]
    if place is None:
        return
    if profiles[place].time > 0.8:  # a time was taken: look for its date
        dates = [p for p, one in enumerate(profiles) if one.date > 0.7 and p not in used]
        places["when"] = (dates[0], place) if dates else (place,)
        return
    times = [p for p, one in enumerate(profiles) if one.time > 0.8 and p not in used]
    if all(re.fullmatch(r"\d{8}", word) for word in profiles[place].words):
        digits = [p for p, one in enumerate(profiles) if _six_digits(one) and p not in used]
        times += [p for p in digits if p == place + 1]
    near = sorted(times, key=lambda p: (-likeness(names[p], "when"), abs(p - place)))
    if near and not _has_clock(profiles[place]):
        places["when"] = (place, near[0])


def _six_digits(found: Profile) -> bool:
    clock = re.compile(r"([01]\d|2[0-3])[0-5]\d[0-5]\d")
    return bool(found.words) and all(clock.fullmatch(word) for word in found.words)


def _has_clock(found: Profile) -> bool:
    return any(re.search(r"\d[T\s,]+\d{1,2}[:.h]\d{2}", word) for word in found.words)


def _bare_angles(
    names: Sequence[str],
    profiles: Sequence[Profile],
    places: dict[str, tuple[int, ...]],
    sure: dict[str, float],
    why: dict[str, str],
    used: set[int],
) -> None:
    """Angles whose headings do not say whose: the first of two is taken as the crew's own."""
    keys = [key for key in ("angle_crew_deg", "angle_other_deg") if key not in places]
    free = [p for p, one in enumerate(profiles) if p not in used and suits(one, "angle_crew_deg")]
    told = [p for p in free if is_angle(names[p]) and suits(profiles[p], "angle_crew_deg") >= 0.5]
    alike = [p for p in free if suits(profiles[p], "angle_crew_deg") >= 0.8]
    by_cells = len(keys) == 2 == len(alike) and alike[1] == alike[0] + 1 and not told
    for key, place in zip(keys, alike if by_cells else told, strict=False):
        places[key], sure[key] = (place,), 0.6 if by_cells else 0.7
        used.add(place)
        side = "first" if key == "angle_crew_deg" else "second"
        what = "cells like cleave angles" if by_cells else "an angle"
        why[key] = f'{what}, the {side} of two; check whose end it is ("{names[place]}")'


def _second_angle(places: dict[str, tuple[int, ...]], sure: dict[str, float]) -> None:
    """One angle alone is not known to be the crew's; two in a row are own and other."""
    own, other = places.get("angle_crew_deg"), places.get("angle_other_deg")
    if own and other and own > other and max(sure["angle_crew_deg"], sure["angle_other_deg"]) < 0.8:
        places["angle_crew_deg"], places["angle_other_deg"] = other, own


def _complete(found: Assigned) -> bool:
    have = set(found.places)
    have |= {"readings"} if found.readings else set()
    have |= {"ribbon"} if found.ribbon else set()
    return all(have & set(group) for group in _NEEDS[found.table])


def _readings(
    names: Sequence[str], profiles: Sequence[Profile]
) -> tuple[tuple[int, str, float | None], ...]:
    """Columns of a wide test row."""
    found: list[tuple[int, str, float | None]] = []
    for place, (name, one) in enumerate(zip(names, profiles, strict=True)):
        said = reading_in(name)
        if said is None or likeness(name, "result") >= 0.9 and said[0] != "end face":
            continue
        if said[0] == "end face":
            if one.result > 0.6 and one.number < 0.5:
                found.append((place, said[0], None))
        elif one.number > 0.5 and one.decimals > 0 and one.date < 0.3:
            found.append((place, *said))
        elif not one.values and (said[1] or said[0] != "insertion loss"):
            found.append((place, *said))  # a column that this file leaves empty
    if not any(quantity == "one-way loss" for _, quantity, _ in found):
        by_words = {place for place, *_ in found if re.search(r"way|dir|beid", plain(names[place]))}
        found = [
            (p, "insertion loss" if q == "two-way loss" and p not in by_words else q, nm)
            for p, q, nm in found
        ]
    told = [r for r in found if r[1] != "insertion loss" or r[2]]
    return tuple(found) if len(found) >= 2 or told and found[0][1] != "end face" else ()


def _ribbon(names: Sequence[str], profiles: Sequence[Profile]) -> dict[str, tuple[int, ...]] | None:
    """Numbered columns of losses, and of angles, in one record."""
    groups: dict[str, dict[int, int]] = {}
    for place, (name, one) in enumerate(zip(names, profiles, strict=True)):
        match = re.search(r"^(.*?)\s*#?(\d{1,2})\s*(\(.*\)|\[.*\]|_?db)?\s*$", name, re.I)
        stem, number = (match[1], int(match[2])) if match else ("", 0)
        if not match and (before := re.search(r"^#?(\d{1,2})[\s._-]+(.*)$", name)):
            stem, number = before[2], int(before[1])
        shown = one.number > 0.3 and one.decimals > 0
        if not one.values:  # empty in this file: the heading must say what it is
            shown = max(likeness(stem, "fibre"), likeness(stem, "loss")) >= 0.8
        if shown and 1 <= number <= 24:
            groups.setdefault(plain(stem), {})[number] = place
    found: dict[str, tuple[int, ...]] = {}
    least = 2 if _two_fibres(names, profiles) else 3
    for stem, numbered in groups.items():
        if len(numbered) < least or sorted(numbered) != list(range(1, len(numbered) + 1)):
            continue
        columns = tuple(numbered[number] for number in sorted(numbered))
        angle = max(likeness(f"{stem} a", "angle_crew_deg"), likeness(stem, "angle_crew_deg"))
        other = likeness(stem, "angle_other_deg")
        middle = max((profiles[p].middle for p in columns if profiles[p].values), default=0.0)
        if angle >= 0.9 and "angle_crew_deg" not in found:
            found["angle_crew_deg"] = columns
        elif other >= 0.9:
            found["angle_other_deg"] = columns
        elif "loss" not in found and middle < 1 and (len(numbered) > 2 or _of_fibres(stem)):
            found["loss"] = columns
    return found if "loss" in found else None


def _of_fibres(stem: str) -> bool:
    return bool(likeness(stem, "loss") or likeness(stem, "fibre"))


def _two_fibres(names: Sequence[str], profiles: Sequence[Profile]) -> bool:
    """Whether a row seems to be of two fibres: a ribbon is named, or a span of two ports."""
    if any(likeness(name, "ribbon") >= 0.8 for name in names):
        return True
    spans = re.compile(r"(?:^|\D)(\d{1,4})\s*[-\u2013]\s*(\d{1,4})$")
    for one in profiles:
        found = [match for word in one.words if (match := spans.search(word))]
        pairs = sum(int(match[2]) == int(match[1]) + 1 for match in found)
        if one.date < 0.3 and pairs > 0.8 * max(1, len(one.words)):
            return True
    return False


UNIT_NAMES = {
    **{"db": "dB", "mdb": "mdB", "deg": "deg", "°": "deg", "grad": "deg", "degrees": "deg"},
    **{"0.01db": "0.01 dB", "0,01db": "0.01 dB", "1/100db": "0.01 dB", "cdb": "0.01 dB"},
    **{"0.1deg": "0.1 deg", "0.1°": "0.1 deg", "0,1°": "0.1 deg", "1/10°": "0.1 deg"},
    **{"mrad": "mrad", "rad": "rad", "min": "min", "h": "h", "std": "h", "s": "s", "sec": "s"},
    **{"m": "m", "cm": "cm", "mm": "mm", "nm": "nm", "um": "um", "µm": "um"},
}
_PLAIN_UNITS = {
    **{"loss": "dB", "value": "dB", "angle_crew_deg": "deg", "angle_other_deg": "deg"},
    **{"rework_min": "min", "cord_m": "m", "wavelength_nm": "nm"},
}


def unit_of(name: str, key: str) -> str:
    """Unit that the heading names, if it is not the table's own; empty otherwise."""
    usual = _PLAIN_UNITS.get(key)
    said = UNIT_NAMES.get(unit_in(name).lower().replace(" ", "").replace("minutes", "min"), "")
    return said if usual and said and said != usual else ""
