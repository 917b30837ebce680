"""Printable acceptance sheets: what factory and site try out before a gate may command, with room to sign.

Comes in: a package, a site, the report of ``verify`` on the gate computer and, where there was one, a challenge. Goes
out: one HTML page without outside parts. A sheet claims nothing that was not filled in by the person who tried it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from jinja2 import Environment, PackageLoader, StrictUndefined

from passage_cv.gate.runtime import Package
from passage_cv.gate.site import Site
from passage_cv.gate.verify import VerifyReport
from passage_cv.service.challenge import Shown, Target
from passage_cv.service.machine import Fault

Place = Literal["factory", "site"]


@dataclass(frozen=True, slots=True)
class Trial:
    """One thing to try, and what must be seen."""

    do: str
    see: str


COMMON = (
    Trial(
        "Cover the camera for the stall time and longer", f"fault '{Fault.CAMERA_STALLED}', safe position asked for"
    ),
    Trial("Send the same frame again and again", f"fault '{Fault.PICTURE_FROZEN}', safe position"),
    Trial("Pull the network cable to the controller", f"fault '{Fault.LINK}'; the controller goes safe by itself"),
    Trial("Stop the gate computer's program", "heartbeat stands still; the controller goes safe after three beats"),
    Trial(
        "Take the power of the gate computer away and give it back", "nothing starts; a start is refused until reset"
    ),
    Trial("Change one byte of the package", f"fault '{Fault.PACKAGE}', safe position; a new start is refused"),
    Trial("Make the log's folder read-only or full", f"fault '{Fault.LOG}', no command without its line"),
    Trial("Set the clock an hour on", f"fault '{Fault.CLOCK}', safe position"),
    Trial("Show a frame with another set-up", "the fish is held"),
    Trial("Switch the plant to Local, then to Manual", "decisions are logged, nothing is commanded"),
    Trial("Order a bypass with name, reason and time", "nothing is commanded; after the time the gate is off"),
    Trial("Load a looser package with one signature", "refused; what was in service stays"),
    Trial("Load a package in Remote, or with the gate not at its safe position", "refused"),
)
AT_SITE = (
    Trial("Let the gate stick, or hold its limit switch", f"fault '{Fault.POSITION}', safe position asked for"),
    Trial("Report the tank as full, show a target that is held", "it goes where the site file says, never through"),
    Trial("Report a stay in the tank that is too long", "as the site file says, never through"),
    Trial("Press the emergency stop and each interlock", "they outrank the advice, whatever it is"),
    Trial("Raise the water-level override", "it outranks the advice, whatever it is"),
    Trial("Measure distance, fastest fish, stroke and scan", "they are at least as good as the site file says"),
    Trial("Stand at the gate through one hour of real fish in shadow", "crew and gate compared: gate compare"),
)


def render_sheet(
    place: Place,
    package: Package,
    site: Site,
    report: VerifyReport,
    *,
    targets: Sequence[Target] = (),
    shown: Sequence[Shown] = (),
) -> str:
    """The sheet as HTML; targets without a result have room to write one in."""
    environment = Environment(
        loader=PackageLoader("passage_cv.service"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("acceptance.html.j2").render(
        place=place,
        manifest=package.manifest,
        policy=package.policy,
        site=site,
        report=report,
        trials=COMMON if place == "factory" else (*COMMON, *AT_SITE),
        targets=targets,
        shown=shown,
    )
