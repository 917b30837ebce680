"""A version in forms that other programs read: folders per class, COCO, Darwin Core, a Croissant card.

Only pictures that some role uses leave the store: none that is excluded, withdrawn, or shows people. The
folder is written whole under another name and then renamed.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from passage_cv.dataset.available import available_rows
from passage_cv.dataset.card import About, croissant_card
from passage_cv.dataset.identified import Identified, identifications
from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import rows_without
from passage_cv.dataset.versions import Version
from passage_cv.errors import InputError
from passage_cv.files import write_bytes, write_json, write_text
from passage_cv.intake.coco import BOX, Box, boxes_among
from passage_cv.intake.lines import as_number
from passage_cv.progress import Progress, silent, tracked

Form = Literal["folders", "coco", "darwin-core"]

Row = Mapping[str, Any]

_RUNS = ("=", "+", "-", "@", "\t", "\r")
"""First characters of a cell that spreadsheets take for a formula (common practice, no source)."""
LABEL_COLUMNS = ("individual", "scientificName", "code", "role", "trip", "site", "taken_at")

OCCURRENCE_TERMS: Mapping[str, str] = {
    "occurrenceID": "occurrence",
    "organismID": "individual",
    "eventID": "event",
    "parentEventID": "trip",
    "eventDate": "event_date",
    "locationID": "site",
    "scientificName": "scientificName",
    "taxonID": "code",
    "sex": "sex",
    "lifeStage": "lifeStage",
    "recordedBy": "recordedBy",
    "identifiedBy": "identifiedBy",
    "dateIdentified": "dateIdentified",
    "identificationRemarks": "identificationMethod",
    "previousIdentifications": "previousIdentifications",
    "samplingProtocol": "gear",
}
"""Darwin Core terms and the columns they come from (TDWG Darwin Core term list); two are of relabelled fish alone."""

OCCURRENCE_COLUMNS = (
    *OCCURRENCE_TERMS,
    "basisOfRecord",
    "individualCount",
    "occurrenceStatus",
    "associatedMedia",
)
MEASUREMENT_COLUMNS = (
    "occurrenceID",
    "measurementType",
    "measurementValue",
    "measurementUnit",
    "measurementMethod",
)

MEASUREMENTS: Sequence[tuple[str, str, str]] = (
    ("length", "length_mm", "mm"),
    ("weight", "weight_g", "g"),
    ("water temperature", "waterTemperature_C", "Cel"),
    ("turbidity", "turbidity_NTU", "{NTU}"),
)
"""measurementType, column, and unit in UCUM."""


def export_version(
    version: Version, out: Path, form: Form, *, about: About | None = None, progress: Progress = silent
) -> Path:
    """Write a version's pictures and labels as a new folder.

    Parameters
    ----------
    version
        What to export.
    out
        Folder to make; it must not be there.
    form
        ``folders``: ``<role>/<class>/<picture>`` and ``labels.csv``; ``coco``: ``images/`` and one ``coco.json``
        with the box that came with each picture, else one of the whole picture; ``darwin-core``: ``images/``,
        ``occurrence.csv``, with fish that were only counted, and ``measurementOrFact.csv``.
    about
        Adds ``croissant.json``, a card with the hash of every table.
    progress
        Told of each picture.

    Raises
    ------
    InputError
        If the folder is there already.
    """
    if out.exists():
        raise InputError("Folder is there already", where=str(out), do="Name a new one.")
    rows = _leaving(version)
    part = out.with_name(f".part-{out.name}")
    shutil.rmtree(part, ignore_errors=True)
    try:
        files = {row["image_sha256"]: _picture_path(version.store, row, form) for row in rows}
        for sha256, path in tracked(list(files.items()), "Copying pictures", progress):
            write_bytes(part / path, version.store.read_object(sha256))
        _write_tables(version, rows, files, part, form)
        if about:
            write_json(part / "croissant.json", croissant_card(version, about, part))
        part.replace(out)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    return out


def _leaving(version: Version) -> list[dict[str, Any]]:
    """Rows that some role uses; none whose picture was withdrawn in a later version, for its file is gone."""
    rows = rows_without(available_rows(version), "role", "excluded").to_pylist()
    relabelled = identifications(version)
    return [{**row, **_identified(relabelled.get(row["image_sha256"], ()))} for row in rows]


def _identified(words: Sequence[Identified]) -> dict[str, str]:
    """Who stands behind a name that was changed, since when and why, and what the fish was called before."""
    if not words:
        return {}
    *before, last = words
    return {
        "identifiedBy": last.by,
        "dateIdentified": last.at,
        "identificationMethod": "; ".join(filter(None, (last.method, last.why))),
        "previousIdentifications": " | ".join(f"{one.name} ({one.by or 'not said by whom'})" for one in before),
    }


def _picture_path(store: Store, row: Row, form: Form) -> str:
    found = store.find_object(row["image_sha256"]) or ""
    name = found.rpartition("/")[2]
    label = row["code"] or row["scientificName"].lower().replace(" ", "-")
    return f"{row['role']}/{label}/{name}" if form == "folders" else f"images/{name}"


def _write_tables(version: Version, rows: Sequence[Row], files: Mapping[str, str], part: Path, form: Form) -> None:
    if form == "coco":
        write_text(part / "coco.json", json.dumps(_coco(version, rows, files), ensure_ascii=False, indent=1) + "\n")
    elif form == "darwin-core":
        write_text(
            part / "occurrence.csv",
            _as_csv(OCCURRENCE_COLUMNS, [*_occurrences(rows, files), *_only_counted(version)]),
        )
        write_text(part / "measurementOrFact.csv", _as_csv(MEASUREMENT_COLUMNS, _measurements(rows)))
    else:
        labels = ({"image": files[row["image_sha256"]], **{c: row[c] for c in LABEL_COLUMNS}} for row in rows)
        write_text(part / "labels.csv", _as_csv(("image", *LABEL_COLUMNS), labels))


def _coco(version: Version, rows: Sequence[Row], files: Mapping[str, str]) -> dict[str, object]:
    names = sorted({row["scientificName"] for row in rows})
    numbers = {name: number for number, name in enumerate(names, start=1)}
    images, annotations, boxes = [], [], _Boxes(version)
    for number, row in enumerate(rows, start=1):
        width, height = row["width"], row["height"]
        path = files[row["image_sha256"]]
        box = boxes.box_of(row) or (0, 0, width, height)
        images.append({"id": number, "file_name": path, "width": width, "height": height, "role": row["role"]})
        annotations.append(
            {
                "id": number,
                "image_id": number,
                "category_id": numbers[row["scientificName"]],
                "bbox": list(box),
                "area": box[2] * box[3],
                "iscrowd": 0,
                "individual": row["individual"],
            }
        )
    categories = [{"id": number, "name": name} for name, number in numbers.items()]
    return {
        "info": {"description": "passage data set", "version": version.name, "date_created": version.record.at},
        "images": images,
        "annotations": annotations,
        "categories": categories,
    }


class _Boxes:
    """Boxes that came with a version's pictures: in a column of the sheet, or in a COCO file beside it."""

    def __init__(self, version: Version) -> None:
        self._store = version.store
        self._files: dict[str, Mapping[str, Sequence[Box]]] = {}

    def box_of(self, row: Row) -> tuple[float, ...] | None:
        """x, y, width and height in pixels; None where none came, or several."""
        cell = str(json.loads(row["sheet"] or "{}").get(BOX, ""))
        if cell:
            return tuple(float(part) if "." in part else int(part) for part in cell.split())
        found = self._beside(row["batch"]).get(row["image"], ())
        return (found[0].x, found[0].y, found[0].width, found[0].height) if len(found) == 1 else None

    def _beside(self, batch: str) -> Mapping[str, Sequence[Box]]:
        if batch not in self._files:
            folder = f"batches/{batch}"
            self._files[batch] = boxes_among(
                self._store.storage.read(f"{folder}/{name}")
                for name in self._store.storage.names(folder)
                if name.endswith(".json")
            )
        return self._files[batch]


