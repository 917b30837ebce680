"""A language that nobody speaks, made from English: what comes to a page from anywhere else stays plain and is seen.

Every letter outside of braces is written in its wide form, so that a plain word on a page is data or was forgotten.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

from passage_cv.web.sentences import Place, find_sentences
from passage_cv.web.texts import FOLDER, SAID
from passage_cv.web.translating import template, whole_catalogue

LANGUAGE = "zz"
_WIDE = {code: code + 0xFEE0 for code in (*range(ord("A"), ord("Z") + 1), *range(ord("a"), ord("z") + 1))}
_SEEN = {"title", "placeholder", "aria-label", "alt", "label"}
_UNSEEN = {"script", "style", "kbd"}
_FILES = r"\S+\.(?:json|toml|csv|xlsx|jpg|png|zip|sqlite|onnx)\b"
_NO_WORDS = r"https?://\S+|\{\w+\}|\b[0-9a-f]{8,}\b|\b\d[\d.:T+-]*Z?\b"


def strange(text: str, *, numbered: bool = False) -> str:
    """A text with every letter changed but those in braces."""
    pieces = re.split(r"(\{\d+\})" if numbered else r"(\{[a-z_]+\})", text)
    return "".join(piece if at % 2 else piece.translate(_WIDE) for at, piece in enumerate(pieces))


@cache
def all_sentences() -> dict[str, Place]:
    """What the source says, read once: it takes seconds."""
    return find_sentences()


def write_strange(folder: Path) -> None:
    """The English file and the whole strange one, as ``scripts/texts --new`` would have written it."""
    (folder / "en.toml").write_bytes((FOLDER / "en.toml").read_bytes())
    sentences = all_sentences()
    whole = whole_catalogue(sentences)
    own = {key: strange(text, numbered=key.startswith(f"{SAID}.")) for key, text in whole.items()}
    (folder / f"{LANGUAGE}.toml").write_text(template(LANGUAGE, own, sentences), encoding="utf-8")


class Page(HTMLParser):
    """All that a person sees or hears of a page: texts, and what readers read out."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.said: list[str] = []
        self.language = ""
        self._within: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self._within.append(tag)
        self.language = self.language or (given.get("lang") or "" if tag == "html" else "")
        self.said += [value for name, value in attrs if value and (name in _SEEN or _is_spoken(name, given))]

    def handle_endtag(self, tag: str) -> None:
        if tag in self._within:
            while self._within.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        if not _UNSEEN & {*self._within[-1:]} and data.strip():
            self.said.append(data.strip())


def _is_spoken(name: str, given: Mapping[str, str | None]) -> bool:
    """Words that a script takes from the page, and the words of a button."""
    return (given.get("id") == "drop" and name.startswith("data-") and name not in {"data-batch", "data-mark"}) or (
        name == "value" and given.get("type") in {"submit", "button"}
    )


def plain_words(page: str, data: Iterable[str]) -> list[str]:
    """Texts of a page in which a plain word stands that is neither data nor a file name, a number or a code."""
    ways = "|".join(re.escape(one) for one in sorted(filter(None, data), key=len, reverse=True))
    no_words = re.compile(rf"{_FILES}|(?<!\w)(?:{ways or '$.'})(?!\w)|{_NO_WORDS}")
    found = []
    for said in Page(page).said:
        plain = re.findall(r"[A-Za-z]{2,}", no_words.sub(" ", said))
        if plain:
            found.append(f"{said[:200]!r}: {' '.join(plain)}")
    return found
