"""One catalogue has every text, and every text is used."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from passage_cv.errors import InputError
from passage_cv.web import texts
from passage_cv.web.pages import FOLDER

SOURCES = [*(FOLDER / "templates").glob("*.j2"), *FOLDER.glob("*.py"), *(FOLDER / "views").glob("*.py")]


def used() -> tuple[set[str], set[str]]:
    """Whole keys that stand in the sources, and beginnings of keys that are put together."""
    text = "\n".join(path.read_text(encoding="utf-8") for path in SOURCES)
    whole = set(re.findall(r'(?:\bt|_text)\((?:request, )?"([a-z_]+\.[A-Za-z_]+)"', text))
    return whole, set(re.findall(r'"([a-z_]+\.)" ~', text)) | {"refusal."}


def test_every_text_that_is_asked_for_is_there() -> None:
    whole, _ = used()
    assert whole - set(texts.read_texts("en").by_key) == set()


def test_every_text_is_used() -> None:
    whole, beginnings = used()
    left = {key for key in texts.read_texts("en").by_key if key.removesuffix(texts.ONE) not in whole}
    assert {key for key in left if not key.startswith(tuple(beginnings))} == set()


def test_another_language_falls_back_key_by_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "en.toml").write_text('[a]\none = "one"\ntwo = "two {n}"\n')
    (tmp_path / "fr.toml").write_text('[a]\none = "un"\n')
    monkeypatch.setattr(texts, "FOLDER", tmp_path)
    found = texts.read_texts("fr")
    assert (found("a.one"), found("a.two", n=3)) == ("un", "two 3")


def test_one_thing_has_a_text_of_its_own_where_a_language_has_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "en.toml").write_text(
        '[a]\nfish = "{n} eels left"\nfish_one = "one eel left"\nrow = "{n} of {all}"\n'
    )
    (tmp_path / "de.toml").write_text('[a]\nfish = "Aale: {n}"\nrow_one = "einer von {all}"\n')
    monkeypatch.setattr(texts, "FOLDER", tmp_path)
    english, german = texts.read_texts("en"), texts.read_texts("de")
    assert [english("a.fish", n=n) for n in (0, 1, 2)] == ["0 eels left", "one eel left", "2 eels left"]
    assert [german("a.fish", n=n) for n in (1, 2)] == ["Aale: 1", "Aale: 2"]
    assert [german("a.row", n=n, all=3) for n in (1, 2)] == ["einer von 3", "2 of 3"]
    (tmp_path / "de.toml").write_text('[a]\nrow_one = "einer von {many}"\n')
    with pytest.raises(InputError, match=r"a\.row_one"):
        texts.read_texts("de")


NEVER_ONE = {
    "batch.decisions_last": "only where more than a hundred stand",
    "findings.together": "only where a press decided about several rows",
    "site.cut": "only where there are more than are shown",
    "status.quiet": "only once there is a baseline of days",
}
"""Texts that count and are never said of one thing, and why."""
MANY = re.compile(r"\{n\} (?:more )?(?!series)([a-z]+s|fish (?:are|were)|are|were)\b|[Aa]ll \{n\} [a-z]")


def test_what_counts_has_a_text_for_one_thing() -> None:
    known = texts.read_texts("en").by_key
    many = {key for key, text in known.items() if MANY.search(text) and not key.endswith(texts.ONE)}
    assert len(many) > 10
    assert {key for key in many if key + texts.ONE not in known} == set(NEVER_ONE)


@pytest.mark.parametrize("language", ["xx", "../en", ""])
def test_a_language_without_a_file_is_refused(language: str) -> None:
    with pytest.raises(InputError, match="there are de, en"):
        texts.read_texts(language)


UNSPOKEN = {"kbd"}
"""Elements that hold the name of a key, which is on the keyboard and in no language."""


class Words(HTMLParser):
    """What a template says by itself: text between elements, and texts that readers hear."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.within = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.within = tag
        heard = {"aria-label", "alt", "title", "placeholder", "label"}
        self.found += [value for name, value in attrs if name in heard and value and re.search("[A-Za-z]", value)]

    def handle_endtag(self, tag: str) -> None:
        self.within = ""

    def handle_data(self, data: str) -> None:
        said = re.sub(r'[\w-]+="[^"]*"', "", data)  # a macro of attributes is no text
        if self.within not in UNSPOKEN and re.search("[A-Za-z]", said):
            self.found.append(said.strip())


