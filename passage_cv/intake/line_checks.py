"""Checks of the sheet's lines: headings, cells, names, who is who."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from functools import cache

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.columns import COUNT, EXTRA_NUMBERS, FACT_KEYS, NUMBER_COLUMNS, SOURCES, WORDS
from passage_cv.intake.lines import Line, as_number
from passage_cv.intake.names import Species
from passage_cv.intake.slips import propose_names
from passage_cv.intake.units import SI_UNIT, read_measure, to_si
from passage_cv.records import Change, Finding

_LOOK_ALIKE = str.maketrans("OolI", "0011")
"""Letters that are written for a digit; a space is none of them, it may stand for a point."""
_NOT_MEASURED = frozenset(
    {
        "n/a",
        "na",
        "n.a.",
        "nd",
        "n.d.",
        "nm",
        "n.m.",
        "none",
        "not measured",
        "not taken",
        "-",
        "--",
        "\u2013",
        "\u2014",
        ".",
        "?",
    }
)
"""What crews write in a cell for a number that nobody took."""
_FIXED_SPACE = re.compile("[\u00a0\u202f\u2009]")
_THOUSANDS = re.compile("(?<=[0-9])[\u00a0\u202f\u2009](?=[0-9]{3}(?![0-9]))")
_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d{1,2}(?!\d))")
_NEEDED = (("image",), ("organismID", "individual"), ("scientificName", "code"))


def check_columns(batch: CheckedBatch) -> list[Finding]:
    """Columns without which a line means nothing."""
    known = {*batch.headings, *batch.facts}
    return [
        Finding(
            "missing column",
            "must resolve",
            f"Sheet {batch.sheet.name} has no column {' or '.join(choice)}; it has {', '.join(batch.headings)}",
            row=1,
            proposal=f"Head the column {choice[0]}, or state which of these columns it is"
            + ("; where the sheet names no pictures, pair them (passage-cv pair)" if choice == ("image",) else ""),
        )
        for choice in _NEEDED
        if not known.intersection(choice)
    ]


def check_facts(batch: CheckedBatch) -> list[Finding]:
    """Keys and words of trip.toml."""
    findings = [
        Finding("unknown fact", "must resolve", f"trip.toml holds {key!r}, which is no column of a sheet")
        for key in batch.facts
        if key not in FACT_KEYS
    ]
    source = batch.facts.get("source", "field")
    if source not in SOURCES:
        findings.append(
            Finding("unknown word", "must resolve", f"source is {source!r}, allowed are {', '.join(SOURCES)}")
        )
    return findings + _cell_findings(batch.facts, {}, row=None)


def check_widths(batch: CheckedBatch) -> list[Finding]:
    """Rows with more cells than headings, or fewer in a CSV file: a comma slipped."""
    is_csv = batch.sheet.suffix.lower() == ".csv"
    return [
        Finding(
            "row width",
            "must resolve",
            f"Row {line.row} has {line.n_cells} cells, the headings have {line.n_headings}",
            row=line.row,
            proposal="Put a cell with a comma in double quotes",
        )
        for line in batch.rows
        if line.n_cells > line.n_headings or (is_csv and line.n_cells < line.n_headings)
    ]


def check_cells(batch: CheckedBatch) -> list[Finding]:
    """Cells that should be a number or one of a few words; a line whose pictures are all left out is not kept."""
    units = {use.column: use.unit for use in batch.layout.use if use.unit} if batch.layout else {}
    return [finding for line in batch.kept_lines() for finding in _cell_findings(line.cells, units, row=line.row)]


def check_names(batch: CheckedBatch) -> list[Finding]:
    """Names that no list knows, and a name and a code that disagree."""
    counts = Counter(line.species.scientific_name for line in batch.rows if line.species)
    near = cache(lambda given: propose_names(given, batch.names, counts))  # one slip often stands in many lines
    findings = []
    for line in batch.kept_lines():
        given, code = line.text["scientificName"] or line.text["code"], line.text["code"]
        if line.shows_fish and line.species is None:
            findings.append(_unknown_name(line, given, near(given)))
        if line.species and given != code and line.species.code and code and code != line.species.code:
            findings.append(
                Finding(
                    "name and code differ",
                    "must resolve",
                    f"Row {line.row}: {given} has code {line.species.code}, the sheet says {code}",
                    row=line.row,
                    proposal=f"Perhaps the code is {line.species.code}: look at the fish, the name may be the slip",
                    change=Change("code", line.species.code),
                )
            )
    return findings


def check_arrivals(batch: CheckedBatch) -> list[Finding]:
    """Species that the site's checklist does not have: a question, for new arrivals are the news."""
    if not batch.names.checklist:
        return []
    lines: dict[str, list[Line]] = defaultdict(list)
    for line in batch.kept_lines():
        if line.species and line.species.scientific_name not in batch.names.checklist:
            lines[line.species.scientific_name].append(line)
    return [
        Finding(
            "not on the checklist",
            "please look",
            f"{name} is not on the site's checklist ({len(seen)} lines, first row {seen[0].row})",
            row=seen[0].row,
            proposal="A new arrival or a slip: have a second reader look before anything else",
        )
        for name, seen in lines.items()
    ]


