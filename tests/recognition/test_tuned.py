"""Fine-tuning gives the same kind of run, is the same by seed, goes on after a kill, and learns plain colours."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
from safetensors.numpy import load_file

from passage_cv.config import configs_folder, parse_settings, read_settings
from passage_cv.dataset.working import working_image
from passage_cv.errors import InputError
from passage_cv.files import sha256_file
from passage_cv.policy import Policy
from passage_cv.recognition.ablation import changed
from passage_cv.recognition.asked_again import ask_again
from passage_cv.recognition.crop import crop_image
from passage_cv.recognition.familiarity import UNFAMILIARITY_FILE, Unfamiliarity
from passage_cv.recognition.finetune import Bench, Learnt, Lesson, fit_network
from passage_cv.recognition.heads import ABSENT_GAP, Examples, Ints
from passage_cv.recognition.model import Embedder, GateModel
from passage_cv.recognition.networks import build_network
from passage_cv.recognition.paying import cost_table, expected_cost
from passage_cv.recognition.rows import RunClasses, choose_classes, label_rows
from passage_cv.recognition.settings import read_train_settings, settings_as_toml
from passage_cv.recognition.team import Team
from passage_cv.recognition.train import train_model
from passage_cv.recognition.tuned import as_examples, judge, make_bench, require_sides_kept
from passage_cv.recognition.tuned_settings import REGISTRY_NETWORK, TunedSettings
from passage_cv.scores import read_scores
from tests.recognition.conftest import SMALL, World, tuned_settings

ALONE = Team(0, 1, torch.device("cpu"))
NAMES = {"NSH": "Channa argus", "BOW": "Amia calva"}


def bench_of(world: World, settings: TunedSettings, folder: Path | None = None) -> Bench:
    """All train pictures of the tiny store, every epoch kept."""
    table = world.version.table()
    classes = choose_classes(table, None)
    rows = label_rows(table, classes, "train")
    bench = make_bench(rows.images, as_examples(rows, classes), world.store, settings, ALONE, folder=folder)
    return replace(bench, save_every_s=0.0)


def halves(bench: Bench) -> tuple[Ints, Ints]:
    """Every other image to learn from, the rest to predict."""
    numbers = np.arange(len(bench.examples.label))
    return numbers[::2], numbers[1::2]


def same_weights(one: Learnt, other: Learnt) -> bool:
    """Whether every weight agrees to the last bit."""
    pairs = zip(one.network.state_dict().values(), other.network.state_dict().values(), strict=True)
    return all(torch.equal(a, b) for a, b in pairs)


@pytest.fixture(autouse=True)
def _one_thread() -> Iterator[None]:
    """Tiny networks are no faster with two threads, and far slower on a busy machine."""
    before = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(before)


class Killed(Exception):
    """Stands for the end of a process."""


def killed_after(epochs: int) -> Any:  # noqa: ANN401
    """A progress that ends the fit after some epochs."""

    def progress(label: str, done: int, total: int) -> None:
        if done == epochs:
            raise Killed

    return progress


def registry_settings() -> TunedSettings:
    """The tiny settings with the registry's network, which is exported in no time."""
    return changed(tuned_settings(), {"network": {"name": REGISTRY_NETWORK}})


@pytest.fixture(scope="module")
def tuned_run(world: World, tmp_path_factory: pytest.TempPathFactory) -> Path:
    torch.set_num_threads(1)
    out = tmp_path_factory.mktemp("tuned") / "run"
    train_model(registry_settings(), world.store, world.version, out)
    return out


def test_the_run_holds_the_files_of_the_format_and_its_network(tuned_run: Path) -> None:
    assert {path.name for path in tuned_run.iterdir()} == {
        *("model.onnx", "head.safetensors", "network.safetensors", "settings.toml", "classes.json", "crop.json"),
        *("train_scores.parquet", "metrics.json", "mlflow.txt", "fold-0.safetensors", "fold-1.safetensors"),
        *("classes.csv", "reliability.svg", "curves.svg", "unfamiliarity.safetensors"),
    }
    assert [path.name for path in tuned_run.parent.iterdir() if "unfinished" in path.name] == []


def test_the_model_file_computes_what_the_network_does(tuned_run: Path) -> None:
    settings = registry_settings()
    network, _ = build_network(settings.network, 3)
    network.features.load_state_dict(
        {name: torch.from_numpy(one) for name, one in load_file(tuned_run / "network.safetensors").items()}
    )
    head = load_file(tuned_run / "head.safetensors")
    crops = np.random.default_rng(1).integers(0, 256, (3, SMALL, SMALL, 3), dtype=np.uint8)
    pixels = torch.from_numpy(crops).permute(0, 3, 1, 2).float() / 127.5 - 1
    with torch.inference_mode():
        features = network.eval().features(pixels).numpy()
    wanted = features @ head["weight"].T + head["bias"]
    np.testing.assert_allclose(GateModel(tuned_run / "model.onnx").logits(crops), wanted, atol=1e-4)


