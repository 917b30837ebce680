"""Moving pictures as frames: a video file at its own rate, and a camera that may stop answering.

OpenCV opens both. A camera is read by a thread of its own, so that one that hangs shows as frames that do not come
and never as a gate computer that stands still.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Self

import cv2
import numpy as np

from passage_cv.errors import InputError
from passage_cv.gate.views import Rgb
from passage_cv.service.frames import Clock, Frame

USUAL_RATE = 25.0
"""Frames a second of a file that does not say [common practice, no source]."""
CLOSE_S = 2.0


class VideoCamera:
    """The frames of a video file; the clock moves on by the file's own rate.

    Raises
    ------
    InputError
        If the file is missing or no decoder reads it.
    """

    def __init__(self, path: Path, clock: Clock, *, setup_id: str) -> None:
        self.path, self.clock, self.setup_id = path, clock, setup_id
        capture = _open(str(path)) if path.is_file() else None
        if capture is None:
            raise InputError("Video cannot be read", where=str(path), do="Give a video file, or a folder of frames.")
        self._capture = capture
        rate = float(capture.get(cv2.CAP_PROP_FPS))
        self.step_s = 1 / (rate if rate > 0 else USUAL_RATE)
        self.expected = max(0, int(capture.get(cv2.CAP_PROP_FRAME_COUNT)))

    def __iter__(self) -> Iterator[Frame | None]:
        number = 0
        while (rgb := _read(self._capture)) is not None:
            number += 1
            self.clock.wait(self.step_s)
            yield Frame(f"{self.path.stem}-{number:06d}", b"", self.clock.steady(), self.setup_id, rgb)


class LiveCamera:
    """The newest frame of a camera, again and again until :meth:`close`; None where none came within a step.

    Parameters
    ----------
    source
        Number of a local camera, or an address that OpenCV opens.

    Raises
    ------
    InputError
        If it cannot be opened.
    """

    def __init__(self, source: str, clock: Clock, *, setup_id: str, frames_per_s: float) -> None:
        self.source, self.clock, self.setup_id, self.step_s = source, clock, setup_id, 1 / frames_per_s
        capture = _open(source)
        if capture is None:
            raise InputError("Camera cannot be opened", where=source, do="Check cable, number or address.")
        self._capture, self._newest, self.expected = capture, threading.Lock(), 0
        self._frame: tuple[Rgb, float] | None = None
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="camera", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Stop reading; a camera that hangs is left behind with its thread."""
        self._closing.set()
        self._thread.join(CLOSE_S)

    def __iter__(self) -> Iterator[Frame | None]:
        number = 0
        while not self._closing.is_set():
            self.clock.wait(self.step_s)
            with self._newest:
                taken, self._frame = self._frame, None
            if taken is None:
                yield None
                continue
            number += 1
            yield Frame(f"{number:08d}", b"", taken[1], self.setup_id, taken[0])

    def _watch(self) -> None:
        """Read as fast as frames come; one that fails to come is tried again."""
        while not self._closing.is_set():
            rgb = _read(self._capture)
            if rgb is None:
                self._closing.wait(self.step_s)
                continue
            with self._newest:
                self._frame = rgb, self.clock.steady()
        self._capture.release()


def _open(source: str) -> cv2.VideoCapture | None:
    capture = cv2.VideoCapture(int(source) if source.isdigit() else source)
    return capture if capture.isOpened() else None


def _read(capture: cv2.VideoCapture) -> Rgb | None:
    came, bgr = capture.read()
    return np.ascontiguousarray(bgr[..., ::-1]) if came else None
