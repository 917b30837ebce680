"""What a person decided about a batch, each decision on record and each to be undone.

Comes in: one decision. Goes out: the :class:`Resolutions` that intake applies, so that a batch decided here and one
decided by a file beside its sheet are the same batch.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from passage_cv.errors import InputError
from passage_cv.intake.columns import CANONICAL, COUNT
from passage_cv.intake.resolutions import CAN_STAND, Correction, Exclusion, LetStand, Resolutions, is_signed
from passage_cv.web.columns import as_received
from passage_cv.web.tables import Batch, Decision, Found, FoundImage, SheetLine, User, new_id, utc

CHANGEABLE = ("open", "checked", "aside")
KINDS = ("exclude", "correct", "stand", "note")
LONGEST_TEXT = 500
NOBODY: Mapping[str, str] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Press:
    """What one press decided about several rows: how many stand, who pressed, ``decision_id`` to take all back."""

    decision_id: int
    n: int
    why: str
    who: str


def decide(  # noqa: PLR0913 - one decision has these parts, all by name
    db: Session,
    batch: Batch,
    who: str,
    *,
    kind: str,
    image: str = "",
    row: int = 0,
    column: str = "",
    value: str = "",
    why: str = "",
) -> Decision:
    """Write down what a person decided.

    ``exclude`` leaves a picture out (``value`` is the reason), ``correct`` gives a cell another ``value``, ``stand``
    lets a finding of the kind ``column`` stand (``value`` is the reason), ``count`` keeps the line of a fish that
    nobody photographed as a count, ``note`` writes something down.

    Raises
    ------
    InputError
        If the batch cannot change, or the decision names nothing or says nothing.
    """
    require_changeable(batch)
    if kind == "count":
        return _count_only(db, batch, who, row)
    text, reason = value.strip()[:LONGEST_TEXT], why.strip()[:LONGEST_TEXT]
    made = Decision(
        batch_id=batch.id, kind=kind, image=image, row=row, column=column, value=text, why=reason, who=who
    )
    _require_sense(db, batch, made)
    db.add(made)
    db.flush()
    _mark_changed(batch, kind)
    return made


def _count_only(db: Session, batch: Batch, who: str, row: int) -> Decision:
    """Make a line one that only counts: whoever has no picture is no individual of the data set."""
    line = db.get(SheetLine, (batch.id, row))
    wanted = {"individual": "", "organismID": "", COUNT: "1"}
    cells = line.cells if line else {}
    changes = {
        column: value
        for column, value in wanted.items()
        if str(cells.get(as_received(batch.sheet, column, "")[0], "")) != value
    }
    made = [
        decide(db, batch, who, kind="correct", row=row, column=column, value=value, why="nobody photographed it")
        for column, value in (changes or wanted).items()
    ]
    _join(made)
    return made[-1]


def accept_proposals(db: Session, batch: Batch, who: str, kind: str) -> list[Decision]:
    """Take the proposed change of every finding of one kind that nothing was decided about.

    Raises
    ------
    InputError
        If the batch cannot change, or no finding of this kind proposes a change of one cell.
    """
    require_changeable(batch)
    decided = {(one.row, one.column) for one in decisions_of(db, batch) if one.kind == "correct"}
    waits = (Found.batch_id == batch.id, Found.kind == kind, Found.has_change)
    rows = SheetLine.row.in_(select(Found.line).where(*waits))
    lines = {one.row: one for one in db.scalars(select(SheetLine).where(SheetLine.batch_id == batch.id, rows))}
    found = db.scalars(select(Found.values).where(*waits).order_by(Found.number))
    proposed = [_as_decision(batch, who, values) for values in found]
    for one in proposed:
        _fit_correction(batch, one, lines.get(one.row))
    made = [one for one in proposed if (one.row, one.column) not in decided]
    if not made:
        raise InputError(
            f"No finding {kind[:40]!r} waits with a proposal", where=batch.name, do="Load the page again."
        )
    db.add_all(made)
    _join(made)
    db.flush()
    _mark_changed(batch, "correct")
    return made


def count_proposals(db: Session, batch: Batch, kind: str) -> int:
    """How many findings of a kind propose a change that nobody took or replaced by another."""
    standing = (Decision.batch_id == batch.id, Decision.undone_at == "", Decision.kind == "correct")
    decided = select(Decision.row).where(*standing, Decision.why == kind)
    waits = (Found.batch_id == batch.id, Found.kind == kind, Found.has_change, Found.line.not_in(decided))
    return db.scalar(select(func.count()).select_from(Found).where(*waits)) or 0


def undo(db: Session, batch: Batch, decision_id: int, *, whole: bool = False) -> list[Decision]:
    """Take a decision back, with what the same press decided about its row; it stays on record as undone.

    ``whole`` takes back everything that the press decided, whatever row it is about.

    Raises
    ------
    InputError
        If the batch has no such decision, or cannot change.
    """
    made = db.get(Decision, decision_id)
    if made is None or made.batch_id != batch.id or made.undone_at:
        raise InputError("There is nothing to undo", where=batch.name, do="Load the page again.")
    require_changeable(batch)
    together = [made]
    if made.press:
        alike = [Decision.batch_id == batch.id, Decision.press == made.press, Decision.undone_at == ""]
        alike += [] if whole else [Decision.row == made.row]
        together = list(db.scalars(select(Decision).where(*alike).order_by(Decision.id)))
    for one in together:
        one.undone_at = utc()
    _mark_changed(batch, made.kind)
    return together


def presses_of(db: Session, batch: Batch) -> list[Press]:
    """Presses that decided about several rows at once and still stand for more than one, the newest first."""
    n = func.count()
    newest = func.max(Decision.id)
    found = (
        select(newest, n, func.max(Decision.why), func.max(Decision.who))
        .where(Decision.batch_id == batch.id, Decision.press != "", Decision.undone_at == "")
        .group_by(Decision.press)
        .having(func.count(Decision.row.distinct()) > 1)
        .order_by(newest.desc())
    )
    return [Press(*values) for values in db.execute(found)]


def decisions_of(db: Session, batch: Batch) -> list[Decision]:
    """Decisions that stand, oldest first."""
    found = select(Decision).where(Decision.batch_id == batch.id, Decision.undone_at == "").order_by(Decision.id)
    return list(db.scalars(found))


def count_decisions(db: Session, batch: Batch) -> int:
    """How many decisions stand."""
    standing = select(func.count()).where(Decision.batch_id == batch.id, Decision.undone_at == "")
    return db.scalar(standing) or 0


def newest_decisions(db: Session, batch: Batch, most: int) -> list[Decision]:
    """The last decisions that stand, newest first."""
    found = select(Decision).where(Decision.batch_id == batch.id, Decision.undone_at == "")
    return list(db.scalars(found.order_by(Decision.id.desc()).limit(most)))


def decisions_about(db: Session, batch: Batch, found: Sequence[Found]) -> list[Decision]:
    """The decisions that stand and speak of some findings: of their rows, or of one of their pictures."""
    rows = {one.line for one in found} - {0}
    images = {image for one in found for image in one.values["images"]}
    standing = select(Decision).where(Decision.batch_id == batch.id, Decision.undone_at == "").order_by(Decision.id)
    return list(db.scalars(standing.where(or_(Decision.row.in_(rows), Decision.image.in_(images)))))


def count_waiting(db: Session, batch: Batch) -> tuple[int, int]:
    """Findings that must be resolved, and how many of them nothing was decided about yet."""
    must = (Found.batch_id == batch.id, Found.severity == "must resolve", Found.stands.is_(False))
    counting = select(func.count()).select_from(Found).where(*must)
    spoken = (Decision.batch_id == batch.id, Decision.undone_at == "", Decision.kind != "note")
    by_image = select(FoundImage.number).where(
        FoundImage.batch_id == batch.id,
        FoundImage.image.in_(select(Decision.image).where(*spoken, Decision.image != "")),
    )
    by_row = select(Decision.row).where(*spoken, Decision.row != 0)
    n_decided = db.scalar(counting.where(or_(Found.line.in_(by_row), Found.number.in_(by_image)))) or 0
    n_must = db.scalar(counting) or 0
    return n_must, n_must - n_decided


def initials_of_people(db: Session) -> dict[str, str]:
    """The initials on field sheets of everybody who has said them, by name."""
    return {user.name: user.initials for user in db.scalars(select(User).where(User.initials != ""))}


def as_resolutions(
    decisions: Iterable[Decision], beside: Resolutions, initials: Mapping[str, str] = NOBODY
) -> Resolutions:
    """The decisions as intake reads them, the last word on each thing, over those that came beside the sheet.

    Whoever has ``initials`` on field sheets signs with name and initials, so that nobody decides about, or reads as a
    second reader, what he or she named under the initials.
    """
    excluded = {one.image: one for one in beside.exclude}
    corrected = {(one.row, one.column): one for one in beside.correct}
    stand = {(one.kind, one.row, one.image): one for one in beside.let_stand}
    for one in decisions:
        who = "; ".join(dict.fromkeys((one.who, initials.get(one.who, one.who))))
        if one.kind == "exclude":
            excluded[one.image] = Exclusion(image=one.image, why=one.value, who=who)
        elif one.kind == "correct":
            corrected[one.row, one.column] = Correction(
                row=one.row,
                column=one.column,
                was=one.was,
                becomes=one.value,
                why=one.why if is_signed(one.why) else "read again",
                who=who,
            )
        elif one.kind == "stand":
            row, image = one.row or None, one.image or None
            stand[one.column, row, image] = LetStand(kind=one.column, row=row, image=image, why=one.value, who=who)
    return Resolutions(
        exclude=tuple(excluded.values()), correct=tuple(corrected.values()), let_stand=tuple(stand.values())
    )


def may_stand(severity: str, kind: str) -> bool:
    """Whether a person may let a finding stand as it is."""
    return severity != "must resolve" or kind in CAN_STAND


def require_changeable(batch: Batch) -> None:
    """Refuse a change of a batch that is being worked on or is in the data set (InputError)."""
    if batch.state not in CHANGEABLE:
        raise InputError(f"Batch is {batch.state}", where=batch.name, do="Wait until that is done.")


def about(decisions: Sequence[Decision], values: dict[str, object]) -> list[Decision]:
    """The decisions that speak of one finding: of its row, or of one of its pictures."""
    images, row = values.get("images") or (), values.get("line")
    return [one for one in decisions if (one.image and one.image in images) or (one.row and one.row == row)]  # type: ignore[operator]  # a list of names


def _require_sense(db: Session, batch: Batch, made: Decision) -> None:
    if made.kind not in KINDS:
        raise InputError(f"Unknown decision {made.kind!r}", where=batch.name, do="Use the buttons of the page.")
    if made.kind == "exclude" and not (made.image and is_signed(made.value)):
        raise InputError("A picture is left out with a reason", where=made.image or batch.name, do="Say why.")
    if made.kind == "note" and not made.value:
        raise InputError("The note is empty", where=batch.name, do="Write what you saw.")
    if made.kind == "stand":
        _require_standing(db, batch, made)
    if made.kind == "correct":
        _fit_correction(batch, made, db.get(SheetLine, (batch.id, made.row)))


def _require_standing(db: Session, batch: Batch, made: Decision) -> None:
    if not is_signed(made.value):
        raise InputError("A finding is let stand with a reason", where=batch.name, do="Say why it is no fault.")
    known = select(Found.severity).where(Found.batch_id == batch.id, Found.kind == made.column)
    if not any(may_stand(severity, made.column) for severity in db.scalars(known)):
        raise InputError(
            f"Finding {made.column[:60]!r} cannot be let stand", where=batch.name, do="Correct the data."
        )


def _join(made: Sequence[Decision]) -> None:
    """Mark decisions as those of one press."""
    press = new_id()
    for one in made:
        one.press = press


def _as_decision(batch: Batch, who: str, values: Mapping[str, Any]) -> Decision:
    """The correction that a finding proposes."""
    change = values["change"]
    return Decision(
        batch_id=batch.id,
        kind="correct",
        row=int(values["row"]),
        column=str(change["column"]),
        value=str(change["value"]),
        why=str(values["kind"]),
        who=who,
    )


def _fit_correction(batch: Batch, made: Decision, line: SheetLine | None) -> None:
    """Name the heading that the crew's sheet has for the column, and keep the cell as received."""
    made.column, made.value = as_received(batch.sheet, made.column, made.value)
    known = made.column in CANONICAL or made.column in batch.sheet.get("headings", ())
    if line is None or not known or not made.value.isprintable():
        raise InputError(
            f"Row {made.row}, column {made.column[:40]!r} cannot be corrected",
            where=batch.name,
            do="Check the batch again and choose a row and a column of its sheet.",
        )
    made.was = str(line.cells.get(made.column, ""))


def _mark_changed(batch: Batch, kind: str) -> None:
    """After a change of content the last check no longer speaks of this batch."""
    if kind != "note" and batch.state == "checked":
        batch.state = "open"