def test_metrics_say_which_epoch_was_kept_and_why(tuned_run: Path) -> None:
    metrics = json.loads((tuned_run / "metrics.json").read_text())
    losses = {one["epoch"]: one["loss"] for one in metrics["judged"]}
    assert set(losses) == {1, 2}
    assert metrics["balanced_log_loss"] == losses[metrics["epochs_kept"]] == min(losses.values())
    assert metrics["model_sha256"] == sha256_file(tuned_run / "model.onnx")


def test_out_of_fold_scores_are_finite_and_of_train(tuned_run: Path) -> None:
    scores = read_scores(tuned_run / "train_scores.parquet")
    assert set(scores.role) == {"train"}
    assert np.isfinite(scores.values).all()


def test_the_model_says_unfamiliarity_from_its_own_embedding(tuned_run: Path, world: World) -> None:
    model, says = tuned_run / "model.onnx", load_file(tuned_run / UNFAMILIARITY_FILE)
    crops = np.random.default_rng(2).integers(0, 256, (3, SMALL, SMALL, 3), dtype=np.uint8)
    said = GateModel(model).see(crops).unfamiliarity
    wanted = Unfamiliarity.of_tensors(says).of(Embedder(model.read_bytes()).embed(crops))
    assert said is not None
    np.testing.assert_allclose(said, wanted, rtol=1e-4, atol=1e-4)


def test_unfamiliarity_out_of_fold_is_that_of_networks_which_had_not_learnt_from_the_fish(
    tuned_run: Path, world: World
) -> None:
    scores = read_scores(tuned_run / "train_scores.parquet")
    assert scores.meta["unfamiliarity"] == "model"
    asked = ask_again(tuned_run, world.store)
    every = np.ones(len(asked.fish.rows), dtype=bool)
    said = asked.said(every, lambda name: working_image(world.store, name), label="Again")
    assert said.shape == (len(every), 3 + 1)
    # single precision, of features that hardly vary yet: in standard deviations of known fish
    np.testing.assert_allclose(said[:, -1], scores.numbers["unfamiliarity"], atol=0.15)
    per_fish = [scores.numbers["unfamiliarity"][scores.individual == one].mean() for one in set(scores.individual)]
    assert np.mean(per_fish) == pytest.approx(0, abs=1e-9)  # in standard deviations of these very fish
    networks = [load_file(tuned_run / f"fold-{number}.safetensors") for number in (0, 1)]
    means = [one["unfamiliarity.within.means"] for one in networks]
    assert means[0].shape == means[1].shape
    assert not np.allclose(means[0], means[1])  # each knows other fish


def test_settings_read_back_and_are_told_from_those_of_a_head(tuned_run: Path, world: World) -> None:
    assert read_train_settings(tuned_run / "settings.toml") == registry_settings()
    assert not isinstance(read_train_settings(world.run / "settings.toml"), TunedSettings)


def test_a_killed_fit_goes_on_bit_for_bit(world: World, tmp_path: Path) -> None:
    settings = tuned_settings(epochs=3)
    whole = bench_of(world, settings)
    learn, predict = halves(whole)
    lesson = Lesson(0, learn, predict, 3)
    wanted = fit_network(whole, lesson)
    with pytest.raises(Killed):
        fit_network(replace(bench_of(world, settings, tmp_path), progress=killed_after(2)), lesson)
    seen: list[int] = []
    again = replace(bench_of(world, settings, tmp_path), progress=lambda _label, done, _total: seen.append(done))
    found = fit_network(again, lesson)
    assert seen == [3]  # the first two were not done again
    assert same_weights(found, wanted)
    assert {epoch: rows.tolist() for epoch, rows in found.logits.items()} == {
        epoch: rows.tolist() for epoch, rows in wanted.logits.items()
    }


def test_one_seed_decides_everything_and_another_seed_something_else(world: World) -> None:
    bench = bench_of(world, tuned_settings(epochs=1))
    learn, predict = halves(bench)
    lesson = Lesson(0, learn, predict, 1)
    first = fit_network(bench, lesson)
    assert same_weights(first, fit_network(bench, lesson))
    other = replace(bench, settings=bench.settings.model_copy(update={"seed": 2}))
    assert not same_weights(first, fit_network(other, lesson))
    assert not same_weights(first, fit_network(bench, replace(lesson, number=1)))


def test_a_class_that_was_not_learnt_stands_below_all_others(world: World) -> None:
    bench = bench_of(world, tuned_settings(epochs=1))
    numbers = np.arange(len(bench.examples.label))
    lesson = Lesson(0, numbers[bench.examples.label != 1], numbers[bench.examples.label == 1], 1)
    logits = fit_network(bench, lesson).logits[1]
    np.testing.assert_allclose(logits[:, 1], logits[:, [0, 2]].min(axis=1) - ABSENT_GAP)


