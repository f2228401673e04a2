"""The weekly page: one file of HTML that reads on a screen, on a phone and on paper."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import jinja2

from yieldkit.answers.result import Finding
from yieldkit.review.model import Review, Section
from yieldkit.wording import page as words
from yieldkit.wording.numbers import day, percent
from yieldkit.wording.steps import caution_words, step_words

TEMPLATES = Path(__file__).parent / "templates"
MOST_AT_THE_TOP = 6
"""So many findings of a kind stand at the top; the rest stay in their sections."""


@dataclass(frozen=True)
class Said:
    """A finding in words."""

    severity: str
    text: str
    step: str
    caution: str
    section: str
    number: int = 0


def render(review: Review) -> str:
    """The page of a review as HTML; all text from the records is escaped."""
    top = {
        severity: [
            _said(code, found, number)
            for number, (code, found) in enumerate(_first(review, severity), start=1)
        ]
        for severity in ("decide", "cannot tell", "watch")
    }
    title, dates = words.week_title(review.week, review.first_day, review.last_day)
    counts = {severity: len(review.found(severity)) for severity in top}
    return _template().render(
        review=review,
        title=title,
        dates=dates,
        as_of="" if review.as_of is None else f"{day(review.as_of)}, {review.as_of:%H:%M}",
        opening=words.opening(counts["decide"], counts["cannot tell"], counts["watch"]),
        lede=words.lede(review.overall) if len(review.overall) else "",
        top=top,
        below={
            severity: words.more_below(counts[severity] - len(said))
            for severity, said in top.items()
        },
        sections=[
            _laid_out(section, number, top) for number, section in enumerate(review.sections, 1)
        ],
        severities=words.SEVERITIES,
        reading=[
            line.replace("{confidence}", percent(review.confidence, 0)) for line in words.READING
        ],
        nothing=words.NOTHING_TO_DECIDE,
        privacy=words.PRIVACY,
        privacy_lead=words.PRIVACY_LEAD,
        safety=words.SAFETY,
        demo=words.DEMO,
        css=(TEMPLATES / "page.css").read_text("utf-8"),
    )


@cache
def _template() -> jinja2.Template:
    surroundings = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return surroundings.get_template("page.html.j2")


def _first(review: Review, severity: str) -> list[tuple[str, Finding]]:
    """The findings of a severity that stand at the top; what came in comes after the work."""
    found = sorted(review.found(severity), key=lambda pair: pair[0] == "arrived")
    return found[:MOST_AT_THE_TOP]


def _said(section: str, found: Finding, number: int = 0) -> Said:
    return Said(
        severity=found.severity,
        text=str(found),
        step=step_words(found.step, found.values),
        caution=caution_words(found.caution),
        section=section,
        number=number,
    )


def _laid_out(section: Section, number: int, top: Mapping[str, list[Said]]) -> dict[str, Any]:
    title, about = words.SECTIONS[section.code]
    above = {said.text for each in top.values() for said in each}
    findings = [_said(section.code, found) for found in section.findings if str(found) not in above]
    nothing = words.NOTHING_HERE[section.code] if section.empty else ""
    if not (section.empty or findings or section.pictures or section.tables):
        nothing = words.SAID_ABOVE
    return {
        "code": section.code,
        "number": number,
        "title": title,
        "about": about,
        "above": [said.number for said in top["decide"] if said.section == section.code],
        "findings": findings,
        "pictures": section.pictures,
        "tables": section.tables,
        "nothing": nothing,
    }
