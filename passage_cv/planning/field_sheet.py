"""What a crew takes along: a printable sheet of targets, and an empty batch sheet that ``check`` reads unasked."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path

import openpyxl
from openpyxl.worksheet.datavalidation import DataValidation

from passage_cv.files import write_bytes, write_text
from passage_cv.intake.columns import CANONICAL, WORDS
from passage_cv.planning.page import render
from passage_cv.planning.sampling import Target, split_targets

SHEET_COLUMNS = (
    "image",
    "individual",
    "organismID",
    "code",
    "identificationMethod",
    "eventID",
    "eventDate",
    "locationID",
    "setup_id",
    "purpose",
    "light",
    "sex",
    "sexMethod",
    "lifeStage",
    "mark",
    "length_mm",
    "length_type",
    "weight_g",
    "waterTemperature_C",
    "turbidity_NTU",
    "recordedBy",
    "identifiedBy",
)
"""Canonical columns (format 1) a line of the field sheet fills; ``trip`` and permits stand in trip.toml."""

assert set(SHEET_COLUMNS) <= set(CANONICAL)

_TRIP = """# Facts common to this trip. Fill in between the quotes; what a line of the sheet says wins over this file.
trip = ""
locationID = "{site}"
permit = ""
animalCareProtocol = ""
recordedBy = ""
"""
_ROWS = 2000  # lines of the spreadsheet that offer the allowed words


def write_field_papers(
    folder: Path,
    fish: Mapping[str, int],
    *,
    site: str,
    length_edges_mm: Sequence[int] = (),
    lights: Sequence[str] = ("day",),
) -> list[Path]:
    """Write ``field_sheet.html``, ``sheet.csv``, ``sheet.xlsx`` and ``trip.toml`` into a folder.

    The two sheets are the same; a batch folder needs one of them.

    Parameters
    ----------
    fish
        Fish to image by class code.
    length_edges_mm, lights
        How to spread them, as :func:`passage_cv.planning.sampling.split_targets`.

    Raises
    ------
    InputError
        If the edges do not rise or no light is given.
    """
    targets = {
        code: split_targets(number, length_edges_mm=length_edges_mm, lights=lights)
        for code, number in fish.items()
        if number
    }
    write_text(folder / "field_sheet.html", render("field_sheet.html.j2", site=site, targets=targets))
    write_bytes(folder / "template" / "sheet.csv", sheet_csv())
    write_bytes(folder / "template" / "sheet.xlsx", sheet_xlsx(targets))
    write_text(folder / "template" / "trip.toml", _TRIP.format(site=site))
    return [
        folder / "field_sheet.html",
        *(folder / "template" / name for name in ("sheet.csv", "sheet.xlsx", "trip.toml")),
    ]


def sheet_csv() -> bytes:
    """The empty sheet as CSV: canonical headings, so that no heading needs to be confirmed."""
    out = io.StringIO()
    csv.writer(out).writerow(SHEET_COLUMNS)
    return out.getvalue().encode()


def sheet_xlsx(targets: Mapping[str, Sequence[Target]]) -> bytes:
    """The empty sheet as a spreadsheet that offers the allowed words; a second worksheet holds the targets."""
    workbook = openpyxl.Workbook()
    workbook.remove(workbook.active)
    sheet = workbook.create_sheet("sheet")
    sheet.append(SHEET_COLUMNS)
    sheet.freeze_panes = "A2"
    for number, column in enumerate(SHEET_COLUMNS, start=1):
        letter = openpyxl.utils.get_column_letter(number)
        sheet.column_dimensions[letter].width = max(10, len(column) + 2)
        if column in WORDS:
            words = DataValidation(type="list", formula1='"' + ",".join(WORDS[column]) + '"', allow_blank=True)
            sheet.add_data_validation(words)
            words.add(f"{letter}2:{letter}{_ROWS}")
    plan = workbook.create_sheet("targets")
    plan.append(("code", "length in mm", "light", "fish to image"))
    for code, cells in targets.items():
        for cell in cells:
            plan.append((code, cell.lengths, cell.light, cell.individuals))
    out = io.BytesIO()
    workbook.save(out)
    return out.getvalue()