@pytest.mark.parametrize("balance", ["logits", "sampling", "none"])
def test_every_batch_is_full_and_every_way_of_balancing_learns(world: World, balance: str) -> None:
    bench = bench_of(world, tuned_settings(epochs=1, balance=balance))
    learn, predict = halves(bench)
    assert np.isfinite(fit_network(bench, Lesson(0, learn, predict, 1)).logits[1]).all()


def test_the_registry_network_tells_plain_colours_apart(world: World) -> None:
    """Eight small pictures of three colours to learn from, one step an epoch; all others must be right."""
    tuned = read_settings(configs_folder() / "train" / "tuned.toml", TunedSettings)
    near = {
        "turn_degrees": 15,
        "smallest_scale": 0.8,
        "largest_scale": 1.1,
        "move": 0.05,
    }  # 0.6 of 32 pixels is nothing
    settings = tuned_settings(epochs=80, judged_every=80, averaging=0.5).model_copy(
        update={"network": tuned.network, "augment": tuned.augment.model_copy(update=near)}
    )
    bench = bench_of(world, settings)
    learn, predict = halves(bench)
    logits = fit_network(bench, Lesson(0, learn, predict, 80)).logits[80]
    assert (logits.argmax(axis=1) == bench.examples.label[predict]).mean() > 0.9


def test_expected_cost_of_sure_and_right_fish_is_nothing() -> None:
    policy = two_class_policy()
    label = np.array([0, 1])
    sure = 50.0 * np.eye(2)
    assert expected_cost(sure, label, ("NSH", "BOW"), policy) == 0.0
    assert cost_table(("NSH", "BOW"), policy).tolist() == [[20.0, 1.0, 0.0], [0.0, 1.0, 5.0]]
    # every fish taken surely for the other: each pays its error, weighted by the shares 0.1 and 0.9
    assert expected_cost(sure[::-1], label, ("NSH", "BOW"), policy) == pytest.approx(0.1 * 20 + 0.9 * 5)


def test_the_epoch_is_chosen_by_cost_and_not_by_loss_or_accuracy() -> None:
    """Two NSH and eight BOW. In epoch 1 all are right but one NSH is surely passed; in epoch 2 two BOW are held."""
    label = np.array([0, 0, *[1] * 8])
    examples = Examples(np.zeros((10, 0)), label, np.arange(10), 2)
    policy, classes = two_class_policy(), RunClasses(classes=("NSH", "BOW"), scientific_names=NAMES)
    sure = 6.0 * np.where(np.eye(2)[label] > 0, 1.0, -1.0)
    missed, doubtful = sure.copy(), 0.35 * sure
    missed[0] *= -1
    doubtful[2:4] *= -0.25
    judged = judge({1: missed, 2: doubtful}, examples, classes, policy)
    accuracy = [(values.argmax(axis=1) == label).mean() for values in (missed, doubtful)]
    assert accuracy[0] > accuracy[1]
    assert [one.cost for one in judged] != [None, None]
    assert min(judged, key=lambda one: one.rank).epoch == 2
    assert judged[0].cost is not None and judged[1].cost is not None  # noqa: PT018
    assert judged[0].cost > judged[1].cost


@pytest.mark.parametrize("mirrored", [True, False])
def test_mirrored_pictures_are_refused_where_sides_matter(mirrored: bool) -> None:
    policy = two_class_policy()
    require_sides_kept(mirrored, policy)
    if mirrored:
        with pytest.raises(InputError, match="Pictures would be mirrored, but sides matter"):
            require_sides_kept(mirrored, policy.model_copy(update={"sides_matter": True}))


def two_class_policy() -> Policy:
    """One class to stop at a tenth of the presentations, one to pass."""
    common = {"format": 1, "site": "QMR", "confidence": 0.95, "hold_cost": 1.0}
    stop = {"code": "NSH", "scientific_name": "Channa argus", "policy": "exclude", "pass_cost": 20.0}
    keep = {"code": "BOW", "scientific_name": "Amia calva", "policy": "pass", "reject_cost": 5.0}
    classes = [{**stop, "expected_share": 0.1}, {**keep, "expected_share": 0.9}]
    return parse_settings({**common, "classes": classes}, Policy, where="test")


def test_a_missing_picture_is_named(world: World) -> None:
    bench = bench_of(world, tuned_settings(epochs=1))
    learn, predict = halves(bench)
    images = list(bench.images)
    images[int(predict[0])] = "0" * 64
    with pytest.raises(InputError, match="Picture 000000000000: "):
        fit_network(replace(bench, images=images), Lesson(0, learn, predict, 1))


def test_settings_written_as_toml_name_the_kind() -> None:
    assert 'kind = "fine-tuning"' in settings_as_toml(tuned_settings())


def test_a_crop_to_predict_is_the_gates_own(world: World) -> None:
    bench = bench_of(world, tuned_settings())
    name = bench.images[0]
    made = next(bench.loader.batches([[(name, None)]]))
    np.testing.assert_array_equal(
        made.crops[0].numpy(), crop_image(working_image(world.store, name), bench.settings.crop)
    )
