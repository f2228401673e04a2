"""What the headings of readings and angles name: quantity, wavelength, direction, angle."""

from __future__ import annotations

import re

from yieldkit.records.headings import unit_in
from yieldkit.records.words import plain

_READINGS = {
    "two-way loss": r"two.?way|bi.?dir|both ways|beidseit",
    "one-way loss": r"one.?way|uni.?dir|otdr|einseit",
    "return loss": (
        r"return|\bo?r\.?l\b|reflect|ruckfluss|reflexion|retour|retorno|ritorno|riflession|"
        r"heijast|reflekt|odbic|odraz|paluu"
    ),
    "end face": (
        r"end ?face|stirnflache|endflache|face|cara|faccia|andyta|endeflate|paatypinta|paa\b|"
        r"czolo|celo|inspection|inspektion"
    ),
    "insertion loss": (
        r"\bi\.?l\b|insertion|einfug|attenuation|dampfung|vaimennus|dampning|tlumienn|utlum|"
        r"perdita|perdida|perte|demping|\bloss\b"
    ),
}


_MEAN = re.compile(
    r"\b(mean|average|avg|mittel\w*|durchschnitt|moyenne|moy|media|medel\w*|gemiddeld\w*|keskiarvo|"
    r"srednia|prumer)\b"
)
"""Words of a mean: of both directions, where the file has readings of each."""


_ANGLE = re.compile(r"angl|angol|angul|winkel|vinkel|kulma|\bkat\b|uhel|hoek|cleave")


def is_angle(heading: str) -> bool:
    """Whether a heading speaks of an angle, whichever end's."""
    unit = unit_in(heading).casefold() or plain(heading).rsplit(" ", 1)[-1]
    return bool(_ANGLE.search(plain(heading))) or unit in ("deg", "°", "grad")


def direction_in(heading: str) -> str:
    """Direction of a one-way reading that a heading names; empty if none."""
    low = plain(heading)
    if re.search(r"\b(back|b ?(to|-|>|->) ?a|ruck\w*|retour|vuelta|ritorno|powrot)\b", low):
        return "B to A"
    out = re.search(r"\b(out|forth|a ?(to|-|>|->) ?b|hin\w*|aller|ida|andata|tam)\b", low)
    return "A to B" if out else ""


def reading_in(heading: str) -> tuple[str, float | None] | None:
    """Quantity and wavelength that the heading of a wide test row names; ``None`` if neither."""
    low = plain(heading)
    nm = re.search(r"(?<!\d)(850|980|1300|1310|1383|1490|1550|1577|1610|1625|1650)(?!\d)", low)
    for quantity in _READINGS:
        if re.search(_READINGS[quantity], low):
            return quantity, float(nm[1]) if nm else None
    if nm is None:
        return None
    if direction_in(heading):
        return "one-way loss", float(nm[1])
    return "two-way loss" if _MEAN.search(low) else "insertion loss", float(nm[1])
