"""The findings of a batch, one by one: the picture beside the row, and what a person decides about it."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Form, Query
from fastapi.responses import Response
from sqlalchemy import case, func, select

from passage_cv.config import Settings
from passage_cv.intake.columns import CANONICAL
from passage_cv.web import batches as rules
from passage_cv.web import columns, decisions
from passage_cv.web.ask import Ask, Asking, NotFound
from passage_cv.web.pages import cells_safe_for_spreadsheets
from passage_cv.web.tables import Batch, Decision, Found, SheetLine
from passage_cv.web.views.batches import find_batch

Text = Annotated[str, Form()]
PER_PAGE = 50
SEVERITIES = ("must resolve", "please look", "note")
CSV_COLUMNS = ("row", "image", "kind", "severity", "message", "proposal", "stands")


class DecisionForm(Settings):
    """What the buttons of a finding send."""

    mark: str = ""
    kind: str = ""
    image: str = ""
    row: int = 0
    column: str = ""
    value: str = ""
    why: str = ""
    back: str = ""


@dataclass(frozen=True, slots=True)
class Shown:
    """One finding as the page shows it: its row's cells, what was decided, and which cell is probably meant."""

    number: int
    one: dict[str, Any]
    made: list[Decision]
    cells: dict[str, Any]
    column: str
    value: str
    may_stand: bool


