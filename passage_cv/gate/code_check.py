"""The generated code of a package put to work: the C header compiled and asked, the Structured Text parsed.

Both need a tool that a computer may not have (a C compiler, the grammar ``tree-sitter-iec61131-3-st``). Which one is
missing is said; nothing here counts a check that was not made as passed or failed.
"""

from __future__ import annotations

import importlib
import importlib.util
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from passage_cv.errors import InputError
from passage_cv.scores import Floats

COMPILERS = ("cc", "gcc", "clang")
GRAMMAR = ("tree_sitter", "tree_sitter_iec61131_3_st")
FLAGS = ("-std=c99", "-Wall", "-Wextra", "-pedantic-errors", "-O2")
DRIVER = Path(__file__).parent / "templates" / "replay.c"
SHOWN = 600
"""Characters of a compiler's complaint that are shown."""


@dataclass(frozen=True, slots=True)
class Question:
    """What the C header is asked: logits of the views, a reason code to hold (0 for none), unfamiliarity."""

    views: Floats
    hold_reason: int = 0
    unfamiliarity: float = float("nan")


@dataclass(frozen=True, slots=True)
class Answer:
    """Action code, reason code and score."""

    action: int
    reason: int
    score: float


def find_compiler() -> str:
    """The first C compiler of this computer, ``""`` where there is none."""
    return next((found for name in COMPILERS if (found := shutil.which(name))), "")


def describe_compiler(compiler: str) -> str:
    """Its name and version as it says them."""
    said = subprocess.run([compiler, "--version"], capture_output=True, text=True, check=False).stdout  # noqa: S603
    return said.splitlines()[0] if said else compiler


class CompiledGate:
    """A package's C header behind a small program that answers questions.

    Parameters
    ----------
    header
        ``passage_gate.h``.
    folder
        Where the program is put.
    with_unfamiliarity
        Whether the cutoffs have a limit on unfamiliarity; the header takes it as an argument then.
    flags
        Further flags for the compiler.

    Raises
    ------
    InputError
        If the header does not compile.
    """

    def __init__(
        self,
        header: Path,
        folder: Path,
        *,
        with_unfamiliarity: bool = False,
        compiler: str = "",
        flags: Sequence[str] = (),
    ) -> None:
        self.program = folder / "replay"
        named = [f'-DPASSAGE_GATE="{header.resolve()}"', *(["-DWITH_UNFAMILIARITY"] if with_unfamiliarity else [])]
        call = [compiler or find_compiler(), *FLAGS, *flags, *named, str(DRIVER), "-o", str(self.program), "-lm"]
        done = subprocess.run(call, capture_output=True, text=True, check=False)  # noqa: S603 - no shell, no user text
        if done.returncode:
            raise InputError(
                f"The C header does not compile: {done.stderr.strip()[:SHOWN]}",
                where=str(header),
                do="Use a C99 compiler with IEEE arithmetic; report this if it is one.",
            )

    def answer(self, questions: Sequence[Question]) -> list[Answer]:
        """The header's answers, in order.

        Raises
        ------
        InputError
            If the program fails.
        """
        told = "\n".join(_line(one) for one in questions)
        done = subprocess.run([self.program], input=told, capture_output=True, text=True, check=False)  # noqa: S603
        rows = [line.split() for line in done.stdout.splitlines()]
        if done.returncode or len(rows) != len(questions):
            raise InputError(
                f"The compiled header answered {len(rows)} of {len(questions)} questions, exit {done.returncode}",
                where=str(self.program),
                do="Report the compiler and its version.",
            )
        return [Answer(int(action), int(reason), float.fromhex(score)) for action, reason, score in rows]


def answer_in_c(header: Path, questions: Sequence[Question], *, with_unfamiliarity: bool) -> list[Answer]:
    """Compile a header in a temporary folder and ask it.

    Raises
    ------
    InputError
        If it does not compile or the program fails.
    """
    with tempfile.TemporaryDirectory(prefix="passage-gate-") as folder:
        return CompiledGate(header, Path(folder), with_unfamiliarity=with_unfamiliarity).answer(questions)


def has_grammar() -> bool:
    """Whether the grammar of Structured Text is installed."""
    return all(importlib.util.find_spec(name) for name in GRAMMAR)


def find_syntax_errors(text: str) -> tuple[int, ...]:
    """Lines (from 1) at which Structured Text cannot be parsed; empty where all of it can."""
    tree_sitter, grammar = (importlib.import_module(name) for name in GRAMMAR)
    root = tree_sitter.Parser(tree_sitter.Language(grammar.language())).parse(text.encode()).root_node
    return tuple(sorted(set(_error_lines(root)))) if root.has_error else ()


def _error_lines(node: Any) -> list[int]:  # noqa: ANN401 - a node of the optional parser
    own = [node.start_point[0] + 1] if node.is_error or node.is_missing else []
    return own + [line for child in node.children if child.has_error for line in _error_lines(child)]


def _line(one: Question) -> str:
    numbers = " ".join(float(z).hex() for z in one.views.ravel())
    return f"{len(one.views)} {one.hold_reason} {float(one.unfamiliarity).hex()} {numbers}"
