"""``passage-cv setups``: the register of cameras, lamps and settings, and how their reference targets drift."""

from __future__ import annotations

from pathlib import Path
from statistics import median
from typing import Annotated

import typer

from passage_cv.cli.console import command_app, show, show_json, table
from passage_cv.cli.registers import AuthorOption, JsonOption, StoreOption, WhyOption, put_and_say
from passage_cv.dataset.registers import register_of
from passage_cv.dataset.setup_history import target_history
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.intake.setups import read_setups

app = command_app()


@app.callback()
def setups() -> None:
    """Which device, cameras, lenses, firmware, exposure, lamp and geometry stand behind each setup_id."""


@app.command("list")
def list_(store: StoreOption, as_json: JsonOption = False) -> None:
    """Every set-up on file, with its cameras; batches bring them in setups.toml."""
    register = register_of(open_version(Store.open(store)))
    if as_json:
        show_json({name: entry.said.model_dump(mode="json") for name, entry in register.setups.items()})
        return
    rows = [
        (name, camera.name, camera.serial, camera.lens, camera.exposure_ms or "", entry.said.firmware, entry.at[:10])
        for name, entry in register.setups.items()
        for camera in entry.said.cameras
    ]
    table(("set-up", "camera", "serial", "lens", "exposure, ms", "firmware", "on file since"), rows)
    for name, entry in register.setups.items():
        show(f"{name}: {entry.said.device}; {entry.said.lamp}; {entry.said.geometry} ({entry.author}: {entry.why})")


@app.command()
def add(
    file: Annotated[Path, typer.Argument(help="A setups.toml.")],
    store: StoreOption,
    author: AuthorOption,
    why: WhyOption,
) -> None:
    """Put set-ups on file; a set-up on file is never changed, what changed gets a new setup_id."""
    put_and_say(store, setups=read_setups(file), author=author, why=why)


@app.command()
def targets(
    store: StoreOption,
    setup: Annotated[str, typer.Argument(help="The setup_id.")],
    as_json: JsonOption = False,
) -> None:
    """Pictures of the reference target by one set-up, camera by camera: first, median and last."""
    version = open_version(Store.open(store))
    entry = register_of(version).setups.get(setup)
    marker_mm = entry.said.marker_mm if entry else None
    history = target_history(version, {setup})
    if as_json:
        show_json([{"camera": camera, "light": [t.light for t in seen]} for (_, camera), seen in history.items()])
        return
    rows = []
    for (_, camera), seen in history.items():
        for name, values in (
            ("light, 0 to 255", [one.light for one in seen]),
            ("red to green", [one.red_green for one in seen]),
            ("blue to green", [one.blue_green for one in seen]),
            ("mm per pixel", [marker_mm / one.marker_px for one in seen if marker_mm and one.marker_px]),
            ("sharpness", [one.sharpness for one in seen if one.sharpness]),
        ):
            if values:
                rows.append(
                    (camera, name, len(values), *(f"{x:.4g}" for x in (values[0], median(values), values[-1])))
                )
    table(("camera", "quantity", "pictures", "first", "median", "last"), rows)
