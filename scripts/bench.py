"""Ratios of our fast paths to named baselines, measured in CPU seconds of one thread, best of several runs.

scripts/bench [--individuals N] [--pictures N]
"""

from __future__ import annotations

import argparse
import hashlib
import os
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import onnxruntime
import simplejpeg
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.metrics import confusion_matrix, make_scorer
from sklearn.model_selection import TunedThresholdClassifierCV

from passage_cv.config import configs_folder, read_settings
from passage_cv.decision.cutoffs import Costs, search_cutoffs, search_within_capacity
from passage_cv.decision.guarantee import Mode, miss_cap
from passage_cv.files import write_bytes, write_json
from passage_cv.intake.images import PictureTask, decode_picture, examine_picture
from passage_cv.parallel import process_pool, worker_count
from passage_cv.pipeline import calibrate_scores, evaluate_scores
from passage_cv.planning.season import read_season, simulate_season
from passage_cv.policy import read_policy
from passage_cv.recognition.backbone import feature_count
from passage_cv.recognition.crop import crop_image
from passage_cv.recognition.embed import run_pictures
from passage_cv.recognition.export import attach_head
from passage_cv.recognition.features import exported_backbone
from passage_cv.recognition.model import Embedder, GateModel
from passage_cv.recognition.rows import RunClasses
from passage_cv.recognition.score import score_folder
from passage_cv.recognition.settings import TrainSettings
from passage_cv.recognition.transforms import recipe_sha256
from passage_cv.scores import build_scores, write_scores

REPEATS = 5
BARE_BATCH = 8


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
    """The search of both cutoffs and the cap of one class, against sorting the same scores."""
    rng = np.random.default_rng(5)
    excluded = rng.random(n) < 0.3
    scores = rng.normal(3.0 * excluded, 1.0)
    weight = np.full(n, 1 / n)
    costs = Costs(weight * 20 * excluded, weight, weight * 5 * ~excluded)
    held = rng.random(n) < 0.01
    to_pass, to_reject = np.where(held, np.inf, scores), np.where(held, -np.inf, scores)
    sort = cpu_seconds(lambda: np.argsort(scores))
    baseline = f"one numpy.argsort of {n:,} scores"
    searches: dict[str, Callable[[], object]] = {
        "Two-cutoff search": lambda: search_cutoffs(scores, scores, costs, u_cap=0.5),
        "Two-cutoff search, 1 % held by a rule": lambda: search_cutoffs(to_pass, to_reject, costs, u_cap=0.5),
    }
    for what, search in searches.items():
        line(what, cpu_seconds(search), baseline, sort, "4")
    capacity = cpu_seconds(lambda: search_within_capacity(scores, scores, costs, weight, most_held=0.1, u_cap=0.5))
    line("Two-cutoff search within a hold capacity", capacity, baseline, sort, "none set")
    bench_caps(scores, sort, baseline)
    bench_tuned_threshold(scores, excluded, sort, baseline)


def bench_caps(scores: np.ndarray, sort: float, baseline: str) -> None:
    """The cap of one class that holds every score, in each mode; a class of fewer fish costs less."""
    trips = np.random.default_rng(6).integers(0, 300, len(scores))
    modes: tuple[Mode, ...] = ("fish", "trip", "between-trips")
    for mode in modes:
        cap = cpu_seconds(
            lambda mode=mode: miss_cap(scores, trips, limit=0.05, delta=0.05, mode=mode),  # type: ignore[misc]
            3 * REPEATS,
        )
        line(f"Cap of one class of {len(scores):,}, mode {mode}, 300 trips", cap, baseline, sort, "0.2")


class Ready(ClassifierMixin, BaseEstimator):
    """Hands given scores through, so that only the search for a cutoff is timed."""

    def __init__(self) -> None:
        self.classes_ = np.array([0, 1])

    def fit(self, rows: np.ndarray, labels: np.ndarray) -> Ready:
        """Learn nothing."""
        del rows, labels
        return self

    def decision_function(self, rows: np.ndarray) -> np.ndarray:
        """The first column."""
        return rows[:, 0]


def cost_by_table(truth: np.ndarray, named: np.ndarray) -> float:
    """Mean cost from a confusion matrix, negative so that larger is better."""
    table = confusion_matrix(truth, named)
    return -float(20 * table[1, 0] + 5 * table[0, 1]) / len(truth)


