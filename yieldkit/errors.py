"""The one error that a person sees: what is wrong, where, and what to do."""

from dataclasses import dataclass


@dataclass(eq=False)
class CrewError(Exception):
    """Something a person can put right.

    Parameters
    ----------
    what : str
        What is wrong, one clause without a full stop.
    file, row, column : optional
        Where: the file's name, its row as a spreadsheet counts (1 is the first), the column.
    found, wanted : optional
        What came and what was wanted.
    remedy : str
        What to do about it.

    Examples
    --------
    >>> print(CrewError("the zone is unknown", file="crew.toml", column="zone", found="Mars"))
    crew.toml, column "zone": the zone is unknown (found "Mars").
    """

    what: str
    file: str | None = None
    row: int | None = None
    column: str | None = None
    found: str | None = None
    wanted: str | None = None
    remedy: str = ""

    def __str__(self) -> str:
        place = ", ".join(
            part
            for part in (
                self.file,
                None if self.row is None else f"row {self.row}",
                None if self.column is None else f'column "{self.column}"',
            )
            if part
        )
        cell = ""
        if self.found is not None:
            shown = self.found if len(self.found) <= 80 else self.found[:77] + "..."
            cell = f' (found "{shown}"' + (f", wanted {self.wanted})" if self.wanted else ")")
        elif self.wanted:
            cell = f" (wanted {self.wanted})"
        head = f"{place}: {self.what}" if place else self.what
        return f"{head}{cell}." + (f" {self.remedy}" if self.remedy else "")
