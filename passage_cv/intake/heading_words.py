"""Words that crews write above columns, and which column each stands for (``headings.csv``)."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

from passage_cv.intake.columns import CANONICAL
from passage_cv.intake.slips import edit_distance

EXACT, WORD, SLIP = 0.95, 0.9, 0.6
"""Confidence where the letters are canonical but for case, where the word is known, and where it is nearly
known [ours: an order, not a probability]."""

UNIT_PART = re.compile(r"[\(\[\{]\s*([^\)\]\}]+)\s*[\)\]\}]|[\s_,](\S+)\s*$")
"""A unit in brackets, or the last word."""


def known_headings(cells: Sequence[str]) -> int:
    """How many cells of a row are known headings."""
    return sum(1 for cell in cells if cell and _known_word(cell))


def column_by_word(heading: str) -> tuple[str, float, str] | None:
    """Column, confidence and length type by a heading's words, its unit left out; None where they say nothing."""
    known = _known_word(heading)
    if known:
        return known
    key = plain_heading(UNIT_PART.sub("", heading))
    near = [word for word in heading_words() if len(word) > 4 and edit_distance(key, word, most=1) <= 1]
    return (heading_words()[near[0]][0], SLIP, heading_words()[near[0]][1]) if near else None


def _known_word(heading: str) -> tuple[str, float, str] | None:
    for text in (heading, UNIT_PART.sub("", heading)):
        key = plain_heading(text)
        if key in _canonical():
            return _canonical()[key], EXACT, ""
        if key in heading_words():
            column, length_type = heading_words()[key]
            return column, WORD, length_type
    return None


@cache
def _canonical() -> Mapping[str, str]:
    return {plain_heading(name): name for name in CANONICAL}


@cache
def heading_words() -> Mapping[str, tuple[str, str]]:
    """Each known word with its column and length type."""
    with Path(__file__).with_name("headings.csv").open(encoding="utf-8", newline="") as stream:
        return {
            word: (row["column"], row["length_type"])
            for row in csv.DictReader(stream)
            for word in row["headings"].split(";")
        }


def plain_heading(text: str) -> str:
    """Lower case words without punctuation; camel case and underscores are taken apart."""
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    return " ".join(re.sub(r"[^a-z0-9]+", " ", apart.casefold().replace("#", " no ")).split())
