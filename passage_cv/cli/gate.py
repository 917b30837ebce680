"""``passage-cv gate``: keys and signatures, and what the gate did."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from passage_cv.cli import gate_records, gate_run
from passage_cv.cli.console import command_app, progress_bar, show, show_json, table
from passage_cv.cli.late import late
from passage_cv.files import write_bytes
from passage_cv.gate.signature import make_key, sign_package
from passage_cv.gate.site import read_site
from passage_cv.service.status import GateStatus, gate_status

if TYPE_CHECKING:
    from passage_cv.service.figures import draw_charts
else:
    draw_charts = late("passage_cv.service.figures", "draw_charts")

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


for command in (gate_run.run, gate_run.stop, gate_run.bypass, gate_run.reset, gate_run.tighten):
    app.command()(command)


@app.command()
def status(
    log: Annotated[Path, typer.Argument(help="Gate log.")],
    package: Annotated[Path, typer.Option("--package", "-p", help="Folder of the package in service.")],
    site: Annotated[
        Path | None, typer.Option("--site", "-s", help="Site file: its proof tests must not be overdue.")
    ] = None,
    delta: Annotated[float, typer.Option(help="Chance of ever raising a false audit alarm.")] = 0.05,
    charts: Annotated[Path | None, typer.Option("--charts", help="Draw the daily charts into this SVG file.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print everything as JSON for a machine.")] = False,
) -> None:
    """Say what the gate did, what audits found, what is held for that, and which days were unlike the others.

    Exit code 1 while an audit alarm stands (then nothing of that kind is passed, or rejected, until the cutoffs were
    set anew on new fish), a proof test is overdue, or a run was cut off.
    """
    with progress_bar() as progress:
        found = gate_status(
            package, log, site=None if site is None else read_site(site), delta=delta, progress=progress
        )
    if charts is not None and found.drift.days:
        write_bytes(charts, draw_charts(found.drift))
    if json:
        show_json(found.as_dict())
    else:
        for line in _status_lines(found):
            show(line)
        if found.audits.classes:
            table(["class", "error", "audited", "errors", "true rate", "limit", ""], _audit_rows(found))
    if not found.ok:
        raise typer.Exit(1)


for record in (
    gate_records.audit,
    gate_records.compare,
    gate_records.batch,
    gate_records.proof,
    gate_records.challenge,
    gate_records.sheet,
):
    app.command()(record)


def _status_lines(found: GateStatus) -> list[str]:
    done = ", ".join(f"{n} {action.value}" for action, n in found.actions.items())
    audits, drift = found.audits, found.drift
    lines = [
        f"Package {found.package_id[:12]}: {found.presentations} presentations, {found.first} to {found.last}",
        f"Actions: {done}",
        *(f"  held, {reason}: {n}" for reason, n in found.hold_reasons.items()),
        f"Audits: {audits.looked_at} of {audits.drawn} drawn presentations were looked at",
    ]
    if found.of_other_packages:
        lines.insert(1, f"{found.of_other_packages} more lines are of other packages")
    lines += [
        f"Held since then, {one.because}: passes below {one.u:.6g}, rejects above {one.v:.6g}"
        for one in found.tightened
    ]
    lines += [f"Proof test overdue: {one.function}, last tried {one.last or 'never'}" for one in found.overdue]
    if found.cut_off:
        lines.append("The last run that commanded did not end: look at the gate, then 'passage-cv gate reset'")
    if not drift.baseline:
        lines.append(f"Charts: {len(drift.days)} days are too few to say what is usual")
    else:
        lines.append(f"Charts: {len(drift.signals)} signals, against the first {drift.baseline} days")
    return lines + [
        f"  {one.date} {one.chart}: {one.value:.3g}, usual {one.low:.3g} to {one.upper:.3g}" for one in drift.signals
    ]


def _audit_rows(found: GateStatus) -> list[list[object]]:
    return [
        [
            one.code,
            one.kind,
            one.n,
            one.errors,
            f"{one.low:.4f} to {one.upper:.4f}",
            "-" if one.limit is None else f"{one.limit:g}",
            "ALARM" if one.alarm else "",
        ]
        for one in found.audits.classes
    ]


def _passphrase(*, confirm: bool) -> str:
    typed = typer.prompt("Passphrase", default="", hide_input=True, show_default=False, confirmation_prompt=confirm)
    return str(typed)
