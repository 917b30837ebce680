"""A trained model, two of them side by side, and what other demands would come to."""

from __future__ import annotations

from typing import Annotated

from fastapi import Form
from fastapi.responses import FileResponse, Response

from passage_cv.files import read_json
from passage_cv.web import research as rules
from passage_cv.web import runs, set_ups
from passage_cv.web.ask import Asking, NotFound
from passage_cv.web.headers import PICTURE_POLICY
from passage_cv.web.views.research import find

Text = Annotated[str, Form()]
DISAGREEMENTS_SHOWN = 200


def set_up(ask: Asking, name: str) -> Response:
    """The text of a training set-up, to read or to copy and change."""
    path = set_ups.training_set_ups(ask.server.settings).get(name)
    if path is None:
        raise NotFound
    return FileResponse(path, media_type="text/plain; charset=utf-8")


def keep_set_up(ask: Asking, name: Text = "", text: Text = "") -> Response:
    """Keep a changed set-up under a new name."""
    set_ups.keep_set_up(ask.server.settings, name.strip(), text)
    ask.did("handed in training set-up", name.strip())
    return ask.go("/models")


def run(ask: Asking, made_id: str) -> Response:
    """One model: its figures and pictures, where it was tracked, its scores, and what it was compared with."""
    made, settings = find(ask, "run", made_id), ask.server.settings
    run_id, page = rules.tracked_at(settings, made)
    return ask.page(
        "run",
        made=made,
        run_id=run_id,
        page=page,
        command="" if page else runs.tracking_command(settings, made),
        classes=runs.classes_of(made),
        files=runs.files_of(settings, made),
        holds_views=runs.holds_views(made),
        others=[one for one in rules.made_of(ask.db, "run") if one.id != made.id],
        scores=[one for one in rules.made_of(ask.db, "scores") if one.sources.get("run") == made.id],
        comparisons=[one for one in rules.made_of(ask.db, "comparison") if made.id in one.sources.values()],
    )


def run_file(ask: Asking, made_id: str, name: str) -> Response:
    """A picture or the class table of a run."""
    made, settings = find(ask, "run", made_id), ask.server.settings
    if name not in runs.files_of(settings, made):
        raise NotFound
    headers = {"content-security-policy": PICTURE_POLICY}
    return FileResponse(rules.made_path(settings, made) / name, headers=headers)


def compare(ask: Asking, first: Text = "", second: Text = "") -> Response:
    """Put a comparison of two models into the queue."""
    one, two = find(ask, "run", first), find(ask, "run", second)
    job = rules.start_comparison(ask.db, one, two, ask.person.name)
    ask.did("asked for comparison", f"{one.title} / {two.title}")
    return ask.go(f"/jobs/{job.id}")


def comparison(ask: Asking, made_id: str) -> Response:
    """Two models on the same fish: counts, an exact test, and the fish on which they differ."""
    made = find(ask, "comparison", made_id)
    found = read_json(rules.made_path(ask.server.settings, made) / "comparison.json")
    return ask.page(
        "comparison",
        found=found,
        compared={name: find(ask, "run", made.sources[name]) for name in ("first", "second")},
        rows={"all": found["overall"], **found["per_class"]},
        most=DISAGREEMENTS_SHOWN,
    )


def try_out(ask: Asking, scores: Text = "", policy: Text = "") -> Response:
    """Ask what other demands would come to."""
    made = find(ask, "scores", scores)
    job = rules.start_trial(ask.db, ask.server.settings, made, policy, ask.person.name)
    ask.did("asked for what-if", f"{made.title} under {policy}")
    return ask.go(f"/jobs/{job.id}")


def trial(ask: Asking, made_id: str) -> Response:
    """The tables of a what-if: one thing moved at a time."""
    made = find(ask, "whatif", made_id)
    place = rules.made_path(ask.server.settings, made)
    tables = {name: rules.read_table(place / f"{name}.csv") for name in made.facts["tables"]}
    return ask.page("trial", made=made, tables=tables)
