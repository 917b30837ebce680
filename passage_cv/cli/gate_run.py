"""``passage-cv gate run`` and what a person asks of a gate that is running: stop, bypass, tighten, reset."""

from __future__ import annotations

import contextlib
import math
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from passage_cv.cli.console import progress_bar, show, show_json, warn
from passage_cv.errors import UsageError
from passage_cv.gate.site import Site, read_site
from passage_cv.progress import Progress, tracked
from passage_cv.service.controller import Controller, RunSummary
from passage_cv.service.frames import Camera, Clock, FolderCamera, RealClock, SimulatedClock
from passage_cv.service.link import ModbusPlant
from passage_cv.service.loading import note_tighten, require_stricter
from passage_cv.service.log import GateLog
from passage_cv.service.orders import Order, write_order
from passage_cv.service.plant import NoPlant, Plant, Position
from passage_cv.service.running import RESET
from passage_cv.service.video import LiveCamera, VideoCamera

BY_A_PERSON = "stricter by a person"
Log = Annotated[Path, typer.Argument(help="Gate log.")]
By = Annotated[str, typer.Option("--by", help="Your initials.")]


def run(
    package: Annotated[Path, typer.Argument(help="Folder of a gate package.")],
    *,
    site: Annotated[Path, typer.Option("--site", "-s", help="Site file.")],
    log: Annotated[Path, typer.Option("--log", "-l", help="Gate log to append to; pictures lie beside it.")],
    by: Annotated[str, typer.Option("--by", help="Initials of the person who starts it.")],
    frames: Annotated[Path | None, typer.Option("--frames", "-f", help="Folder of frames, by their names.")] = None,
    video: Annotated[Path | None, typer.Option("--video", help="Video file.")] = None,
    camera: Annotated[str | None, typer.Option("--camera", help="Number or address of a camera.")] = None,
    unattended: Annotated[Path | None, typer.Option(help="Package for hours at which nobody attends.")] = None,
    keys: Annotated[Path | None, typer.Option(help="Folder of the trusted public keys (*.pub).")] = None,
    live: Annotated[bool, typer.Option("--live", help="Command the plant by Modbus.")] = False,
    link: Annotated[bool, typer.Option("--link", help="In shadow, listen to the plant (trigger, tank).")] = False,
    wait_s: Annotated[float, typer.Option("--wait", help="Seconds to wait for the plant to be ready.")] = 60.0,
    json: Annotated[bool, typer.Option("--json", help="Print the counts as JSON for a machine.")] = False,
) -> None:
    """Run the reference controller: by default in shadow, deciding and logging only.

    Frames come from a folder, a video or a camera. It advises; interlocks and overrides outrank it. Any fault asks
    for the site's safe position, and only a person starts again. Exit code 1 where the run ended in a fault.
    """
    if sum(source is not None for source in (frames, video, camera)) != 1:
        raise UsageError("Frames come from one place", do="Give one of --frames, --video, --camera.")
    settings = read_site(site)
    is_real = live or link or camera is not None
    clock: Clock = RealClock() if is_real else SimulatedClock(datetime.now(UTC))
    with GateLog(log) as open_log, contextlib.ExitStack() as stack:
        plant: Plant = stack.enter_context(ModbusPlant(settings.link, clock)) if live or link else NoPlant()
        eye = _open_camera(settings, clock, stack, frames=frames, video=video, camera=camera)
        controller = Controller(package, settings, open_log, plant, clock, keys=keys, unattended=unattended)
        progress = stack.enter_context(progress_bar())
        if live:
            _wait_for(plant, clock, wait_s, progress)
        controller.start(by=by, shadow=not live)
        with contextlib.suppress(KeyboardInterrupt):
            controller.run(tracked(eye, "Frames", progress, total=eye.expected) if eye.expected else eye)
        done = controller.summary()
        controller.end(by=by)
    _say(done, log, json=json)


