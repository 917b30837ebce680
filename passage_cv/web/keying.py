"""A sheet keyed from a photograph of the paper: by one person, on request by a second who does not see the first.

What is keyed becomes the batch's ``sheet.csv``; where two readers differ, the batch's owner decides cell by cell.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Select, case, or_, select
from sqlalchemy.orm import Session

from passage_cv.errors import InputError
from passage_cv.files import write_text
from passage_cv.intake.images import PICTURE_SUFFIXES
from passage_cv.intake.sheet import CHECKLIST, SHEET_SUFFIXES
from passage_cv.web.decisions import require_changeable
from passage_cv.web.tables import Batch, Keying, Upload, User

COLUMNS = (
    "individual",
    "organismID",
    "code",
    "length_mm",
    "length_type",
    "weight_g",
    "sex",
    "lifeStage",
    "mark",
    "eventID",
)
"""What a crew writes by hand beside a fish; pictures are paired afterwards."""
MOST_ROWS = 400
MOST_CHOICES = 300
"""Pictures of which the page lets a person choose the one of the paper."""
LONGEST_CELL = 120
UNREAD = ("asked", "keyed")
"""States in which a second reader is still to come, or reads cells otherwise."""

Rows = list[dict[str, str]]


@dataclass(frozen=True, slots=True)
class Difference:
    """One cell that two readers read differently; ``row`` counts from 0."""

    row: int
    column: str
    first: str
    second: str


def sheet_pictures(db: Session, batch: Batch) -> list[str]:
    """Pictures of a batch that lie by themselves, those of a tablet first: one of them may show the sheet.

    At most :data:`MOST_CHOICES`; any other can be named.
    """
    first = case((Upload.name.startswith("tablet/"), 0), else_=1)
    return list(db.scalars(_pictures_of(batch).order_by(first, Upload.name).limit(MOST_CHOICES)))


def is_picture(db: Session, batch: Batch, image: str) -> bool:
    """Whether a picture of this name has arrived by itself."""
    return db.scalar(_pictures_of(batch).where(Upload.name == image).limit(1)) is not None


def _pictures_of(batch: Batch) -> Select[str]:
    is_one = or_(*(Upload.name.ilike(f"%{suffix}") for suffix in PICTURE_SUFFIXES))
    return select(Upload.name).where(Upload.batch_id == batch.id, Upload.done_at != "", is_one)


def keyings_of(db: Session, batch: Batch) -> list[Keying]:
    """The photographed sheets of a batch that somebody keyed."""
    return list(db.scalars(select(Keying).where(Keying.batch_id == batch.id).order_by(Keying.id)))


def find_keying(db: Session, batch: Batch, image: str) -> Keying | None:
    """What was keyed from one picture."""
    return next((one for one in keyings_of(db, batch) if one.image == image), None)


def key_first(db: Session, batch: Batch, image: str, rows: Rows, who: User) -> Keying:
    """Keep what the owner read on a picture of the sheet.

    Raises
    ------
    InputError
        If the batch cannot change or has a sheet, there is no such picture, or a second reader is at work.
    """
    require_changeable(batch)
    _require_no_sheet(db, batch)
    if not is_picture(db, batch, image):
        raise InputError("There is no such picture", where=image[:120], do="Choose one of the batch's pictures.")
    made = find_keying(db, batch, image) or Keying(batch_id=batch.id, image=image, first_by=who.name)
    if made.state in {"asked", "keyed"}:
        raise InputError("A second reader has this sheet", where=image, do="Wait, and compare what both read.")
    made.first, made.state = rows, ""
    db.add(made)
    _mark_changed(batch)
    return made


def ask_second(batch: Batch, made: Keying) -> None:
    """Let another technician key the same picture without seeing what was read.

    Raises
    ------
    InputError
        If nothing was keyed yet, or somebody was asked already.
    """
    require_changeable(batch)
    if not made.first or made.state:
        raise InputError("A second reader comes after the first, once", where=made.image, do="Key the sheet first.")
    made.state = "asked"


def waiting_for_second(db: Session, reader: User) -> list[Keying]:
    """Sheets that wait for a second reader, other than this person's own."""
    found = db.scalars(select(Keying).where(Keying.state == "asked").order_by(Keying.id))
    return [one for one in found if one.batch.owner_id != reader.id and one.first_by != reader.name]


