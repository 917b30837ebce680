"""What a model says of unfamiliarity: the formula against others, out of fold, in ONNX, in scores, asked again."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import onnx
import pytest
from scipy.spatial.distance import mahalanobis
from sklearn.covariance import empirical_covariance, shrunk_covariance
from sklearn.preprocessing import StandardScaler

from passage_cv.dataset.working import working_image
from passage_cv.decision.combine import combine_views
from passage_cv.decision.rule import unfamiliarity_of
from passage_cv.errors import InputError
from passage_cv.files import sha256_file
from passage_cv.gate.views import look_at_pictures
from passage_cv.policy import Views
from passage_cv.recognition.asked_again import ask_again
from passage_cv.recognition.crop import CropSettings
from passage_cv.recognition.export import attach_unfamiliarity
from passage_cv.recognition.familiarity import (
    LEAST_SHRINKAGE,
    UNFAMILIARITY_FILE,
    Joined,
    Unfamiliarity,
    fit_familiar,
    fit_fold_familiar,
    fit_round_familiar,
    fit_unfamiliarity,
    read_joined,
    shrinkage_of,
)
from passage_cv.recognition.head_settings import DiscriminantGrid, LogisticGrid
from passage_cv.recognition.heads import Examples
from passage_cv.recognition.model import UNFAMILIARITY, Embedder, GateModel
from passage_cv.recognition.score import score_folder, score_version
from passage_cv.scores import Scores, read_scores, write_scores
from passage_cv.stats.energy import centred_energy
from tests.gate_world import SIZE as COLOUR_SIZE
from tests.gate_world import world_cutoffs, write_model
from tests.recognition.conftest import SIZE, World, paint
from tests.recognition.test_heads import draw
from tests.worlds import five_class_policy

POINT = DiscriminantGrid(kind="discriminant", shrinkages=(0.2,), priors=(1,))
STRANGE = np.random.default_rng(5).normal(1, 3, (40, 6))


@pytest.fixture(scope="module")
def examples() -> Examples:
    drawn = draw((40, 25, 30), n_features=6, gap=2.0)
    return replace(drawn, features=drawn.features * np.array([1, 5, 0.1, 2, 1, 3]) + 7)


def test_both_scores_agree_with_scipy_and_scikit_learn(examples: Examples) -> None:
    """One image per individual; covariances in standardised features, by other people's code."""
    scaler = StandardScaler().fit(examples.features)
    learnt, asked = scaler.transform(examples.features), scaler.transform(STRANGE)
    means = np.stack([learnt[examples.label == one].mean(axis=0) for one in range(3)])
    residuals = learnt - means[examples.label]
    within = residuals.T @ residuals / (len(learnt) - 3)
    inverse = np.linalg.inv(shrunk_covariance(within, 0.2))
    overall = np.linalg.inv(shrunk_covariance(empirical_covariance(learnt), 0.2))
    middle = means.mean(axis=0)

    def cosine(a: np.ndarray, b: np.ndarray) -> float:
        return float(a @ inverse @ b / np.sqrt((a @ inverse @ a) * (b @ inverse @ b)))

    direction = [-max(cosine(one - middle, mean - middle) for mean in means) for one in asked]
    distance = [
        min(mahalanobis(one, mean, inverse) ** 2 for mean in means) - mahalanobis(one, np.zeros(6), overall) ** 2
        for one in asked
    ]
    familiar = fit_familiar(examples, 0.2)
    np.testing.assert_allclose(familiar.direction(STRANGE), direction, rtol=1e-9)
    np.testing.assert_allclose(familiar.relative_distance(STRANGE), distance, rtol=1e-8, atol=1e-8)


def test_round_axes_are_those_of_a_covariance_that_is_wholly_shrunken(examples: Examples) -> None:
    repeated = np.repeat(np.arange(len(examples.label)), np.where(np.arange(len(examples.label)) % 3 == 0, 2, 1))
    more = Examples(examples.features[repeated], examples.label[repeated], examples.individual[repeated], 4)
    found = fit_round_familiar(more)
    np.testing.assert_allclose(found.scores(STRANGE), fit_familiar(more, 1.0).scores(STRANGE), rtol=1e-9, atol=1e-9)
    assert found.within.weights.shape == (6,)


def test_what_says_unfamiliarity_is_the_same_after_writing_and_reading(examples: Examples) -> None:
    for familiar in (fit_round_familiar(examples), fit_familiar(examples, 0.2)):
        says = Unfamiliarity(familiar, Joined.of_known(familiar.scores(examples.features)))
        again = Unfamiliarity.of_tensors(says.tensors())
        np.testing.assert_array_equal(again.of(STRANGE), says.of(STRANGE))