def stop(log: Log, by: By) -> None:
    """Ask the running gate to end; it asks for the safe position first."""
    _order(log, Order("stop", by))


def bypass(
    log: Log,
    by: By,
    reason: Annotated[str, typer.Option(help="Why a person takes the gate over.")],
    minutes: Annotated[float, typer.Option(help="For how long at most; after it the gate is off.")],
) -> None:
    """Take the gate over for a time: nothing is decided or commanded, and it does not come back by itself."""
    _order(log, Order("bypass", by, reason, 60 * minutes))


def reset(
    log: Log, by: By, found: Annotated[str, typer.Option(help="What you found at the gate, and what was mended.")]
) -> None:
    """Say that you looked at the gate after a fault, a power cut or a killed run; only then it can be started."""
    with GateLog.open_existing(log) as open_log:
        open_log.add_event(time=_now(), kind=RESET, detail=found, by=by)
    show(f"Reset by {by}. It can be started, in local mode and at the safe position ({log})")


def tighten(
    log: Log,
    by: By,
    pass_below: Annotated[float | None, typer.Option(help="Pass only strictly below this score.")] = None,
    reject_above: Annotated[float | None, typer.Option(help="Reject only strictly above this score.")] = None,
    pass_nothing: Annotated[bool, typer.Option("--pass-nothing", help="Hold what would pass.")] = False,
    reject_nothing: Annotated[bool, typer.Option("--reject-nothing", help="Hold what would be rejected.")] = False,
) -> None:
    """Let the gate allow less, at once and until another package loads.

    It counts where it is stricter than what is in service. Only a package that two people signed loosens again.
    """
    u = -math.inf if pass_nothing else pass_below
    v = math.inf if reject_nothing else reject_above
    if u is None and v is None:
        raise UsageError("Nothing is tightened", do="Give a score, --pass-nothing or --reject-nothing.")
    with GateLog.open_existing(log) as open_log:
        after = require_stricter(open_log.events_since(), u=u, v=v, where=str(log))
        note_tighten(open_log, u=u, v=v, because=BY_A_PERSON, time=_now(), by=by)
    for one in after:
        show(f"Package {one.package_id[:12]} passes below {one.u:.6g}, rejects above {one.v:.6g}, said {by} ({log})")


def _open_camera(
    site: Site,
    clock: Clock,
    stack: contextlib.ExitStack,
    *,
    frames: Path | None,
    video: Path | None,
    camera: str | None,
) -> Camera:
    rate = site.camera.frames_per_s
    if frames is not None:
        return FolderCamera(frames, clock, setup_id=site.setup_id, frames_per_s=rate)
    if video is not None:
        return VideoCamera(video, clock, setup_id=site.setup_id)
    return stack.enter_context(LiveCamera(str(camera), clock, setup_id=site.setup_id, frames_per_s=rate))


def _wait_for(plant: Plant, clock: Clock, seconds: float, progress: Progress) -> None:
    """Let the plant's controller find us and bring the gate to its safe position; that it did is asked afterwards."""
    began = clock.steady()
    while (waited := clock.steady() - began) < seconds:
        progress("Waiting for the plant, seconds", int(waited), int(seconds))
        said = plant.state()
        if said.is_alive and said.is_local and said.position is Position.SAFE:
            return
        clock.wait(0.1)


def _say(done: RunSummary, log: Path, *, json: bool) -> None:
    if json:
        show_json(asdict(done))
    else:
        counts = ", ".join(f"{n} {action.value}" for action, n in done.actions.items())
        show(f"{done.presentations} presentations: {counts}. Log: {log}")
    if done.fault:
        warn(f"Ended in a fault: {done.fault.value}. Look at the log's events, mend it, and start again.")
        raise typer.Exit(1)


def _order(log: Path, order: Order) -> None:
    with GateLog.open_existing(log) as open_log:
        write_order(open_log, order, time=_now())
    show(f"Asked for: {order.what}. The running gate takes it up with its next frame ({log})")


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