def key_second(made: Keying, rows: Rows, who: User) -> None:
    """Keep what the second reader read.

    Raises
    ------
    InputError
        If nothing was read, or the sheet does not wait any more.
    """
    if made.state != "asked" or not rows:
        what = "Nothing was keyed" if made.state == "asked" else "This sheet waits for nobody"
        raise InputError(what, where=made.image, do="Take another one from the list.")
    made.second, made.second_by = rows, who.name
    made.state = "keyed" if differences(made) else "settled"


def differences(made: Keying) -> list[Difference]:
    """The cells in which both readers differ, row by row as on the paper."""
    found = []
    for row in range(max(len(made.first), len(made.second))):
        one = made.first[row] if row < len(made.first) else {}
        two = made.second[row] if row < len(made.second) else {}
        for column in COLUMNS:
            if one.get(column, "") != two.get(column, ""):
                found.append(Difference(row, column, one.get(column, ""), two.get(column, "")))
    return found


def settle(batch: Batch, made: Keying, form: Mapping[str, str]) -> None:
    """Decide every cell in which both differ; the form says ``first``, ``second`` or gives another text.

    Raises
    ------
    InputError
        If a cell is left open.
    """
    require_changeable(batch)
    rows = [dict(row) for row in made.first] + [{} for _ in range(len(made.second) - len(made.first))]
    for one in differences(made):
        name = f"{one.row}-{one.column}"
        other, word = form.get(f"other-{name}", "").strip()[:LONGEST_CELL], form.get(name, "")
        if not other and word not in {"first", "second"}:
            where = f"row {one.row + 1}, {one.column}"
            raise InputError("A cell is not decided", where=where, do="Choose a reading for each cell.")
        rows[one.row][one.column] = other or (one.first if word == "first" else one.second)
    made.first, made.state = rows, "settled"
    _mark_changed(batch)


def read_grid(form: Mapping[str, str]) -> Rows:
    """The rows of the grid in which something was written, in their order on the paper.

    Raises
    ------
    InputError
        If a cell holds what no sheet can.
    """
    rows: Rows = []
    for n in range(MOST_ROWS):
        cells = {column: form.get(f"{n}-{column}", "").strip()[:LONGEST_CELL] for column in COLUMNS}
        filled = {column: cell for column, cell in cells.items() if cell}
        if not all(cell.isprintable() for cell in filled.values()):
            raise InputError(
                f"Row {n + 1} holds a character that cannot be written", where="grid", do="Key it again."
            )
        if filled:
            rows.append(filled)
    return rows


def require_settled(db: Session, batch: Batch) -> None:
    """Refuse to go on while a second reader is asked for or differs (InputError)."""
    if any(one.state == "keyed" for one in keyings_of(db, batch)):
        raise InputError("Two readers read cells differently", where=batch.name, do="Compare what both read.")
    if any(one.state == "asked" for one in keyings_of(db, batch)):
        raise InputError("A second reader is still to come", where=batch.name, do="Wait for the second reading.")


def write_keyed(folder: Path, keyings: Iterable[Keying]) -> None:
    """Write the keyed rows as the sheet of a laid-out batch, with a line for each picture of the paper itself."""
    given = [one for one in keyings if one.first]
    if not given:
        return
    if any((folder / f"sheet{suffix}").exists() for suffix in SHEET_SUFFIXES):
        raise InputError("There is a sheet and keyed rows", where="sheet", do="Take one of them out.")
    rows = [row for one in given for row in one.first]
    rows += [{"image": one.image, "purpose": "sheet"} for one in given]
    out = io.StringIO()
    writer = csv.DictWriter(out, ["image", "purpose", *COLUMNS], lineterminator="\n", restval="")
    writer.writeheader()
    writer.writerows(rows)
    write_text(folder / "sheet.csv", out.getvalue())


def grid_rows(rows: Sequence[Mapping[str, str]]) -> list[Mapping[str, str]]:
    """The rows of a grid to fill in: what is there, and empty ones below."""
    wanted = min(MOST_ROWS, max(25, len(rows) + 10))
    return [*rows, *({} for _ in range(wanted - len(rows)))]


def _require_no_sheet(db: Session, batch: Batch) -> None:
    names = db.scalars(select(Upload.name).where(Upload.batch_id == batch.id, Upload.done_at != ""))
    sheets = [name for name in names if name.lower().endswith(SHEET_SUFFIXES) and not name.endswith(CHECKLIST)]
    if sheets:
        raise InputError(
            "The batch has a sheet already", where=sheets[0], do="Correct its cells on the findings page."
        )


def _mark_changed(batch: Batch) -> None:
    if batch.state == "checked":
        batch.state = "open"