def findings(
    ask: Asking, batch_id: str, page: Annotated[int, Query(ge=1, le=10_000)] = 1, only: str = "", kind: str = ""
) -> Response:
    """Findings, each with its row and its pictures, and what was decided."""
    batch = find_batch(ask, batch_id)
    wanted = [Found.batch_id == batch.id]
    wanted += [Found.severity == only] if only in SEVERITIES else []
    wanted += [Found.kind == kind] if kind else []
    n_found = ask.db.scalar(select(func.count()).select_from(Found).where(*wanted)) or 0
    shown = select(Found).where(*wanted).order_by(Found.number)
    found = ask.db.scalars(shown.limit(PER_PAGE).offset((page - 1) * PER_PAGE)).all()
    return ask.page(
        "findings",
        findings=list(_shown(ask, batch, found)),
        page=page,
        pages=max(1, -(-n_found // PER_PAGE)),
        only=only,
        kind=kind,
        kinds=_kinds(ask, batch),
        presses=decisions.presses_of(ask.db, batch),
        **_standing(ask, batch),
    )


def decide(ask: Asking, batch_id: str, form: Annotated[DecisionForm, Form()]) -> Response:
    """Write down a decision."""
    batch = find_batch(ask, batch_id, own=True)
    made = decisions.decide(ask.db, batch, ask.person.name, **form.model_dump(exclude={"mark", "back"}))
    ask.did(f"decided: {made.kind}", f"{batch.name}: {made.image or made.row} {made.column} {made.value}")
    return _back(ask, batch, form.back)


def accept_proposals(ask: Asking, batch_id: str, kind: Text = "") -> Response:
    """Take the proposed change of every finding of one kind."""
    batch = find_batch(ask, batch_id, own=True)
    made = decisions.accept_proposals(ask.db, batch, ask.person.name, kind)
    ask.did("accepted proposals", f"{batch.name}: {len(made)} of {kind}")
    return ask.go(f"/batches/{batch.id}/findings")


def undo(ask: Asking, batch_id: str, decision_id: int, back: Text = "", whole: Text = "") -> Response:
    """Take back what one press decided about a row, or all that it decided."""
    batch = find_batch(ask, batch_id, own=True)
    made = decisions.undo(ask.db, batch, decision_id, whole=bool(whole))
    if whole:
        ask.did("took back accepted proposals", f"{batch.name}: {len(made)} of {made[0].why}")
    else:
        ask.did(f"undid: {made[0].kind}", f"{batch.name}: {made[0].image or made[0].row} {made[0].value}")
    return ask.go(f"/batches/{batch.id}#decisions") if back == "batch" else _back(ask, batch, back)


def findings_csv(ask: Asking, batch_id: str) -> Response:
    """The findings as a table for a spreadsheet."""
    batch = find_batch(ask, batch_id)
    out = io.StringIO()
    writer = csv.DictWriter(out, CSV_COLUMNS, extrasaction="ignore")
    writer.writeheader()
    for values in ask.db.scalars(select(Found.values).where(Found.batch_id == batch.id).order_by(Found.number)):
        writer.writerow(cells_safe_for_spreadsheets({key: values.get(key) for key in CSV_COLUMNS}))
    headers = {"content-disposition": f'attachment; filename="findings-{batch.id}.csv"'}
    return Response(out.getvalue(), media_type="text/csv; charset=utf-8", headers=headers)


def column_page(ask: Asking, batch_id: str) -> Response:
    """Which heading of the sheet is which column: proposals to confirm."""
    batch = find_batch(ask, batch_id)
    if not batch.sheet:
        raise NotFound
    return ask.page(
        "columns",
        batch=batch,
        rows=columns.column_rows(batch.sheet),
        layout=batch.sheet["layout"],
        canonical=CANONICAL,
        units=columns.all_units(),
        editable=_may_change(ask, batch),
    )


async def confirm_columns(ask: Asking, batch_id: str) -> Response:
    """Keep the confirmed reading and look through the batch again."""
    batch = find_batch(ask, batch_id, own=True)
    form = {key: str(value) for key, value in (await ask.request.form()).items()}
    rules.confirm_columns(ask.db, ask.server.settings, batch, form, ask.person.name)
    ask.did("confirmed columns", batch.name)
    return ask.go(f"/batches/{batch.id}")


def _shown(ask: Ask, batch: Batch, found: Sequence[Found]) -> Iterator[Shown]:
    made = decisions.decisions_about(ask.db, batch, found)
    rows = {one.values["line"] for one in found if one.values["line"]}
    lines = select(SheetLine).where(SheetLine.batch_id == batch.id, SheetLine.row.in_(rows))
    cells = {line.row: line.cells for line in ask.db.scalars(lines)}
    headings = batch.sheet.get("headings", [])
    for one in found:
        values = one.values
        column, value = _cell_meant(batch, values, headings)
        yield Shown(
            number=one.number,
            one=values,
            made=decisions.about(made, values),
            cells=cells.get(values["line"], {}),
            column=column,
            value=value,
            may_stand=decisions.may_stand(one.severity, one.kind),
        )


def _cell_meant(batch: Batch, values: dict[str, Any], headings: Sequence[str]) -> tuple[str, str]:
    """The cell that the proposal changes and its new value; else the column that the message speaks of."""
    change = values.get("change")
    if change:
        return columns.as_received(batch.sheet, str(change["column"]), str(change["value"]))
    words = values["message"].replace(":", " ").replace(",", " ").split()
    named = next((word for word in words if word in headings or word in CANONICAL), "")
    return columns.as_received(batch.sheet, named, "")[0], ""


def _standing(ask: Ask, batch: Batch) -> dict[str, Any]:
    """How many of the findings that must be resolved nothing was decided about yet."""
    n_must, left = decisions.count_waiting(ask.db, batch)
    headings = batch.sheet.get("headings", [])
    return {
        "batch": batch,
        "counts": batch.summary,
        "left": left,
        "n_must": n_must,
        "is_owner": batch.owner_id == ask.person.id,
        "editable": _may_change(ask, batch),
        "columns": [*headings, *(name for name in CANONICAL if name not in headings)],
    }


def _kinds(ask: Ask, batch: Batch) -> list[tuple[str, str, int, int]]:
    """Kind, severity, how many, and how many of them wait with a change to accept."""
    n_changes = func.sum(case((Found.has_change, 1), else_=0))
    grouped = (
        select(Found.kind, Found.severity, func.count(), n_changes, func.min(Found.number))
        .where(Found.batch_id == batch.id)
        .group_by(Found.kind, Found.severity)
        .order_by(func.min(Found.number))
    )
    found = ask.db.execute(grouped).all()
    return [
        (kind, severity, n, decisions.count_proposals(ask.db, batch, kind) if changes else 0)
        for kind, severity, n, changes, _ in found
    ]


def _back(ask: Ask, batch: Batch, back: str) -> Response:
    """The finding alone for a page that swaps it in place, else the way back to it."""
    number = back.partition("#")[2]
    found = ask.db.get(Found, (batch.id, int(number))) if number.isdigit() and len(number) < 9 else None
    if found is None or "hx-request" not in ask.request.headers:
        return ask.go(f"/batches/{batch.id}/findings{_place(back)}")
    (shown,) = _shown(ask, batch, [found])
    return ask.page("finding_swapped", shown=shown, back=back, **_standing(ask, batch))


def _place(back: str) -> str:
    """The query and the finding to come back to; nothing else may be named."""
    query, _, finding = back.partition("#")
    page, _, only = query.partition("/")
    query = f"?page={page}&only={only}" if page.isdigit() and only in {"", *SEVERITIES} else ""
    return query.replace(" ", "%20") + (f"#finding-{finding}" if finding.isdigit() else "")


def _may_change(ask: Ask, batch: Batch) -> bool:
    return batch.owner_id == ask.person.id and batch.state in decisions.CHANGEABLE
