"""Where the model disputes a label, and keeping cut and test to confirmed fish."""

import json
import re
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from passage_cv.config import parse_settings
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.agreement import agreement
from passage_cv.dataset.amendments import amend
from passage_cv.dataset.confirming import keep_confirmed, require_confirmed
from passage_cv.dataset.disputes import find_disputes
from passage_cv.dataset.leaks import find_leaks
from passage_cv.dataset.ledger import attempts_of, uses_of
from passage_cv.dataset.reading_sheet import read_filled, write_reading_sheet
from passage_cv.dataset.readings import next_blind, record_reading
from passage_cv.dataset.store import Store, StoreSettings
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import open_version
from passage_cv.errors import InputError
from passage_cv.intake.check import check_batch
from passage_cv.pipeline import calibrate_scores, evaluate_scores
from passage_cv.policy import Policy
from passage_cv.scores import Scores, build_scores
from tests.batches import FACTS, trip_rows, write_batch

SHAD = ("Alosa sapidissima", "Alosa mediocris")
SAID = {"author": "ELQ", "why": "look-alikes"}


def scores_of(rows: list[tuple[str, str, str, float, float]]) -> Scores:
    individual, label, role, *values = zip(*rows, strict=True)
    columns = {
        "individual": individual,
        "class": label,
        "role": role,
        "image_sha256": [f"{i:064x}" for i in range(len(rows))],
    }
    return build_scores("prob", ("AMS", "HKS"), np.column_stack(values), columns)


def test_the_most_disputed_comes_first_and_images_of_a_fish_count_as_one() -> None:
    found = find_disputes(
        scores_of(
            [
                ("agreed", "AMS", "train", 0.9, 0.1),
                ("mild", "AMS", "train", 0.4, 0.6),
                ("strong", "HKS", "train", 0.95, 0.05),
                ("one bad view", "AMS", "train", 0.45, 0.55),
                ("one bad view", "AMS", "train", 0.9, 0.1),
                ("never read", "AMS", "cut", 0.01, 0.99),
                ("stranger", "unknown", "train", 0.01, 0.99),
            ]
        )
    )
    assert [(one.individual, one.label, one.says) for one in found] == [
        ("strong", "HKS", "AMS"),
        ("mild", "AMS", "HKS"),
    ]
    # By hand: 0.95 / 0.05 = 19; a single image keeps its own probabilities.
    assert found[0].odds == pytest.approx(19, rel=1e-9)
    assert found[1].probability_of_says == pytest.approx(0.6, rel=1e-9)


def test_two_images_are_combined_by_their_mean_log_probability() -> None:
    (one,) = find_disputes(scores_of([("a", "AMS", "train", 0.2, 0.8), ("a", "AMS", "train", 0.6, 0.4)]))
    # By hand: sqrt(0.2 * 0.6) = 0.34641, sqrt(0.8 * 0.4) = 0.56569; normalised 0.37980 and 0.62020.
    assert (one.probability_of_label, one.probability_of_says) == pytest.approx((0.37980, 0.62020), abs=5e-6)
    assert len(one.images) == 2


