"""The card of an exported folder (MLCommons Croissant 1.0): what it is, every file with its hash, every column.

Required terms after the Croissant 1.0 specification, "Dataset-level information"; columns of the tables stand
as record sets, so that other programs read the export without a word from us.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from passage_cv.dataset.versions import Version
from passage_cv.files import sha256_file

_OWN_TERMS = (
    "citeAs",
    "column",
    "equivalentProperty",
    "extract",
    "field",
    "fileObject",
    "fileProperty",
    "fileSet",
    "format",
    "includes",
    "isLiveDataset",
    "jsonPath",
    "key",
    "md5",
    "parentField",
    "path",
    "recordSet",
    "references",
    "regex",
    "repeated",
    "replace",
    "samplingRate",
    "separator",
    "source",
    "subField",
    "transform",
)
CONTEXT: Mapping[str, object] = {
    "@language": "en",
    "@vocab": "https://schema.org/",
    "sc": "https://schema.org/",
    "cr": "http://mlcommons.org/croissant/",
    "rai": "http://mlcommons.org/croissant/RAI/",
    "dct": "http://purl.org/dc/terms/",
    "conformsTo": "dct:conformsTo",
    "data": {"@id": "cr:data", "@type": "@json"},
    "dataType": {"@id": "cr:dataType", "@type": "@vocab"},
    "examples": {"@id": "cr:examples", "@type": "@json"},
    **{term: f"cr:{term}" for term in _OWN_TERMS},
}
"""The context of Croissant 1.0, whole, so that no reader takes ours for another."""
_NUMBERS = ("measurementValue", "individualCount")
_COCO_PATHS = {"file_name": "$.images[*].file_name", "role": "$.images[*].role", "width": "$.images[*].width"}
_FORMATS = {".csv": "text/csv", ".json": "application/json"}
_PICTURES = ("**/*.jpg", "**/*.png", "**/*.bmp", "**/*.webp")


@dataclass(frozen=True, slots=True)
class About:
    """What a data set card must say and the store does not know."""

    creator: str
    license: str
    url: str
    description: str = ""


def croissant_card(version: Version, about: About, folder: Path) -> dict[str, object]:
    """The card of an exported folder.

    Parameters
    ----------
    version
        What was exported; its date and name are the card's, its number the first of the three that Croissant asks
        for.
    about
        Creator, licence, address and words.
    folder
        Holds the tables that are to be named and hashed.
    """
    tables = sorted(path for path in folder.iterdir() if path.suffix in _FORMATS)
    name = f"passage-{version.name}"
    return {
        "@context": dict(CONTEXT),
        "@type": "sc:Dataset",
        "conformsTo": "http://mlcommons.org/croissant/1.0",
        "name": name,
        "description": about.description
        or f"Version {version.name} of a passage data set: pictures of fish with labels and lasting roles.",
        "license": about.license,
        "url": about.url,
        "creator": {"@type": "sc:Organization", "name": about.creator},
        "datePublished": version.record.at[:10],
        "version": f"{version.record.number}.0.0",
        "citeAs": f"{about.creator} ({version.record.at[:4]}). {name}. {about.url}",
        "isLiveDataset": False,
        "distribution": [*(_file_object(path) for path in tables), _pictures()],
        "recordSet": [_record_set(path) for path in tables],
    }


def _file_object(path: Path) -> dict[str, object]:
    return {
        "@type": "cr:FileObject",
        "@id": path.name,
        "name": path.name,
        "contentUrl": path.name,
        "contentSize": f"{path.stat().st_size} B",
        "encodingFormat": _FORMATS[path.suffix],
        "sha256": sha256_file(path),
    }


def _pictures() -> dict[str, object]:
    return {
        "@type": "cr:FileSet",
        "@id": "pictures",
        "name": "pictures",
        "description": "Pictures as received; each file is named by its SHA-256.",
        "encodingFormat": "image/*",
        "includes": list(_PICTURES),
    }


def _record_set(path: Path) -> dict[str, Any]:
    """One table's columns, each with its type and where it is found."""
    columns = _columns(path)
    return {
        "@type": "cr:RecordSet",
        "@id": path.stem,
        "name": path.stem,
        "field": [
            {
                "@type": "cr:Field",
                "@id": f"{path.stem}/{column}",
                "name": column,
                "dataType": "sc:Float" if column in (*_NUMBERS, "width") else "sc:Text",
                "source": {"fileObject": {"@id": path.name}, "extract": extract},
            }
            for column, extract in columns.items()
        ],
    }


def _columns(path: Path) -> dict[str, dict[str, str]]:
    if path.suffix == ".json":
        return {name: {"jsonPath": place} for name, place in _COCO_PATHS.items()}
    with path.open(encoding="utf-8", newline="") as stream:
        return {column: {"column": column} for column in next(csv.reader(stream))}
