"""A reading sheet for a second reader away from the computer: a page of pictures and a CSV to fill in.

Neither holds a label, a date, a place or the fish's own number; the token of each line leads back to it.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path

from passage_cv.dataset.pages import render_page
from passage_cv.dataset.readings import Reading, blind_list, record_reading
from passage_cv.dataset.small_pictures import small_picture
from passage_cv.dataset.store import Store
from passage_cv.errors import InputError
from passage_cv.files import write_text
from passage_cv.intake.names import Names
from passage_cv.progress import Progress, silent, tracked

COLUMNS = ("fish", "name", "note", "asked")
DRAWN, DOUBTED = "drawn", "chosen"
"""What ``asked`` says: fish drawn at random count for kappa, chosen ones do not. A reader is not told why."""
_SIDE = 480


def write_reading_sheet(
    store: Store,
    reader: str,
    out: Path,
    *,
    among: Iterable[str] | None = None,
    most: int = 60,
    progress: Progress = silent,
) -> int:
    """Write ``reading.html`` and ``reading.csv`` into a new folder, and return the number of fish.

    Parameters
    ----------
    store, reader, among
        As :func:`passage_cv.dataset.readings.next_blind`.
    out
        Folder to make; it must not be there.
    most
        At most so many fish.
    progress
        Told of each fish.

    Raises
    ------
    InputError
        If the folder is there, or there is no fish left for this reader.
    """
    if out.exists():
        raise InputError("Folder is there already", where=str(out), do="Name a new one.")
    fish = blind_list(store, reader, among=among)[:most]
    if not fish:
        raise InputError(f"There is no fish left for {reader}", where=store.storage.root, do="Ask another reader.")
    shown = [
        (one.token, [small_picture(store, sha256, _SIDE) for sha256 in one.images])
        for one in tracked(fish, "Pictures for the sheet", progress)
    ]
    write_text(out / "reading.html", render_page("reading", reader=reader, shown=shown))
    asked = DRAWN if among is None else DOUBTED
    lines = [",".join(COLUMNS), *(f"{one.token},,,{asked}" for one in fish)]
    write_text(out / "reading.csv", "\r\n".join(lines) + "\r\n")
    return len(fish)


def read_filled(store: Store, filled: Path, reader: str, *, names: Names | None = None) -> list[Reading]:
    """Keep the filled-in lines of a reading sheet; lines without a name are left for later.

    All names are looked up before the first reading is kept.

    Raises
    ------
    InputError
        If the file is no reading sheet, or a line cannot be kept; lines before it were.
    """
    lines = [line for line in _lines(filled) if line["name"].strip()]
    if not lines:
        raise InputError("No line has a name", where=str(filled), do="Fill in the column name.")
    return [
        record_reading(
            store,
            line["fish"].strip(),
            reader=reader,
            name=line["name"],
            note=line["note"].strip(),
            drawn=line["asked"].strip() != DOUBTED,
            names=names,
        )
        for line in lines
    ]


def _lines(filled: Path) -> list[dict[str, str]]:
    try:
        with filled.open(encoding="utf-8-sig", newline="") as stream:
            rows = csv.DictReader(stream)
            headings = tuple(rows.fieldnames or ())
            found = [{name: row.get(name) or "" for name in COLUMNS} for row in rows]
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"Sheet cannot be read: {error}", where=str(filled), do="Save it as CSV UTF-8.") from error
    if not set(COLUMNS) <= set(headings):
        raise InputError(
            f"Sheet has columns {', '.join(headings)}, needed are {', '.join(COLUMNS)}",
            where=str(filled),
            do="Fill in the file that labels sheet wrote.",
        )
    return found
