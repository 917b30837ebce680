"""How a batch's sheet is read: the proposals of intake, confirmed by a person and remembered for the next such sheet.

What is confirmed is intake's own :class:`Layout`, kept with the batch and, by its headings, for the whole site.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from passage_cv.config import parse_settings
from passage_cv.errors import InputError
from passage_cv.files import canonical_json, sha256_bytes
from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.columns import CANONICAL
from passage_cv.intake.layout import Layout, foreign_columns, write_layout
from passage_cv.intake.lines import as_number
from passage_cv.intake.sheet import LAYOUT
from passage_cv.intake.units import SI_UNIT, to_si, units_of
from passage_cv.web.settings import WebSettings

SAMPLES = 4
IGNORED = ""


def layouts_folder(settings: WebSettings) -> Path:
    """Where confirmed layouts are remembered."""
    folder = settings.data / "layouts"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def sheet_values(batch: CheckedBatch) -> dict[str, Any]:
    """How a check read the sheet: headings as received, cells to know them by, proposals, what is confirmed."""
    headings = list(batch.layout.headings) if batch.layout else list(batch.headings)
    return {
        "name": batch.sheet.name,
        "headings": [heading for heading in headings if heading],
        "samples": {heading: _samples(batch, heading) for heading in headings if heading},
        "proposals": {
            one.heading: {
                "column": one.column,
                "unit": one.unit,
                "length_type": one.length_type,
                "confidence": one.confidence,
            }
            for one in batch.proposals
        },
        "layout": batch.layout.model_dump(mode="json") if batch.layout else {},
    }


def column_rows(sheet: Mapping[str, Any]) -> list[dict[str, Any]]:
    """One row per heading for the page: its samples and what it is confirmed, proposed or named to be."""
    confirmed = {use["heading"]: use for use in sheet.get("layout", {}).get("use", ())}
    rows = []
    for heading in sheet.get("headings", ()):
        plain = heading if heading in CANONICAL and not confirmed else IGNORED
        own = {"column": plain, "unit": SI_UNIT.get(plain, ""), "length_type": ""}
        use = confirmed.get(heading) or (not confirmed and sheet["proposals"].get(heading)) or own
        rows.append({"heading": heading, "samples": sheet["samples"].get(heading, ()), **use})
    return rows


def read_form(sheet: Mapping[str, Any], form: Mapping[str, str], who: str) -> Layout:
    """The layout that a person confirmed on the page.

    Raises
    ------
    InputError
        If a column is named twice, is none of ours, or cannot have its unit.
    """
    headings = list(sheet.get("headings", ()))
    use = [_use(heading, n, form) for n, heading in enumerate(headings) if form.get(f"column-{n}")]
    _require_once([one["column"] for one in use])
    values = {
        "headings": headings,
        "use": use,
        "who": who,
        "repeated": [heading for n, heading in enumerate(headings) if form.get(f"repeated-{n}")],
        **{name: form[name] for name in ("dates", "offset", "decimal", "blanks") if name in form},
    }
    layout = parse_settings(values, Layout, where="columns")
    if foreign := foreign_columns(layout):
        raise InputError(
            f"No such column or unit: {', '.join(foreign)}", where="columns", do="Choose from the lists."
        )
    return layout


def keep_layout(settings: WebSettings, root: Path, layout: Layout) -> None:
    """Keep it with the batch and remember it for the next sheet with the same headings."""
    root.mkdir(parents=True, exist_ok=True)
    write_layout(layout, root / LAYOUT)
    name = sha256_bytes(canonical_json(list(layout.headings)))[:24]
    write_layout(layout, layouts_folder(settings) / f"{name}.toml")


def as_received(sheet: Mapping[str, Any], column: str, value: str) -> tuple[str, str]:
    """The heading of the crew's sheet that holds a column, and the value in the unit of that heading.

    Examples
    --------
    >>> inches = {"layout": {"use": [{"heading": "TL in", "column": "length_mm", "unit": "in"}], "decimal": "."}}
    >>> as_received(inches, "length_mm", "508"), as_received({}, "sex", "F")
    (('TL in', '20'), ('sex', 'F'))
    """
    layout = sheet.get("layout") or {}
    use = next((one for one in layout.get("use", ()) if one["column"] == column), None)
    if use is None:
        return column, value
    number, unit = as_number(value), use.get("unit") or ""
    if number is None or unit in {"", SI_UNIT.get(column)}:
        return use["heading"], value
    zero, one = to_si(0.0, unit, column), to_si(1.0, unit, column)
    return use["heading"], f"{(number - zero) / (one - zero):.6g}".replace(".", layout.get("decimal", "."))


def all_units() -> list[str]:
    """Every unit that some column can have."""
    return list(dict.fromkeys(unit for column in SI_UNIT for unit in units_of(column)))


def _use(heading: str, n: int, form: Mapping[str, str]) -> dict[str, str]:
    column = form[f"column-{n}"]
    unit = form.get(f"unit-{n}", "") if column in SI_UNIT else ""
    kind = form.get(f"length_type-{n}", "") if column == "length_mm" else ""
    return {"heading": heading, "column": column, "unit": unit or SI_UNIT.get(column, ""), "length_type": kind}


def _require_once(columns: Sequence[str]) -> None:
    twice = sorted({column for column in columns if columns.count(column) > 1})
    if twice:
        raise InputError(f"Two headings are {', '.join(twice)}", where="columns", do="Leave one of them out.")


def _samples(batch: CheckedBatch, heading: str) -> list[str]:
    cells = (line.cells.get(heading, "") for line in batch.rows)
    return list(dict.fromkeys(cell for cell in cells if cell))[:SAMPLES]
