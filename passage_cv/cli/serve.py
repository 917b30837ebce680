"""``passage-cv serve``: the web application on this machine."""

from __future__ import annotations

import gc
from pathlib import Path
from typing import Annotated

import typer
import uvicorn

from passage_cv.cli.console import command_app, show
from passage_cv.web.app import create_app, first_link
from passage_cv.web.settings import read_environment

app = command_app()


@app.command()
def serve(
    data: Annotated[Path | None, typer.Option(help="Folder that keeps everything. [passage-data]")] = None,
    port: Annotated[int, typer.Option(help="Port to listen on.", min=1, max=65535)] = 8600,
    host: Annotated[str, typer.Option(help="Address to listen on; 0.0.0.0 for other machines.")] = "127.0.0.1",
    name: Annotated[
        str | None, typer.Option(help="Names under which people call it, with commas between; others are refused.")
    ] = None,
) -> None:
    """Serve technicians, researchers and engineers in their browsers.

    Everything lies in one folder. The first start prints a link with which the first administrator
    chooses a password. Other settings come from PASSAGE_WEB_* variables: DATABASE, STORE, HTTPS, LANGUAGE.
    """
    settings = read_environment(data=data, hosts=f"localhost,127.0.0.1,{name}" if name else None)
    application = create_app(settings)
    show(f"Data: {settings.data}")
    link = first_link(application)
    if link:
        show("Nobody can sign in yet. Choose the first administrator's password here, once, within three days:")
        show(f"  http://localhost:{port}{link}")
    show(f"Serving on http://localhost:{port} (stop with Ctrl-C)")
    _spare_what_stays()
    uvicorn.run(application, host=host, port=port, log_level="warning", server_header=False)


def _spare_what_stays() -> None:
    """Keep what start-up made out of every later full garbage collection, which held all answers for 0.3 s."""
    gc.collect()
    gc.freeze()
