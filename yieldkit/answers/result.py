"""What every answer gives back: a frozen table, its findings, and all needed to trust it."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from yieldkit.wording import sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Severity = Literal["decide", "watch", "cannot tell", "note", "fine"]
"""``decide``: needs a decision this week; ``watch``: look again; ``cannot tell``: more data needed;
``note``: worth knowing; ``fine``: checked and in order."""


@dataclass(frozen=True)
class Finding:
    """One thing to say; its words come from ``yieldkit.wording``.

    Parameters
    ----------
    code : str
        Which sentence (a key of a ``SENTENCES`` table in ``yieldkit.wording``).
    values : mapping
        The numbers and names of the sentence, in the units that the sentence expects.
    severity : str
        See ``Severity``.
    step : str
        Code of the suggested step (a key of ``yieldkit.wording.steps.STEPS``), or empty.
    caution : str
        Code of the caution that goes with the step (``yieldkit.wording.steps.CAUTIONS``), or empty.
    """

    code: str
    values: Mapping[str, Any]
    severity: Severity = "note"
    step: str = ""
    caution: str = ""

    def __str__(self) -> str:
        return sentence(self.code, self.values)


@dataclass(frozen=True, eq=False, kw_only=True)
class Result:
    """An answer: ``table`` is tidy, units in column names, with ``n``, ``low`` and ``high``.

    Parameters
    ----------
    table : DataFrame
        The answer's figures.
    findings : tuple of Finding
        What the figures say, most urgent first.
    settings : mapping
        The settings that the answer used.
    confidence : float
        Coverage of the intervals [fraction].
    as_of : Timestamp, optional
        Newest record known to the answer (UTC).
    behind : DataFrame, optional
        One row per record and figure: the figure's keys beside ``position_id`` or ``attempt_id``.
    """

    table: pd.DataFrame
    findings: tuple[Finding, ...] = ()
    settings: Mapping[str, Any] = field(default_factory=dict)
    confidence: float = 0.95
    as_of: pd.Timestamp | None = None
    behind: pd.DataFrame | None = None

    def rows(self, **figure: Any) -> pd.DataFrame:
        """Records behind a figure, for example ``rows(by="cleaver", group="C-02")``."""
        if self.behind is None:
            raise ValueError(
                f"{type(self).__name__} keeps no rows; it is computed from counts alone"
            )
        unknown = set(figure) - set(self.behind.columns)
        if unknown:
            raise ValueError(
                f"no column {sorted(unknown)}; wanted some of {list(self.behind.columns)}"
            )
        chosen = self.behind
        for column, value in figure.items():
            chosen = chosen[chosen[column] == value]
        return chosen

    def plot(self, ax: Axes) -> Axes:
        """Draw the answer on ``ax`` and return it."""
        raise NotImplementedError(f"{type(self).__name__} has no picture")

    def __str__(self) -> str:
        return "\n".join(str(found) for found in self.findings) or "Nothing to report."

    def _repr_html_(self) -> str:
        said = "".join(f"<li>{html.escape(str(found))}</li>" for found in self.findings)
        return f"<ul>{said}</ul>{self.table.to_html(escape=True, float_format='{:.4g}'.format)}"
