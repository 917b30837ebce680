"""The comparison of two runs as one self-contained page, with the pictures of fish that they name differently.

Comes in: a :class:`~passage_cv.recognition.compare.Comparison` and a way to get a picture. Computes nothing.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from pathlib import Path

import simplejpeg
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from passage_cv.dataset.store import Store
from passage_cv.dataset.working import working_image
from passage_cv.errors import InputError
from passage_cv.files import write_json, write_text
from passage_cv.recognition.compare import Comparison
from passage_cv.recognition.crop import CropSettings, crop_image

SHOWN = 60
"""Fish with pictures on the page; the JSON beside it lists all."""

QUALITY = 80
"""Of the page's JPEGs."""

Picture = Callable[[str], bytes | None]
"""From an image's SHA-256 to the bytes of a JPEG, or None where it is not at hand."""


def write_comparison(comparison: Comparison, folder: Path, *, picture: Picture | None = None) -> Path:
    """Write ``comparison.html`` and ``comparison.json`` into a folder and return the page's path.

    Parameters
    ----------
    comparison
        What to show.
    folder
        Made if it is missing; files of the same names are replaced.
    picture
        Where pictures come from; without it fish stand without them.
    """
    write_json(folder / "comparison.json", comparison.as_dict())
    write_text(folder / "comparison.html", render_comparison(comparison, picture=picture))
    return folder / "comparison.html"


def render_comparison(comparison: Comparison, *, picture: Picture | None = None) -> str:
    """The page as HTML; arguments as :func:`write_comparison`."""
    environment = Environment(
        loader=PackageLoader("passage_cv.recognition"),
        autoescape=select_autoescape(default=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    shown = comparison.disagreements[:SHOWN]
    pictures = {sha256: _data_uri(picture, sha256) for one in shown for sha256 in one.images} if picture else {}
    return environment.get_template("comparison.html.j2").render(
        c=comparison, shown=shown, pictures={name: uri for name, uri in pictures.items() if uri}
    )


def stored_pictures(store: Store) -> Picture:
    """Pictures out of a store, cropped as a model sees them."""

    def picture(sha256: str) -> bytes | None:
        try:
            square = crop_image(working_image(store, sha256), CropSettings())
        except InputError:
            return None
        data: bytes = simplejpeg.encode_jpeg(square, quality=QUALITY)
        return data

    return picture


def _data_uri(picture: Picture, sha256: str) -> str:
    data = picture(sha256)
    return "" if data is None else f"data:image/jpeg;base64,{base64.b64encode(data).decode()}"
