"""The pairing timeline: which pictures belong to which line, looked at and corrected."""

from __future__ import annotations

from bisect import bisect_left
from typing import Annotated, Any

from fastapi import Form, Query
from fastapi.responses import FileResponse, Response

from passage_cv.intake.clock_offsets import offset_text
from passage_cv.intake.columns import OTHER_PURPOSES
from passage_cv.intake.pairing_doubts import open_doubts
from passage_cv.intake.timeline import PairLine, Timeline
from passage_cv.web import batches as rules
from passage_cv.web import decisions, pairing
from passage_cv.web.ask import Ask, Asking, NotFound
from passage_cv.web.paths import below
from passage_cv.web.tables import Batch
from passage_cv.web.views.batches import find_batch

Text = Annotated[str, Form()]
PER_PAGE = 40
MOST_OFFERED = 100
"""Free lines that a series can be given; a page with every line for every series would never end."""
MOST_SHOWN = 200
"""Pictures set aside that the page lists."""
PLACE = ("series", "page", "only")


def timeline(
    ask: Asking, batch_id: str, page: Annotated[int, Query(ge=1, le=10_000)] = 1, only: str = ""
) -> Response:
    """Series of pictures beside their lines; those that are doubtful alone where asked."""
    batch = find_batch(ask, batch_id)
    return ask.page("pairing", **_values(ask, batch, page, only))


async def edit(ask: Asking, batch_id: str) -> Response:
    """Make one edit and show the timeline as it is then."""
    batch = find_batch(ask, batch_id, own=True)
    form = {key: str(value) for key, value in (await ask.request.form()).items()}
    decisions.require_changeable(batch)
    root = rules.batch_folder(ask.server.settings, batch)
    pairing.edit(root, _at(form), form.get("edit", ""), form, who=ask.person.name)
    ask.did("edited pairing", f"{batch.name}: {form.get('edit', '')} {form.get('series', '')}{form.get('image', '')}")
    return _back(ask, batch, form)


async def undo(ask: Asking, batch_id: str) -> Response:
    """Take the last edit back."""
    batch = find_batch(ask, batch_id, own=True)
    form = {key: str(value) for key, value in (await ask.request.form()).items()}
    decisions.require_changeable(batch)
    pairing.undo(rules.batch_folder(ask.server.settings, batch), _at(form))
    ask.did("undid an edit of the pairing", batch.name)
    return _back(ask, batch, form)


def confirm(ask: Asking, batch_id: str, at: Annotated[int, Form()] = -1) -> Response:
    """Sign the pairing and check the batch with it."""
    batch = find_batch(ask, batch_id, own=True)
    rules.confirm_pairing(ask.db, ask.server.settings, batch, at, ask.person.name)
    ask.did("confirmed pairing", batch.name)
    return ask.go(f"/batches/{batch.id}")


def begin_anew(ask: Asking, batch_id: str) -> Response:
    """Forget the pairing and propose one from what is there now."""
    batch = find_batch(ask, batch_id, own=True)
    rules.pair_anew(ask.db, ask.server.settings, batch, ask.person.name)
    ask.did("began pairing anew", batch.name)
    return ask.go(f"/batches/{batch.id}")


def thumbnail(ask: Asking, batch_id: str, name: str) -> Response:
    """A small picture of the timeline."""
    batch = find_batch(ask, batch_id)
    path = below(pairing.thumbnails(rules.batch_folder(ask.server.settings, batch)), name)
    if not path.is_file():
        raise NotFound
    return FileResponse(path, media_type="image/jpeg", headers={"cache-control": "private, max-age=86400, immutable"})


def _values(ask: Ask, batch: Batch, page: int, only: str) -> dict[str, Any]:
    root = rules.batch_folder(ask.server.settings, batch)
    number, found = pairing.current(root)
    if found is None:
        raise NotFound
    doubtful = pairing.doubtful(found)
    places = doubtful if only == "doubtful" else range(len(found.series))
    shown, free = places[(page - 1) * PER_PAGE : page * PER_PAGE], _free(found)
    is_owner = batch.owner_id == ask.person.id
    return {
        "batch": batch,
        "at": number,
        "timeline": found,
        "shown": [(place, found.series[place]) for place in shown],
        "lines": {line.row: line for line in found.lines},
        "shots": found.by_image,
        "doubtful": doubtful,
        "doubts": open_doubts(found),
        "cameras": cameras_of(found),
        "offset_text": offset_text,
        "asides": [shot for shot in found.shots if shot.aside],
        "most": MOST_SHOWN,
        "free": free,
        "near": {place: _near(free, found.series[place].row) for place in shown},
        "purposes": OTHER_PURPOSES,
        "page": page,
        "pages": max(1, -(-len(places) // PER_PAGE)),
        "only": only if only == "doubtful" else "",
        "confirmed": pairing.is_confirmed(root),
        "is_owner": is_owner,
        "editable": is_owner and batch.state in decisions.CHANGEABLE and not pairing.is_confirmed(root),
    }


def cameras_of(found: Timeline) -> list[dict[str, Any]]:
    """Each camera's clock: how many pictures, the first and last time as it showed them, and what is added to it."""
    times: dict[str, list[str]] = {}
    for shot in found.shots:
        times.setdefault(shot.camera, []).append(shot.taken_at)
    reasons = {one.camera: one for one in found.clock_reasons}
    return [
        {
            "camera": camera,
            "pictures": len(taken),
            "first": min(filter(None, taken), default="")[:19],
            "last": max(taken)[:19],
            "seconds": found.clocks.get(camera, 0.0),
            "reason": reasons.get(camera),
        }
        for camera, taken in sorted(times.items())
    ]


def _free(found: Timeline) -> list[PairLine]:
    empty = set(found.empty_rows)
    return [line for line in found.lines if line.row in empty]


def _near(free: list[PairLine], row: int | None) -> list[PairLine]:
    """The free lines that a series is offered: all, or where there are many those nearest to its own row."""
    middle = bisect_left(free, row or 0, key=lambda line: line.row)
    first = max(0, min(middle - MOST_OFFERED // 2, len(free) - MOST_OFFERED))
    return free[first : first + MOST_OFFERED]


def _back(ask: Ask, batch: Batch, form: dict[str, str]) -> Response:
    page = int(form["page"]) if form.get("page", "").isdigit() and len(form["page"]) < 6 else 1
    only = "doubtful" if form.get("only") == "doubtful" else ""
    if "hx-request" in ask.request.headers:
        return ask.page("pairing_part", **_values(ask, batch, page, only))
    place = f"#series-{form['series']}" if form.get("series", "").isdigit() else ""
    return ask.go(f"/batches/{batch.id}/pairing?page={page}&only={only}{place}")


def _at(form: dict[str, str]) -> int:
    return int(form["at"]) if form.get("at", "").isdigit() and len(form["at"]) < 6 else -1
