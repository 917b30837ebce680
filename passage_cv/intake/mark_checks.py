"""Checks of tags, clips and sightings of marked fish."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import groupby, pairwise

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.lines import Line
from passage_cv.intake.names import Species
from passage_cv.intake.times import Window, parse_window
from passage_cv.records import Finding

MARKS = ("CWT", "VIE", "TBA", "PIT", "AD", "LV", "RV", "LP", "RP", "DO", "AN", "UC", "LC", "LM", "RM", "D")
"""Fin and mark codes of the handbook's section 1, tried in this order; VIE and TBA may name a colour, ``VIE-RED``."""
_FINS = {"LV": "pelvic", "RV": "pelvic", "LP": "pectoral", "RP": "pectoral"}
"""The fin that a clip is of, where some species lack it."""
NO_MARK, NOT_EXAMINED = "NM", "NX"
SHRINKS = 0.1
"""Part of its length that a fish seen again may have lost before it is doubted [ours: people measure to 5 %]."""

ISO_NUMBERS, ISO_CODES = 2**38, 2**10
"""How many animal numbers and country or maker codes a PIT code can hold: 38 and 10 of its 64 bits (ISO 11784)."""

_DIGITS = re.compile(r"[0-9]+")
_ISO_TAG = re.compile(r"[0-9]{15}|[0-9A-F]{3}\.[0-9A-F]{10}")


def read_marks(text: str) -> list[str] | None:
    """The codes of combined marks, or None where the text is none.

    Examples
    --------
    >>> read_marks("ADLV"), read_marks("LP, PIT"), read_marks("ADX")
    (['AD', 'LV'], ['LP', 'PIT'], None)
    """
    found: list[str] = []
    plain = re.sub(r"(?<=VIE|TBA)-[A-Z0-9]+", "", text.strip().upper())
    for part in re.split(r"[\s,;+]+", plain):
        rest = part
        while rest:
            code = next((code for code in (*MARKS, NO_MARK, NOT_EXAMINED) if rest.startswith(code)), None)
            if code is None:
                return None
            found.append(code)
            rest = rest[len(code) :]
    return found


def check_marks(batch: CheckedBatch) -> list[Finding]:
    """Mark codes: known, not contradicting each other, and possible for the species."""
    findings = []
    for line in batch.kept_lines():
        if line.text["mark"]:
            findings += [
                Finding("mark", "must resolve", f"Row {line.row}: {what}", row=line.row)
                for what in _mark_faults(line)
            ]
    return findings


def check_tags(batch: CheckedBatch) -> list[Finding]:
    """Tag numbers of digits only are PIT codes and have 15, the last twelve within the 38 bits of the standard."""
    findings = []
    for tag, lines in _tagged(batch).items():
        is_pit = "PIT" in (read_marks(lines[0].text["mark"]) or [])
        if (_DIGITS.fullmatch(tag) or is_pit) and not _ISO_TAG.fullmatch(tag):
            findings.append(
                Finding(
                    "tag number",
                    "must resolve",
                    f"Row {lines[0].row}: tag {tag} has {len(tag)} characters, a PIT code has 15 digits",
                    row=lines[0].row,
                    proposal="Read the tag again; keep leading zeros by storing the column as text",
                )
            )
        elif _ISO_TAG.fullmatch(tag) and not _fits_the_bits(tag):
            findings.append(
                Finding(
                    "tag number",
                    "please look",
                    f"Row {lines[0].row}: tag {tag} is no PIT code: it would number more than {ISO_NUMBERS} animals "
                    f"or {ISO_CODES} countries and makers",
                    row=lines[0].row,
                    proposal="Read the tag again; a digit may be wrong",
                )
            )
    return findings


def _fits_the_bits(tag: str) -> bool:
    """Whether code and number of a PIT code, in decimal or as readers show it in hexadecimal, fit ISO 11784."""
    base, parts = (16, tag.split(".")) if "." in tag else (10, [tag[:3], tag[3:]])
    code, number = (int(part, base) for part in parts)
    return code < ISO_CODES and number < ISO_NUMBERS


def check_sightings(batch: CheckedBatch) -> list[Finding]:
    """A tag on two fish of one event, or in two places at once."""
    findings = [finding for tag, lines in _tagged(batch).items() for finding in _sighting_faults(tag, lines)]
    return findings + _tags_that_come_back(batch)


def check_measured_twice(batch: CheckedBatch) -> list[Finding]:
    """Two lengths of one kind on one individual of one event: two fish with one number, or a slip."""
    found: dict[tuple[str, str, str], dict[float, Line]] = defaultdict(dict)
    for line in batch.kept_lines():
        length = line.numbers["length_mm"]
        if line.individual and length:
            found[line.individual, line.event, line.text["length_type"]].setdefault(length, line)
    return [
        Finding(
            "two lengths of one fish",
            "must resolve",
            f"Individual {individual} is "
            + " and ".join(f"{length:g} mm {kind}".rstrip() + f" (row {line.row})" for length, line in lines.items()),
            row=max(line.row for line in lines.values()),
            proposal="Two fish with one number: number them apart; one fish measured twice: let it stand",
        )
        for (individual, _, kind), lines in found.items()
        if len(lines) > 1
    ]


