"""A report page: sections of text, tables, numbers with their formulas, and pictures; rendered to one HTML file.

The page carries everything inside itself, prints, and follows the reader's light or dark setting. What it says is
decided by the modules that build it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from passage_cv.files import write_text
from passage_cv.planning.quantity import Quantity


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under headings; the first column is text, the others are numbers unless named in ``words``.

    A long table may be ``folded`` under these words until the reader opens it.
    """

    headings: Sequence[str]
    rows: Sequence[Sequence[object]]
    caption: str = ""
    words: Sequence[str] = ()
    folded: str = ""


@dataclass(frozen=True, slots=True)
class Picture:
    """An SVG drawing, what it shows in words, and its caption."""

    svg: str
    shows: str
    caption: str


@dataclass(frozen=True, slots=True)
class Section:
    """One part of a page, shown in this order: text, tables, pictures, numbers, notes."""

    heading: str
    text: Sequence[str] = ()
    quantities: Sequence[Quantity] = ()
    tables: Sequence[Table] = ()
    pictures: Sequence[Picture] = ()
    notes: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Page:
    """A whole report; ``warnings`` stand on top, ``summary`` is what a manager reads first."""

    title: str
    about: str
    summary: Sequence[str]
    sections: Sequence[Section]
    warnings: Sequence[str] = field(default=())
    cautions: Sequence[str] = field(default=())


def render_page(page: Page) -> str:
    """The page as one HTML text."""
    return _environment().get_template("page.html.j2").render(page=page, svg=Markup)


def write_page(page: Page, path: Path) -> str:
    """Write the page and return its SHA-256."""
    return write_text(path, render_page(page))


def render(template: str, **values: object) -> str:
    """Another template of this part with the same style sheet."""
    return _environment().get_template(template).render(**values)


def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("passage_cv.planning"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
