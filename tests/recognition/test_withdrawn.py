"""An older version whose pictures were withdrawn since is trained, scored and exported without them, and says so."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from passage_cv.cli import score as score_command
from passage_cv.cli import train as train_command
from passage_cv.cli import versions as versions_command
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.available import available_rows, n_withdrawn_since
from passage_cv.dataset.store import Store
from passage_cv.dataset.versions import open_version
from passage_cv.files import read_json, write_text
from passage_cv.gate.picking import pick_reference_pictures
from passage_cv.policy import read_policy
from passage_cv.recognition.settings import settings_as_toml
from passage_cv.scores import read_scores
from tests.recognition.conftest import COLOURS, World, small_settings


@pytest.fixture
def old(world: World, tmp_path: Path) -> World:
    """The world after one fish of each role took its consent back; the version is the one before."""
    root = tmp_path / "store"
    shutil.copytree(world.store.storage.root, root)
    store = Store.open(root)
    for role in ("train", "cut", "test"):
        one = next(row for row in world.version.table().to_pylist() if row["role"] == role)
        amend(store, "withdraw", images=[one["image_sha256"]], author="ELQ", why="consent taken back")
    return replace(world, store=store, version=open_version(store, "1"))


def withdrawn(world: World) -> set[str]:
    rows = world.version.table().to_pylist()
    return {row["image_sha256"] for row in rows if world.store.find_object(row["image_sha256"]) is None}


def test_the_version_says_what_it_said_and_what_may_be_looked_at(world: World, old: World) -> None:
    assert old.version.table().equals(world.version.table())
    there = available_rows(old.version)["image_sha256"].to_pylist()
    assert len(withdrawn(old)) == 3
    assert len(there) == len(old.version.table()) - 3
    assert not withdrawn(old) & set(there)
    assert [n_withdrawn_since(old.version, role) for role in ("train", "cut", "test")] == [1, 1, 1]
    assert n_withdrawn_since(world.version, "train", "cut", "test") == 0


def test_training_leaves_them_out_though_their_features_are_kept_and_says_so(old: World, tmp_path: Path) -> None:
    write_text(tmp_path / "quick.toml", settings_as_toml(small_settings()))
    given = [str(tmp_path / "quick.toml"), "--store", old.store.storage.root, "--version", "1"]
    done = CliRunner().invoke(train_command.app, [*given, "-o", str(tmp_path / "run")])
    assert done.exit_code == 0, done.output
    assert "1 pictures of train were withdrawn since this version and were left out" in done.output
    images = read_scores(tmp_path / "run/train_scores.parquet").text["image_sha256"]
    assert not withdrawn(old) & set(images)
    assert len(images) == old.summary.metrics["images"] - 1
    metrics = read_json(tmp_path / "run/metrics.json")
    assert (metrics["withdrawn_since"], old.summary.metrics["withdrawn_since"]) == (1, 0)
    assert metrics["roles_sha256"] != old.summary.metrics["roles_sha256"]  # other fish, and it shows


def test_cut_and_test_are_scored_without_them_and_none_counts_as_held(old: World, tmp_path: Path) -> None:
    out = tmp_path / "scores.parquet"
    given = [str(old.run), "1", "-o", str(out), "--store", old.store.storage.root]
    done = CliRunner().invoke(score_command.app, given)
    assert done.exit_code == 0, done.output
    assert "0 of them unreadable" in done.output
    assert "2 pictures of cut and test were withdrawn since this version and are left out" in done.output
    scores = read_scores(out)
    audited = scores.where(scores.role != "train")
    assert not withdrawn(old) & set(audited.text["image_sha256"])
    assert not np.isnan(audited.values).any()
    assert scores.meta["withdrawn_since"] == 2
    assert n_withdrawn_since(open_version(old.store), "train", "cut", "test") == 0  # it excludes them itself


def test_reference_pictures_of_a_package_are_there(old: World) -> None:
    policy = read_policy(Path(__file__).parents[2] / "configs/policy/quillmarsh.toml")
    rules = tuple(rule for rule in policy.classes if rule.code in COLOURS)
    picked = pick_reference_pictures(old.version, policy.model_copy(update={"classes": rules}))
    assert picked
    assert all(picture.path.is_file() for picture in picked)


def test_export_and_verify_say_how_many_are_gone(old: World, tmp_path: Path) -> None:
    given = ["--store", old.store.storage.root]
    done = CliRunner().invoke(versions_command.app, ["export", *given, "1", "-o", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    assert "3 pictures of this version were withdrawn since" in done.output
    assert not withdrawn(old) & {path.stem for path in (tmp_path / "out").rglob("*.png")}
    done = CliRunner().invoke(versions_command.app, ["verify", *given])
    assert done.exit_code == 0, done.output
    assert "withdrawn pictures: 3" in done.output
