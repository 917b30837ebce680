"""The book of a programme that traps fish, sterilises males and releases them marked: sums and checks.

Lines per trap and day and lines per release lot come in, always marked and unmarked apart; sums, what does not
balance, and the counts that ``plan run-size`` and ``plan season`` take go out. Agents and animal handling follow
permits, labels and licensed practice; the book only counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Literal

from passage_cv.errors import InputError
from passage_cv.records import Finding, Severity

Sex = Literal["M", "F", "U"]
Mark = Literal["clipped", "unclipped", "not examined"]

SEXES: Mapping[Sex, str] = {"M": "males", "F": "females", "U": "undetermined"}
MARKS: tuple[Mark, ...] = ("clipped", "unclipped", "not examined")
FATES = ("removed", "to_treatment", "released", "dead", "in_tank")

CAUTION = (
    "Agents and animal handling follow permits, labels and licensed practice; nothing in this book replaces them."
)
DOUBLE_COUNT = "A batch clip does not identify a fish: without a second mark the same fish may be counted twice."


@dataclass(frozen=True, slots=True)
class TrapLine:
    """Fish of one sex and mark in one trap on one day, and what became of them.

    ``in_tank`` are still held when the day ends and are part of the next day; ``second_mark`` is how many of
    the caught also carried a mark of their own (a tag that was read).
    """

    row: int
    day: date
    site: str
    trap: str
    sex: Sex
    mark: Mark
    caught: int
    removed: int
    to_treatment: int
    released: int
    dead: int
    in_tank: int
    second_mark: int = 0
    resolution: str = ""

    @property
    def accounted(self) -> int:
        """Fish with a fate, those still in the tank included."""
        return sum(getattr(self, fate) for fate in FATES)


@dataclass(frozen=True, slots=True)
class Lot:
    """Males treated together with one agent lot, and their release."""

    row: int
    lot: str
    treated_on: date
    received: int
    agent_lot: str
    dose: str
    operator: str
    clip: str
    died: int
    in_tank: int
    released: int
    released_on: date | None
    place: str


@dataclass(frozen=True, slots=True)
class Book:
    """All lines of a book, as entered."""

    traps: tuple[TrapLine, ...]
    lots: tuple[Lot, ...]
    source: str


@dataclass(frozen=True, slots=True)
class Balance:
    """In and out of one trap on one day: ``opening + caught`` must equal ``accounted``."""

    day: date
    site: str
    trap: str
    opening: int
    caught: int
    accounted: int
    rows: tuple[int, ...]

    @property
    def missing(self) -> int:
        """Fish without a fate (below 0: more fates than fish)."""
        return self.opening + self.caught - self.accounted


@dataclass(frozen=True, slots=True)
class MarkCounts:
    """What ``plan run-size`` needs, of males only; ``left_out`` were undetermined or not examined."""

    marked: int
    caught: int
    recaptured: int
    left_out: int
    since: date


def balances(book: Book) -> Iterator[Balance]:
    """In and out per trap and day, in the order of time, with what the tank held overnight."""
    lines = sorted(book.traps, key=lambda line: (line.site, line.trap, line.day))
    for (site, trap), of_trap in groupby(lines, key=lambda line: (line.site, line.trap)):
        opening = 0
        for day, of_day in groupby(of_trap, key=lambda line: line.day):
            today = tuple(of_day)
            accounted = sum(line.accounted for line in today)
            caught = sum(line.caught for line in today)
            yield Balance(day, site, trap, opening, caught, accounted, tuple(line.row for line in today))
            opening = sum(line.in_tank for line in today)


def totals(book: Book) -> dict[tuple[Sex, Mark], dict[str, int]]:
    """Sums by sex and mark: fish caught and each fate; ``in_tank`` is what the last day left there."""
    last = _last_days(book)
    sums: dict[tuple[Sex, Mark], dict[str, int]] = {
        (sex, mark): dict.fromkeys(("caught", *FATES), 0) for sex in SEXES for mark in MARKS
    }
    for line in book.traps:
        cell = sums[line.sex, line.mark]
        for name in ("caught", *FATES):
            if name != "in_tank" or line.day == last[line.site, line.trap]:
                cell[name] += getattr(line, name)
    return sums


def check_book(book: Book) -> tuple[Finding, ...]:
    """Everything a careful colleague would ask about a book; nothing is corrected.

    ``must resolve`` stands where fish are missing, a female is clipped or treated, or a lot is incomplete;
    ``please look`` where recaptures without a second mark may be double counts.
    """
    return tuple(
        finding
        for check in (_unbalanced, _twice, _by_line, _double_counts, _lots, _treatment)
        for finding in check(book)
    )


def mark_counts(book: Book) -> MarkCounts:
    """Males marked, caught and recaptured, for a Petersen or Chapman estimate.

    Marked are the males released from lots and, of clipped males trapped before sampling began, less those not
    let go again; caught are males examined in traps after the last release.

    Raises
    ------
    InputError
        If no lot was released, or no trap line is later than the last release.
    """
    released = [lot for lot in book.lots if lot.released and lot.released_on]
    if not released:
        raise InputError("No release lot in the book", where=book.source, do="Enter the lots and their releases.")
    since = max(lot.released_on for lot in released if lot.released_on)
    after = [line for line in book.traps if line.day > since]
    if not after:
        raise InputError(
            f"No trap line is later than the last release on {since}",
            where=book.source,
            do="Enter the days after the release.",
        )
    before = [line for line in book.traps if line.day <= since]
    examined = [line for line in after if line.sex == "M" and line.mark != "not examined"]
    return MarkCounts(
        marked=sum(lot.released for lot in released) - _taken_out(before),
        caught=sum(line.caught for line in examined),
        recaptured=sum(line.caught for line in examined if line.mark == "clipped"),
        left_out=sum(line.caught for line in after if line.sex == "U" or line.mark == "not examined"),
        since=since,
    )


def sterile_at_large(book: Book) -> int:
    """Sterile males released and not taken out again by a trap; deaths unseen by anyone are not known."""
    return sum(lot.released for lot in book.lots) - _taken_out(book.traps)


def female_share(book: Book) -> float | None:
    """Share of females among unclipped fish whose sex is known; None where there are none."""
    known = [line for line in book.traps if line.mark == "unclipped" and line.sex != "U"]
    fish = sum(line.caught for line in known)
    return sum(line.caught for line in known if line.sex == "F") / fish if fish else None


def _taken_out(lines: Sequence[TrapLine]) -> int:
    """Clipped males caught and not let go: those in a tank at the end are still held."""
    clipped = [line for line in lines if line.sex == "M" and line.mark == "clipped"]
    return sum(line.caught - line.released for line in clipped)


def _last_days(book: Book) -> dict[tuple[str, str], date]:
    last: dict[tuple[str, str], date] = {}
    for line in book.traps:
        key = (line.site, line.trap)
        last[key] = max(line.day, last.get(key, line.day))
    return last


def _unbalanced(book: Book) -> Iterator[Finding]:
    for balance in balances(book):
        if balance.missing:
            fish = abs(balance.missing)
            lack = f"{fish} fish without a fate" if balance.missing > 0 else f"{fish} fates without a fish"
            yield _finding(
                "does not balance",
                "must resolve",
                f"Trap {balance.trap} at {balance.site} on {balance.day}: {balance.opening} in the tank and "
                f"{balance.caught} caught make {balance.opening + balance.caught}, but {balance.accounted} are "
                f"accounted for: {lack} (rows {', '.join(map(str, balance.rows))}).",
                balance.rows[0],
            )


def _twice(book: Book) -> Iterator[Finding]:
    seen: dict[tuple[object, ...], int] = {}
    for line in book.traps:
        key = (line.day, line.site, line.trap, line.sex, line.mark)
        if key in seen:
            yield _finding(
                "line twice",
                "must resolve",
                f"Rows {seen[key]} and {line.row} are the same trap, day, sex and mark. Join them into one line.",
                line.row,
            )
        seen.setdefault(key, line.row)


def _by_line(book: Book) -> Iterator[Finding]:
    for line in book.traps:
        where = f"trap {line.trap}, {line.day}"
        if line.second_mark > line.caught:
            yield _finding(
                "more second marks than fish",
                "must resolve",
                f"{line.second_mark} second marks on {line.caught} fish ({where}).",
                line.row,
            )
        if line.mark == "clipped" and line.sex == "F" and line.caught:
            yield _clipped_female(line, where)
        if line.sex != "M" and line.to_treatment:
            yield _finding(
                "not a male",
                "must resolve",
                f"{line.to_treatment} {SEXES[line.sex]} sent to treatment; only males are ({where}).",
                line.row,
            )
        if line.mark == "clipped" and line.to_treatment:
            yield _finding(
                "treated twice",
                "please look",
                f"{line.to_treatment} clipped fish sent to treatment again ({where}).",
                line.row,
            )


def _clipped_female(line: TrapLine, where: str) -> Finding:
    what = f"{line.caught} clipped {'female' if line.caught == 1 else 'females'} ({where})"
    if line.resolution:
        return _finding("clipped female", "note", f"{what}, resolved: {line.resolution}.", line.row)
    return _finding(
        "clipped female",
        "must resolve",
        f"{what}: only males are released clipped, so the clip, the sex or the lot is wrong. Look again, then say "
        "in `resolution` what it was.",
        line.row,
    )


def _double_counts(book: Book) -> Iterator[Finding]:
    again = [line for line in book.traps if line.mark == "clipped" and line.caught > line.second_mark]
    if again:
        fish = sum(line.caught - line.second_mark for line in again)
        rows = ", ".join(str(line.row) for line in again)
        yield _finding(
            "may be counted twice",
            "please look",
            f"{fish} recaptured fish without a second mark (rows {rows}). {DOUBLE_COUNT}",
            again[0].row,
        )


def _lots(book: Book) -> Iterator[Finding]:
    for lot in book.lots:
        gone = lot.died + lot.released + lot.in_tank
        if gone != lot.received:
            yield _finding(
                "lot does not balance",
                "must resolve",
                f"Lot {lot.lot}: {lot.received} received, but {lot.died} died, {lot.released} released and "
                f"{lot.in_tank} in the tank make {gone}.",
                lot.row,
            )
        blank = [name for name in ("agent_lot", "dose", "operator", "clip") if not getattr(lot, name)]
        if lot.released and not (lot.released_on and lot.place):
            blank.append("released_on and place")
        if blank:
            yield _finding("lot incomplete", "must resolve", f"Lot {lot.lot} lacks {', '.join(blank)}.", lot.row)
        if lot.released_on and lot.released_on < lot.treated_on:
            yield _finding(
                "released before treated",
                "must resolve",
                f"Lot {lot.lot} was released on {lot.released_on}, treated on {lot.treated_on}.",
                lot.row,
            )


def _treatment(book: Book) -> Iterator[Finding]:
    sent = sum(line.to_treatment for line in book.traps)
    received = sum(lot.received for lot in book.lots)
    if received > sent:
        yield _finding(
            "more treated than sent",
            "must resolve",
            f"Lots received {received} fish, traps sent {sent} to treatment.",
            None,
        )
    elif received < sent:
        yield _finding(
            "on the way", "note", f"{sent - received} fish were sent to treatment and are in no lot yet.", None
        )


def _finding(kind: str, severity: Severity, message: str, row: int | None) -> Finding:
    return Finding(kind=kind, severity=severity, message=message, row=row)