def cost_by_count(truth: np.ndarray, named: np.ndarray) -> float:
    """The same mean cost in plain numpy."""
    return -float(20 * np.sum((truth == 1) & (named == 0)) + 5 * np.sum((truth == 0) & (named == 1))) / len(truth)


def bench_tuned_threshold(scores: np.ndarray, excluded: np.ndarray, sort: float, baseline: str) -> None:
    """What scikit-learn takes to find one cutoff among 100 candidates, where we find two among all."""
    for name, scorer in (("confusion matrix", cost_by_table), ("plain numpy", cost_by_count)):
        tuner = TunedThresholdClassifierCV(
            Ready(), scoring=make_scorer(scorer), thresholds=100, cv="prefit", refit=False, response_method="auto"
        )
        seconds = cpu_seconds(lambda tuner=tuner: tuner.fit(scores[:, None], excluded.astype(int)), 1)  # type: ignore[misc]
        line(f"scikit-learn's tuned threshold, 100 candidates, {name}", seconds, baseline, sort, "printed beside")


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

        def all_looks() -> None:
            for path in paths:
                assert not examine_picture(
                    PictureTask(path.name, str(path), name, has_marker=True, wants_sketch=True)
                ).problem

        base, baseline = cpu_seconds(hash_and_decode, 3), "SHA-256 + one decode"
        line(f"Integrity and looks of {n} pictures 1920 x 1080", cpu_seconds(integrity, 3), baseline, base, "1.25")
        line("The same with reduced copies and scale markers", cpu_seconds(all_looks, 3), baseline, base, "2.5")


def bench_embedding(n: int) -> None:
    """Decode, crop and embed pictures, against the bare ONNX model on crops that lie ready (one thread each)."""
    settings = read_settings(configs_folder() / "train" / "quick.toml", TrainSettings)
    model = exported_backbone(settings.backbone, settings.crop.size)
    rng = np.random.default_rng(2)
    noise = cv2.resize(rng.integers(0, 255, (36, 64, 3), dtype=np.uint8), (640, 360))
    names = [f"{i:04d}" for i in range(n)]
    jpegs = {name: simplejpeg.encode_jpeg(np.roll(noise, 13 * i, axis=1), quality=90) for i, name in enumerate(names)}
    ready = np.stack([crop_image(decode_picture(jpegs[name]), settings.crop) for name in names])
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])
    entry = session.get_inputs()[0].name
    embedder, width = Embedder(model), feature_count(settings.backbone.taps)

    def bare() -> None:
        for start in range(0, n, BARE_BATCH):
            session.run(None, {entry: ready[start : start + BARE_BATCH]})

    def whole() -> None:
        ran = run_pictures(
            names, lambda name: decode_picture(jpegs[name]), embedder.embed, settings.crop, width=width
        )
        assert not any(ran.problems)

    base = cpu_seconds(bare, 3)
    line(
        f"Embedding {n} pictures 640 x 360", cpu_seconds(whole, 3), "the bare ONNX model on ready crops", base, "1.5"
    )


def scored_folder(folder: Path, n: int) -> tuple[Path, Path, np.ndarray]:
    """A run with an invented head, a folder of pictures as the demo's cameras take them, and their crops."""
    settings = read_settings(configs_folder() / "train" / "quick.toml", TrainSettings)
    backbone = exported_backbone(settings.backbone, settings.crop.size)
    rng, width = np.random.default_rng(2), feature_count(settings.backbone.taps)
    classes = RunClasses(classes=("A", "B"), scientific_names={"A": "A", "B": "B"})
    run, pictures = folder / "run", folder / "pictures"
    sha256 = write_bytes(run / "model.onnx", attach_head(backbone, rng.normal(0, 0.1, (2, width)), np.zeros(2)))
    write_json(run / "classes.json", classes.model_dump(mode="json"))
    write_json(run / "crop.json", settings.crop.model_dump(mode="json"))
    known = {"individual": ["1"], "class": ["A"], "role": ["train"]}
    meta = {"model_sha256": sha256, "crop_sha256": recipe_sha256(settings.crop)}
    scores = build_scores("logit", classes.classes, np.zeros((1, 2)), known, meta=meta)
    write_scores(scores, run / "train_scores.parquet")
    noise = cv2.resize(rng.integers(0, 255, (36, 64, 3), dtype=np.uint8), (960, 540))
    crops = []
    for i in range(n):
        jpeg = simplejpeg.encode_jpeg(np.roll(noise, 13 * i, axis=1), quality=90)
        write_bytes(pictures / f"{i:04d}.jpg", jpeg)
        crops.append(crop_image(decode_picture(jpeg), settings.crop))
    return run, pictures, np.stack(crops)


