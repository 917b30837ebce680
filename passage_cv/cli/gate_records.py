"""What people write down about a gate and take from its log: audits, the crew, batch folders, proof tests."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import progress_bar, show, show_json, table, warn
from passage_cv.errors import UsageError
from passage_cv.files import write_text
from passage_cv.gate.runtime import open_package
from passage_cv.gate.site import read_site
from passage_cv.gate.verify import verify_package
from passage_cv.progress import tracked
from passage_cv.service.acceptance import Place, render_sheet
from passage_cv.service.challenge import Shown, judge_challenge, note_challenge, read_challenge
from passage_cv.service.crew import BY_CREW, CrewReport, compare_with_crew, read_crew
from passage_cv.service.log import GateLog
from passage_cv.service.proof import note_proof, proof_tests
from passage_cv.service.to_batch import BatchFacts, write_batch

Log = Annotated[Path, typer.Argument(help="Gate log.")]
By = Annotated[str, typer.Option("--by", help="Your initials.")]
InService = Annotated[Path, typer.Option("--package", "-p", help="Folder of the package in service.")]
SiteFile = Annotated[Path, typer.Option("--site", "-s", help="Site file.")]
SHOWN = 20


def audit(
    log: Log,
    presentation: Annotated[str, typer.Argument(help="Which presentation was looked at.")],
    found: Annotated[str, typer.Argument(help="The class it was, as in the policy.")],
    by: By,
) -> None:
    """Write down what a person found one presentation to be; once, and for good."""
    with GateLog.open_existing(log) as open_log:
        open_log.add_audit(presentation, time=datetime.now(UTC).isoformat(timespec="seconds"), label=found, by=by)
    show(f"{presentation} was {found}, said {by} ({log})")


def compare(
    log: Log,
    crew: Annotated[Path, typer.Argument(help="The crew's list: presentation_id or time, action, class.")],
    package: InService,
    json: Annotated[bool, typer.Option("--json", help="Print everything as JSON for a machine.")] = False,
) -> None:
    """Compare a shadow run with what the crew did with the same fish.

    Exit code 1 if the gate would have passed a fish that the crew named as one of an excluded class.
    """
    gate = open_package(package)
    with GateLog.open_existing(log) as open_log, progress_bar() as progress:
        every = tracked(open_log.lines(), "Reading the log", progress, total=open_log.count())
        lines = [line for line in every if line.package_id == gate.manifest.package_id]
    report = compare_with_crew(lines, read_crew(crew), gate.policy.groups)
    if json:
        show_json(asdict(report))
    else:
        _show_comparison(report)
    if any(one.serious for one in report.differences):
        raise typer.Exit(1)


def batch(
    log: Log,
    out: Annotated[Path, typer.Option("--out", "-o", help="New batch folder.")],
    package: InService,
    permit: Annotated[str, typer.Option(help="Collecting permit.")],
    protocol: Annotated[str, typer.Option(help="Animal-care protocol.")],
    by: By,
    trip: Annotated[str, typer.Option(help="The outing it counts as; needed where roles are drawn by trip.")] = "",
    since: Annotated[str, typer.Option(help="Only from this time on (ISO 8601).")] = "",
) -> None:
    """Make a batch folder of the fish that were held or audited, for 'passage-cv check'."""
    facts = BatchFacts(permit, protocol, by, trip)
    with progress_bar() as progress:
        made = write_batch(log, out, open_package(package).policy, facts, since=since, progress=progress)
    show(f"{made.fish} fish, {made.pictures} pictures ({made.folder})")
    if made.unnamed:
        warn(f"{made.unnamed} fish were named by nobody yet: fill in scientificName, then run 'passage-cv check'.")


def proof(
    log: Log,
    site: SiteFile,
    function: Annotated[str, typer.Option(help="Which function was tried; without it the list is shown.")] = "",
    by: Annotated[str, typer.Option("--by", help="Your initials.")] = "",
    failed: Annotated[bool, typer.Option("--failed", help="It did not do what it should.")] = False,
    remark: Annotated[str, typer.Option(help="What was seen.")] = "",
) -> None:
    """Write down a proof test of the real gate, or show which are due.

    Exit code 1 while one is overdue or failed.
    """
    known = read_site(site).proof_tests
    now = datetime.now(UTC)
    with GateLog(log) as open_log:
        if function:
            told = {"passed": not failed, "remark": remark, "time": now.isoformat(timespec="seconds"), "by": by}
            note_proof(open_log, function, known, **told)  # type: ignore[arg-type]
        states = proof_tests(open_log.events_since(), known, now=now)
    rows = [[one.function, one.last or "never", one.by, one.due, "" if one.ok else "OVERDUE"] for one in states]
    table(["function", "last tried", "by", "due again", ""], rows)
    if not all(one.ok for one in states):
        raise typer.Exit(1)


def _show_comparison(report: CrewReport) -> None:
    rows = [[gate.value, *(by_crew[one] for one in BY_CREW)] for gate, by_crew in report.counts.items()]
    table(["gate \\ crew", *(one.value for one in BY_CREW)], rows)
    show(f"{report.agreed} of {report.n} fish were treated alike")
    if report.kappa:
        low, upper = report.kappa.low, report.kappa.upper
        show(f"Agreement beyond chance (kappa) {report.kappa.value:.3f}, 95 % interval {low:.3f} to {upper:.3f}")
    for one in report.differences[:SHOWN]:
        sign = "SERIOUS " if one.serious else ""
        show(f"  {sign}{one.presentation_id}: gate {one.gate}, crew {one.crew} {one.label}")
    if len(report.differences) > SHOWN:
        show(f"  and {len(report.differences) - SHOWN} more")
    if report.only_crew:
        warn(f"Rows of the crew's list without a presentation: {', '.join(map(str, report.only_crew[:SHOWN]))}")
    if report.only_gate:
        warn(f"{report.only_gate} presentations are not in the crew's list")


def challenge(
    log: Log,
    targets: Annotated[Path, typer.Argument(help="List of targets: target, expected, position.")],
    since: Annotated[str, typer.Option(help="Time at which the challenge began (ISO 8601).")],
    by: By,
) -> None:
    """Judge a challenge: dummy fish and printed targets that the running gate was shown since a time.

    Exit code 1 if the gate did with one of them what it should not.
    """
    with GateLog.open_existing(log) as open_log:
        lines = [line for line in open_log.lines() if line.time >= since]
        shown = judge_challenge(read_challenge(targets), lines)
        note_challenge(open_log, shown, time=datetime.now(UTC).isoformat(timespec="seconds"), by=by)
    rows = [[one.target, one.expected, one.action, one.confirmed, "" if one.ok else "FAILED"] for one in shown]
    table(["target", "allowed", "done", "confirmed", ""], rows)
    if not all(one.ok for one in shown):
        raise typer.Exit(1)


def sheet(
    place: Annotated[str, typer.Argument(help="factory or site.")],
    *,
    package: InService,
    site: SiteFile,
    out: Annotated[Path, typer.Option("--out", "-o", help="HTML file to write.")],
    keys: Annotated[Path | None, typer.Option(help="Folder of the trusted public keys (*.pub).")] = None,
    targets: Annotated[Path | None, typer.Option(help="List of the challenge's targets.")] = None,
    log: Annotated[Path | None, typer.Option(help="Gate log of the challenge.")] = None,
    since: Annotated[str, typer.Option(help="Time at which the challenge began (ISO 8601).")] = "",
) -> None:
    """Write a printable acceptance sheet: checks on this computer, trials, challenge set, proof tests, signatures."""
    if place not in ("factory", "site"):
        raise UsageError(f"There is no sheet for {place!r}", do="Say factory or site.")
    settings = read_site(site)
    with progress_bar() as progress:
        report = verify_package(
            package, keys=keys, signatures=settings.signatures, budget=settings.timing, progress=progress
        )
    listed = () if targets is None else read_challenge(targets)
    shown: tuple[Shown, ...] = ()
    if log is not None:
        with GateLog.open_existing(log) as open_log:
            shown = judge_challenge(listed, [line for line in open_log.lines() if line.time >= since])
    made_for: Place = "factory" if place == "factory" else "site"
    text = render_sheet(made_for, open_package(package), settings, report, targets=listed, shown=shown)
    write_text(out, text)
    show(f"Acceptance at the {place}: print it, try everything, sign it ({out})")
    if not report.ok:
        raise typer.Exit(1)
