"""Every ``--help`` reads like a note: whole sentences, words instead of Python's types, nothing cut off."""

import re
from collections.abc import Iterator
from functools import cache
from typing import Annotated, Any

import pytest
import typer
from typer.testing import CliRunner

from passage_cv.cli.help import speak_plainly
from passage_cv.cli.main import COMMANDS, program

ROOT: Any = typer.main.get_command(program)


def _paths(command: Any, words: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:  # noqa: ANN401
    yield words
    below = (
        {name: ROOT.get_command(None, name) for name in COMMANDS}
        if not words
        else command.__dict__.get("commands", {})
    )
    for name, one in below.items():
        yield from _paths(one, (*words, name))


ALL = list(_paths(ROOT))


@cache
def _help(words: tuple[str, ...]) -> str:
    done = CliRunner().invoke(program, [*words, "--help"], prog_name="passage-cv", env={"COLUMNS": "100"})
    assert done.exit_code == 0, done.output
    return done.output


def test_all_commands_are_read_here() -> None:
    assert {words[0] for words in ALL if words} == set(COMMANDS)
    assert ("plan", "season") in ALL


@pytest.mark.parametrize("words", ALL, ids=lambda words: " ".join(words) or "passage-cv")
def test_it_says_what_the_command_does_in_whole_sentences(words: tuple[str, ...]) -> None:
    told = _help(words).split("\n\n")[1].strip()
    assert re.match(r"[A-Z]", told), told
    assert told.endswith((".", "...:")), told
    assert "..." not in _help(words).replace("[ARGS]...", ""), "a sentence is cut off"


@pytest.mark.parametrize("words", ALL, ids=lambda words: " ".join(words) or "passage-cv")
def test_it_names_no_type_of_python(words: tuple[str, ...]) -> None:
    assert re.findall(r"<(?:list|str|int|float|path|bool)\b[^>]*>", _help(words)) == []


@pytest.mark.parametrize("words", ALL, ids=lambda words: " ".join(words) or "passage-cv")
def test_every_option_and_argument_is_explained(words: tuple[str, ...]) -> None:
    text = _help(words)
    for block in re.split(r"\n\n(?=Arguments:|Options:)", text)[1:]:
        for entry in re.split(r"\n  (?=\S)", block)[1:]:
            name, _, meaning = " ".join(entry.split()).partition(" ")
            assert re.search(r"[a-z]{3,} ?[a-z]*", meaning), (words, name)


def test_what_a_command_names_itself_stays() -> None:
    app = typer.Typer()

    @app.command()
    def measure(
        length: Annotated[float, typer.Option(metavar="MM", help="Length.")],
        names: Annotated[list[str], typer.Option(help="Names.")],
        box: Annotated[tuple[int, int], typer.Option(help="Box.")] = (0, 0),
    ) -> None:
        """Measure."""

    command: Any = typer.main.get_command(app)
    speak_plainly(command)
    assert {one.name: one.metavar for one in command.params if one.name in ("length", "names", "box")} == {
        "length": "MM",
        "names": "TEXT",
        "box": "NUMBER NUMBER",
    }
