"""COCO JSON as a batch sheet: boxes and categories drawn by people or programs elsewhere.

Comes in: a file with ``images``, ``annotations`` and ``categories`` [from memory of: Lin et al. 2014, Microsoft
COCO]. Goes out: a line per box, or the boxes of each picture where a crew's own sheet lies beside it. COCO knows no
individuals: they come from an attribute of the annotation, else a person has to say.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from passage_cv.config import describe_errors
from passage_cv.errors import InputError

BOX = "box"
"""Heading of the column that keeps a box as ``x y width height`` in pixels from the top left."""
INDIVIDUAL_KEYS = ("organismID", "individual", "track_id", "instance_id")
"""Attributes of an annotation that say which animal it is, tried in this order [common practice, no source]."""
MOST_BYTES = 500 * 1024 * 1024
_COLUMNS = ("image", "individual", "organismID", "scientificName", "taken_at", "purpose", BOX)


class _Open(BaseModel):
    """A record of somebody else's format: what we do not know is kept out of the way."""

    model_config = ConfigDict(frozen=True, extra="allow")


class CocoImage(_Open):
    """One picture."""

    id: int | str
    file_name: Annotated[str, Field(min_length=1)]
    width: int = 0
    height: int = 0
    date_captured: str = ""


class CocoAnnotation(_Open):
    """One box: x, y, width, height in pixels from the top left."""

    image_id: int | str
    category_id: int | str
    bbox: tuple[float, float, float, float] | None = None
    iscrowd: int = 0
    attributes: Mapping[str, Any] = Field(default_factory=dict)


class CocoCategory(_Open):
    """One kind of thing."""

    id: int | str
    name: Annotated[str, Field(min_length=1)]


class Coco(_Open):
    """A whole file."""

    images: tuple[CocoImage, ...]
    annotations: tuple[CocoAnnotation, ...]
    categories: tuple[CocoCategory, ...]


def is_coco(path: Path) -> bool:
    """Whether a JSON file is one, by its three lists; a file that cannot be read is none."""
    try:
        if path.stat().st_size > MOST_BYTES:
            return False
        values = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return False
    return _has_lists(values)


def _has_lists(values: object) -> bool:
    return isinstance(values, dict) and {"images", "annotations", "categories"} <= values.keys()


def find_coco(folder: Path) -> Path | None:
    """The COCO file of a batch folder.

    Raises
    ------
    InputError
        If there are several.
    """
    found = [path for path in sorted(folder.glob("*.json")) if is_coco(path)]
    if len(found) > 1:
        names = ", ".join(path.name for path in found)
        raise InputError(f"Several COCO files: {names}", where=str(folder), do="Leave the one that counts.")
    return found[0] if found else None


def read_coco(path: Path) -> Coco:
    """Read a COCO file and check that its parts fit each other.

    Raises
    ------
    InputError
        If it is no such file, or an annotation names a picture or category that is not there.
    """
    try:
        values = json.loads(path.read_bytes())
    except (ValueError, RecursionError) as error:
        raise InputError(f"File is not JSON: {error}", where=str(path), do="Export it again.") from error
    try:
        coco = Coco.model_validate(values)
    except ValidationError as error:
        raise InputError(describe_errors(error)[:500], where=str(path), do="Export it again.") from error
    images, categories = {one.id for one in coco.images}, {one.id for one in coco.categories}
    for place, one in enumerate(coco.annotations):
        if one.image_id not in images or one.category_id not in categories:
            raise InputError(
                f"Annotation {place} names picture {one.image_id} and category {one.category_id}, which are not"
                " both there",
                where=str(path),
                do="Export it again.",
            )
    return coco


def coco_lines(coco: Coco) -> list[list[str]]:
    """The file as a sheet: a row of headings, a row per annotation, and a row per picture without any.

    A picture without a box is taken for an empty view.
    """
    images = {one.id: one for one in coco.images}
    names = {one.id: one.name for one in coco.categories}
    annotated = {one.image_id for one in coco.annotations}
    rows = [_annotation_row(one, images[one.image_id], names[one.category_id]) for one in coco.annotations]
    empty = [
        {"image": one.file_name, "taken_at": _iso(one.date_captured), "purpose": "empty"}
        for one in coco.images
        if one.id not in annotated
    ]
    return [list(_COLUMNS), *([row.get(name, "") for name in _COLUMNS] for row in (*rows, *empty))]


@dataclass(frozen=True, slots=True)
class Box:
    """One box: x, y of the top left corner, width and height, in pixels; ``name`` is its category."""

    name: str
    x: float
    y: float
    width: float
    height: float


def boxes_by_image(coco: Coco) -> dict[str, tuple[Box, ...]]:
    """The boxes of each picture, by its path; crowds apart."""
    images = {one.id: one.file_name for one in coco.images}
    names = {one.id: one.name for one in coco.categories}
    found: dict[str, list[Box]] = defaultdict(list)
    for one in coco.annotations:
        if one.bbox and not one.iscrowd:
            found[images[one.image_id]].append(Box(names[one.category_id], *one.bbox))
    return {image: tuple(boxes) for image, boxes in found.items()}


def boxes_among(files: Iterable[bytes]) -> Mapping[str, tuple[Box, ...]]:
    """The boxes of each picture in the first COCO file among JSON files that were accepted once; none without one."""
    for data in files:
        values = json.loads(data)
        if _has_lists(values):
            return boxes_by_image(Coco.model_validate(values))
    return {}


def box_text(box: Sequence[float]) -> str:
    """A box as a cell.

    Examples
    --------
    >>> box_text((10.0, 20.5, 300, 120))
    '10 20.5 300 120'
    """
    return " ".join(f"{value:g}" for value in box)


def _annotation_row(one: CocoAnnotation, image: CocoImage, name: str) -> dict[str, str]:
    extra = {**(one.model_extra or {}), **one.attributes}
    row = {"image": image.file_name, "scientificName": name, "taken_at": _iso(image.date_captured)}
    row[BOX] = box_text(one.bbox) if one.bbox else ""
    key = next((key for key in INDIVIDUAL_KEYS if extra.get(key) not in {None, ""}), None)
    if key:
        row["organismID" if key == "organismID" else "individual"] = str(extra[key])
    return row


def _iso(text: str) -> str:
    """COCO writes ``2031-05-11 20:15:00``."""
    return text.strip().replace(" ", "T", 1)
