"""Kinds of views on which no fish may be decided, by the names that the gate gives as its reason."""

from __future__ import annotations

KINDS = (
    "empty view",
    "two fish in view",
    "attached animal",
    "cut-off view",
    "no clear view of the clip site",
)
"""Names of the folders of labelled views, and the reasons for which the gate then holds a fish."""
