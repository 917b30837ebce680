"""Packing: what the folder holds, what is refused, and that nothing half-written stays."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from passage_cv.decision.cutoffs_file import HoldLoad, read_cutoffs, write_cutoffs
from passage_cv.decision.demands import POOLED
from passage_cv.errors import InputError
from passage_cv.gate.engineer import FAULTS, describe_load
from passage_cv.gate.manifest import read_manifest
from passage_cv.gate.package import write_package
from passage_cv.gate.pictures import ReferencePicture
from tests.gate_world import CODES, WEIGHTS, GateWorld, build_world, policy_toml, write_model
from tests.worlds import five_class_policy


def leftovers(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def rewrite_classes(world: GateWorld, **changes: object) -> None:
    path = world.run / "classes.json"
    path.write_text(json.dumps({**json.loads(path.read_bytes()), **changes}))


def test_the_folder_holds_what_the_format_says(package: Path) -> None:
    files = {path.relative_to(package).as_posix() for path in package.rglob("*") if path.is_file()}
    assert {
        "manifest.json",
        "model.onnx",
        "cutoffs.json",
        "policy.toml",
        "classes.json",
        "crop.json",
        "reference/pictures.csv",
        "reference/logits.csv",
        "engineer.html",
        "passage_gate.h",
        "passage_gate.st",
        "registers.csv",
    } <= files
    assert read_manifest(package).files.keys() == files - {"manifest.json"}


def test_sources_are_kept_byte_for_byte(world: GateWorld, package: Path) -> None:
    assert (package / "model.onnx").read_bytes() == (world.run / "model.onnx").read_bytes()
    assert (package / "policy.toml").read_bytes() == world.policy.read_bytes()
    originals = [picture.path.read_bytes() for picture in world.pictures]
    assert [path.read_bytes() for path in sorted((package / "reference/pictures").iterdir())] == originals


def test_classes_stand_in_the_order_of_the_model(package: Path) -> None:
    classes = json.loads((package / "classes.json").read_bytes())["classes"]
    assert [(one["order"], one["code"]) for one in classes] == list(enumerate(CODES))
    assert classes[0] == {"order": 0, "code": "NSH", "scientific_name": "Channa argus", "group": "exclude"}


def test_the_manifest_says_what_the_limits_were_shown_on(world: GateWorld, package: Path) -> None:
    manifest, cutoffs = read_manifest(package), read_cutoffs(world.cutoffs)
    assert manifest.model_sha256 == cutoffs.model
    assert manifest.policy_sha256 == cutoffs.policy_sha256
    assert (manifest.sites, manifest.setup_ids) == (("QMR-KBW-01",), ("demo-setup",))


def test_a_package_is_never_written_over(world: GateWorld, package: Path) -> None:
    before = (package / "manifest.json").read_bytes()
    with pytest.raises(InputError, match=r"Folder is there already.*the old package stays as the way back"):
        world.pack(package)
    assert (package / "manifest.json").read_bytes() == before


def test_cutoffs_of_another_model_are_refused(tmp_path: Path) -> None:
    world = build_world(tmp_path)
    write_model(world.run / "model.onnx", weights=2 * WEIGHTS)
    with pytest.raises(InputError, match=r"set for model \w{12}, this model is \w{12}"):
        world.pack(tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_cutoffs_that_name_no_model_are_refused(tmp_path: Path) -> None:
    world = build_world(tmp_path)
    write_cutoffs(read_cutoffs(world.cutoffs).model_copy(update={"model": ""}), world.cutoffs)
    with pytest.raises(InputError, match="set for model of no name"):
        world.pack(tmp_path / "out")


def test_cutoffs_of_another_policy_are_refused(tmp_path: Path) -> None:
    world = build_world(tmp_path)
    world.policy.write_text(policy_toml(five_class_policy(hold_cost=2.0)))
    with pytest.raises(
        InputError, match=r"set for policy \w{12}, this policy is \w{12}.*Calibrate under this policy"
    ):
        world.pack(tmp_path / "out")


def test_other_groups_are_refused(tmp_path: Path) -> None:
    world = build_world(tmp_path)
    text = world.policy.read_text().replace('policy = "protected"', 'policy = "pass"')
    world.policy.write_text(text.replace("false_rejection_limit = 0.05\n", ""))
    with pytest.raises(InputError, match="The cutoffs have groups"):
        world.pack(tmp_path / "out")


def test_another_class_order_is_refused(tmp_path: Path) -> None:
    world = build_world(tmp_path)
    rewrite_classes(world, classes=CODES[::-1])
    with pytest.raises(InputError, match=r"The model has classes \['SNS'"):
        world.pack(tmp_path / "out")


def test_a_code_that_means_another_species_is_refused(tmp_path: Path) -> None:
    world = build_world(tmp_path)
    rewrite_classes(world, scientific_names={"AMS": "Alosa mediocris"})
    with pytest.raises(InputError, match="AMS was learnt from Alosa mediocris, the policy means Alosa sapidissima"):
        world.pack(tmp_path / "out")


@pytest.mark.parametrize("kind", ["prob", "gate_score"])
def test_cutoffs_of_ready_scores_are_refused(tmp_path: Path, kind: str) -> None:
    world = build_world(tmp_path)
    write_cutoffs(read_cutoffs(world.cutoffs).model_copy(update={"score_kind": kind}), world.cutoffs)
    with pytest.raises(InputError, match=f"set on {kind} scores"):
        world.pack(tmp_path / "out")


def test_cutoffs_set_on_weighted_views_are_refused(tmp_path: Path) -> None:
    """The gate has no quality weights, so a limit shown with them would be one of another path."""
    world = build_world(tmp_path)
    write_cutoffs(read_cutoffs(world.cutoffs).model_copy(update={"quality_weights": True}), world.cutoffs)
    with pytest.raises(InputError, match="unequal quality weights"):
        world.pack(tmp_path / "out")


def test_another_crop_than_the_scores_were_made_with_is_refused(tmp_path: Path) -> None:
    world = build_world(tmp_path)
    path = world.run / "crop.json"
    path.write_text(path.read_text().replace('"whole"', '"whole", "interpolation": "cubic"'))
    with pytest.raises(InputError, match=r"The scores were made with crop \w{12}, crop.json is \w{12}"):
        world.pack(tmp_path / "out")


@pytest.mark.parametrize("name", ["model.onnx", "classes.json", "crop.json", "train_scores.parquet"])
def test_a_run_without_a_file_is_refused(tmp_path: Path, name: str) -> None:
    world = build_world(tmp_path)
    (world.run / name).unlink()
    with pytest.raises(InputError, match=f"{name} is missing"):
        world.pack(tmp_path / "out")


def test_a_damaged_reference_picture_leaves_nothing(world: GateWorld, tmp_path: Path) -> None:
    bad = tmp_path / "bad.png"
    bad.write_bytes(world.pictures[0].path.read_bytes()[:200])
    pictures = [*world.pictures, ReferencePicture("bad", "NSH", bad)]
    with pytest.raises(InputError, match="damaged or truncated PNG"):
        write_package(world.run, world.cutoffs, world.policy, tmp_path / "out", pictures=pictures)
    assert leftovers(tmp_path) == ["bad.png"]


def test_a_fault_while_writing_leaves_nothing(
    world: GateWorld, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> str:
        raise OSError("No space left on device")

    monkeypatch.setattr("passage_cv.gate.package.render_engineer_page", broken)
    with pytest.raises(OSError, match="No space left"):
        world.pack(tmp_path / "out")
    assert leftovers(tmp_path) == []


def test_no_picture_is_refused(world: GateWorld, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No reference picture"):
        write_package(world.run, world.cutoffs, world.policy, tmp_path / "out", pictures=[])


def test_the_engineers_page_states_the_limits_in_words(package: Path) -> None:
    page = (package / "engineer.html").read_text(encoding="utf-8")
    assert "Channa argus (NSH): with at least 97.5 % confidence at most 5 % are passed, per presentation" in page
    assert "for fish like those sampled" in page
    assert "Set-ups: demo-setup" in page
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")


def test_the_engineers_page_says_what_the_crew_must_clear(world: GateWorld) -> None:
    cutoffs = read_cutoffs(world.cutoffs)
    load = HoldLoad(share=0.2, least_share=0.1, presentations_per_hour=40, per_hour=8, capacity_per_hour=6, met=False)
    crowded = describe_load(cutoffs.model_copy(update={"hold_load": load}))
    assert "about 20.0 % are expected to be held: 8.0 of 40 in the busiest hour, MORE THAN" in crowded
    assert "can clear (6)" in crowded
    assert "names no hold capacity" in describe_load(
        cutoffs.model_copy(update={"hold_load": HoldLoad(share=0.2, least_share=0.1)})
    )


def test_the_engineers_page_states_a_pooled_limit(tmp_path: Path) -> None:
    world = build_world(tmp_path)
    cutoffs = read_cutoffs(world.cutoffs)
    pooled = cutoffs.limits[0].model_copy(update={"class_": POOLED, "kind": "pooled miss"})
    write_cutoffs(cutoffs.model_copy(update={"pooled_limit": pooled}), world.cutoffs)
    page = (world.pack(tmp_path / "out") / "engineer.html").read_text(encoding="utf-8")
    assert "Excluded classes together: with at least" in page


def test_the_engineers_page_says_what_was_not_shown(tmp_path: Path) -> None:
    world = build_world(tmp_path, confidence=0.9999999)
    page = (world.pack(tmp_path / "out") / "engineer.html").read_text(encoding="utf-8")
    assert "could not be shown" in page
    assert "Nothing passes" in page


def test_no_fault_of_the_page_says_pass() -> None:
    assert not any("pass" in out for _, out, _ in FAULTS)
