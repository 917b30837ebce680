"""Every text of the pages in one catalogue per language, so that a second language is a file.

``texts/en.toml`` is whole; another language may have gaps and falls back to it. Refusals of the program itself are
written where they are raised and come through as they are.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from passage_cv.errors import InputError

FOLDER = Path(__file__).parent / "texts"
WHOLE = "en"


@dataclass(frozen=True)
class Texts:
    """A language's texts by dotted key."""

    language: str
    by_key: Mapping[str, str]

    def __call__(self, key: str, **values: object) -> str:
        """The text of a key with its values filled in (KeyError for a key that no catalogue has)."""
        text = self.by_key[key]
        return text.format(**values) if values else text


def read_texts(language: str) -> Texts:
    """The catalogue of a language over the whole one.

    Raises
    ------
    InputError
        If there is no such file.
    """
    path = FOLDER / f"{language}.toml"
    if not language.isalpha() or not path.is_file():
        known = ", ".join(sorted(found.stem for found in FOLDER.glob("*.toml")))
        raise InputError(f"No texts in language {language!r}, there are {known}", where=FOLDER.name, do="Name one.")
    by_key = dict(_flat(FOLDER / f"{WHOLE}.toml"))
    by_key.update(_flat(path))
    return Texts(language, by_key)


def _flat(path: Path) -> Iterator[tuple[str, str]]:
    for group, texts in tomllib.loads(path.read_text(encoding="utf-8")).items():
        yield from ((f"{group}.{name}", text.strip()) for name, text in texts.items())