def check_identity(batch: CheckedBatch) -> list[Finding]:
    """Lines of fish that name no individual."""
    return [
        Finding(
            "no individual",
            "must resolve",
            f"Row {line.row} has neither organismID nor a number within its event",
            row=line.row,
            proposal="Number the fish of each event from 1",
        )
        for line in batch.kept_lines()
        if line.shows_fish and not line.individual and not line.is_counted_only
    ]


def check_species_of_individual(batch: CheckedBatch) -> list[Finding]:
    """Individuals with two species."""
    lines: dict[str, dict[str, Line]] = defaultdict(dict)
    for line in batch.kept_lines():
        if line.individual and line.species:
            lines[line.individual].setdefault(line.species.scientific_name, line)
    return [
        Finding(
            "two species",
            "must resolve",
            f"Individual {individual} is "
            + " and ".join(f"{name} (row {line.row})" for name, line in by_name.items()),
            row=max(line.row for line in by_name.values()),
        )
        for individual, by_name in lines.items()
        if len(by_name) > 1
    ]


def _unknown_name(line: Line, given: str, meant: Sequence[Species]) -> Finding:
    what = f"name {given!r}, which is not on the list" if given else "no name and no code"
    perhaps = ", or ".join(f"{one.scientific_name} ({one.code})" for one in meant)
    return Finding(
        "unknown name",
        "must resolve",
        f"Row {line.row} has {what}",
        row=line.row,
        proposal=f"Perhaps {perhaps}" if meant else "Correct it, or add the species to checklist.csv in the batch",
        change=_renamed(line, meant[0]) if len(meant) == 1 else None,
    )


def _renamed(line: Line, meant: Species) -> Change:
    """The cell that names the fish, with the name that was meant."""
    column = "scientificName" if line.text["scientificName"] else "code"
    is_code = column == "code" and meant.code
    return Change(column, meant.code if is_code else meant.scientific_name)


def _cell_findings(cells: Mapping[str, str], units: Mapping[str, str], *, row: int | None) -> list[Finding]:
    place = f"Row {row}" if row else "trip.toml"
    findings = [
        _no_number(name, cells[name], units.get(name, ""), place, row)
        for name in (*NUMBER_COLUMNS, *EXTRA_NUMBERS, COUNT)
        if cells.get(name) and as_number(cells[name]) is None
    ]
    count = as_number(cells.get(COUNT, ""))
    if count is not None and (count < 0 or count != int(count)):
        findings.append(
            Finding(
                "no whole number of fish",
                "please look",
                f"{place}: {COUNT} is {cells[COUNT]}",
                row=row,
                proposal="Count again; a part of a fish is counted as one",
            )
        )
    findings += [
        Finding(
            "unknown word",
            "must resolve",
            f"{place}: {name} is {cells[name]!r}, allowed are {', '.join(words)}",
            row=row,
            change=_meant_word(name, cells[name], words) if row else None,
        )
        for name, words in WORDS.items()
        if cells.get(name) and cells[name] not in words
    ]
    return findings


def _no_number(column: str, cell: str, unit: str, place: str, row: int | None) -> Finding:
    """A cell that is no number, with the number that is perhaps meant, or that says that nobody measured.

    ``unit`` is that of the crew's heading, empty where the column's own counts.
    """
    if cell.casefold() in _NOT_MEASURED:
        return Finding(
            "not measured",
            "must resolve",
            f"{place}: {column} is {cell!r}",
            row=row,
            proposal="Leave the cell empty if nobody measured it",
            change=Change(column, "") if row is not None else None,
        )
    read = _number_meant(cell, column, unit)
    is_meant = row is not None and read is not None
    named = f" {SI_UNIT[column]}" if unit not in {"", SI_UNIT.get(column)} else ""
    return Finding(
        "not a number",
        "must resolve",
        f"{place}: {column} is {_FIXED_SPACE.sub(' ', cell)!r}",
        row=row,
        proposal=f"Perhaps {read}{named}" if is_meant else None,
        change=Change(column, read) if is_meant and read is not None else None,
    )


def _number_meant(cell: str, column: str, unit: str) -> str | None:
    """What a cell's own units give, or its letters read as the digits they look like; None where that is no number.

    It is in the column's own unit: a number without one is in that of the heading.
    A comma before one or two digits is a decimal sign, before three it may part thousands. Fixed spaces before three
    digits part thousands: programs write them; people write plain ones, which may stand for a point.
    """
    plain = _THOUSANDS.sub("", cell)
    if not any(sign.isdigit() for sign in plain):
        return None
    with_point = _DECIMAL_COMMA.sub(".", plain)
    written = next((value for text in (plain, with_point) if (value := read_measure(text, column)) is not None), None)
    if written is not None:
        return f"{written:.10g}"
    read = plain.translate(_LOOK_ALIKE)
    value = as_number(read)
    if value is None or unit in {"", SI_UNIT.get(column)}:
        return read if value is not None else None
    return f"{to_si(value, unit, column):.10g}"


def _meant_word(column: str, cell: str, words: Sequence[str]) -> Change | None:
    """The allowed word that differs in case, or that the cell is a longer or shorter form of."""
    plain = cell.casefold()
    fits = [word for word in words if word.casefold() == plain] or [
        word for word in words if plain and (word.casefold().startswith(plain) or plain.startswith(word.casefold()))
    ]
    return Change(column, fits[0]) if len(fits) == 1 else None
