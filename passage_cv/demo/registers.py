"""What is on file before the first trip: the imaging set-ups and the permits of the invented river.

Goes out: ``setups.toml`` and ``permits.toml`` beside the batches. Nothing here is drawn. Every number is invented;
the firmware of ``KBW-2`` differs from that of ``KBW-1`` because the pictures do.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import MappingProxyType

from passage_cv.demo.sites import SETUPS, SITES
from passage_cv.demo.species import SPECIES
from passage_cv.files import write_text

FROM, UNTIL = "2029-03-01", "2030-11-30"
MAX_TEMPERATURE_C = 26.0
"""Four degrees above the warmest week of the run."""
ALLOWED_SHARE = 0.6
"""Of what the whole campaign images of a species; each of the three sites handles about a third."""
VIEWS = MappingProxyType({"side": "8 mm, f/1.4", "top": "6 mm, f/1.4"})
"""Camera to lens. A camera writes its engraved name into its files, so its name is its serial, too."""

_WORDS = MappingProxyType(
    {
        "KBW-1": ("flume of the false weir, upper bay", "3.0.2", "two LED bars, 5000 K; infrared at night"),
        "KBW-2": ("flume of the false weir, upper bay", "3.1.0", "two LED bars, 5000 K; infrared at night"),
        "HOL-1": ("trough beside the river trap", "2.4.0", "one LED bar, 4500 K, by day and night"),
        "CAP-1": ("viewing tank of the rearing station", "3.0.2", "ring of LED lamps, 5500 K; infrared at night"),
    }
)
"""Set-up to device, firmware and lamp."""


def write_registers(folder: Path) -> tuple[Path, Path]:
    """Write ``setups.toml`` and ``permits.toml``; returns their paths."""
    setups, permits = folder / "setups.toml", folder / "permits.toml"
    write_text(setups, "\n".join(["format = 1", *(line for name in SETUPS for line in _setup(name))]) + "\n")
    write_text(permits, "\n".join(["format = 1", *_permits()]) + "\n")
    return setups, permits


def _setup(setup_id: str) -> Iterator[str]:
    device, firmware, lamp = _WORDS[setup_id]
    yield from ("", "[[setups]]", f'setup_id = "{setup_id}"', f'device = "{device}"', f'firmware = "{firmware}"')
    scale = SETUPS[setup_id].mm_per_px
    yield from (f'lamp = "{lamp}"', f'geometry = "{scale:g} mm per pixel at the fish, square to the far wall"')
    for view, lens in VIEWS.items():
        name = f"{setup_id}-{view}"
        yield from ("[[setups.cameras]]", f'name = "{name}"', f'serial = "{name}"', f'lens = "{lens}"')


def _permits() -> Iterator[str]:
    for site in SITES:
        yield from ("", "[[permits]]", f'number = "{site.permit}"', f'protocol = "{site.protocol}"')
        yield from (f"from = {FROM}", f"until = {UNTIL}", f'waters = ["{site.location_id}"]')
        yield f"max_temperature_C = {MAX_TEMPERATURE_C}"
        for species in SPECIES.values():
            allowed = round(ALLOWED_SHARE * species.imaged)
            yield from ("[[permits.species]]", f'name = "{species.scientific_name}"', f"allowed = {allowed}")
