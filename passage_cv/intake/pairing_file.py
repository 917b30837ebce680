"""The pairing that a person corrected and signed: ``pairing.toml`` beside the sheet.

A block per series, in order: a picture can be moved from one to another with any editor, a row changed, a picture
set aside. With ``who = "?"`` it is a draft: the batch is shown as it would be, and cannot be accepted. Each series
repeats which fish its row was, so that a sheet changed later is noticed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from passage_cv.config import Settings, read_settings
from passage_cv.files import write_text
from passage_cv.intake.lines import Line
from passage_cv.intake.pairing_doubts import doubts_of
from passage_cv.intake.sheet import PAIRING, Sheet, SheetRow
from passage_cv.intake.timeline import Timeline
from passage_cv.intake.toml_text import toml_string
from passage_cv.records import Finding

DRAFT = "?"
Words = Annotated[str, Field(min_length=1)]


class PairedSeries(Settings):
    """Pictures of one line: ``fish`` says which fish its row was when they were paired; 0 is no row."""

    row: Annotated[int, Field(ge=0)]
    fish: str = ""
    images: tuple[Words, ...]
    why: str = ""
    sure: Annotated[float, Field(ge=0, le=1)] = 0.0


class Aside(Settings):
    """A picture that belongs to no fish of the sheet."""

    image: Words
    why: Words
    purpose: str = ""


class ClockStated(Settings):
    """Why a camera's offset in ``clocks`` was stated; ``who`` is empty for the one who signs the pairing."""

    camera: str
    why: Words
    who: str = ""


class DoubtSaid(Settings):
    """A doubt about the pairing as a whole, and the ``answer`` to it: why it is right all the same."""

    said: Words
    answer: str = ""
    who: str = ""


class Pairing(Settings):
    """Which pictures belong to which rows, signed; ``clocks`` are seconds to add to each camera's clock."""

    format: Literal[1] = 1
    who: Words
    clocks: Mapping[str, float] = Field(default_factory=dict)
    clock_stated: tuple[ClockStated, ...] = ()
    doubt: tuple[DoubtSaid, ...] = ()
    series: tuple[PairedSeries, ...] = ()
    aside: tuple[Aside, ...] = ()

    @property
    def is_draft(self) -> bool:
        """Whether nobody has put a name to it."""
        return self.who.strip() == DRAFT

    @property
    def facts(self) -> dict[str, object]:
        """Plain values by which a batch is known; what older files had not stands only where it says something."""
        values = self.model_dump(mode="json")
        return {key: value for key, value in values.items() if value or key not in {"clock_stated", "doubt"}}

    @property
    def left_out(self) -> dict[str, str]:
        """Pictures set aside, with the reason."""
        return {one.image: f"{one.why} ({one.purpose})" if one.purpose else one.why for one in self.aside}


def pairing_of(timeline: Timeline, *, who: str = DRAFT) -> Pairing:
    """What a timeline says, to be written beside the sheet."""
    fish = {line.row: line.fish for line in timeline.lines}
    return Pairing(
        who=who,
        clocks=dict(timeline.clocks),
        clock_stated=tuple(
            ClockStated(camera=one.camera, why=one.why, who=one.who) for one in timeline.clock_reasons
        ),
        doubt=_doubts_said(timeline),
        series=tuple(
            PairedSeries(
                row=one.row or 0, fish=fish.get(one.row or 0, ""), images=one.images, why=one.why, sure=one.sure
            )
            for one in timeline.series
        ),
        aside=tuple(
            Aside(image=shot.image, why=shot.aside, purpose=shot.purpose) for shot in timeline.shots if shot.aside
        ),
    )


def _doubts_said(timeline: Timeline) -> tuple[DoubtSaid, ...]:
    answers = {one.said: one for one in timeline.answers}
    found = [(one.said, answers.get(one.said)) for one in doubts_of(timeline)]
    return tuple(
        DoubtSaid(said=said, answer=answer.why, who=answer.who) if answer else DoubtSaid(said=said)
        for said, answer in found
    )