def bare_words(template: str) -> list[str]:
    """Words of a template that come from no catalogue."""
    words = Words()
    words.feed(re.sub(r"\{%.*?%\}|\{\{.*?\}\}|\{#.*?#\}", "", template, flags=re.DOTALL))
    return words.found


def test_bare_words_are_seen() -> None:
    given = '<p>{{ t("a.b") }} left <kbd>A</kbd></p><img alt="fish"><a href="/x" aria-label="{{ t("a.c") }}">-</a>'
    assert bare_words(given) == ["left", "fish"]


@pytest.mark.parametrize("path", sorted((FOLDER / "templates").glob("*.j2")), ids=lambda path: path.name)
def test_a_template_holds_no_words_of_its_own(path: Path) -> None:
    assert bare_words(path.read_text(encoding="utf-8")) == []


def test_the_pages_scripts_hold_no_words_of_their_own() -> None:
    """What they say comes from the page: a text of theirs with a space in it would be a sentence."""
    for path in (FOLDER / "static").glob("*.js"):
        text = re.sub(r"//[^\n]*", "", path.read_text(encoding="utf-8"))
        sentences = re.findall(r"\"([A-Z][a-z]+ [^\"]*)\"", text)
        assert sentences == [], path.name


NOTHING_YET = re.compile(r"\.(empty|none|needs|unchecked|unlooked|nothing|alone|no_\w+|none_\w+)$")
NO_STATE = {
    *("refusal.nothing", "batch.no_script", "findings.no_picture", "pairing.no_line", "pairing.no_fish"),
    *("keying_compare.nothing", "data_begin.no_policy", "cutoffs.nothing", "one.unchecked", "status.no_alarm"),
}
"""Words within a page, not what stands where there is nothing."""
FOUND_NOTHING = {
    *("version.no_excluded", "diff.none", "cover.nothing", "leaks.none", "one.no_limits", "agreement.no_kappa"),
    *("run.no_figures", "job.no_log"),
}
"""Nothing as the outcome of a look: it is what was asked for, and nothing has to be done about it."""


def empty_states() -> set[str]:
    return {key for key in texts.read_texts("en").by_key if NOTHING_YET.search(key)} - NO_STATE - FOUND_NOTHING


@pytest.mark.parametrize("key", sorted(empty_states() | {"reading.done"}))
def test_an_empty_state_says_what_is_missing_and_then_what_to_do(key: str) -> None:
    text = texts.read_texts("en").by_key[key]
    first, *then = [one for one in re.split(r"[.;:](?: |$)", text) if one]
    assert first
    assert then or text.startswith("Say "), text


def test_what_is_said_of_nothing_is_still_in_the_catalogue() -> None:
    assert set(texts.read_texts("en").by_key) >= NO_STATE | FOUND_NOTHING


@pytest.mark.parametrize("path", sorted((FOLDER / "templates").glob("*.j2")), ids=lambda path: path.name)
def test_a_help_is_in_words_that_users_know(path: Path) -> None:
    """Ours for ourselves stay out (architecture, words for users); a help is more than a title."""
    keys = re.findall(r'm\.help\(t, t\("([\w.]+)"\)\)', path.read_text(encoding="utf-8"))
    for key in keys:
        said = texts.read_texts("en").by_key[key]
        assert len(said.split()) >= 8, key
        ours = {"promise", "veto", "settle", "quarantine", "hitchhiker", "golden", "threshold", "split", "endpoint"}
        assert not ours & set(re.findall(r"[a-z]+", said.lower())), key


def test_every_page_has_its_help() -> None:
    pages = {path.name: path.read_text(encoding="utf-8") for path in (FOLDER / "templates").glob("*.j2")}
    without = {name for name, text in pages.items() if "extends" in text and "{% block help %}" not in text}
    assert without == {"refusal.html.j2"}  # a refusal is itself what, where and what to do
