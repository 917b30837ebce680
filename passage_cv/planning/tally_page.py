"""What ``tally`` says: sums by sex and mark, what must be resolved, the lots, and what feeds the other plans."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from passage_cv.errors import InputError
from passage_cv.planning import figures
from passage_cv.planning.page import Page, Picture, Section, Table
from passage_cv.planning.quantity import Quantity, percent, whole
from passage_cv.planning.run_size import chapman
from passage_cv.planning.tally import (
    CAUTION,
    DOUBLE_COUNT,
    FATES,
    SEXES,
    Book,
    balances,
    female_share,
    mark_counts,
    sterile_at_large,
    totals,
)
from passage_cv.records import Finding

BOOK = "Sum of the book's lines"


def totals_table(book: Book) -> Table:
    """Fish caught and their fates, a line per sex and mark; marked and unmarked never in one sum."""
    rows = [
        (SEXES[sex], mark, *(whole(cell[name]) for name in ("caught", *FATES)))
        for (sex, mark), cell in totals(book).items()
        if any(cell.values())
    ]
    return Table(
        ("Sex", "mark", "caught", "removed", "to treatment", "released", "dead", "in tank now"),
        rows,
        words=("mark",),
    )


def balance_table(book: Book, *, folded: str = "") -> Table:
    """In and out per trap and day; unfolded, only those that do not balance."""
    rows = [
        (
            f"{one.day} {one.site} {one.trap}",
            whole(one.opening),
            whole(one.caught),
            whole(one.accounted),
            whole(one.missing),
        )
        for one in balances(book)
        if folded or one.missing
    ]
    headings = ("Day and trap", "in tank before", "caught", "accounted for", "without a fate")
    return Table(headings, rows, folded=folded)


def lot_table(book: Book) -> Table:
    """Release lots."""
    rows = [
        (
            lot.lot,
            lot.treated_on,
            f"{lot.agent_lot}, {lot.dose}",
            lot.operator,
            lot.clip,
            whole(lot.received),
            whole(lot.died),
            whole(lot.in_tank),
            whole(lot.released),
            f"{lot.released_on or '-'} {lot.place}".strip(),
        )
        for lot in book.lots
    ]
    headings = (
        "Lot",
        "treated",
        "agent lot, dose",
        "operator",
        "clip",
        "received",
        "died before",
        "in tank",
        "released",
        "when and where",
    )
    return Table(headings, rows, words=("agent lot, dose", "operator", "clip", "when and where"))


def finding_table(findings: Sequence[Finding]) -> Table:
    """Everything a colleague would ask, worst first as found."""
    return Table(
        ("What", "how urgent", "row", "says"),
        [(one.kind, one.severity, one.row or "-", one.message) for one in findings],
        words=("how urgent", "says"),
    )


def feeds(book: Book) -> list[Quantity]:
    """What the book gives to ``plan run-size`` and ``plan season``; what it cannot give is left out."""
    found = [
        Quantity(
            "Sterile males at large",
            sterile_at_large(book),
            whole(sterile_at_large(book)),
            "released from lots - clipped males caught and not let go; deaths that nobody saw are not known",
            BOOK,
        )
    ]
    share = female_share(book)
    if share is not None:
        found.append(
            Quantity(
                "Share of females", share, percent(share, digits=1), "females / (females + males), unclipped", BOOK
            )
        )
    try:
        counts = mark_counts(book)
        estimate = chapman(counts.marked, counts.caught, counts.recaptured)
    except InputError:
        return found  # no release yet, or nothing caught after it: the book gives no run size
    found += [
        Quantity(
            "Marked males at large before sampling", counts.marked, whole(counts.marked), "M of the estimate", BOOK
        ),
        Quantity(
            f"Males caught and examined after {counts.since}",
            counts.caught,
            whole(counts.caught),
            f"n of the estimate, of them m = {counts.recaptured} clipped; {counts.left_out} fish left out",
            BOOK,
        ),
        Quantity(
            "Males in the reach, Chapman",
            estimate.estimate,
            f"{whole(estimate.estimate)} ({whole(estimate.low)} to {whole(estimate.upper)})",
            estimate.formula,
            estimate.source + "; its assumptions are those of plan run-size",
        ),
    ]
    return found


def tally_values(book: Book, findings: Sequence[Finding]) -> dict[str, Any]:
    """The book as plain values for machines."""
    return {
        "findings": [finding.as_dict() for finding in findings],
        "totals": [
            {"sex": sex, "mark": mark, **cell} for (sex, mark), cell in totals(book).items() if any(cell.values())
        ],
        "balances": not any(one.missing for one in balances(book)),
        "sterile_at_large": sterile_at_large(book),
        "female_share": female_share(book),
    }


def tally_page(book: Book, findings: Sequence[Finding]) -> Page:
    """The page of ``tally report``."""
    must = [one for one in findings if one.severity == "must resolve"]
    sums = totals(book)
    recaptured = sum(cell["caught"] for (_, mark), cell in sums.items() if mark == "clipped")
    caught = sum(cell["caught"] for cell in sums.values())
    days = sorted({line.day for line in book.traps})
    entries = tuple(balances(book))
    wrong = sum(bool(one.missing) for one in entries)
    return Page(
        title="Trap and release book",
        about=f"{days[0]} to {days[-1]}, {len(days)} days, {len({(x.site, x.trap) for x in book.traps})} traps, "
        f"{len(book.lots)} release lots",
        warnings=[one.message for one in must[:10]] + ([DOUBLE_COUNT] if recaptured else []),
        summary=[
            f"{whole(caught)} fish caught, {whole(recaptured)} of them clipped; "
            f"{whole(sum(lot.released for lot in book.lots))} treated males released.",
            "The book does not balance." if wrong else "The book balances.",
            f"{len(must)} points must be resolved." if must else "Nothing must be resolved.",
        ],
        sections=[
            Section(
                "Fish caught",
                tables=(totals_table(book),),
                pictures=(
                    Picture(
                        figures.draw_catch(book),
                        "Stacked bars per day: clipped, unclipped and not examined fish.",
                        "Fish caught per day, marked and unmarked apart.",
                    ),
                ),
            ),
            Section(
                "In and out",
                text=(
                    "In the tank before + caught = removed + to treatment + released + dead + in the tank after.",
                    f"{wrong} of {len(entries)} trap days do not balance." if wrong else "Every trap day balances.",
                ),
                tables=(
                    *((balance_table(book),) if wrong else ()),
                    balance_table(book, folded=f"All {len(entries)} trap days"),
                ),
            ),
            Section(
                "Release lots", tables=(lot_table(book),) if book.lots else (), text=() if book.lots else ("None.",)
            ),
            Section(
                "To ask",
                tables=(finding_table(findings),) if findings else (),
                text=() if findings else ("Nothing.",),
            ),
            Section("For the other plans", quantities=feeds(book)),
        ],
        cautions=(CAUTION,),
    )
