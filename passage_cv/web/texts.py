"""Every text of the pages in one catalogue per language, so that a second language is a file.

``texts/en.toml`` is whole; another language may have gaps and falls back to it. A text that counts may have a second
one for a single thing, under its key and ``_one``: it is taken where ``n`` is 1. The table ``[said]`` of another
language is for what the core says in English (``web/said.py``). ``scripts/texts`` writes such a file to translate.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from passage_cv.errors import InputError
from passage_cv.web.said import Said

FOLDER = Path(__file__).parent / "texts"
WHOLE = "en"
SAID = "said"
ONE = "_one"
_ANEW = "Write the same names or numbers in braces as the English text has."
_PLACES = re.compile(r"\{([a-z_]+)\}")


@dataclass(frozen=True)
class Texts:
    """A language's texts by dotted key, and its words for what the core says."""

    language: str
    by_key: Mapping[str, str]
    said: Said = field(default_factory=lambda: Said({}))

    def __call__(self, key: str, **values: object) -> str:
        """The text of a key with its values filled in (KeyError for a key that no catalogue has).

        Examples
        --------
        >>> files = Texts("en", {"b.files": "{n} files", "b.files_one": "one file"})
        >>> [files("b.files", n=n) for n in (0, 1, 2)]
        ['0 files', 'one file', '2 files']
        """
        one = self.by_key.get(key + ONE) if values.get("n") == 1 else None
        text = one or self.by_key[key]
        return text.format(**values) if values else text


@dataclass(frozen=True)
class Languages:
    """The languages that a server speaks; the first is for browsers that ask for none of them."""

    texts: tuple[Texts, ...]

    def for_browser(self, accepted: str) -> Texts:
        """The texts that a browser's ``Accept-Language`` likes best.

        Examples
        --------
        >>> both = Languages((Texts("en", {}), Texts("de", {})))
        >>> [both.for_browser(asked).language for asked in ("de-AT,de;q=0.9,en;q=0.5", "fr, *;q=0.1", "en;q=0.2, de")]
        ['de', 'en', 'de']
        """
        liked = dict(_liked(accepted))
        best = max(self.texts, key=lambda one: liked.get(one.language, 0.0))
        return best if liked.get(best.language) else self.texts[0]


def read_languages(named: str = "") -> Languages:
    """The languages that a setting names, with commas; every language there is, English first, where it is empty.

    Raises
    ------
    InputError
        If one of them has no file.
    """
    names = [name.strip() for name in named.split(",")] if named.strip() else [WHOLE, *_others()]
    return Languages(tuple(read_texts(name) for name in dict.fromkeys(names)))


def read_texts(language: str) -> Texts:
    """The catalogue of a language over the whole one.

    Raises
    ------
    InputError
        If there is no such file, or it is no catalogue.
    """
    path = FOLDER / f"{language}.toml"
    if not language.isalpha() or not path.is_file():
        known = ", ".join(sorted(found.stem for found in FOLDER.glob("*.toml")))
        raise InputError(f"No texts in language {language!r}, there are {known}", where=FOLDER.name, do="Name one.")
    whole, own = read_catalogue(FOLDER / f"{WHOLE}.toml"), read_catalogue(path)
    if wrong := wrong_places(own, whole):
        raise InputError(f"Texts fill in other things than in English: {', '.join(wrong)}", where=path.name, do=_ANEW)
    by_key = _without_foreign_ones(whole, own) | own
    said = {key.removeprefix(f"{SAID}."): by_key.pop(key) for key in list(by_key) if key.startswith(f"{SAID}.")}
    return Texts(language, by_key, Said({english: then for english, then in said.items() if english != then}))


def read_catalogue(path: Path) -> dict[str, str]:
    """The texts of one file by dotted key; ``said.`` and an English pattern for what the core says.

    Raises
    ------
    InputError
        If the file is not TOML, or holds anything else than tables of texts.
    """
    try:
        return dict(_flat(tomllib.loads(path.read_text(encoding="utf-8")), path.name))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"Texts are not TOML: {error}", where=path.name, do="Correct the file.") from error


def wrong_places(own: Mapping[str, str], whole: Mapping[str, str]) -> list[str]:
    """Keys of texts whose braces hold other names or numbers than the English text does; unknown keys count not."""
    english = {key: key.removeprefix(f"{SAID}.") if key.startswith(f"{SAID}.") else _base(key, whole) for key in own}
    return [key for key, text in english.items() if text is not None and not _fits(own[key], text, key)]


def _base(key: str, whole: Mapping[str, str]) -> str | None:
    """The English text whose values a key's text fills in: that of one thing fills in those of many."""
    return whole.get(key.removesuffix(ONE), whole.get(key))


def _fits(text: str, base: str, key: str) -> bool:
    """Whether a text fills in what it is given: all of it, or of one thing no more than that."""
    given = places(base, key)
    return places(text, key) <= given if key.endswith(ONE) else places(text, key) == given


def _without_foreign_ones(whole: Mapping[str, str], own: Mapping[str, str]) -> dict[str, str]:
    """English without its texts for one thing where the language says all numbers in one text."""
    return {key: text for key, text in whole.items() if not (key.endswith(ONE) and key.removesuffix(ONE) in own)}


def places(text: str, key: str = "") -> set[str]:
    """The names or numbers in braces that are filled in; only numbers in what the core says.

    Examples
    --------
    >>> sorted(places("{n} files, {size}")), sorted(places("Row {2} of {1}", "said.Row {2} of {1}"))
    (['n', 'size'], ['1', '2'])
    """
    return set(re.findall(r"\{(\d+)\}", text) if key.startswith(f"{SAID}.") else _PLACES.findall(text))


def _flat(groups: Mapping[str, object], name: str) -> Iterator[tuple[str, str]]:
    for group, texts in groups.items():
        if not isinstance(texts, dict) or not all(isinstance(text, str) for text in texts.values()):
            raise InputError(f"[{group}] is no table of texts", where=name, do='Write each text as key = "text".')
        yield from ((f"{group}.{key}", text.strip()) for key, text in texts.items())


def _others() -> list[str]:
    return sorted(found.stem for found in FOLDER.glob("*.toml") if found.stem != WHOLE)


def _liked(accepted: str) -> Iterator[tuple[str, float]]:
    """Language and weight of each entry of an ``Accept-Language``, the best last; odd entries count nothing."""
    for entry in reversed(accepted[:500].split(",")):
        tag, _, weight = entry.partition(";")
        number = re.fullmatch(r"\s*q=([01](?:\.\d{1,3})?)\s*", weight) if weight else None
        if number or not weight:
            yield tag.strip().lower().partition("-")[0], float(number[1]) if number else 1.0
