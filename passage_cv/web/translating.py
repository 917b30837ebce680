"""A language's file for those who write it: whole, in one order, with what is new and what is no longer there.

What comes in is the English catalogue, the sentences of the source and, perhaps, the language's file so far; what
goes out is the text of a new file in which everything that was translated has stayed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from passage_cv.web.sentences import Place, find_sentences
from passage_cv.web.texts import FOLDER, ONE, SAID, WHOLE, read_catalogue

_ABOUT = """\
# Texts of the pages in language {language}. Translate what stands right of each =, as people at the river say it.
# Names and numbers in braces are filled in: all of them must stay, in any order. What is left out, or is the same as
# in English, is shown in English. A text that counts may have another for one thing, under its key and _one; a text
# without it says every number. [said] holds what the program composes itself; beside a sentence stands what
# comes into its gaps. `scripts/texts {language}` tells what is new and what is no longer there.
"""


@dataclass(frozen=True, slots=True)
class Standing:
    """How a language's file stands to the program: its keys that are missing, gone, and still in English."""

    new: tuple[str, ...]
    gone: tuple[str, ...]
    english: tuple[str, ...]


def whole_catalogue(sentences: Mapping[str, Place] | None = None) -> dict[str, str]:
    """Every key with its English text; ``said.`` and the sentence itself for what the core says."""
    found = find_sentences() if sentences is None else sentences
    return read_catalogue(FOLDER / f"{WHOLE}.toml") | {f"{SAID}.{sentence}": sentence for sentence in found}


def standing(own: Mapping[str, str], whole: Mapping[str, str]) -> Standing:
    """Compare a language's texts with the whole catalogue.

    Examples
    --------
    >>> standing({"a.x": "eins", "a.old": "alt"}, {"a.x": "one", "a.y": "two"})
    Standing(new=('a.y',), gone=('a.old',), english=())
    """
    return Standing(
        tuple(key for key in whole if key not in own),
        tuple(key for key in own if key not in whole and key.removesuffix(ONE) not in whole),
        tuple(key for key, text in own.items() if whole.get(key) == text),
    )


def read_own(path: Path) -> dict[str, str]:
    """A language's texts so far; none where there is no file yet."""
    return read_catalogue(path) if path.is_file() else {}


def template(language: str, own: Mapping[str, str], sentences: Mapping[str, Place] | None = None) -> str:
    """The text of a language's file: every key and sentence, translated where it was, else in English."""
    found = find_sentences() if sentences is None else sentences
    whole = whole_catalogue(found)
    lines = [_ABOUT.format(language=language)]
    for group, keys in groupby(sorted(whole, key=_by_group(whole)), key=lambda key: key.partition(".")[0]):
        lines += ["", f"[{group}]", *_lines(keys, own, whole, found)]
    return "\n".join(lines) + "\n"


def _by_group(whole: Mapping[str, str]):  # type: ignore[no-untyped-def]  # noqa: ANN202 - a key of sorted
    """Groups in the order of the English file, the core's sentences last; within a group nothing moves."""
    groups = list(dict.fromkeys(key.partition(".")[0] for key in whole if not key.startswith(f"{SAID}.")))
    order = {group: at for at, group in enumerate([*groups, SAID])}
    return lambda key: order[key.partition(".")[0]]


def _lines(
    keys: Iterator[str], own: Mapping[str, str], whole: Mapping[str, str], found: Mapping[str, Place]
) -> Iterator[str]:
    module = ""
    for key in keys:
        group, _, name = key.partition(".")
        place = found.get(name) if group == SAID else None
        if place and place.module != module:
            module = place.module
            yield f"# {module}"
        gaps = ", ".join(f"{{{n}}} is {gap}" for n, gap in enumerate(place.gaps, start=1)) if place else ""
        left = _quoted(name) if group == SAID else name
        yield f"{left} = {_quoted(own.get(key, whole[key]))}" + (f"  # {gaps}" if gaps else "")


def _quoted(text: str) -> str:
    """Text as TOML writes it on one line."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
