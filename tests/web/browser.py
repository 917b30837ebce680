"""A real server in a process of its own and Debian's Chromium in front of it."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Page

from passage_cv.web.settings import WebSettings

CHROMIUM = next((path for path in ("/usr/bin/chromium", "/usr/bin/chromium-browser") if Path(path).is_file()), "")
AXE = Path(__file__).parent / "vendor" / "axe-4.14.1.min.js"
NO_CHROMIUM = "no Chromium in /usr/bin: install Debian's package chromium to run the stories"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Served:
    """``passage-cv serve`` on a port; it can be killed and started again."""

    def __init__(self, settings: WebSettings) -> None:
        self.settings, self.port = settings, free_port()
        self.address = f"http://127.0.0.1:{self.port}"
        self.log = settings.data.parent / "serve.log"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = [sys.executable, "-m", "passage_cv.cli.main", "serve", "--port", str(self.port)]
        command = [sys.executable, "-c", "from passage_cv.cli.main import main; main()", *command[3:]]
        environment = os.environ | self.settings.as_environment()
        self.process = subprocess.Popen(
            command, env=environment, stdout=self.log.open("ab"), stderr=subprocess.STDOUT, start_new_session=True
        )
        until = time.monotonic() + 90
        while True:
            try:
                urllib.request.urlopen(self.address + "/sign-in", timeout=5)
            except OSError:
                assert time.monotonic() < until, self.log.read_text()
                assert self.process.poll() is None, self.log.read_text()
                time.sleep(0.2)
            else:
                return

    def cpu_s(self) -> float:
        """CPU seconds that the server itself has used, without the processes of its work."""
        user, system = self._stat()[11:13]
        return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")

    def most_memory_mb(self) -> float:
        """The most memory that the server has held."""
        return _memory_mb(self.pid, "VmHWM")

    def work_memory_mb(self) -> float:
        """What the processes below the server hold now."""
        found = subprocess.run(["pgrep", "-g", str(os.getpgid(self.pid))], capture_output=True, text=True, check=True)
        return sum(_memory_mb(int(pid), "VmRSS") for pid in found.stdout.split() if int(pid) != self.pid)

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    def _stat(self) -> list[str]:
        return Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()

    def kill(self) -> None:
        """Stop it at once, as a power cut does."""
        assert self.process is not None
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def stop(self) -> None:
        if self.process and self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                self.kill()


def _memory_mb(pid: int, name: str) -> float:
    """A line of a process's status, in MB; 0 for a process that has ended."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) * 1024 / 1e6 for line in lines if line.startswith(f"{name}:")), 0.0)


@contextmanager
def serving(settings: WebSettings) -> Iterator[Served]:
    served = Served(settings)
    served.start()
    try:
        yield served
    finally:
        served.stop()


def serious_findings(page: Page) -> list[str]:
    """What axe-core calls serious or critical on this page (WCAG 2.0 to 2.2, A and AA)."""
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate(
        "axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']})"
    )
    return [
        f"{one['id']}: {one['help']} {[node['html'][:120] for node in one['nodes'][:3]]}"
        for one in found["violations"]
        if one["impact"] in {"serious", "critical"}
    ]


def overflows(page: Page) -> bool:
    """Whether the page itself (not a table in it) is wider than the window."""
    return bool(page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth + 1"))
