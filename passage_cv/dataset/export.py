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
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from passage_cv.dataset.store import Store
from passage_cv.dataset.tables import rows_without
from passage_cv.dataset.versions import Version
from passage_cv.errors import InputError
from passage_cv.files import sha256_file, write_bytes, write_json, write_text
from passage_cv.progress import Progress, silent, tracked

Form = Literal["folders", "coco", "darwin-core"]

Row = Mapping[str, Any]

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
    "identificationRemarks": "identificationMethod",
}
"""Darwin Core terms and the columns they come from (TDWG Darwin Core term list)."""

MEASUREMENTS: Sequence[tuple[str, str, str]] = (
    ("length", "length_mm", "mm"),
    ("weight", "weight_g", "g"),
    ("water temperature", "waterTemperature_C", "Cel"),
    ("turbidity", "turbidity_NTU", "{NTU}"),
)
"""measurementType, column, and unit in UCUM."""


@dataclass(frozen=True, slots=True)
class About:
    """What a data set card must say and the store does not know."""

    creator: str
    license: str
    url: str
    description: str = ""


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
        ``folders``: ``<role>/<class>/<picture>``; ``coco``: ``images/`` and one ``coco.json`` with a box of
        the whole picture each; ``darwin-core``: ``images/``, ``occurrence.csv`` and
        ``measurementOrFact.csv``.
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
    rows = rows_without(version.table(), "role", "excluded").to_pylist()
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


def croissant_card(version: Version, about: About, folder: Path) -> dict[str, object]:
    """The card of an exported folder (MLCommons Croissant 1.0): required terms, files with SHA-256."""
    tables = sorted(path for path in folder.iterdir() if path.suffix in {".csv", ".json"})
    return {
        "@context": {
            "@language": "en",
            "@vocab": "https://schema.org/",
            "sc": "https://schema.org/",
            "cr": "http://mlcommons.org/croissant/",
            "dct": "http://purl.org/dc/terms/",
            "conformsTo": "dct:conformsTo",
            "sha256": "cr:sha256",
            "includes": "cr:includes",
        },
        "@type": "sc:Dataset",
        "conformsTo": "http://mlcommons.org/croissant/1.0",
        "name": f"passage-{version.name}",
        "description": about.description
        or f"Version {version.name} of a passage data set: pictures of fish with roles.",
        "license": about.license,
        "url": about.url,
        "creator": {"@type": "sc:Organization", "name": about.creator},
        "datePublished": version.record.at[:10],
        "version": version.name,
        "distribution": [
            *(
                {
                    "@type": "cr:FileObject",
                    "@id": path.name,
                    "name": path.name,
                    "contentUrl": path.name,
                    "encodingFormat": "text/csv" if path.suffix == ".csv" else "application/json",
                    "sha256": sha256_file(path),
                }
                for path in tables
            ),
            {
                "@type": "cr:FileSet",
                "@id": "pictures",
                "name": "pictures",
                "encodingFormat": "image/*",
                "includes": "**/*",
            },
        ],
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
        write_text(part / "occurrence.csv", _as_csv(_occurrences(rows, files)))
        write_text(part / "measurementOrFact.csv", _as_csv(_measurements(rows)))
    else:
        columns = ("individual", "scientificName", "code", "role", "trip", "site", "taken_at")
        write_text(
            part / "labels.csv",
            _as_csv([{"image": files[row["image_sha256"]], **{name: row[name] for name in columns}} for row in rows]),
        )


def _coco(version: Version, rows: Sequence[Row], files: Mapping[str, str]) -> dict[str, object]:
    names = sorted({row["scientificName"] for row in rows})
    numbers = {name: number for number, name in enumerate(names, start=1)}
    images, annotations = [], []
    for number, row in enumerate(rows, start=1):
        width, height = row["width"], row["height"]
        path = files[row["image_sha256"]]
        images.append({"id": number, "file_name": path, "width": width, "height": height, "role": row["role"]})
        annotations.append(
            {
                "id": number,
                "image_id": number,
                "category_id": numbers[row["scientificName"]],
                "bbox": [0, 0, width, height],
                "area": width * height,
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
            **{term: row[column] or "" for term, column in OCCURRENCE_TERMS.items()},
            "basisOfRecord": "MachineObservation",
            "individualCount": "1",
            "occurrenceStatus": "present",
            "associatedMedia": media,
        }
    return list(found.values())


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


def _as_csv(rows: Sequence[Mapping[str, object]]) -> str:
    """RFC 4180: CRLF, quotes where needed, a row of headings."""
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]) if rows else [], lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()
