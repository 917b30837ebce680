"""Two processes train one network: the weights agree in both, nothing is learnt twice, and both end together."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
import torch

SCRIPT = """
import sys, torch
from dataclasses import replace
import numpy as np
from passage_cv.config import configs_folder, read_settings
from passage_cv.recognition.augment import Augmentation
from passage_cv.recognition.crop import CropSettings
from passage_cv.recognition.finetune import Bench, Lesson, fit_network
from passage_cv.recognition.heads import Examples
from passage_cv.recognition.pictures import PictureLoader, Pictures
from passage_cv.recognition.team import join_team
from passage_cv.recognition.tuned_settings import NetworkSettings, TunedSettings

torch.set_num_threads(1)
def read(name, at_least):
    return np.full((32, 32, 3), 20 * int(name), np.uint8)

tuned = read_settings(configs_folder() / "train" / "many.toml", TunedSettings)
settings = tuned.model_copy(update={
    "crop": CropSettings(size=32),
    "network": NetworkSettings(name="shufflenet_v2_x0_5", weights="random", weights_sha256="", drop_features=0.0),
    "schedule": tuned.schedule.model_copy(
        update={"epochs": 2, "judged_every": 1, "batch_size": 4, "warmup_epochs": 0.0, "averaging": 0.0}),
})
numbers = np.arange(8)
examples = Examples(np.zeros((8, 0)), numbers % 2, numbers, 2)
out = sys.argv[1]
with join_team() as team:
    loader = PictureLoader(Pictures(read, settings.crop, Augmentation(settings.augment, settings.crop)),
                           workers=0, pinned=False)
    bench = Bench(settings, [str(n) for n in numbers], examples, loader, team)
    learnt = fit_network(bench, Lesson(0, numbers, numbers[:5], 2))
    parameters = [one.detach() for one in learnt.network.parameters()]
    torch.save({"parameters": parameters, "logits": learnt.logits[2].tolist()}, f"{out}/{team.rank}.pt")
assert team.is_first
print("first goes on")
"""


@pytest.mark.slow
def test_two_processes_end_with_the_same_weights_and_all_predictions(tmp_path: Path) -> None:
    script = tmp_path / "train.py"
    script.write_text(SCRIPT)
    done = _run_twice(script, tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("first goes on") == 1
    one, other = (torch.load(tmp_path / f"{rank}.pt", weights_only=True) for rank in (0, 1))
    assert all(torch.equal(a, b) for a, b in zip(one["parameters"], other["parameters"], strict=True))
    assert one["logits"] == other["logits"]
    assert len(one["logits"]) == 5
    assert all(row != [0.0, 0.0] for row in one["logits"])


FAILING = """
import torch
from passage_cv.recognition.team import join_team

with join_team() as team:
    team.summed(torch.ones(1))
    if team.rank == 1:
        raise RuntimeError("the second process fails")
    team.wait()
    print("met again")
"""


@pytest.mark.slow
def test_a_process_that_fails_ends_the_run_of_all(tmp_path: Path) -> None:
    script = tmp_path / "fail.py"
    script.write_text(FAILING)
    done = _run_twice(script, tmp_path)
    assert done.returncode == 1
    assert "the second process fails" in done.stderr
    assert "met again" not in done.stdout


def _run_twice(script: Path, out: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "torch.distributed.run", "--standalone", "--nproc-per-node", "2"]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "CUDA_VISIBLE_DEVICES": ""}
    return subprocess.run(
        [*command, str(script), str(out)],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,  # a team that waits for one that is gone would wait for ever
    )
