"""A second language is a file: which one a browser gets, what it must hold, and how it is begun and kept up."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from passage_cv.errors import InputError
from passage_cv.web import texts
from passage_cv.web.people import Role
from passage_cv.web.said import Said
from passage_cv.web.sentences import Place, sentences_of
from passage_cv.web.settings import read_environment
from passage_cv.web.texts import FOLDER, places, read_catalogue, read_languages, wrong_places
from passage_cv.web.translating import read_own, standing, template, whole_catalogue
from tests.web.conftest import Office
from tests.web.strange import Page, all_sentences

LANGUAGES = sorted(path.stem for path in FOLDER.glob("*.toml") if path.stem != "en")
SCRIPT = Path(__file__).parents[2] / "scripts" / "texts"


@pytest.fixture
def two(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with English as it is and a German word."""
    (tmp_path / "en.toml").write_bytes((FOLDER / "en.toml").read_bytes())
    (tmp_path / "de.toml").write_text('[sign_in]\ntitle = "Anmelden"\n', encoding="utf-8")
    monkeypatch.setattr(texts, "FOLDER", tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("setting", "asked", "language"),
    [
        ("", "", "en"),
        ("", "de-CH, de;q=0.9, en;q=0.8", "de"),
        ("", "en, de;q=0.5", "en"),
        ("", "fr, de;q=0.1", "de"),
        ("", "fr", "en"),
        ("", "de;q=0", "en"),
        ("", ";;q=,,,de;q=9", "en"),
        ("en", "de", "en"),
        ("de", "en", "de"),
        ("de, en", "fr", "de"),
        ("de, en", "en", "en"),
    ],
)
@pytest.mark.usefixtures("two")
def test_which_language_a_browser_gets(setting: str, asked: str, language: str) -> None:
    assert read_languages(setting).for_browser(asked).language == language


@pytest.mark.usefixtures("two")
def test_a_page_says_its_language_and_falls_back_to_english(office: Office) -> None:
    page = (
        office.browser(office.person("Elq", Role.TECHNICIAN)).get("/sign-in", headers={"accept-language": "de"}).text
    )
    assert Page(page).language == "de"
    assert "Anmelden" in page
    assert "Password" in page


