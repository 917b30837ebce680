"""The report in a real browser: the what-if page answers, and the summary prints on two pages."""

from __future__ import annotations

import re
import shutil
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from passage_cv.config import configs_folder
from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.guarantee import fish_needed
from passage_cv.evaluation.assess import assess
from passage_cv.evaluation.page_script import page_script
from passage_cv.evaluation.report import write_report
from passage_cv.policy import Policy, read_policy
from passage_cv.scores import build_scores
from passage_cv.web.headers import REPORT_POLICY
from tests.evaluation.pages import Page

BROWSER = shutil.which("chromium") or shutil.which("google-chrome")
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking")
pytestmark = pytest.mark.skipif(BROWSER is None, reason="no browser is installed")


def browse(address: str, profile: Path, *flags: str) -> str:
    assert BROWSER is not None
    command = [BROWSER, *FLAGS, f"--user-data-dir={profile}", *flags, address]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr[-500:]
    return done.stdout


def write_page(folder: Path, policy: Policy, *, per_class: int = 200) -> Path:
    """A report on as many classes as the policy of the demo's site has."""
    rng = np.random.default_rng(7)
    codes, n = policy.codes, per_class * len(policy.codes)
    labels = np.repeat(np.arange(len(codes)), per_class)
    logits = 5.0 * np.eye(len(codes))[labels] + rng.normal(0, 1.2, (n, len(codes)))
    scores = build_scores(
        "logit",
        codes,
        logits,
        {
            "individual": [f"fish-{i}" for i in range(n)],
            "class": [codes[k] for k in labels],
            "role": np.array(["train", "train", "cut", "cut", "test"])[rng.permutation(n) % 5],
            "trip": [f"trip-{i % 24}" for i in range(n)],
            "length_mm": rng.uniform(200, 700, n),
        },
    )
    assessment = assess(scores, calibrate(scores, policy))
    names = {rule.code: rule.scientific_name for rule in policy.classes}
    return write_report(assessment, folder, names=names, notes=["Invented river, drawn fish."])


@pytest.fixture(scope="module")
def policy() -> Policy:
    demo = read_policy(configs_folder() / "policy" / "quillmarsh.toml")
    return demo.model_copy(update={"presentations_per_hour": 120.0, "hold_capacity_per_hour": 30.0})


def test_what_if_answers_at_once(policy: Policy, tmp_path: Path) -> None:
    source = write_page(tmp_path / "report", policy).read_text(encoding="utf-8")
    move = (
        "<script>const slider = document.querySelector('#what-if-moves input[type=range]');"
        "slider.value = -0.7; slider.dispatchEvent(new Event('input'));</script></body>"
    )
    for name, text in (("still.html", source), ("moved.html", source.replace("</body>", move))):
        (tmp_path / name).write_text(text, encoding="utf-8")
    still, moved = (
        Page(browse((tmp_path / name).as_uri(), tmp_path / "profile", "--dump-dom"))
        for name in ("still.html", "moved.html")
    )
    for page, limit in ((still, 0.05), (moved, 0.05 * 10**-0.7)):
        needed = next(row for row in page.rows if row[:1] == ["NSH"] and "miss," in row[1])
        assert int(needed[2]) == fish_needed(limit, 0.025, "fish")
        assert int(needed[4]) == max(0, int(needed[2]) - int(needed[3]))
    before, after = still.row("Expected cost per fish"), moved.row("Expected cost per fish")
    assert before[1] == before[2] == after[1]
    assert float(after[2]) > float(after[1])  # a stricter limit costs more
    assert still.row("Held per hour")[1] == moved.row("Held per hour")[1]


@contextmanager
def served(folder: Path, policy: str) -> Iterator[str]:
    """The folder over HTTP with a content security policy, as the web application answers."""

    class Handler(SimpleHTTPRequestHandler):
        def __init__(self, *given: Any) -> None:  # noqa: ANN401
            super().__init__(*given, directory=str(folder))

        def end_headers(self) -> None:
            self.send_header("content-security-policy", policy)
            super().end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def test_on_the_web_only_the_reports_own_script_runs(policy: Policy, tmp_path: Path) -> None:
    """What a name in a sheet could smuggle in does not run: a script, a handler, a script of the same server."""
    page = write_page(tmp_path, policy)
    mark = "document.documentElement.setAttribute('data-foreign', '{}')"
    foreign = (
        f"<script>{mark.format('inline')}</script><img src='data:,' onerror=\"{mark.format('handler')}\">"
        f"<script src='foreign.js'></script><script>{page_script()} </script></body>"
    )
    (tmp_path / "foreign.js").write_text(mark.format("own server"), encoding="utf-8")
    source = page.read_text(encoding="utf-8")
    (tmp_path / "foreign.html").write_text(source.replace("</body>", foreign), encoding="utf-8")
    with served(tmp_path, REPORT_POLICY) as address:
        dom = browse(f"{address}/foreign.html", tmp_path / "profile", "--dump-dom")
    assert "data-foreign" not in dom.split("<body>")[0]
    assert Page(dom).row("Expected cost per fish")[1]
    assert sum(each.get("type") == "range" for each in Page(dom).named("input")) == source_sliders(page, tmp_path)
    free = browse((tmp_path / "foreign.html").as_uri(), tmp_path / "profile", "--dump-dom")
    assert "data-foreign" in free.split("<body>")[0]  # the same page without the policy: the marks do work


def source_sliders(page: Path, tmp_path: Path) -> int:
    """Sliders of the page as the saved file shows it."""
    dom = browse(page.as_uri(), tmp_path / "profile", "--dump-dom")
    return sum(each.get("type") == "range" for each in Page(dom).named("input"))


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize("refused", [False, True], ids=["shown", "refused"])
def test_the_summary_prints_on_two_pages(policy: Policy, tmp_path: Path, paper: str, refused: bool) -> None:
    page = write_page(tmp_path / "report", policy, per_class=60 if refused else 200)
    sized = page.read_text(encoding="utf-8").replace("@page { margin", f"@page {{ size: {paper}; margin")
    page.write_text(sized, encoding="utf-8")
    browse(page.as_uri(), tmp_path / "profile", "--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'report.pdf'}")
    text = subprocess.run(
        ["pdftotext", "-layout", str(tmp_path / "report.pdf"), "-"], capture_output=True, text=True, check=True
    ).stdout
    first, second, third = text.split("\f")[:3]
    assert "What is claimed" in first
    assert "all others wanted" in first + second
    assert re.search(r"Biologist, date\s+Engineer, date\s+Responsible manager, date", second)
    assert "Scores and cutoffs" in third
    assert ("could not be shown" in first) is refused
    assert "What if" not in text  # sliders are of no use on paper


def test_without_training_fish_there_are_no_sliders(policy: Policy, tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    codes = policy.codes
    scores = build_scores(
        "logit",
        codes,
        rng.normal(size=(130, len(codes))),
        {"individual": [f"fish-{i}" for i in range(130)], "class": [codes[i % len(codes)] for i in range(130)]},
    )
    page = write_report(assess(scores, calibrate(scores, replace_limits(policy))), tmp_path)
    found = Page(page.read_text(encoding="utf-8"))
    assert "Not possible here" in found.text
    assert found.named("script") == []


def replace_limits(policy: Policy) -> Policy:
    rules = [rule.model_copy(update={"miss_limit": None, "false_rejection_limit": None}) for rule in policy.classes]
    return policy.model_copy(update={"classes": tuple(rules)})
