"""How commands speak: text, tables, JSON for machines, progress, and refusals with an exit code.

Colour is only ever an aid: every word it could carry is printed too. The only module that knows rich.
"""

from __future__ import annotations

import json
import re
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar
from rich.table import Table

from passage_cv.cli.help import Group
from passage_cv.progress import Progress

_LOG_FIRST_S = 2.0
_LOG_EVERY_S = 5.0
_LOG_WIDTH = 160
_NUMBER = re.compile(r"[-+]?[\d.,]*\s?%?|-")


def command_app() -> typer.Typer:
    """The shell of every command and group: plain help without boxes, ``-h`` everywhere."""
    return typer.Typer(
        cls=Group,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    )


def show(text: str = "") -> None:
    """Print a line as it is (no markup, no wrapping of paths)."""
    print(text, flush=True)


def show_json(value: object) -> None:
    """Print one JSON value for machines."""
    print(json.dumps(value, ensure_ascii=False, allow_nan=False, default=str))


def warn(text: str) -> None:
    """Print a line to standard error, so that it never mixes with ``--json`` output."""
    print(text, file=sys.stderr, flush=True)


def table(headings: Sequence[str], rows: Sequence[Sequence[object]], *, title: str = "") -> None:
    """Print a small table; columns whose every value is a number stand to the right."""
    out = Table(title=title or None, title_justify="left", box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for i, heading in enumerate(headings):
        numeric = all(str(row[i]).replace(".", "").replace("-", "").replace("%", "").isdigit() for row in rows)
        out.add_column(heading, justify="right" if numeric and rows else "left", overflow="fold")
    for row in rows:
        out.add_row(*[str(cell) for cell in row])
    Console(highlight=False, soft_wrap=not sys.stdout.isatty(), width=None if sys.stdout.isatty() else 200).print(out)


@contextmanager
def progress_bar() -> Iterator[Progress]:
    """A progress function with time left: bars on a terminal; in a log a line after two seconds, then every five."""
    if not sys.stderr.isatty():
        yield _log_lines()
        return
    columns = (
        TextColumn("{task.description}"),
        BarColumn(bar_width=30),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
    )
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, int] = {}

        def report(label: str, done: int, total: int) -> None:
            if label not in tasks:
                tasks[label] = int(bar.add_task(label, total=total))
            bar.update(tasks[label], completed=done, total=total)  # type: ignore[arg-type]

        yield report


def _log_lines() -> Progress:
    started: dict[str, float] = {}
    due: dict[str, float] = {}

    def report(label: str, done: int, total: int) -> None:
        now = time.monotonic()
        if label not in started or done == 0:
            started[label], due[label] = now, now + _LOG_FIRST_S
        if now >= due[label] and 0 < done < total:
            left = (now - started[label]) * (total - done) / done
            warn(f"{label}: {done} of {total}, about {left:.0f} s left")
            due[label] = now + _LOG_EVERY_S

    return report