def _occurrences(rows: Iterable[Row], files: Mapping[str, str]) -> list[dict[str, str]]:
    """One row per occurrence, with all its pictures in associatedMedia."""
    found: dict[str, dict[str, str]] = {}
    for row in rows:
        media = files[row["image_sha256"]]
        known = found.get(row["occurrence"])
        if known:
            known["associatedMedia"] += f" | {media}"
            continue
        found[row["occurrence"]] = {
            **{term: row.get(column) or "" for term, column in OCCURRENCE_TERMS.items()},
            "basisOfRecord": "MachineObservation",
            "individualCount": "1",
            "occurrenceStatus": "present",
            "associatedMedia": media,
        }
    return list(found.values())


def _only_counted(version: Version) -> list[dict[str, str]]:
    """One row per batch and species of fish that were counted and not imaged."""
    found = []
    for entry in version.entries:
        counted = json.loads(version.store.storage.read(f"batches/{entry.id}/findings.json")).get("counted", {})
        facts = json.loads(version.store.storage.read(f"batches/{entry.id}/stated.json"))["facts"] if counted else {}
        found += [
            {
                **dict.fromkeys(OCCURRENCE_TERMS, ""),
                "occurrenceID": f"{entry.id}:counted:{name}",
                "parentEventID": facts.get("trip", ""),
                **{term: facts.get(term, "") for term in ("eventID", "eventDate", "locationID", "recordedBy")},
                "scientificName": name,
                "basisOfRecord": "HumanObservation",
                "individualCount": str(count),
                "occurrenceStatus": "present" if count else "absent",
                "associatedMedia": "",
            }
            for name, count in sorted(counted.items())
        ]
    return found


def _measurements(rows: Iterable[Row]) -> list[dict[str, str]]:
    found: dict[tuple[str, str], dict[str, str]] = {}
    for row in rows:
        for kind, column, unit in MEASUREMENTS:
            if row[column] is not None:
                found.setdefault(
                    (row["occurrence"], kind),
                    {
                        "occurrenceID": row["occurrence"],
                        "measurementType": kind,
                        "measurementValue": f"{row[column]:g}",
                        "measurementUnit": unit,
                        "measurementMethod": row["length_type"] if kind == "length" else "",
                    },
                )
    return list(found.values())


def _as_csv(headings: Sequence[str], rows: Iterable[Mapping[str, object]]) -> str:
    """RFC 4180: CRLF, quotes where needed, a row of headings; no cell that a spreadsheet would run."""
    out = io.StringIO()
    writer = csv.DictWriter(out, headings, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({key: _inert(value) for key, value in row.items()} for row in rows)
    return out.getvalue()


def _inert(value: object) -> object:
    """Text that a spreadsheet would take for a formula gets an apostrophe before it; numbers stay as they are.

    Examples
    --------
    >>> _inert("=1+1"), _inert("-3.5"), _inert("@KBW")
    ("'=1+1", '-3.5', "'@KBW")
    """
    if not isinstance(value, str) or not value.startswith(_RUNS) or as_number(value) is not None:
        return value
    return f"'{value}"
