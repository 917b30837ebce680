"""A batch as intake sees it: its facts, lines, pictures and findings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from passage_cv.intake.coco import Box
from passage_cv.intake.headings import HeadingProposal
from passage_cv.intake.images import Picture
from passage_cv.intake.layout import Layout
from passage_cv.intake.lines import Line
from passage_cv.intake.names import Names, shipped_names
from passage_cv.intake.pairing_file import Pairing
from passage_cv.intake.resolutions import LetStand, Resolutions
from passage_cv.records import Finding


class Lifetime:
    """Shared by all copies of a batch; what hangs on it goes when the last copy does."""


@dataclass(frozen=True, slots=True)
class CheckedBatch:
    """A batch folder after all checks.

    ``images`` holds the pictures that are kept (named in the sheet, not excluded), in sheet order; ``stray``
    the picture files that no line names; ``excluded`` maps image to reason; ``names`` is the list that names were
    looked up in; ``proposals`` say what headings without a confirmed layout may mean; ``pairing`` says which
    pictures a person gave to which rows, ``boxes`` what a COCO file draws around. ``workspace`` is the temporary
    folder of reduced copies: it lives as long as any copy of this record.
    """

    folder: Path
    sheet: Path
    sheet_sha256: str
    headings: tuple[str, ...]
    facts: Mapping[str, str]
    rows: tuple[Line, ...]
    images: tuple[Picture, ...]
    stray: tuple[str, ...] = ()
    excluded: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    names: Names = field(default_factory=shipped_names, repr=False)
    resolutions: Resolutions = field(default_factory=Resolutions)
    layout: Layout | None = None
    proposals: tuple[HeadingProposal, ...] = ()
    pairing: Pairing | None = None
    boxes: Mapping[str, tuple[Box, ...]] = field(default_factory=dict)
    workspace: Path | None = None
    lifetime: Lifetime = field(default_factory=Lifetime, repr=False, compare=False)

    @property
    def unresolved(self) -> tuple[Finding, ...]:
        """Findings that keep the batch from being accepted."""
        must = (finding for finding in self.findings if finding.severity == "must resolve")
        return tuple(finding for finding in must if self.resolutions.stands(finding) is None)

    @property
    def resolved(self) -> tuple[tuple[Finding, LetStand], ...]:
        """Findings that somebody let stand, each with who and why."""
        pairs = ((finding, self.resolutions.stands(finding)) for finding in self.findings)
        return tuple((finding, decision) for finding, decision in pairs if decision)

    @property
    def is_open_data(self) -> bool:
        """Whether the batch says it comes from published pictures rather than from the field."""
        return self.facts.get("source") == "open data"

    def kept_images(self, line: Line) -> tuple[str, ...]:
        """A line's images without the excluded ones."""
        return tuple(name for name in line.images if name not in self.excluded)

    def first_lines(self) -> dict[str, Line]:
        """The first line that names each image."""
        first: dict[str, Line] = {}
        for line in self.rows:
            for name in line.images:
                first.setdefault(name, line)
        return first

    def kept_lines(self) -> tuple[Line, ...]:
        """Lines that still have an image, or never named one."""
        return tuple(line for line in self.rows if not line.images or self.kept_images(line))
