"""Whatever takes over two seconds says how far it is and how long it still takes."""

import ast
import inspect
import textwrap
from collections.abc import Callable, Iterator
from types import FunctionType
from typing import Any

import pytest
import typer

from passage_cv.cli import console
from passage_cv.cli.main import COMMANDS, program

ROOT: Any = typer.main.get_command(program)
QUICK = {
    "compare",
    "costs ask",
    "costs try",
    "gate audit",
    "gate bypass",
    "gate challenge",
    "gate key",
    "gate proof",
    "gate reset",
    "gate sign",
    "gate stop",
    "gate tighten",
    "labels agreement",
    "labels confirm",
    "labels disputed",
    "labels record",
    "permits add",
    "permits list",
    "plan run-size",
    "plan sample",
    "setups add",
    "setups list",
    "setups targets",
    "tally check",
    "tally convert",
    "tally report",
    "tally template",
    "versions amend",
    "versions cover",
    "versions diff",
    "versions list",
    "versions show",
    "versions sweep",
}
"""Their work is over in two seconds on a store of the demo's size, the program's start aside; not all were timed."""
SPEAKS_ITSELF = {"serve"}
"""Runs until it is stopped and prints what happens."""


def _commands(command: Any = ROOT, words: tuple[str, ...] = ()) -> Iterator[tuple[str, Callable[..., object]]]:  # noqa: ANN401
    below = (
        {name: ROOT.get_command(None, name) for name in COMMANDS} if not words else command.__dict__.get("commands")
    )
    if not below:
        yield " ".join(words), command.callback
    for name, one in (below or {}).items():
        yield from _commands(one, (*words, name))


def _names_used(function: Callable[..., object]) -> set[str]:
    """Names of functions of the command line that a command calls, directly or through another."""
    seen: set[FunctionType] = set()
    open_ones = [inspect.unwrap(function)]
    while open_ones:
        one = open_ones.pop()
        if not isinstance(one, FunctionType) or one in seen:
            continue
        seen.add(one)
        tree = ast.parse(textwrap.dedent(inspect.getsource(one)))
        called = [one.__globals__.get(node.id) for node in ast.walk(tree) if isinstance(node, ast.Name)]
        open_ones += [
            inspect.unwrap(each)
            for each in called
            if isinstance(each, FunctionType) and each.__module__.startswith("passage_cv.cli")
        ]
    return {one.__name__ for one in seen}


def test_every_command_shows_progress_or_is_known_to_be_quick() -> None:
    silent = {words for words, callback in _commands() if console.progress_bar.__name__ not in _names_used(callback)}
    assert silent == QUICK | SPEAKS_ITSELF


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    now = [100.0]
    monkeypatch.setattr("passage_cv.cli.console.time.monotonic", lambda: now[0])
    return now


def test_a_log_hears_of_it_after_two_seconds_and_then_every_five(
    clock: list[float], capsys: pytest.CaptureFixture[str]
) -> None:
    with console.progress_bar() as progress:
        for done in range(41):
            progress("Counting fish", done, 40)
            clock[0] += 0.5
    said = capsys.readouterr().err.splitlines()
    assert said == [f"Counting fish: {done} of 40, about {(40 - done) / 2:.0f} s left" for done in (4, 14, 24, 34)]


def test_a_log_hears_nothing_of_what_takes_less(clock: list[float], capsys: pytest.CaptureFixture[str]) -> None:
    with console.progress_bar() as progress:
        for done in range(11):
            progress("Counting fish", done, 10)
            clock[0] += 0.15
    assert capsys.readouterr().err == ""
