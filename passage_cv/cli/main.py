"""The command ``passage-cv``: a table of commands, each loaded only when it is asked for.

The one place with a late import: ``--help`` stays fast although training needs torch.
"""

from __future__ import annotations

import importlib
import sys
from typing import Any, cast

import typer
from typer.core import TyperCommand, TyperGroup

from passage_cv.cli.console import warn
from passage_cv.cli.help import speak_plainly
from passage_cv.errors import PassageError

COMMANDS = {
    "demo": "Draw the invented river and run the whole pipeline on it.",
    "check": "Look through a batch folder as a careful colleague would.",
    "pair": "Which pictures belong to which lines of a sheet that does not say.",
    "backlog": "Make batch folders from years of pictures sorted by species.",
    "accept": "Keep a checked batch in the store and make a new version.",
    "versions": "What the data set was at any time: list, show, diff, verify.",
    "labels": "Whether the labels are right: doubted ones, second readers, agreement.",
    "setups": "Cameras, lamps and settings on file, and their reference targets.",
    "permits": "Permits on file: handled, allowed, left.",
    "train": "Fit a model on one version of the data set.",
    "score": "Score pictures with a trained model.",
    "compare": "Compare trained models on the same individuals.",
    "costs": "Ask what each mistake is worth, and see whether it moves the cutoffs.",
    "robustness": "See where a model stops being of use: worse water and lenses, trips left out.",
    "calibrate": "Find the two cutoffs of a site's policy, with demonstrated limits.",
    "evaluate": "Count what the cutoffs do to test fish and write the report.",
    "export": "Make the package that a gate computer loads.",
    "verify": "Check a gate package: every byte, then every reference case.",
    "gate": "At the gate: sign packages, run one, see what was done with the fish.",
    "plan": "Before a trip or a season: how many fish, how large the run.",
    "tally": "The book of a trap-and-release programme.",
    "serve": "The web application for technicians, researchers and engineers.",
}


class _Lazy(TyperGroup):
    """Lists every command from the table and imports only the one that is called."""

    def list_commands(self, ctx: typer.Context) -> list[str]:  # type: ignore[override]
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: typer.Context, cmd_name: str) -> TyperCommand | TyperGroup | None:  # type: ignore[override]
        del ctx
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"passage_cv.cli.{cmd_name}")
        command = typer.main.get_command(module.app)
        command.name = cmd_name
        speak_plainly(command)
        return cast("TyperCommand | TyperGroup", command)

    def format_commands(self, ctx: object, formatter: Any) -> None:  # noqa: ANN401 - the library's private type
        del ctx
        with formatter.section("Commands, in the order in which a season needs them"):
            formatter.write_dl(list(COMMANDS.items()))


program = typer.Typer(
    cls=_Lazy,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Exit codes: 0 fine, 1 refused or something must be resolved, 2 wrong use.",
)


@program.callback()
def _root() -> None:
    """From pictures of fish to a gate that knows how often it is wrong.

    Each command has its own --help; 'passage-cv demo' shows everything on an invented river.
    """


def main() -> None:
    """Run the command line; a refusal is one message and an exit code, never a traceback."""
    try:
        program(prog_name="passage-cv")
    except PassageError as error:
        warn(str(error))
        sys.exit(error.exit_code)
