"""The columns of a batch sheet (format 1): their names, kinds and words.

One table of data for reading, checking and storing; it holds no rule.
"""

from __future__ import annotations

from collections.abc import Mapping

FISH_PURPOSES = ("gate view", "length board", "voucher", "condition", "mark")
"""Purposes of pictures that show one fish."""

OTHER_PURPOSES = ("slate", "reference target", "sheet", "empty", "people")
"""Purposes of pictures that belong to no fish."""

GATE_VIEW = "gate view"

TEXT_COLUMNS = (
    "organismID",
    "individual",
    "scientificName",
    "code",
    "identificationMethod",
    "eventID",
    "eventDate",
    "locationID",
    "gear",
    "trip",
    "setup_id",
    "purpose",
    "sex",
    "sexMethod",
    "lifeStage",
    "mark",
    "length_type",
    "light",
    "recordedBy",
    "identifiedBy",
    "permit",
    "animalCareProtocol",
    "camera",
    "taken_at",
)
"""Canonical columns kept as text; ``camera`` and ``taken_at`` win over what the picture file says."""

NUMBER_COLUMNS = ("length_mm", "weight_g", "waterTemperature_C", "turbidity_NTU")

MARKER_SIDE = "scaleMarker_mm"
"""Side of the printed scale marker that pictures carry."""

EXTRA_NUMBERS = ("discharge_m3_s", MARKER_SIDE)
"""Numbers that are read, turned into their unit and kept with the row as received, without a column of their own."""

COUNT = "individualCount"
"""How many fish a line counts that were not looked at one by one."""

CLOCK = "timeOfDay"
"""A time of a clock without a date; joined with the date of its line it is ``taken_at`` (``times_of_day``)."""

CANONICAL = ("image", *TEXT_COLUMNS, *NUMBER_COLUMNS, *EXTRA_NUMBERS, COUNT, CLOCK)

WORDS: Mapping[str, tuple[str, ...]] = {
    "purpose": (*FISH_PURPOSES, *OTHER_PURPOSES),
    "sex": ("M", "F", "U"),
    "sexMethod": ("handling", "external", "internal"),
    "length_type": ("TL", "FL", "SL"),
    "light": ("day", "night", "infrared"),
}
"""Columns whose cells must be one of a few words, where filled in."""

SOURCES = ("field", "open data")
"""Where a batch comes from (``source`` in trip.toml); open data carry no permit, protocol or event date."""

FACT_KEYS = (*TEXT_COLUMNS, *NUMBER_COLUMNS, *EXTRA_NUMBERS, "source")
"""What trip.toml may hold."""