def write_pairing(timeline: Timeline, path: Path, *, who: str = DRAFT) -> Pairing:
    """Write a timeline as a pairing file; with a name in ``who`` it is confirmed."""
    pairing = pairing_of(timeline, who=who)
    blocks = [f"format = {pairing.format}\nwho = {toml_string(pairing.who)}\n"]
    if pairing.clocks:
        clocks = [f"{toml_string(camera)} = {seconds!r}" for camera, seconds in pairing.clocks.items()]
        blocks.append("\n".join(["[clocks]", *clocks]) + "\n")
    blocks += [_block("clock_stated", one) for one in pairing.clock_stated]
    blocks += [_block("doubt", one, always=("answer",)) for one in pairing.doubt]
    blocks += [_block("series", one) for one in pairing.series]
    blocks += [_block("aside", one) for one in pairing.aside]
    write_text(path, "\n".join(blocks))
    return pairing


def read_pairing(folder: Path) -> Pairing | None:
    """The pairing beside a batch's sheet; None where there is none.

    Raises
    ------
    InputError
        If the file cannot be read.
    """
    path = folder / PAIRING
    return read_settings(path, Pairing) if path.is_file() else None


def apply_pairing(sheet: Sheet, pairing: Pairing) -> Sheet:
    """The sheet with pictures put on the rows that were paired; a row's own pictures come first."""
    images: dict[int, list[str]] = {}
    for one in pairing.series:
        images.setdefault(one.row, []).extend(one.images)
    headings = sheet.headings if "image" in sheet.headings else (*sheet.headings, "image")
    rows = tuple(_with_images(row, images.get(row.number, [])) for row in sheet.rows)
    return replace(sheet, headings=headings, rows=rows)


def check_pairing(pairing: Pairing, lines: tuple[Line, ...]) -> list[Finding]:
    """A pairing that nobody confirmed, or that the sheet no longer fits."""
    return [*_unsigned(pairing), *_doubted(pairing), *_gone(pairing, lines), *_loose(pairing)]


def fish_of(line: Line) -> str:
    """How a pairing names the fish of a line."""
    return line.individual or f"row {line.row}"


def _unsigned(pairing: Pairing) -> Iterator[Finding]:
    if pairing.is_draft:
        unsure = sum(1 for one in pairing.series if one.sure < 0.7)
        n_pictures = sum(len(one.images) for one in pairing.series)
        yield Finding(
            "pairing to confirm",
            "must resolve",
            f"{PAIRING} pairs {n_pictures} pictures in {len(pairing.series)} series"
            f" ({unsure} of them unsure), and nobody has confirmed it",
            proposal=f'Look through it, correct it, and put your initials in place of who = "?" in {PAIRING}',
        )


def _doubted(pairing: Pairing) -> Iterator[Finding]:
    """Doubts that nobody answered; of a draft too, so that they are read before it is signed."""
    for one in pairing.doubt:
        if not one.answer.strip():
            yield Finding(
                "pairing in doubt",
                "must resolve",
                one.said,
                proposal="State the camera's offset or correct the pairing; else say why it is right: answer in"
                f" {PAIRING}",
            )


def _gone(pairing: Pairing, lines: tuple[Line, ...]) -> Iterator[Finding]:
    fish = {line.row: fish_of(line) for line in lines}
    for one in pairing.series:
        if one.row and one.fish and fish.get(one.row) != one.fish:
            now = f"is {fish[one.row]} now" if one.row in fish else "is gone"
            yield Finding(
                "pairing of another sheet",
                "must resolve",
                f"{one.images[0]} and its series were paired with row {one.row}, {one.fish}; that row {now}",
                row=one.row,
                image=one.images[0],
                proposal="Pair them again",
            )


def _loose(pairing: Pairing) -> Iterator[Finding]:
    for one in pairing.series:
        if not one.row:
            yield Finding(
                "series without line",
                "must resolve",
                f"{one.images[0]} and {len(one.images) - 1} more pictures are for no line",
                image=one.images[0],
                proposal="Give the series a row, or set its pictures aside with the reason",
            )


def _with_images(row: SheetRow, images: list[str]) -> SheetRow:
    if not images:
        return row
    own = row.cells.get("image", "")
    return replace(row, cells={**row.cells, "image": ";".join(filter(None, [own, *images]))})


def _block(name: str, entry: Settings, *, always: tuple[str, ...] = ("camera",)) -> str:
    lines = [f"[[{name}]]"]
    for key, value in entry.model_dump().items():
        if isinstance(value, tuple | list):
            lines.append(f"{key} = [{', '.join(toml_string(item) for item in value)}]")
        elif value != "" or key in always:
            lines.append(f"{key} = {toml_string(value) if isinstance(value, str) else value}")
    return "\n".join(lines) + "\n"
