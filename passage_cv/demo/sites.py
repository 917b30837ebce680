"""Where the demo's pictures are made: three invented sites, their imaging set-ups, crews and permits."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Light = Literal["day", "night", "infrared"]
CREW = ("RKV", "TBO", "ELQ")
"""Initials of handbook 9."""


@dataclass(frozen=True, slots=True)
class Setup:
    """Cameras, lamps, lens, firmware: what ``setup_id`` stands for.

    ``wall`` is the colour of the far wall (R, G, B, 0 to 255) and ``finish`` its make. ``mm_per_px`` is the
    scale at the fish. ``lamp`` and ``firmware`` are gains for R, G and B. ``night`` says how nights are lit.
    """

    setup_id: str
    mm_per_px: float
    wall: tuple[int, int, int]
    finish: Literal["panel", "concrete", "tank"]
    lamp: tuple[float, float, float]
    night: Light
    firmware: tuple[float, float, float] = (1.0, 1.0, 1.0)
    gamma: float = 1.0


@dataclass(frozen=True, slots=True)
class Site:
    """A partner site: station code, the set-up it used in each year, and its papers."""

    location_id: str
    setups: MappingProxyType[int, str]
    permit: str
    protocol: str


_KBW = {
    "mm_per_px": 0.80,
    "wall": (150, 160, 146),
    "finish": "panel",
    "lamp": (1.0, 0.99, 0.93),
    "night": "infrared",
}
SETUPS = MappingProxyType(
    {
        setup.setup_id: setup
        for setup in (
            Setup("KBW-1", **_KBW),  # type: ignore[arg-type]  # one dict for two set-ups
            # The same flume after a firmware change: cooler white balance, flatter contrast.
            Setup("KBW-2", **_KBW, firmware=(0.93, 1.0, 1.07), gamma=0.92),  # type: ignore[arg-type]
            Setup("HOL-1", 0.72, (126, 124, 108), "concrete", (1.04, 0.99, 0.91), "night"),
            Setup("CAP-1", 0.95, (118, 150, 160), "tank", (0.96, 1.0, 1.03), "infrared"),
        )
    }
)  # fmt: skip


def _years(*setup_ids: str) -> MappingProxyType[int, str]:
    return MappingProxyType(dict(zip((2029, 2030, 2031), setup_ids, strict=True)))


SITES = (
    Site("QMR-KBW-01", _years("KBW-1", "KBW-2", "KBW-2"), "QSP-29-114", "ACP-0291"),
    Site("LTB-HOL-02", _years("HOL-1", "HOL-1", "HOL-1"), "LTP-29-027", "ACP-0305"),
    Site("SPR-CAP-01", _years("CAP-1", "CAP-1", "CAP-1"), "SPR-29-008", "ACP-0291"),
)
"""Handbook 9: the weir, the river beside it, and the captive-rearing station."""
