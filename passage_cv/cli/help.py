"""Help that reads like a note: whole sentences in lists of commands, and words instead of Python's types."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args, get_origin

from typer.core import TyperGroup

_WORDS = {Path: "PATH", str: "TEXT", int: "NUMBER", float: "NUMBER"}
_LONGEST = 400


class Group(TyperGroup):
    """A group whose list of commands cuts no sentence short."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ANN401 - the library's private types
        """List every command with its first sentence."""
        commands = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        rows = [(name, command.get_short_help_str(_LONGEST)) for name, command in commands if command is not None]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


def speak_plainly(command: Any) -> None:  # noqa: ANN401 - commands and groups share no public type
    """Name what each argument and option takes in words, here and in all commands below.

    Choices keep their list, and whatever a command has named itself stays.
    """
    for one in command.params:
        descriptor = getattr(one, "type_descriptor", None)
        if one.metavar is not None or descriptor is None or getattr(one, "is_flag", False):
            continue
        word = _word(descriptor.annotation)
        if one.param_type_name == "argument":
            one.metavar = one.name.upper()
            one.display_type_rich = one.display_type_rich if word is None else _no_type
        else:
            one.metavar = word
    for below in getattr(command, "commands", {}).values():
        speak_plainly(below)


def _no_type(*, ctx: Any) -> str:  # noqa: ANN401 - the library's private type
    """Nothing: an argument's own name says what it is."""
    del ctx
    return ""


def _word(annotation: Any) -> str | None:  # noqa: ANN401 - any type a command may ask for
    """``PATH``, ``TEXT``, ``NUMBER``, several of them, or None where the library knows better."""
    parts = [part for part in get_args(annotation) if part not in (type(None), Ellipsis)]
    if get_origin(annotation) is tuple:
        return " ".join(str(_word(part)) for part in parts)
    if get_origin(annotation) is not None and len(parts) == 1:
        return _word(parts[0])
    return _WORDS.get(annotation)
