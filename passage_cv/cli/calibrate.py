"""``passage-cv calibrate``: the two cutoffs of a site's policy."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show, show_json, warn
from passage_cv.evaluation.words import percent, unfamiliar_sentence
from passage_cv.pipeline import calibrate_scores, sweep_scores

app = command_app()


@app.command()
def calibrate(
    scores: Annotated[Path, typer.Argument(help="Scores file, Parquet or CSV, ours or from any other model.")],
    policy: Annotated[Path, typer.Option("--policy", "-p", help="The site's policy (TOML).")],
    out: Annotated[Path, typer.Option("--out", "-o", help="Where to write the cutoffs.")] = Path("cutoffs.json"),
    store: Annotated[Path | None, typer.Option(help="Store whose ledger counts this look at the cut fish.")] = None,
    sweep: Annotated[
        Path | None, typer.Option(help="Only write tables of what other limits and costs would do, into this folder.")
    ] = None,
    author: Annotated[str, typer.Option(help="Who sets these cutoffs; stands in the file.")] = "",
    json: Annotated[bool, typer.Option("--json", help="Print the cutoffs as JSON for a machine.")] = False,
) -> None:
    """Find where to pass and where to reject, at least expected cost, under every limit the policy asks for.

    Reads the fish of role 'cut' (and out-of-fold scores of 'train' for the model calibration), never those of
    'test'. Where too few fish were imaged for a limit, the file allows nothing, the missing number is said here,
    and the exit code is 1.

    With --sweep no cutoff is set and no fish of 'cut' is looked at: limits, costs, shares and hold capacity are moved
    on the out-of-fold scores of 'train', and the tables say where the cutoffs, the cost and the held fish would go.
    """
    if sweep is not None:
        with progress_bar() as progress:
            written = sweep_scores(scores, policy, sweep, progress)
        for path in written:
            show(f"Wrote {path}")
        return
    with progress_bar() as progress:
        found = calibrate_scores(scores, policy, out, store=store, author=author, progress=progress)
    cutoffs = found.cutoffs
    if json:
        show_json(cutoffs.model_dump(mode="json", by_alias=True))
    else:
        show(f"Wrote {out} (SHA-256 {found.sha256[:12]}).")
        show("Pass: nothing." if cutoffs.u is None else f"Pass below {cutoffs.u:.4f}.")
        show("Reject: nothing." if cutoffs.v is None else f"Reject above {cutoffs.v:.4f}.")
        if cutoffs.hold_load is not None:
            show(f"About {percent(cutoffs.hold_load.share)} of all fish are held.")
        if found.unfamiliar is not None:
            show(unfamiliar_sentence(found.unfamiliar))
        show(
            f"Expected cost per fish {cutoffs.expected_cost.chosen:.4f}; without limits "
            f"{cutoffs.expected_cost.without_limits:.4f}, holding all {cutoffs.expected_cost.hold_all:.4f}."
        )
    for line in (*cutoffs.warnings, *found.unmet):
        warn(line)
    raise typer.Exit(1 if found.unmet else 0)
