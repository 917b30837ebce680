"""Ratios of our fast paths to named baselines, measured in CPU seconds of one thread, best of several runs.

scripts/bench [--individuals N] [--pictures N]
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import simplejpeg

from passage_cv.config import configs_folder
from passage_cv.decision.cutoffs import Costs, search_cutoffs
from passage_cv.decision.guarantee import miss_cap
from passage_cv.intake.images import PictureTask, examine_picture
from passage_cv.planning.season import read_season, simulate_season
from passage_cv.policy import read_policy

REPEATS = 5


def cpu_seconds(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Least CPU time of several runs."""
    best = float("inf")
    for _ in range(repeats):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def line(what: str, seconds: float, baseline: str, base_seconds: float, goal: str) -> None:
    """One result as a sentence with its ratio."""
    ratio = seconds / base_seconds
    print(f"{what}: {seconds * 1000:.1f} ms, {ratio:.2f} x {baseline} ({base_seconds * 1000:.1f} ms); goal {goal}")


def bench_decision(n: int) -> None:
    """The cap of one class and the search of both cutoffs, against sorting the same scores."""
    rng = np.random.default_rng(5)
    excluded = rng.random(n) < 0.3
    scores = rng.normal(3.0 * excluded, 1.0)
    weight = np.full(n, 1 / n)
    costs = Costs(weight * 20 * excluded, weight, weight * 5 * ~excluded)
    own, trips = scores[excluded], np.array([f"trip-{i % 40:02d}" for i in range(int(excluded.sum()))])
    sort = cpu_seconds(lambda: np.argsort(scores))
    baseline = f"one numpy.argsort of {n:,} scores"
    line(
        "Two-cutoff search",
        cpu_seconds(lambda: search_cutoffs(scores, scores, costs, u_cap=0.5)),
        baseline,
        sort,
        "4",
    )
    cap = cpu_seconds(lambda: miss_cap(own, trips, limit=0.05, delta=0.05))
    line("Cap of one class", cap, baseline, sort, "0.2")


def bench_intake(n: int) -> None:
    """The integrity part of intake against SHA-256 and one decode of the same files."""
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as name:
        paths = [Path(name) / f"{i:04d}.jpg" for i in range(n)]
        noise = cv2.resize(rng.integers(0, 255, (68, 120, 3), dtype=np.uint8), (1920, 1080))
        for i, path in enumerate(paths):
            path.write_bytes(simplejpeg.encode_jpeg(np.roll(noise, 17 * i, axis=1), quality=90))

        def hash_and_decode() -> None:
            for path in paths:
                data = path.read_bytes()
                hashlib.sha256(data).hexdigest()
                simplejpeg.decode_jpeg(data)

        def integrity() -> None:
            for path in paths:
                assert not examine_picture(PictureTask(path.name, str(path))).problem

        base = cpu_seconds(hash_and_decode, 3)
        line(
            f"Integrity of {n} pictures 1920 x 1080", cpu_seconds(integrity, 3), "SHA-256 + one decode", base, "1.25"
        )


def bench_season() -> None:
    """Ten thousand demo seasons (under 10 s on one core) against drawing one multinomial of them."""
    plan = read_season(configs_folder() / "season" / "kettleback.toml")
    policy = read_policy(configs_folder() / "policy" / "quillmarsh.toml")
    days = np.full(plan.days, 1 / plan.days)
    draw = cpu_seconds(lambda: np.random.default_rng(1).multinomial(np.full(plan.seasons, 50), days), 3)
    baseline = f"one multinomial of {plan.seasons:,} seasons into {plan.days} days"
    seasons = cpu_seconds(lambda: simulate_season(plan, policy), 3)
    line(f"{plan.seasons:,} seasons of {len(plan.classes)} classes", seasons, baseline, draw, "below 10,000 ms")


def main() -> None:
    """Read the options and run every bench."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--individuals", type=int, default=1_000_000)
    parser.add_argument("--pictures", type=int, default=60)
    options = parser.parse_args()
    bench_decision(options.individuals)
    bench_intake(options.pictures)
    bench_season()


if __name__ == "__main__":
    main()
