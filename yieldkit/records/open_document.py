"""Merged cells of an open document's sheets, which the reader of workbooks does not tell."""

from __future__ import annotations

import io
import zipfile
from typing import Any
from xml.etree import ElementTree  # entities are refused before

Range = tuple[tuple[int, int], tuple[int, int]]


def merged_ranges(data: bytes) -> dict[str, tuple[Range, ...]]:
    """Merged ranges of each sheet by its name: corners as (row, column) from 0, included.

    Parameters
    ----------
    data : bytes
        A packed workbook that was checked already; other kinds than open documents have none here.
    """
    packed = zipfile.ZipFile(io.BytesIO(data))
    found: dict[str, list[Range]] = {}
    if "content.xml" not in packed.namelist():
        return {}
    row = column = 0
    mine: list[Range] = []
    with packed.open("content.xml") as stream:
        for event, element in ElementTree.iterparse(stream, ("start", "end")):
            tag = element.tag.rsplit("}", 1)[-1]
            if event == "start" and tag == "table":
                row, mine = 0, found.setdefault(_said(element, "name", ""), [])
            elif event == "start" and tag == "table-row":
                column = 0
            elif event == "end" and tag in ("table-cell", "covered-table-cell"):
                down, right = _number(element, "rows-spanned"), _number(element, "columns-spanned")
                if down > 1 or right > 1:
                    mine.append(((row, column), (row + down - 1, column + right - 1)))
                column += _number(element, "columns-repeated")
            elif event == "end" and tag == "table-row":
                row += _number(element, "rows-repeated")
                element.clear()
    return {name: tuple(ranges) for name, ranges in found.items()}


def _said(element: ElementTree.Element, name: str, none: str) -> str:
    """Value of an attribute, whatever the name space."""
    values: dict[str, Any] = {key.rsplit("}", 1)[-1]: v for key, v in element.attrib.items()}
    return str(values.get(name, none))


def _number(element: ElementTree.Element, what: str) -> int:
    said = _said(element, f"number-{what}", "1")
    return int(said) if said.isdigit() else 1