def bench_scoring(n: int, repeats: int = 5) -> None:
    """Files to a scores file in a warm pool of processes, against the bare model on ready crops, both on all cores.

    Wall time, the three in turn, the best of each. Bare ONNX Runtime as it comes is one session that spreads every
    batch over the cores; the stronger one is a session of one thread for each core. Starting the pool is not in it; a
    version of the data set pays it once.
    """
    with tempfile.TemporaryDirectory() as name, process_pool() as pool, ThreadPoolExecutor(worker_count()) as threads:
        run, pictures, ready = scored_folder(Path(name), n)
        model = (run / "model.onnx").read_bytes()
        session = onnxruntime.InferenceSession(model, providers=["CPUExecutionProvider"])
        entry, parts = session.get_inputs()[0].name, [ready[at : at + BARE_BATCH] for at in range(0, n, BARE_BATCH)]
        one_thread = GateModel(model)  # may be called from several threads, each call on its own core
        ways: dict[str, Callable[[], object]] = {
            "bare ONNX Runtime on ready crops": lambda: [session.run(None, {entry: part}) for part in parts],
            "one thread of it on each core": lambda: list(threads.map(one_thread.logits, parts)),
            "ours": lambda: score_folder(run, pictures, executor=pool),
        }
        score_folder(run, pictures, executor=pool)
        best = dict.fromkeys(ways, float("inf"))
        for _ in range(repeats):
            for way, work in ways.items():
                start = time.perf_counter()
                work()
                best[way] = min(best[way], time.perf_counter() - start)
        ours = best.pop("ours")
        print(f"Scoring {n} pictures 960 x 540 from files: {n / ours:.0f} a second, {os.cpu_count()} cores; goal 0.9")
        for way, seconds in best.items():
            print(f"  {seconds / ours:.2f} of {way} ({n / seconds:.0f} a second, batches of {BARE_BATCH})")


def bench_report(n: int) -> None:
    """The whole report on invented scores of the demo's classes, from scores file to page."""
    policy_path = configs_folder() / "policy" / "quillmarsh.toml"
    codes, rng = read_policy(policy_path).codes, np.random.default_rng(3)
    label = rng.integers(0, len(codes), n)
    columns = {
        "individual": [f"fish-{i}" for i in range(n)],
        "class": [codes[k] for k in label],
        "role": np.array(["train", "train", "cut", "cut", "test"])[rng.integers(0, 5, n)],
        "trip": [f"trip-{i}" for i in rng.integers(0, 200, n)],
        "setup_id": [f"setup-{i}" for i in rng.integers(0, 3, n)],
        "length_mm": rng.uniform(100, 900, n),
        "light": np.array(["day", "night"])[rng.integers(0, 2, n)],
        "turbidity_NTU": rng.uniform(0, 80, n),
    }
    scores = build_scores(
        "logit", codes, 5 * np.eye(len(codes))[label] + rng.normal(0, 1.5, (n, len(codes))), columns
    )
    with tempfile.TemporaryDirectory() as name:
        path, cutoffs = Path(name) / "scores.parquet", Path(name) / "cutoffs.json"
        write_scores(scores, path)
        setting = cpu_seconds(lambda: calibrate_scores(path, policy_path, cutoffs), 1)
        report = cpu_seconds(lambda: evaluate_scores(path, cutoffs, Path(name) / "report"), 1)
    line(f"Report for {n:,} individuals", report, "setting their cutoffs", setting, "below 60,000 ms")


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
    bench_report(options.individuals // 10)
    bench_intake(options.pictures)
    bench_embedding(options.pictures)
    bench_scoring(4 * options.pictures)
    bench_season()


if __name__ == "__main__":
    main()
