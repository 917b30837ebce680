"""``passage-cv pair``: which pictures belong to which lines of a sheet that does not say."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, progress_bar, show, show_json, table
from passage_cv.errors import InputError, UsageError
from passage_cv.intake.clock_offsets import offset_text, parse_offset
from passage_cv.intake.pairing import offset_from_clock, propose_pairing
from passage_cv.intake.pairing_doubts import answer_doubt, doubts_of, open_doubts, require_answered
from passage_cv.intake.pairing_edits import move_break, set_aside, set_clock_offset, set_slate, shift_series
from passage_cv.intake.pairing_file import DRAFT, read_pairing, write_pairing
from passage_cv.intake.sheet import PAIRING
from passage_cv.intake.timeline import Timeline

app = command_app()


@app.command()
def pair(  # noqa: PLR0917 - typer fills these by name
    batch: Annotated[Path, typer.Argument(help="Batch folder: sheet, trip.toml, pictures.")],
    clock: Annotated[
        list[str] | None, typer.Option(help="A photographed clock, as IMAGE=2031-05-04T21:15:00 (what it shows).")
    ] = None,
    offset: Annotated[
        list[str] | None,
        typer.Option(
            "--clock-offset",
            help="Hours and minutes to add to a camera's clock, as CAMERA=+1:00 where it is behind the sheet,"
            " -0:58:30 where it is ahead; +1:00 alone where one camera made all pictures.",
        ),
    ] = None,
    slate: Annotated[list[str] | None, typer.Option(help="A slate that you read, as IMAGE=12 (the fish).")] = None,
    aside: Annotated[list[str] | None, typer.Option(help="Set a picture aside, as IMAGE=reason.")] = None,
    move: Annotated[
        list[str] | None, typer.Option("--move-break", help="Move the break before IMAGE's series, as IMAGE=-1.")
    ] = None,
    shift: Annotated[
        list[str] | None, typer.Option(help="Shift IMAGE's series and all later ones by lines, as IMAGE=1.")
    ] = None,
    because: Annotated[
        str, typer.Option(help="Why the pairing is right in spite of its doubts, or why a clock's offset is known.")
    ] = "",
    layouts: Annotated[Path | None, typer.Option(help="A site's folder of confirmed layouts.")] = None,
    who: Annotated[str, typer.Option(help="Your initials: you have looked through it and it is right.")] = DRAFT,
    again: Annotated[bool, typer.Option(help="Write over a pairing that somebody confirmed.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="The timeline for machines.")] = False,
) -> None:
    """Propose which pictures belong to which lines and write it beside the sheet as pairing.toml.

    By folders of single fish, by slates with a printed code, by time, or by order and pauses alone. Correct the
    proposal with these options or in the file; a series is named by any picture in it. It counts for 'check' and
    'accept' once your initials are in it.
    """
    _require_unsigned(batch, again=again)
    with progress_bar() as progress:
        timeline = propose_pairing(batch, layouts=layouts, progress=progress)
    for texts, edit in (
        (clock, _set_clock),
        (slate, set_slate),
        (aside, set_aside),
        (move, _move),
        (shift, _shift),
    ):
        timeline = _edited(timeline, texts or (), edit)
        if edit is _set_clock:
            timeline = _with_offsets(timeline, offset or (), because or "stated with --clock-offset", _name(who))
    timeline = _answered(timeline, because, who)
    write_pairing(timeline, batch / PAIRING, who=who)
    if as_json:
        show_json(timeline.as_dict())
    else:
        show_timeline(timeline, batch / PAIRING, who)


def show_timeline(timeline: Timeline, path: Path, who: str) -> None:
    """Lines and series side by side, what is doubtful, and what to do next."""
    lines = {line.row: line for line in timeline.lines}
    shots = timeline.by_image
    rows = []
    for one in timeline.series:
        line = lines.get(one.row or 0)
        fish = f"{line.fish} {line.name}" if line else "-"
        first = shots[one.images[0]]
        rows.append((one.row or "-", fish, len(one.images), first.image, first.taken_at, f"{one.sure:.2f}", one.why))
    table(("row", "fish", "pictures", "first picture", "taken at", "sure", "why"), rows)
    for shot in timeline.shots:
        if shot.aside:
            show(f"Set aside: {shot.image}, {shot.aside}")
    for row in timeline.empty_rows:
        show(f"Without pictures: row {row}, {lines[row].fish} {lines[row].name}")
    for note in timeline.notes:
        show(note)
    for camera, seconds in timeline.clocks.items():
        show(f"Clock of {camera or 'the camera'}: {offset_text(seconds)} added")
    answers = {one.said: one.why for one in timeline.answers}
    for doubt in doubts_of(timeline):
        show(f"In doubt: {doubt.said}" + (f" (answered: {answers[doubt.said]})" if doubt.said in answers else ""))
    show(
        f"Paired by {timeline.method}: {path}" + ("" if who != DRAFT else '; put your initials in place of who = "?"')
    )


def _with_offsets(timeline: Timeline, texts: Sequence[str], why: str, who: str) -> Timeline:
    """Offsets that a person knows, each for a camera."""
    for text in texts:
        camera, has_camera, value = text.rpartition("=")
        cameras = {shot.camera for shot in timeline.shots}
        if not has_camera and len(cameras) > 1:
            names = ", ".join(sorted(map(repr, cameras)))
            raise UsageError(f"{text!r} names none of the cameras {names}", do="Write it as CAMERA=+1:00.")
        named = camera if has_camera else next(iter(cameras), "")
        timeline = set_clock_offset(timeline, named, parse_offset(value), why=why, who=who)
    return timeline


def _answered(timeline: Timeline, because: str, who: str) -> Timeline:
    """Open doubts answered with the one reason; none may be open in a pairing that is signed."""
    for doubt in open_doubts(timeline) if because else ():
        timeline = answer_doubt(timeline, doubt.said, because, who=_name(who))
    if who != DRAFT:
        require_answered(
            timeline,
            do="State the offset with --clock-offset or correct it, else say why it is right with --because.",
        )
    return timeline


def _name(who: str) -> str:
    """Who decided: the one who signs, whom a draft does not know yet."""
    return "" if who == DRAFT else who


def _require_unsigned(batch: Path, *, again: bool) -> None:
    if not batch.is_dir():
        raise InputError("Batch folder is missing", where=str(batch), do="Check the path.")
    there = None if again else read_pairing(batch)
    if there and not there.is_draft:
        raise InputError(
            f"The pairing was confirmed by {there.who}", where=str(batch / PAIRING), do="Say --again to begin anew."
        )


def _edited(timeline: Timeline, texts: Sequence[str], edit: Callable[[Timeline, str, str], Timeline]) -> Timeline:
    for text in texts:
        image, _, value = text.rpartition("=") if edit is not set_aside else text.partition("=")
        if not image or not value.strip():
            raise UsageError(f"{text!r} is no IMAGE=VALUE", do="Write it as --help shows.")
        timeline = edit(timeline, image, value.strip())
    return timeline


def _set_clock(timeline: Timeline, image: str, shown: str) -> Timeline:
    shot = timeline.by_image.get(image)
    if shot is None:
        raise UsageError(f"There is no picture {image}", do="Write the path below the batch folder.")
    timeline = set_aside(timeline, image, f"clock that shows {shown}")
    why = f"{image} is a clock that shows {shown}"
    return set_clock_offset(timeline, shot.camera, offset_from_clock(shown, shot), why=why)


def _move(timeline: Timeline, image: str, by: str) -> Timeline:
    return move_break(timeline, _place(timeline, image), _whole(by))


def _shift(timeline: Timeline, image: str, by: str) -> Timeline:
    return shift_series(timeline, _place(timeline, image), _whole(by))


def _place(timeline: Timeline, image: str) -> int:
    found = [i for i, one in enumerate(timeline.series) if image in one.images]
    if not found:
        raise UsageError(f"No series has the picture {image}", do="Take a picture that the table shows.")
    return found[0]


def _whole(text: str) -> int:
    try:
        return int(text)
    except ValueError as error:
        raise UsageError(f"{text!r} is no whole number", do="Write it as IMAGE=1 or IMAGE=-1.") from error