def test_an_individual_weighs_1_however_many_images_it_has(examples: Examples) -> None:
    twice = np.repeat(np.arange(len(examples.label)), np.where(np.arange(len(examples.label)) % 3 == 0, 4, 1))
    more = Examples(examples.features[twice], examples.label[twice], examples.individual[twice], 3)
    np.testing.assert_allclose(fit_familiar(more, 0.2).scores(STRANGE), fit_familiar(examples, 0.2).scores(STRANGE))


def test_joined_scores_weigh_direction_twice_in_standard_deviations_of_known_fish() -> None:
    known = np.random.default_rng(0).normal([5.0, -3.0], [2.0, 10.0], (400, 2))
    joined = Joined.of_known(known)
    asked = known.mean(axis=0) + known.std(axis=0) * np.array([[1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])
    np.testing.assert_allclose(joined.join(asked), [2 / 3, 1 / 3, 1.0])
    assert joined.join(known).mean() == pytest.approx(0, abs=1e-12)


def test_no_fish_is_scored_by_what_it_taught(examples: Examples) -> None:
    fold = np.arange(len(examples.label)) % 4
    seen = np.ones(len(fold), dtype=bool)
    changed = examples.features.copy()
    changed[fold == 2] += 100 * STRANGE[: (fold == 2).sum()]
    other = replace(examples, features=changed)
    before, after = (fit_fold_familiar(one, fold, POINT) for one in (examples, other))
    np.testing.assert_array_equal(before[2].scores(STRANGE), after[2].scores(STRANGE))
    assert not np.allclose(before[1].scores(STRANGE), after[1].scores(STRANGE))
    fitted, left_out = fit_unfamiliarity(examples, fold, seen, POINT)
    by_fold = [Unfamiliarity(known, fitted.joined).of(examples.features) for known in before]
    np.testing.assert_allclose(left_out, np.choose(fold, by_fold), rtol=1e-9)
    assert left_out.mean() > fitted.of(examples.features).mean()  # its own teachers look more familiar


def test_an_image_whose_class_was_met_in_its_fold_only_has_no_score(examples: Examples) -> None:
    fold = np.where(examples.label == 1, 0, np.arange(len(examples.label)) % 3)
    seen = examples.label != 1
    fitted, left_out = fit_unfamiliarity(examples, fold, seen, POINT)
    assert np.isnan(left_out[~seen]).all()
    assert np.isfinite(left_out[seen]).all()
    assert np.isfinite(fitted.joined.spread).all()


def test_a_head_that_is_no_discriminant_has_a_shrinkage_too() -> None:
    assert shrinkage_of(POINT) == 0.2
    assert shrinkage_of(LogisticGrid(kind="logistic", strengths=(1.0,))) == LEAST_SHRINKAGE
    assert shrinkage_of(POINT.model_copy(update={"shrinkages": (0.01,)})) == LEAST_SHRINKAGE


def test_a_level_set_out_of_fold_holds_about_its_load_of_new_fish() -> None:
    """With little more fish than features, where a covariance shrunken by 0.01 would let most of the load go."""
    everyone = draw((90, 90, 90), n_features=120, gap=3.0)
    taught, new = everyone.where(everyone.individual % 3 != 0), everyone.where(everyone.individual % 3 == 0)
    fold, seen = np.arange(180) % 5, np.ones(180, dtype=bool)

    def held(shrinkage: float) -> float:
        point = POINT.model_copy(update={"shrinkages": (shrinkage,)})
        fitted, left_out = fit_unfamiliarity(taught, fold, seen, point)
        return float((fitted.of(new.features) > np.quantile(left_out, 0.8)).mean())

    assert 0.1 < held(0.01) < 0.3


def test_the_model_computes_the_same_from_its_embedding(tmp_path: Path) -> None:
    write_model(tmp_path / "model.onnx")
    bare = (tmp_path / "model.onnx").read_bytes()
    rng = np.random.default_rng(3)
    colours = np.array([[40, 90, 200], [60, 200, 60], [200, 80, 120]])[np.arange(90) % 3] + rng.integers(
        -30, 30, (90, 3)
    )
    crops = np.broadcast_to(colours[:, None, None], (90, COLOUR_SIZE, COLOUR_SIZE, 3)).astype(np.uint8)
    features = Embedder(bare).embed(crops)
    learnt = Examples(features[:60], np.arange(60, dtype=np.intp) % 3, np.arange(60), 3)
    fold, seen = np.arange(60) // 12, np.ones(60, dtype=bool)
    turned, _ = fit_unfamiliarity(learnt, fold, seen, POINT)
    for fitted in (turned, Unfamiliarity(fit_round_familiar(learnt), turned.joined)):
        said = GateModel(attach_unfamiliarity(bare, fitted)).see(crops)
        assert said.unfamiliarity is not None
        np.testing.assert_allclose(said.unfamiliarity, fitted.of(features), rtol=1e-5, atol=1e-6)
        np.testing.assert_array_equal(said.logits, GateModel(bare).logits(crops))
    assert GateModel(bare).see(crops).unfamiliarity is None


@pytest.fixture(scope="module")
def scores(world: World) -> Scores:
    return score_version(world.run, world.store, world.version)


def test_a_table_has_what_the_model_says_of_cut_and_test(world: World, scores: Scores) -> None:
    model, rest = GateModel(world.run / "model.onnx"), scores.where(scores.role != "train")
    crop = CropSettings(size=SIZE)
    for sha256, listed in zip(rest.text["image_sha256"], rest.numbers["unfamiliarity"], strict=True):
        sight = look_at_pictures([world.store.read_object(str(sha256))], model, crop)
        assert sight.unfamiliarity is not None
        assert listed == sight.unfamiliarity[0]
    assert scores.meta["unfamiliarity"] == "model"


def test_views_of_a_fish_are_joined_alike_in_the_table_and_at_the_gate(world: World, scores: Scores) -> None:
    model, rest = GateModel(world.run / "model.onnx"), scores.where(scores.role != "train")
    plain = world_cutoffs(five_class_policy())
    rules = plain.hold_rules.model_copy(update={"unfamiliarity_from": "model", "unfamiliarity_above": 1.0})
    cutoffs = plain.model_copy(update={"hold_rules": rules, "views": Views(min=1, max=2)})
    table = combine_views(rest, cutoffs.views)
    assert table.n_views.max() == 2
    for name, listed in zip(table.name, table.numbers["unfamiliarity"], strict=True):
        own = rest.where(rest.individual == name)
        own = own.where(own.text["occurrence"] == own.text["occurrence"][0])
        order = np.argsort(own.text["taken_at"], kind="stable")
        pictures = [world.store.read_object(str(one)) for one in own.text["image_sha256"][order]]
        sight = look_at_pictures(pictures, model, CropSettings(size=SIZE))
        assert unfamiliarity_of(sight.logits, cutoffs, said=sight.unfamiliarity) == pytest.approx(listed, rel=1e-12)


def test_train_fish_asked_again_as_they_were_taken_are_as_unfamiliar_as_out_of_fold(world: World) -> None:
    asked = ask_again(world.run, world.store)
    keep = np.ones(len(asked.fish.rows), dtype=bool)
    said = asked.said(keep, lambda name: working_image(world.store, name), label="Again")
    again = asked.fish.as_scores(said, asked.fish.rows)
    kept = read_scores(world.run / "train_scores.parquet")
    assert kept.text["image_sha256"].tolist() == again.text["image_sha256"].tolist()
    np.testing.assert_allclose(again.numbers["unfamiliarity"], kept.numbers["unfamiliarity"], atol=1e-3)
    assert again.meta["unfamiliarity"] == "model"


def test_what_joins_the_scores_is_kept_in_the_run(world: World, tmp_path: Path) -> None:
    assert read_joined(world.run / UNFAMILIARITY_FILE).spread.shape == (2,)
    with pytest.raises(InputError, match="cannot be read"):
        read_joined(tmp_path / "gone.safetensors")


@pytest.fixture
def older(world: World, tmp_path: Path) -> Path:
    """The same run as programs before 2026-11-26 wrote it: no such output, unfamiliarity from the logits."""
    run = Path(shutil.copytree(world.run, tmp_path / "run"))
    model = onnx.load_model(run / "model.onnx")
    kept = [one for one in model.graph.output if one.name != UNFAMILIARITY]
    del model.graph.output[:]
    model.graph.output.extend(kept)
    (run / "model.onnx").write_bytes(model.SerializeToString(deterministic=True))
    kept_scores = read_scores(run / "train_scores.parquet")
    meta = {**kept_scores.meta, "unfamiliarity": "logits", "model_sha256": sha256_file(run / "model.onnx")}
    numbers = {**kept_scores.numbers, "unfamiliarity": centred_energy(kept_scores.values)}
    write_scores(replace(kept_scores, meta=meta, numbers=numbers), run / "train_scores.parquet")
    return run


def test_a_run_made_before_keeps_the_centred_energy_everywhere(older: Path, world: World, tmp_path: Path) -> None:
    found = score_version(older, world.store, world.version)
    assert found.meta["unfamiliarity"] == "logits"
    np.testing.assert_array_equal(found.numbers["unfamiliarity"], centred_energy(found.values))
    paint(tmp_path / "pictures/green.png", "BOW", 900)
    folder = score_folder(older, tmp_path / "pictures")
    np.testing.assert_array_equal(folder.numbers["unfamiliarity"], centred_energy(folder.values))
    asked = ask_again(older, world.store)
    assert asked.fish.n_said == len(found.classes)


def test_scores_of_a_model_that_no_longer_says_it_are_refused(older: Path, world: World) -> None:
    kept = read_scores(older / "train_scores.parquet")
    write_scores(replace(kept, meta={**kept.meta, "unfamiliarity": "model"}), older / "train_scores.parquet")
    with pytest.raises(InputError, match=r"an unfamiliarity that model\.onnx does not say"):
        score_version(older, world.store, world.version)
