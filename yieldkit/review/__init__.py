"""Pages, workbooks and tables of the weekly review: the answers, written to files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from yieldkit.review.model import Review


@dataclass(frozen=True)
class Written:
    """Where a review lies, and how much it asks to decide."""

    page: Path
    workbook: Path
    tables: tuple[Path, ...]
    given: Path
    review: Review

    def lines(self) -> list[str]:
        """What a person is told: what the week asks, and where to read it."""
        from yieldkit.wording.page import lede, opening

        found = {name: len(self.review.found(name)) for name in ("decide", "cannot tell", "watch")}
        said = [opening(found["decide"], found["cannot tell"], found["watch"])]
        said += [f"  {finding}" for _, finding in self.review.found("decide")]
        if len(self.review.overall):
            said.append(lede(self.review.overall))
        return [
            f"{self.review.crew}, {self.review.week}:",
            *said,
            f"Page:     {self.page}",
            f"Workbook: {self.workbook}",
            f"Tables:   {self.page.parent / 'tables'}",
        ]


def write_review(folder: Path | str, *, week: str | None = None, lead: bool = False) -> Written:
    """Write a week's review of the crew in ``folder`` into ``reviews/<week>/``.

    Parameters
    ----------
    folder : Path
        The crew's folder.
    week : str, optional
        A week such as "2026-W47", or any date in it; the last whole week if missing.
    lead : bool
        The lead's own view, with figures on persons, into ``reviews/<week>/lead/``.

    Raises
    ------
    CrewError
        If the folder is no crew's, or the week is unknown or holds no record.
    """
    from yieldkit.records.opened import open_crew
    from yieldkit.review.gather import gather
    from yieldkit.review.given import keep_given
    from yieldkit.review.page import render

    crew = open_crew(Path(folder))
    review, shared_first_pass = gather(crew, week=week, lead=lead)
    home = Path(folder) / "reviews" / review.week
    goal = home / "lead" if lead else home
    return _write(review, goal, keep_given(home, shared_first_pass), render(review))


def _write(review: Review, goal: Path, given: Path, page: str) -> Written:
    from yieldkit.review.files import replace_text
    from yieldkit.review.tables import write_tables
    from yieldkit.review.workbook import write_workbook

    tables = write_tables(goal / "tables", review.stable)
    workbook = write_workbook(goal / "review.xlsx", review)
    written = replace_text(goal / "review.html", page)
    return Written(written, workbook, tuple(tables), given, review)
