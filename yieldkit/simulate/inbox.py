"""A simulated crew's folder: raw files with their defects, layouts, settings, and the counts."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from yieldkit.crew import Alias
from yieldkit.simulate import lists
from yieldkit.simulate.crew import SimulatedCrew
from yieldkit.simulate.exports import Export, count_exports, crew_records, make_exports
from yieldkit.simulate.formats import FORMATS
from yieldkit.simulate.settings import settings_toml
from yieldkit.simulate.spoilt import Defects, Spoiler

ORDER = ("skarvlista", "joint_list", "cahier", "zapis", "columns")
"""Formats given to the splicers in turn unless the caller chooses."""
LISTS = {
    "test_results.csv": ("test_results", lists.TESTS_TOML),
    "rework.xlsx": ("rework_log", lists.REWORK_TOML),
    "kit_sheet.csv": ("kit_sheet", lists.KIT_TOML),
    "panel_schedule.csv": ("panel_schedule", lists.SCHEDULE_TOML),
    "job_list.csv": ("job_list", lists.JOBS_TOML),
    "service_book.csv": ("service_book", lists.SERVICE_TOML),
    "stores.csv": ("stores", lists.STOCK_TOML),
    "morning_checks.csv": ("morning_checks", lists.CHECKS_TOML),
}
"""File, name of its layout, the layout."""


def write_inbox(
    crew: SimulatedCrew,
    folder: Path | str,
    *,
    layouts: Mapping[str, str] | None = None,
    weeks: int = 1,
    defects: Defects | None = None,
    seed: int = 0,
) -> dict[str, Any]:
    """Write ``inbox/``, ``layouts/`` and ``crew.toml`` into a folder.

    Parameters
    ----------
    crew : SimulatedCrew
        From ``simulate``.
    folder : Path
        Folder to write into; made if need be.
    layouts : mapping, optional
        Unit code of a splicer to the name of its format (``formats.FORMATS``); else in turn.
        Ribbon arcs go into files of the format ``tape``.
    weeks : int
        Weeks between two downloads of one splicer.
    defects : Defects, optional
        What goes wrong; the usual disorder if left out.
    seed : int
        Seed of the defects.

    Returns
    -------
    dict
        By file: ``data_rows`` and, for splicer exports, ``good`` (first readable row of a record,
        files in order of name), ``duplicate``, ``malformed`` with reasons, ``flags``;
        ``_all_splice_exports`` sums them.

    Raises
    ------
    ValueError
        If a format or splicer is unknown.
    """
    units = [splicer.unit for splicer in crew.parts.plan.splicers]
    chosen = {unit: ORDER[i % len(ORDER)] for i, unit in enumerate(units)} | dict(layouts or {})
    for unit, name in chosen.items():
        if unit not in units or name not in FORMATS:
            raise ValueError(
                f"layouts gives {unit} the format {name!r}; splicers are {', '.join(units)},"
                f" formats {', '.join(FORMATS)}"
            )
    folder = Path(folder)
    spoiler = Spoiler(defects or Defects(), np.random.default_rng([seed, 7]))
    records = crew_records(crew, spoiler)
    exports = make_exports(crew, records, chosen, weeks, spoiler)
    counts = count_exports(exports, spoiler, len(records))
    files = {export.name: export.data for export in exports}
    nicknames = {crew.parts.plan.technicians[-1]: "blue van"}
    made = {
        "test_results.csv": lists.tests_file(crew, spoiler),
        "rework.xlsx": lists.rework_file(crew, spoiler, nicknames),
        "kit_sheet.csv": lists.kit_file(crew),
        "panel_schedule.csv": lists.schedule_file(crew),
        "job_list.csv": lists.jobs_file(crew),
        "service_book.csv": lists.service_file(crew),
        "stores.csv": lists.stock_file(crew),
        "morning_checks.csv": lists.checks_file(crew),
    }
    for name, (data, truth) in made.items():
        files[name], counts[name] = data, truth
    if spoiler.defects.strays:
        strays = _strays(exports)
        files |= {name: data for name, (data, _) in strays.items()}
        counts |= {name: truth for name, (_, truth) in strays.items()}
    _write(folder / "inbox", files)
    texts = {f"{FORMATS[e.fmt.name].name}.toml": e.fmt.toml for e in exports}
    texts |= {f"{layout}.toml": toml for layout, toml in LISTS.values()}
    _write(folder / "layouts", {name: text.encode() for name, text in sorted(texts.items())})
    aliases = tuple(
        Alias(kind="technician", written=name, meaning=code) for code, name in nicknames.items()
    )
    settings = crew.crew.model_copy(update={"aliases": aliases})
    _write(folder, {"crew.toml": settings_toml(settings).encode()})
    return counts


def _strays(exports: list[Export]) -> dict[str, tuple[bytes, dict[str, Any]]]:
    """Files that are no records: empty, headings only, about something else."""
    keys = "key,borrowed by,back\r\n4,night crew,yes\r\n7,,no\r\n"
    found: dict[str, tuple[bytes, dict[str, Any]]] = {
        "new file.csv": (b"", {"kind": "empty"}),
        "depot_keys.csv": (keys.encode(), {"kind": "not_an_export"}),
    }
    text = [e.fmt for e in exports if not e.fmt.workbook and not e.fmt.fixed and not e.fmt.ribbon]
    if text:
        fmt = text[-1]
        head = fmt.delimiter.join(fmt.headings) + fmt.line_end
        found["headings only.csv"] = (head.encode(fmt.encoding), {"kind": "header_only"})
    return found


def _write(folder: Path, files: Mapping[str, bytes]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        (folder / name).write_bytes(data)
