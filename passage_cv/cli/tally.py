"""``passage-cv tally``: the book of a trap-and-release programme."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, show, show_json, table, warn
from passage_cv.errors import UsageError
from passage_cv.planning.page import Table, write_page
from passage_cv.planning.tally import CAUTION, check_book
from passage_cv.planning.tally_files import empty_book, read_book, write_book
from passage_cv.planning.tally_page import finding_table, tally_page, tally_values, totals_table

app = command_app()
BookPath = Annotated[
    Path, typer.Argument(help="Folder with traps.csv and lots.csv, or an XLSX with both worksheets.")
]


@app.callback()
def _tally() -> None:
    """The book of a programme that traps fish and releases marked sterile males.

    Agents and animal handling follow permits, labels and licensed practice.
    """


@app.command()
def template(
    out: Annotated[Path, typer.Argument(help="Folder, or a file ending in .xlsx.")],
) -> None:
    """Write an empty book for a crew to fill in."""
    if (out / "traps.csv").exists() or out.is_file():
        raise UsageError(f"{out} holds a book already", do="Give another place; nothing was written.")
    for path in empty_book(out):
        show(f"Wrote {path}")


@app.command()
def check(
    book: BookPath,
    as_json: Annotated[bool, typer.Option("--json", help="Values for machines.")] = False,
) -> None:
    """Sums, and everything that does not balance or must be resolved.

    Exit code 1 where something must be resolved.
    """
    found = read_book(book)
    findings = check_book(found)
    if as_json:
        show_json(tally_values(found, findings))
    else:
        _show(totals_table(found))
        show()
        if findings:
            _show(finding_table(findings))
        else:
            show("The book balances; nothing must be resolved.")
    raise typer.Exit(1 if any(one.severity == "must resolve" for one in findings) else 0)


@app.command()
def report(
    book: BookPath,
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder for tally.html.")],
) -> None:
    """Write the page: sums, balances, lots, and what feeds run size and season."""
    found = read_book(book)
    write_page(tally_page(found, check_book(found)), out / "tally.html")
    warn(f"Wrote {out / 'tally.html'}")
    show(CAUTION)


@app.command()
def convert(
    book: BookPath,
    out: Annotated[Path, typer.Argument(help="Folder for CSV, or a file ending in .xlsx.")],
) -> None:
    """Write the same book as CSV files or as a spreadsheet."""
    if out.resolve() == book.resolve():
        raise UsageError(f"{out} is the book itself", do="Give another place; nothing was written.")
    for path in write_book(read_book(book), out):
        show(f"Wrote {path}")


def _show(part: Table) -> None:
    table(part.headings, part.rows, title=part.caption)
