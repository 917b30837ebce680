"""Pages that a crew can keep, print or send: no scripts, nothing loaded from elsewhere, every text escaped."""

from __future__ import annotations

from pathlib import Path

import jinja2

_PAGES = jinja2.Environment(
    loader=jinja2.FileSystemLoader(Path(__file__).with_name("templates")),
    autoescape=True,
    trim_blocks=True,
    undefined=jinja2.StrictUndefined,
)


def render_page(template: str, **values: object) -> str:
    """A page of ``templates/`` as HTML."""
    return _PAGES.get_template(f"{template}.html.j2").render(**values)
