"""Templates with what they need: the texts, escaping of everything, and how times and sizes are written."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from passage_cv.evaluation.report import percent
from passage_cv.files import sha256_bytes
from passage_cv.web.texts import Texts

FOLDER = Path(__file__).parent
STATIC = FOLDER / "static"
_UNITS = ("B", "kB", "MB", "GB", "TB")


@cache
def build_pages() -> Environment:
    """The one environment of all templates; an unknown name in a template is an error."""
    environment = Environment(
        loader=FileSystemLoader(FOLDER / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.filters.update(when=when, size=size, percent=percent, short=short, figure=figure, said=said)
    environment.globals["static"] = static_address
    return environment


@cache
def static_address(name: str) -> str:
    """Address of a static file with a part of its hash, so that a new version is never mixed with an old one."""
    return f"/static/{name}?{sha256_bytes((STATIC / name).read_bytes())[:8]}"


def when(at: str | None) -> str:
    """A stored time for people: day and minute, UTC, whatever offset it was written with; no time stays as it is.

    Examples
    --------
    >>> when("2031-05-11T20:00:00.000+00:00"), when("2031-05-11T20:00:00-04:00"), when("")
    ('2031-05-11 20:00 UTC', '2031-05-12 00:00 UTC', '-')
    """
    if not at:
        return "-"
    try:
        moment = datetime.fromisoformat(at)
    except ValueError:
        return at
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC" if moment.tzinfo else f"{moment:%Y-%m-%d %H:%M}"


def size(n_bytes: float) -> str:
    """A number of bytes for people, in powers of ten.

    Examples
    --------
    >>> size(999), size(52_182), size(200_000_112)
    ('999 B', '52 kB', '200 MB')
    """
    power = 0
    while n_bytes >= 1000 and power < len(_UNITS) - 1:
        n_bytes, power = n_bytes / 1000, power + 1
    return f"{n_bytes:.0f} {_UNITS[power]}"


def short(sha256: str) -> str:
    """The first twelve digits of a hash, or a dash."""
    return sha256[:12] or "-"


def figure(text: str) -> str:
    """A number of a table with four digits, text and empty cells as they are.

    Examples
    --------
    >>> figure("0.123456789"), figure("12"), figure("NSH, miss"), figure("")
    ('0.1235', '12', 'NSH, miss', '-')
    """
    try:
        return f"{float(text):.4g}"
    except ValueError:
        return text or "-"


def said(text: str, texts: Texts) -> str:
    """What the core says, in the language of the page; for lists, as ``reasons | map("said", t)``."""
    return texts.said(text)


def cells_safe_for_spreadsheets(row: Mapping[str, object]) -> dict[str, str]:
    """Cells of an exported CSV that no spreadsheet takes for a formula (OWASP, CSV injection).

    Examples
    --------
    >>> cells_safe_for_spreadsheets({"note": "=1+1", "length": "-12.5", "who": "RKV"})
    {'note': "'=1+1", 'length': '-12.5', 'who': 'RKV'}
    """
    return {key: _safe("" if value is None else str(value)) for key, value in row.items()}


def _safe(text: str) -> str:
    if not text.startswith(("=", "+", "-", "@", "\t", "\r")):
        return text
    try:
        float(text)
    except ValueError:
        return "'" + text
    return text
