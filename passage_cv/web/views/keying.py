"""Keying a photographed sheet: the picture beside a grid of cells; a second reader sees the picture alone."""

from __future__ import annotations

from urllib.parse import quote

from fastapi.responses import Response

from passage_cv.web import decisions, keying
from passage_cv.web.ask import Ask, Asking, NotFound
from passage_cv.web.paths import below
from passage_cv.web.tables import Keying
from passage_cv.web.uploads import received_folder
from passage_cv.web.views.batches import answer_picture, find_batch


def grid(ask: Asking, batch_id: str, image: str = "") -> Response:
    """The picture of the sheet beside the rows that were keyed from it."""
    batch = find_batch(ask, batch_id)
    pictures = keying.sheet_pictures(ask.db, batch)
    chosen = image if image and keying.is_picture(ask.db, batch, image) else ""
    made = keying.find_keying(ask.db, batch, chosen) if chosen else None
    return ask.page(
        "keying",
        batch=batch,
        pictures=pictures,
        more=len(pictures) == keying.MOST_CHOICES,
        image=chosen,
        made=made,
        keyings=keying.keyings_of(ask.db, batch),
        rows=keying.grid_rows(made.first if made else []),
        columns=keying.COLUMNS,
        editable=batch.owner_id == ask.person.id and batch.state in decisions.CHANGEABLE,
    )


async def key(ask: Asking, batch_id: str) -> Response:
    """Keep the rows of the first reader."""
    batch = find_batch(ask, batch_id, own=True)
    form = await _form(ask)
    made = keying.key_first(ask.db, batch, form.get("image", ""), keying.read_grid(form), ask.person)
    ask.did("keyed sheet", f"{batch.name}: {made.image}, {len(made.first)} rows")
    return ask.go(f"/batches/{batch.id}/keying?image={quote(made.image)}")


async def ask_second(ask: Asking, batch_id: str) -> Response:
    """Ask for a second reader."""
    batch = find_batch(ask, batch_id, own=True)
    made = keying.find_keying(ask.db, batch, (await _form(ask)).get("image", ""))
    if made is None:
        raise NotFound
    keying.ask_second(batch, made)
    ask.did("asked for second reader", f"{batch.name}: {made.image}")
    return ask.go(f"/batches/{batch.id}/keying?image={quote(made.image)}")


async def settle(ask: Asking, batch_id: str) -> Response:
    """Decide the cells in which both readers differ."""
    batch = find_batch(ask, batch_id, own=True)
    form = await _form(ask)
    made = keying.find_keying(ask.db, batch, form.get("image", ""))
    if made is None or made.state != "keyed":
        raise NotFound
    keying.settle(batch, made, form)
    ask.did("settled readings", f"{batch.name}: {made.image}")
    return ask.go(f"/batches/{batch.id}/keying?image={quote(made.image)}")


def compare(ask: Asking, batch_id: str, image: str = "") -> Response:
    """The cells in which both readers differ, beside the picture."""
    batch = find_batch(ask, batch_id, own=True)
    made = keying.find_keying(ask.db, batch, image)
    if made is None or made.state != "keyed":
        raise NotFound
    return ask.page("keying_compare", batch=batch, made=made, differences=keying.differences(made))


def second_list(ask: Asking) -> Response:
    """Sheets that wait for a second reader."""
    return ask.page("keying_list", waiting=keying.waiting_for_second(ask.db, ask.person))


def second(ask: Asking, keying_id: int) -> Response:
    """A sheet for its second reader: the picture and an empty grid."""
    made = find_for_second(ask, keying_id)
    return ask.page("keying_second", made=made, rows=keying.grid_rows([]), columns=keying.COLUMNS)


async def key_second(ask: Asking, keying_id: int) -> Response:
    """Keep what the second reader read."""
    made = find_for_second(ask, keying_id)
    keying.key_second(made, keying.read_grid(await _form(ask)), ask.person)
    ask.did("keyed sheet as second reader", f"{made.batch.id}: {made.image}")
    return ask.go("/keying")


def picture(ask: Asking, keying_id: int) -> Response:
    """The picture of a sheet, for its second reader."""
    made = find_for_second(ask, keying_id)
    return answer_picture(below(received_folder(ask.server.settings, made.batch), made.image))


def find_for_second(ask: Ask, keying_id: int) -> Keying:
    """A sheet that waits for this person as its second reader."""
    found = next((one for one in keying.waiting_for_second(ask.db, ask.person) if one.id == keying_id), None)
    if found is None:
        raise NotFound
    return found


async def _form(ask: Ask) -> dict[str, str]:
    return {key: str(value) for key, value in (await ask.request.form(max_fields=10_000)).items()}