def test_the_setting_is_read_from_the_environment_and_an_unknown_language_is_refused() -> None:
    assert read_environment({"PASSAGE_WEB_LANGUAGE": "de"}).language == "de"
    with pytest.raises(InputError, match="No texts in language 'xx'"):
        read_languages("en, xx")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[batch]\narrived = "{n} Dateien"\n', "batch.arrived"),
        ('[said]\n"Row {1} has {2}" = "Zeile {1}"\n', "said.Row {1} has {2}"),
        ("[batch]\narrived = 5\n", "no table of texts"),
        ("[batch\n", "not TOML"),
    ],
)
def test_a_file_that_would_break_a_page_is_refused_at_start(two: Path, text: str, message: str) -> None:
    (two / "de.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message.replace("{", r"\{")):
        read_languages("")


@pytest.mark.parametrize("language", LANGUAGES or [pytest.param("", marks=pytest.mark.skip(reason="English alone"))])
def test_a_shipped_language_holds_nothing_that_is_gone_and_fills_in_the_same(language: str) -> None:
    own, whole = read_catalogue(FOLDER / f"{language}.toml"), whole_catalogue(all_sentences())
    assert standing(own, whole).gone == ()
    assert wrong_places(own, whole) == []


def test_english_names_what_it_fills_in() -> None:
    """A brace in the catalogue is a name or, for what the core says, a number."""
    for key, text in read_catalogue(FOLDER / "en.toml").items():
        assert text.count("{") == len(places(text, key)) or key.startswith("said."), key


def test_a_new_file_is_whole_and_keeps_what_was_translated(tmp_path: Path) -> None:
    path = tmp_path / "fr.toml"
    path.write_text('[site]\nmenu = "Pages d\'ici"\n[said]\n"Row {1} is old" = "Ligne {1}"\n', encoding="utf-8")
    whole = whole_catalogue(all_sentences())
    own = read_own(path)
    assert standing(own, whole).gone == ("said.Row {1} is old",)
    path.write_text(template("fr", own, all_sentences()), encoding="utf-8")
    again = read_own(path)
    assert again.keys() == whole.keys()
    assert {key for key in whole if again[key] != whole[key]} == {"site.menu"}


def test_the_script_tells_what_is_new_and_what_is_gone(tmp_path: Path) -> None:
    path = tmp_path / "fr.toml"
    path.write_text('[site]\nmenu = "Ici"\nbygone = "Ancien"\n', encoding="utf-8")
    written = _script("fr", "--new", "-o", str(path))
    assert written.returncode == 0, written.stderr
    assert "1 texts kept" in written.stdout
    assert "No longer there: 1\n  site.bygone" in written.stdout
    assert read_catalogue(path)["site.menu"] == "Ici"


def _script(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, str(SCRIPT), *arguments], capture_output=True, text=True, check=False)


def test_sentences_are_found_however_they_are_put_together() -> None:
    source = '''
"""No sentence: a docstring."""
def check(row):
    """Nor is this one."""
    re.compile("not this one")
    progress("Looking", 0, 1)
    what = f"row {row.line}" + (f" of {row.name!r}" if row.name else "")
    raise InputError(f"Cell {row} is {'empty' if not row else 'odd'}: {what}", do="Correct it." " Then go on.")
'''
    assert [text for text, _ in sentences_of(source)] == [
        "Looking",
        "row {1} of {2}",
        "row {1}",
        "Cell {1} is empty: {2}",
        "Cell {1} is odd: {2}",
        "Correct it. Then go on.",
    ]


SAID = Said(
    {
        "Row {1} has {2}": "Zeile {1}: {2}",
        "Row {1} has no length": "Zeile {1} ohne Länge",
        "no weight": "kein Gewicht",
        "Correct it": "Bitte ändern",
        "or": "oder",
        "{1} is {2}": "{1} ist {2}",
        "an eel": "ein Aal",
    }
)


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("Row 7 has no length", "Zeile 7 ohne Länge"),  # the pattern that fixes more of it
        ("Row 7 has no weight", "Zeile 7: kein Gewicht"),  # a gap that is itself a sentence
        ("Row 7 has no weight.", "Zeile 7: kein Gewicht."),
        ("sheet.csv: no weight; Correct it.", "sheet.csv: kein Gewicht; Bitte ändern."),
        ("no weight, or an eel", "kein Gewicht, oder ein Aal"),
        ("no weight (an eel)", "kein Gewicht (ein Aal)"),
        ("NSX is an eel", "NSX ist ein Aal"),  # a loose pattern, when nothing else is known
        ("Row 7 had no weight", "Row 7 had no weight"),
        ("", ""),
        ("  no weight\n", "  kein Gewicht\n"),
    ],
)
def test_how_a_sentence_is_looked_up(english: str, german: str) -> None:
    assert SAID(english) == german


EVIL = ["Row 7 has " * 390, "no weight" + ")" * 3900, ", or ".join(["Row 7 has"] * 280), "(" * 3900, "no is " * 600]


@pytest.mark.parametrize("text", [*EVIL, "a" * 100_000], ids=lambda text: f"{text[:6]} {len(text)}")
def test_what_somebody_typed_into_a_cell_cannot_hold_a_page_up(text: str) -> None:
    """Sentences nest a few times only: neither the stack ends nor the patience."""
    assert SAID(text)
    assert SAID(f"Row 7 has {text}")


def test_places_of_sentences_name_what_comes_in() -> None:
    assert all_sentences()["Row {1} has {2} cells, the headings have {3}"] == Place(
        "intake/line_checks.py", ("line.row", "line.n_cells", "line.n_headings")
    )
