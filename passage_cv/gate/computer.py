"""On which computer, when and with what a check was made: the head of a commissioning record."""

from __future__ import annotations

import platform
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version as installed_version

from passage_cv.gate.code_check import describe_compiler, find_compiler


@dataclass(frozen=True, slots=True)
class Computer:
    """A computer as a record names it; ``compiler`` is ``""`` where there is none."""

    time: str
    name: str
    system: str
    processor: str
    python: str
    program: str
    onnxruntime: str
    compiler: str


def this_computer() -> Computer:
    """What this check runs on, now."""
    compiler = find_compiler()
    return Computer(
        time=datetime.now(UTC).isoformat(timespec="seconds"),
        name=platform.node(),
        system=platform.platform(),
        processor=platform.processor() or platform.machine(),
        python=platform.python_version(),
        program=installed_version("passage-cv"),
        onnxruntime=installed_version("onnxruntime"),
        compiler=describe_compiler(compiler) if compiler else "",
    )
