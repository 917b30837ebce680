"""``passage-cv gate``: keys and signatures, and what the gate did."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, show
from passage_cv.gate.signature import make_key, sign_package

app = command_app()


@app.callback()
def gate() -> None:
    """At the gate: who stands for a package, and what was done with the fish."""


@app.command()
def key(
    name: Annotated[str, typer.Argument(help="Whose key it is, for example initials.")],
    folder: Annotated[Path, typer.Option("--folder", "-f", help="Where to write the two files.")] = Path(),
    bare: Annotated[bool, typer.Option("--no-passphrase", help="Write the private key unlocked.")] = False,
) -> None:
    """Make a person's key pair for signing packages.

    The .key file stays with that person; the .pub file goes into the key folder of every gate that shall
    believe them.
    """
    private, public = make_key(folder, name, passphrase="" if bare else _passphrase(confirm=True))
    show(f"Keep to yourself: {private}")
    show(f"For the gates: {public}")


@app.command()
def sign(
    package: Annotated[Path, typer.Argument(help="Folder of a gate package.")],
    private: Annotated[Path, typer.Option("--key", "-k", help="Your .key file.")],
    bare: Annotated[bool, typer.Option("--no-passphrase", help="The key has no passphrase.")] = False,
) -> None:
    """Sign a package after checking every byte of it.

    Sign what you have verified and read: your name stands for it. A second person signs the same folder.
    """
    made = sign_package(package, private, passphrase="" if bare else _passphrase(confirm=False))
    show(f"Signed with key {made.public_key[:8]} ({package})")


def _passphrase(*, confirm: bool) -> str:
    typed = typer.prompt("Passphrase", default="", hide_input=True, show_default=False, confirmation_prompt=confirm)
    return str(typed)
