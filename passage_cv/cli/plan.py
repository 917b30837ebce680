"""``passage-cv plan``: before a trip or a season."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show, show_json, table, warn
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.errors import UsageError
from passage_cv.planning.field_sheet import write_field_papers
from passage_cv.planning.holdings import count_in_cut
from passage_cv.planning.page import Table, write_page
from passage_cv.planning.run_size import (
    ASSUMPTIONS,
    RunSize,
    chapman,
    petersen,
    read_occasions,
    schnabel,
    schumacher_eschmeyer,
    trap_efficiency,
)
from passage_cv.planning.run_size_page import assumption_table, estimate_table, run_size_page
from passage_cv.planning.sample_page import mode_table, need_table, sample_page, to_image_of
from passage_cv.planning.sampling import CUT_SHARE, Need, plan_for_limit, plan_for_policy
from passage_cv.planning.season import SeasonPlan, read_season, simulate_season
from passage_cv.planning.season_page import (
    excluded_table,
    goal_table,
    goals_of,
    load_sentence,
    season_page,
    season_values,
    wanted_table,
)
from passage_cv.planning.tally import female_share, mark_counts, sterile_at_large
from passage_cv.planning.tally_files import read_book
from passage_cv.policy import Policy, read_policy

app = command_app()
Out = Annotated[Path | None, typer.Option("--out", "-o", help="Folder for the page and papers.")]
AsJson = Annotated[bool, typer.Option("--json", help="Values for machines.")]
Confidence = Annotated[float, typer.Option(help="1 - delta.", min=0.5, max=0.99999)]


@app.callback()
def _plan() -> None:
    """Before a trip or a season: how many fish, how large the run, what a miss rate means."""


@app.command()
def sample(
    *,
    miss_limit: Annotated[float | None, typer.Option(help="Miss rate to be shown, for one class.")] = None,
    confidence: Confidence = 0.95,
    misses: Annotated[int, typer.Option(help="Misses allowed, fixed beforehand.", min=0)] = 0,
    policy: Annotated[Path | None, typer.Option(help="A site's policy: every class it limits.")] = None,
    store: Annotated[Path | None, typer.Option(help="Store whose fish are taken off (with --policy).")] = None,
    version: Annotated[str, typer.Option(help="Version of the store.")] = "latest",
    cut_share: Annotated[float | None, typer.Option(help="Share of fish that get role cut.")] = None,
    images_per_fish: Annotated[int, typer.Option(help="For the design effect.", min=1)] = 5,
    alike: Annotated[float, typer.Option(help="How alike pictures of one fish are, 0 to 1.", min=0, max=1)] = 0.6,
    lengths: Annotated[str, typer.Option(help="Inner edges of length bands, mm: 300,500.")] = "",
    light: Annotated[list[str] | None, typer.Option(help="Light to cover; may be repeated.")] = None,
    out: Out = None,
    as_json: AsJson = False,
) -> None:
    """How many fish to image before a limit can be shown."""
    if (miss_limit is None) == (policy is None):
        raise UsageError("Give either --miss-limit or --policy", do="Call with --help to see both.")
    if store and policy is None:
        raise UsageError("--store counts by the classes of a policy", do="Give --policy too.")
    share = cut_share
    if share is None:
        share = Store.open(store).settings.shares.cut if store else CUT_SHARE
    if policy is None:
        assert miss_limit is not None
        site = ""
        needs = [plan_for_limit(miss_limit, confidence=confidence, misses=misses, cut_share=share)]
    else:
        rules = read_policy(policy)
        site, needs = rules.site, _needs(rules, store, version, misses=misses, cut_share=share)
    edges = _edges(lengths)
    if as_json:
        show_json(_sample_values(needs, site))
    else:
        _show(need_table(needs))
        show()
        _show(mode_table(max(needs, key=lambda need: need.individuals)))
    if out:
        page = sample_page(needs, site=site, cut_share=share, images_per_fish=images_per_fish, alike=alike)
        write_page(page, out / "sample.html")
        fish = to_image_of(needs, cut_share=share)
        papers = write_field_papers(out, fish, site=site, length_edges_mm=edges, lights=light or ["day"])
        _wrote(out / "sample.html", *papers)


@app.command("run-size")
def run_size(
    *,
    method: Annotated[
        str, typer.Option(help="chapman, petersen, schnabel, schumacher-eschmeyer or trap-efficiency.")
    ] = "chapman",
    marked: Annotated[int | None, typer.Option(help="Fish marked and released.")] = None,
    caught: Annotated[
        int | None,
        typer.Option(help="Fish of the later sample that were examined; for trap-efficiency unmarked only."),
    ] = None,
    recaptured: Annotated[int | None, typer.Option(help="Fish with a mark.")] = None,
    occasions: Annotated[
        Path | None, typer.Option(help="CSV for several samples: unmarked,recaptured,returned_marked.")
    ] = None,
    book: Annotated[Path | None, typer.Option(help="Take the counts of males from a trap book.")] = None,
    confidence: Confidence = 0.95,
    holds: Annotated[list[str] | None, typer.Option(help=f"Holds: {', '.join(ASSUMPTIONS)}.")] = None,
    broken: Annotated[list[str] | None, typer.Option(help="Does not hold; the same words.")] = None,
    out: Out = None,
    as_json: AsJson = False,
) -> None:
    """How large a run is, from marks; prints the assumptions it stands on."""
    answers = _answers(holds or [], broken or [])
    if book:
        counts = mark_counts(read_book(book))
        marked, caught, recaptured = counts.marked, counts.caught, counts.recaptured
        warn(
            f"From the book: males caught after {counts.since}; "
            f"left out {counts.left_out} fish of unknown sex or mark."
        )
    found = _estimate(method, (marked, caught, recaptured), occasions, confidence)
    if as_json:
        show_json(_run_size_values(found, answers))
    else:
        _show(estimate_table([found]))
        show()
        _show(assumption_table(answers))
    if out:
        write_page(run_size_page([found], answers), out / "run_size.html")
        _wrote(out / "run_size.html")


@app.command()
def season(
    plan: Annotated[Path, typer.Argument(help="Season file (TOML); an example lies in configs/season.")],
    *,
    policy: Annotated[Path, typer.Option(help="The site's policy.")],
    book: Annotated[Path | None, typer.Option(help="Take sterile males and the sex ratio from a trap book.")] = None,
    risk: Annotated[float, typer.Option(help="Accepted chance of more than the tolerable number.")] = 0.05,
    seed: Annotated[int | None, typer.Option(help="Instead of the file's seed.")] = None,
    out: Out = None,
    as_json: AsJson = False,
) -> None:
    """What a miss rate means for a season, and which one a tolerable number asks for."""
    rules = read_policy(policy)
    asked = read_season(plan)
    if seed is not None:
        asked = asked.model_copy(update={"seed": seed})
    if book:
        asked = _with_book(asked, book)
    with progress_bar() as progress:
        found = simulate_season(asked, rules, progress=progress)
    goals = goals_of(asked, rules, risk=risk)
    if as_json:
        show_json(season_values(found, goals))
    else:
        for part in (excluded_table(found), goal_table(goals), wanted_table(found)):
            _show(part)
            show()
        show(load_sentence(found))
    if out:
        write_page(season_page(found, goals), out / "season.html")
        _wrote(out / "season.html")


def _needs(rules: Policy, store: Path | None, version: str, *, misses: int, cut_share: float) -> list[Need]:
    in_cut = None
    if store:
        in_cut = count_in_cut(open_version(Store.open(store), version).table(), rules)
    return list(plan_for_policy(rules, misses=misses, cut_share=cut_share, in_cut=in_cut))


def _sample_values(needs: Sequence[Need], site: str) -> dict[str, object]:
    rows: list[dict[str, object]] = [
        {
            "class": need.code,
            "kind": need.kind,
            "limit": need.limit,
            "confidence": round(need.confidence, 9),
            "mode": need.mode,
            "misses": need.misses,
            "individuals": need.individuals,
            "to_image": need.to_image,
            "in_cut": need.in_cut,
            "missing": need.missing,
        }
        for need in needs
    ]
    return {"site": site, "classes": rows} if site else rows[0]


def _estimate(
    method: str, counts: tuple[int | None, int | None, int | None], occasions: Path | None, confidence: float
) -> RunSize:
    single = {"chapman": chapman, "petersen": petersen, "trap-efficiency": trap_efficiency}
    several = {"schnabel": schnabel, "schumacher-eschmeyer": schumacher_eschmeyer}
    if method in several:
        if occasions is None:
            raise UsageError(f"{method} needs several samples", do="Give --occasions FILE.")
        return several[method](read_occasions(occasions), confidence=confidence)
    if method not in single:
        raise UsageError(f"Method is {method!r}", do=f"Choose one of {', '.join((*single, *several))}.")
    marked, caught, recaptured = counts
    if marked is None or caught is None or recaptured is None:
        raise UsageError(f"{method} needs three counts", do="Give --marked, --caught and --recaptured, or --book.")
    if method == "trap-efficiency":
        return trap_efficiency(marked, recaptured, caught, confidence=confidence)
    return single[method](marked, caught, recaptured, confidence=confidence)


def _answers(holds: list[str], broken: list[str]) -> dict[str, bool | None]:
    unknown = [word for word in (*holds, *broken) if word not in ASSUMPTIONS]
    both = set(holds) & set(broken)
    if unknown or both:
        raise UsageError(
            f"Assumptions are {', '.join(ASSUMPTIONS)}; found {', '.join((*unknown, *both))}",
            do="Name each once, in --holds or --broken.",
        )
    return {key: True if key in holds else False if key in broken else None for key in ASSUMPTIONS}


def _run_size_values(found: RunSize, answers: dict[str, bool | None]) -> dict[str, object]:
    return {
        "method": found.method,
        "estimate": found.estimate,
        "standard_error": found.standard_error,
        "low": found.low,
        "upper": found.upper,
        "confidence": found.confidence,
        "known": found.known,
        "formula": found.formula,
        "source": found.source,
        "assumptions": answers,
    }


def _with_book(plan: SeasonPlan, path: Path) -> SeasonPlan:
    """The season with sterile males and sex ratio of its sterile class taken from a book."""
    if plan.sterile is None:
        raise UsageError("The season has no [sterile] table", do="Add one with the class the book is about.")
    book = read_book(path)
    share, code = female_share(book), plan.sterile.code
    classes = tuple(
        one.model_copy(update={"female_share": share}) if one.code == code and share is not None else one
        for one in plan.classes
    )
    sterile = plan.sterile.model_copy(update={"males": sterile_at_large(book)})
    return plan.model_copy(update={"classes": classes, "sterile": sterile})


def _edges(text: str) -> tuple[int, ...]:
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if not all(part.isdecimal() for part in parts):
        raise UsageError(f"Lengths are {text!r}", do="Write inner edges in mm, as 300,500.")
    return tuple(int(part) for part in parts)


def _show(part: Table) -> None:
    table(part.headings, part.rows, title=part.caption)


def _wrote(*paths: Path) -> None:
    for path in paths:
        warn(f"Wrote {path}")