def test_scores_of_cut_are_not_asked() -> None:
    with pytest.raises(InputError, match="no out-of-fold scores"):
        find_disputes(scores_of([("a", "AMS", "cut", 0.2, 0.8)]))


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Ten trips of two look-alikes and a bowfin: every role has all three."""
    store = Store.create(tmp_path / "store", StoreSettings())
    for i in range(5):
        rows = trip_rows(f"T{i}", 3, ("AMS", "HKS", "BOW"))
        folder = write_batch(tmp_path / f"b{i}", rows, {**FACTS, "trip": f"T{i}", "identifiedBy": "TBO"})
        accept_batch(check_batch(folder), store, author="TBO")
    return store


def roles(store: Store, version: str = "latest") -> dict[tuple[str, str], int]:
    rows = open_version(store, version).table().to_pylist()
    found: dict[tuple[str, str], int] = {}
    for row in rows:
        key = (row["scientificName"], row["role"])
        found[key] = found.get(key, 0) + 1
    return found


def test_cut_and_test_keep_confirmed_look_alikes_only(store: Store) -> None:
    before, old = roles(store), open_version(store).name
    fish = next_blind(store, "RKV", among={"T0-1/0", "T1-1/0", "T2-1/0", "T3-1/0", "T4-1/0"})
    assert fish is not None
    record_reading(store, fish.token, reader="RKV", name="AMS")
    keep_confirmed(store, SHAD, **SAID)
    after = roles(store)
    n_audited = before["Alosa sapidissima", "cut"] + before["Alosa sapidissima", "test"]
    left = after.get(("Alosa sapidissima", "cut"), 0) + after.get(("Alosa sapidissima", "test"), 0)
    assert left <= 1
    assert after["Alosa sapidissima", "excluded"] == n_audited - left
    assert {key: n for key, n in after.items() if key[0] == "Amia calva"} == {
        key: n for key, n in before.items() if key[0] == "Amia calva"
    }
    assert after["Alosa sapidissima", "train"] == before["Alosa sapidissima", "train"]
    assert roles(store, old) == before


def test_once_confirmed_a_fish_gets_its_role_back(store: Store) -> None:
    before = roles(store)
    keep_confirmed(store, SHAD, **SAID)
    assert keep_confirmed(store, SHAD, **SAID) is None  # nothing more to change
    names = {row["image_sha256"]: row["code"] for row in open_version(store).table().to_pylist()}
    out = roles(store)
    assert out["Alosa mediocris", "excluded"] == before["Alosa mediocris", "cut"] + before["Alosa mediocris", "test"]
    excluded = {row["individual"] for row in open_version(store).table().to_pylist() if row["role"] == "excluded"}
    while fish := next_blind(store, "RKV", among=excluded):
        record_reading(store, fish.token, reader="RKV", name=names[fish.images[0]])
    keep_confirmed(store, SHAD, at=datetime(2031, 6, 1, tzinfo=UTC), **SAID)
    assert roles(store) == before
    assert not [leak for leak in find_leaks(open_version(store)) if leak.is_fault]
    assert verify_store(store).problems == ()


def test_a_fish_seen_in_another_role_meanwhile_stays_out(store: Store) -> None:
    keep_confirmed(store, SHAD, **SAID)
    rows = open_version(store).table().to_pylist()
    out = next(row for row in rows if row["code"] == "AMS" and row["role"] == "excluded")
    train = next(row for row in rows if row["code"] == "AMS" and row["role"] == "train")
    amend(store, "merge", individual=out["individual"], becomes=train["individual"], **SAID)
    fish = next_blind(store, "RKV", among={train["individual"]})
    assert fish is not None
    record_reading(store, fish.token, reader="RKV", name="AMS")
    keep_confirmed(store, SHAD, **SAID)
    found = {
        row["role"] for row in open_version(store).table().to_pylist() if row["individual"] == train["individual"]
    }
    assert found == {"train", "excluded"}


def test_a_relabel_says_how_the_species_was_found(store: Store) -> None:
    amend(store, "relabel", individual="T0-1/0", becomes="HKS", method="genetic", **SAID)
    row = next(row for row in open_version(store).table().to_pylist() if row["individual"] == "T0-1/0")
    assert (row["code"], row["identificationMethod"]) == ("HKS", "genetic")


@pytest.mark.parametrize("said", [{"author": "", "why": "x"}, {"author": "ELQ", "why": " "}])
def test_who_and_why_are_needed(store: Store, said: dict[str, str]) -> None:
    with pytest.raises(InputError, match="needs classes, an author and a reason"):
        keep_confirmed(store, SHAD, **said)


POLICY = """
format = 1
site = "QMR-KBW-01"
confidence = 0.95
[[classes]]
code = "NSH"
scientific_name = "Channa argus"
policy = "exclude"
pass_cost = 20.0
[[classes]]
code = "AMS"
scientific_name = "Alosa sapidissima"
policy = "pass"
reject_cost = 1.0
"""


def policy_of(text: str) -> Policy:
    return parse_settings(tomllib.loads(text), Policy, where="policy")


def test_a_policy_may_ask_for_confirmed_fish_and_is_the_same_without(store: Store) -> None:
    plain, asking = policy_of(POLICY), policy_of(POLICY + "confirmed_only = true\n")
    assert "confirmed_only" not in plain.model_dump(mode="json")["classes"][1]
    assert asking.sha256 != plain.sha256
    assert policy_of(POLICY + "confirmed_only = false\n").sha256 == plain.sha256
    cut = {"T0-1/0": "AMS", "T1-1/0": "AMS", "T1-1/2": "NSH"}
    require_confirmed(store, plain, cut)
    with pytest.raises(InputError, match="2 of 2 individuals of AMS are not confirmed"):
        require_confirmed(store, asking, cut)
    while fish := next_blind(store, "RKV", among={"T0-1/0", "T1-1/0"}):
        record_reading(store, fish.token, reader="RKV", name="AMS")
    require_confirmed(store, asking, cut)


def test_a_reading_sheet_goes_out_without_labels_and_comes_back(tmp_path: Path, store: Store) -> None:
    assert write_reading_sheet(store, "RKV", tmp_path / "sheet", most=4) == 4
    page, lines = (tmp_path / "sheet/reading.html").read_text(), (tmp_path / "sheet/reading.csv").read_text()
    said = ("AMS", "HKS", "Alosa", "Amia", "BOW", "T0", "T1", "2031", "QMR")
    assert not [word for word in said if word in lines or word in re.sub(r'"data:[^"]*"', "", page)]
    assert page.count("<img") == 4
    filled = [line.replace(",,,drawn", ",{},,drawn") for line in lines.splitlines()]
    (tmp_path / "filled.csv").write_text(
        "\n".join(line.format(name) for line, name in zip(filled, ("", "AMS", "", "?", "bowfin"), strict=True))
    )
    kept = read_filled(store, tmp_path / "filled.csv", "RKV")
    assert [one.code for one in kept] == ["AMS", "", "BOW"]
    assert all(one.drawn for one in kept)
    with pytest.raises(InputError, match="RKV has read this fish already"):
        read_filled(store, tmp_path / "filled.csv", "RKV")
    with pytest.raises(InputError, match="There is no fish left"):
        write_reading_sheet(store, "RKV", tmp_path / "none", among=[])
    (tmp_path / "other.csv").write_text("a,b\n1,2\n")
    with pytest.raises(InputError, match="Sheet has columns a, b"):
        read_filled(store, tmp_path / "other.csv", "RKV")


def test_doubted_fish_do_not_count_for_kappa(tmp_path: Path, store: Store) -> None:
    write_reading_sheet(store, "RKV", tmp_path / "sheet", among=["T0-1/0"])
    text = (tmp_path / "sheet/reading.csv").read_text().replace(",,,chosen", ",HKS,,chosen")
    (tmp_path / "filled.csv").write_text(text)
    (one,) = read_filled(store, tmp_path / "filled.csv", "RKV")
    assert (one.individual, one.drawn) == ("T0-1/0", False)
    assert agreement(store).chosen == 1
    assert agreement(store).n_read == 0


def test_calibrate_holds_a_site_to_what_its_policy_asks(tmp_path: Path, store: Store) -> None:
    cut = [row["individual"] for row in open_version(store).table().to_pylist() if row["role"] == "cut"]
    lines = [f"{one},{'NSH' if one.endswith('2') else 'AMS'},cut,0.2,0.8" for one in cut]
    (tmp_path / "scores.csv").write_text("\n".join(["individual,class,role,prob:NSH,prob:AMS", *lines]) + "\n")
    (tmp_path / "policy.toml").write_text(POLICY + "confirmed_only = true\n")
    given = (tmp_path / "scores.csv", tmp_path / "policy.toml", tmp_path / "cutoffs.json")
    with pytest.raises(InputError, match="individuals of AMS are not confirmed, which the policy of QMR-KBW-01 asks"):
        calibrate_scores(*given, store=tmp_path / "store")
    assert attempts_of(store) == []  # refused before a score was read
    (tmp_path / "policy.toml").write_text(POLICY)
    calibrate_scores(*given, store=tmp_path / "store")
    assert len(attempts_of(store)) == 1


def test_another_store_than_the_one_that_was_scored_is_refused_and_counts_nothing(
    tmp_path: Path, store: Store
) -> None:
    rows = [row for row in open_version(store).table().to_pylist() if row["role"] in {"cut", "test"}]
    lines = [f"{row['individual']},{('AMS', 'NSH')[i % 2]},{row['role']},0.2,0.8" for i, row in enumerate(rows)]
    (tmp_path / "scores.csv").write_text("\n".join(["individual,class,role,prob:NSH,prob:AMS", *lines]) + "\n")
    (tmp_path / "scores.csv.json").write_text('{"version": "000007-0123456789ab"}')
    (tmp_path / "policy.toml").write_text(POLICY)
    given = (tmp_path / "scores.csv", tmp_path / "policy.toml", tmp_path / "cutoffs.json")
    with pytest.raises(InputError, match="version 000007-0123456789ab, which this store does not hold"):
        calibrate_scores(*given, store=tmp_path / "store")
    calibrate_scores(*given)
    with pytest.raises(InputError, match="Give the store that was scored"):
        evaluate_scores(given[0], given[2], tmp_path / "report", store=tmp_path / "store")
    assert uses_of(store, "cut") == uses_of(store, "test") == []


def test_evaluate_holds_a_site_to_what_its_policy_asked(tmp_path: Path, store: Store) -> None:
    audited = [row for row in open_version(store).table().to_pylist() if row["role"] in {"cut", "test"}]
    lines = [
        f"{row['individual']},{'AMS' if row['individual'].endswith('/0') else 'NSH'},{row['role']},0.2,0.8"
        for row in audited
    ]
    (tmp_path / "scores.csv").write_text("\n".join(["individual,class,role,prob:NSH,prob:AMS", *lines]) + "\n")
    cutoffs = tmp_path / "cutoffs.json"
    for said, name in ((POLICY, "plain.toml"), (POLICY + "confirmed_only = true\n", "asking.toml")):
        (tmp_path / name).write_text(said)
    calibrate_scores(tmp_path / "scores.csv", tmp_path / "plain.toml", cutoffs)
    assert "confirmed_only" not in json.loads(cutoffs.read_text())  # as files were before it
    calibrate_scores(tmp_path / "scores.csv", tmp_path / "asking.toml", cutoffs)  # a file of scores needs no store
    assert json.loads(cutoffs.read_text())["confirmed_only"] == ["AMS"]
    given = (tmp_path / "scores.csv", cutoffs, tmp_path / "report")
    with pytest.raises(InputError, match="individuals of AMS are not confirmed, which the policy of QMR-KBW-01 asks"):
        evaluate_scores(*given, store=tmp_path / "store")
    assert uses_of(store, "test") == []  # refused before a score was read
    shad = {row["individual"] for row in audited if row["role"] == "test" and row["individual"].endswith("/0")}
    while fish := next_blind(store, "RKV", among=shad):
        record_reading(store, fish.token, reader="RKV", name="AMS")
    evaluate_scores(*given, store=tmp_path / "store")
    assert len(uses_of(store, "test")) == 1