def _mark_faults(line: Line) -> Iterator[str]:
    text = line.text["mark"]
    marks = read_marks(text)
    if marks is None:
        yield f"mark {text!r} is no combination of {', '.join(sorted(MARKS))}, {NO_MARK} or {NOT_EXAMINED}"
        return
    if len(marks) > 1 and {NO_MARK, NOT_EXAMINED} & set(marks):
        yield f"mark {text!r} says both a mark and none"
    if line.species:
        name = line.species.common_name or line.species.scientific_name
        for fin in _fins_it_lacks(marks, line.species):
            yield f"{name} has no {fin} fin to clip ({text})"


def _fins_it_lacks(marks: Sequence[str], species: Species) -> list[str]:
    """Fins that were clipped and that the species does not have."""
    lacked = {*species.lacks, *(["adipose"] if species.has_adipose is False else [])}
    clipped = dict.fromkeys("adipose" if mark == "AD" else _FINS.get(mark, "") for mark in marks)
    return [fin for fin in clipped if fin in lacked]


def _tagged(batch: CheckedBatch) -> dict[str, list[Line]]:
    lines: dict[str, list[Line]] = defaultdict(list)
    if batch.is_open_data:
        return lines
    for line in batch.kept_lines():
        if line.text["organismID"]:
            lines[line.text["organismID"]].append(line)
    return lines


def _tags_that_come_back(batch: CheckedBatch) -> list[Finding]:
    """Fish without a number whose tag stands again after other fish of the event: one fish, or two with one tag.

    Where more than half of an event's tags come back, the sheet goes round by views, and nobody is asked.
    """
    lines: dict[tuple[str, str, str], list[Line]] = defaultdict(list)
    for tagged in _tagged(batch).values():
        for line in tagged:
            if not line.text["individual"]:
                lines[line.event, line.purpose, line.text["camera"]].append(line)
    findings = []
    for (event, *_), group in lines.items():
        runs = [list(run) for _, run in groupby(sorted(group, key=lambda line: line.row), key=_tag_of)]
        starts: dict[str, list[Line]] = defaultdict(list)
        for run in runs:
            starts[_tag_of(run[0])].append(run[0])
        again = {tag: first for tag, first in starts.items() if len(first) > 1}
        if len(again) * 2 <= len(starts):
            findings += [_comes_back(tag, event, first) for tag, first in again.items()]
    return findings


def _tag_of(line: Line) -> str:
    return line.text["organismID"]


def _comes_back(tag: str, event: str, lines: list[Line]) -> Finding:
    return Finding(
        "tag again in one event",
        "please look",
        f"Tag {tag} stands in rows {' and '.join(str(line.row) for line in lines)} of event {event}, with other fish"
        " between them",
        row=lines[-1].row,
        image=lines[-1].images[0] if lines[-1].images else None,
        proposal="One fish seen again, or a tag read wrong: read both again, and number the fish",
    )


def _sighting_faults(tag: str, lines: list[Line]) -> Iterator[Finding]:
    by_event: dict[str, list[Line]] = defaultdict(list)
    for line in lines:
        by_event[line.event].append(line)
    for event, same in by_event.items():
        yield from _two_in_one_event(tag, event, same)
    firsts = [same[0] for same in by_event.values()]
    impossible = list(_two_places_at_once(tag, firsts))
    yield from impossible
    if len(firsts) > 1 and not impossible:
        yield _repeat_sighting(tag, firsts)


def _repeat_sighting(tag: str, lines: list[Line]) -> Finding:
    """The same fish in several events: good news to look at, unless it shrank."""
    where = " and ".join(f"{line.event} (row {line.row})" for line in lines)
    lengths = [(line.text["length_type"], length) for line in lines if (length := line.numbers["length_mm"])]
    shrank = any(
        kind == before_kind and length < (1 - SHRINKS) * before
        for (before_kind, before), (kind, length) in pairwise(lengths)
    )
    sizes = ", ".join(f"{length:g} mm {kind}".rstrip() for kind, length in lengths)
    return Finding(
        "repeat sighting",
        "please look",
        f"Tag {tag} was seen in events {where}" + (f": {sizes}, which is a fish that shrank" if shrank else ""),
        row=lines[-1].row,
        image=lines[-1].images[0] if lines[-1].images else None,
        proposal="Read both tags again" if shrank else "Compare the pictures; a recapture keeps its role",
    )


def _two_in_one_event(tag: str, event: str, lines: list[Line]) -> Iterator[Finding]:
    numbers = sorted({line.text["individual"] for line in lines} - {""})
    if len(numbers) > 1:
        yield Finding(
            "tag on two fish",
            "must resolve",
            f"Tag {tag} is on fish {' and '.join(numbers)} of event {event}",
            row=lines[-1].row,
            proposal="Read both tags again, or give the fish one number",
        )


def _two_places_at_once(tag: str, lines: list[Line]) -> Iterator[Finding]:
    for i, one in enumerate(lines):
        for other in lines[:i]:
            windows = parse_window(one.text["eventDate"]), parse_window(other.text["eventDate"])
            if one.text["locationID"] != other.text["locationID"] and _overlap(*windows):
                yield Finding(
                    "tag in two places",
                    "must resolve",
                    f"Tag {tag} is at {other.text['locationID']} (row {other.row}) and at {one.text['locationID']}"
                    f" (row {one.row}) at the same time",
                    row=one.row,
                    proposal="Read both tags again",
                )


def _overlap(one: Window | None, other: Window | None) -> bool:
    if one is None or other is None or one.is_exact != other.is_exact:
        return False
    return one.start <= other.end and other.start <= one.end
