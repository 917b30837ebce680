"""The demo, once small for every run of the tests and once whole: from drawn pictures to a gate log."""

from __future__ import annotations

import csv
import json
import sqlite3
import tomllib
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import pytest

from passage_cv.dataset.store import Store
from passage_cv.dataset.verify import verify_store
from passage_cv.dataset.versions import open_version
from tests.stories.conftest import POLICIES, Ran

Run = Callable[..., Ran]


@pytest.fixture(scope="module")
def small(run: Run, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Ran]:
    out = tmp_path_factory.mktemp("demo") / "out"
    return out, run("demo", "--out", out, "--size", "0.06", "--seed", "3")


def test_small_demo_says_what_it_found_in_five_lines(small: tuple[Path, Ran]) -> None:
    _, done = small
    assert done.code == 0, done.err
    assert len(done.out.strip().splitlines()) == 5


def test_small_demo_shows_the_refusal(small: tuple[Path, Ran]) -> None:
    """About 19 snakeheads were drawn; no share of them can show 5 %."""
    out, _ = small
    cutoffs = json.loads((out / "cutoffs.json").read_text())
    assert cutoffs["u"] is None
    assert all(limit["missing_to_image"] > 0 for limit in cutoffs["limits"] if not limit["met"])
    actions = {
        action for (action,) in sqlite3.connect(out / "gate-log.sqlite").execute("select action from presentations")
    }
    assert "pass" not in actions


def test_store_of_the_demo_is_whole_and_no_trip_has_two_roles(small: tuple[Path, Ran]) -> None:
    out, _ = small
    store = Store.open(out / "store")
    assert not verify_store(store).problems
    table = open_version(store).table()
    pairs = set(zip(table["trip"].to_pylist(), table["role"].to_pylist(), strict=True))
    trips = [trip for trip, role in pairs if role != "excluded"]
    assert len(trips) == len(set(trips))
    assert {role for _, role in pairs} >= {"train", "cut", "test"}


def test_permits_of_the_demo_count_the_fish_that_its_sheets_list(small: tuple[Path, Ran], run: Run) -> None:
    out, _ = small
    listed: dict[tuple[str, str], set[tuple[str, str]]] = defaultdict(set)
    for sheet in (out / "batches").glob("*/sheet.csv"):
        permit = tomllib.loads((sheet.parent / "trip.toml").read_text())["permit"]
        with sheet.open(newline="", encoding="utf-8") as lines:
            for line in csv.DictReader(lines):
                listed[permit, line["scientificName"]].add((line["eventID"], line["individual"]))
    done = run("permits", "list", "--store", out / "store", "--json")
    assert done.code == 0, done.err
    counted = {(one["permit"], one["species"]): one for one in json.loads(done.out)}
    assert {key: one["handled"] for key, one in counted.items() if one["handled"]} == {
        key: len(fish) for key, fish in listed.items()
    }
    assert all(one["left"] == one["allowed"] - one["handled"] for one in counted.values())
    receipts = list((out / "store/batches").glob("*/receipt-*.html"))
    assert len(receipts) == len(list((out / "batches").glob("*/sheet.csv")))
    assert all(any(permit in page.read_text() for permit, _ in listed) for page in receipts)
    shown = run("setups", "list", "--store", out / "store").out
    assert all(name in shown for name in ("KBW-1-side", "KBW-2-top", "HOL-1-side", "CAP-1-top"))


def test_package_of_the_demo_verifies_and_a_changed_byte_is_found(small: tuple[Path, Ran], run: Run) -> None:
    package = small[0] / "package"
    assert run("verify", package).code == 0
    path = package / "cutoffs.json"
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b"0", b"1", 1))
    done = run("verify", package)
    path.write_bytes(whole)
    assert done.code == 1
    assert "cutoffs.json" in done.out + done.err


def test_a_check_finds_what_was_planted_in_the_two_spoilt_batches(small: tuple[Path, Ran], run: Run) -> None:
    faulty = small[0] / "faulty"
    planted = json.loads((faulty / "planted.json").read_text())
    assert {cell["kind"] for cell in planted} == {"columns swapped on the whole sheet", "species code slip"}
    for batch in sorted({cell["batch"] for cell in planted}):
        done = run("check", faulty / batch, "--json")
        assert done.code == 1, done.out
        said = {finding["row"] for finding in json.loads(done.out)["findings"]}
        assert said & {cell["row"] for cell in planted if cell["batch"] == batch}


def test_a_second_demo_does_not_touch_the_first(small: tuple[Path, Ran], run: Run) -> None:
    done = run("demo", "--out", small[0])
    assert done.code == 1
    assert "Folder is not empty" in done.err


def test_a_second_policy_would_be_a_second_attempt(small: tuple[Path, Ran], run: Run, tmp_path: Path) -> None:
    """No limit asked: scores of `cut` are read, which the ledger counts; a second pair is then refused."""
    out, _ = small
    words = (POLICIES / "quillmarsh.toml").read_text().splitlines()
    free = "\n".join(line for line in words if "_limit" not in line)
    for number, cost in enumerate(("20.0", "30.0")):
        policy = tmp_path / f"policy-{number}.toml"
        policy.write_text(free.replace("pass_cost = 20.0", f"pass_cost = {cost}"))
        done = run(
            "calibrate",
            out / "scores.parquet",
            "-p",
            policy,
            "-o",
            tmp_path / f"c{number}.json",
            "--store",
            out / "store",
        )
        assert done.code == number, done.err
    assert "earlier attempt" in done.err
    assert not (tmp_path / "c1.json").exists()


@pytest.mark.slow
def test_whole_demo_passes_rejects_and_holds(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = run("demo", "--out", out)
    assert done.code == 0, done.err
    cutoffs = json.loads((out / "cutoffs.json").read_text())
    assert cutoffs["u"] is not None
    assert cutoffs["v"] is not None
    assert all(limit["met"] for limit in cutoffs["limits"])
    rows = sqlite3.connect(out / "gate-log.sqlite").execute(
        "select action, count(*) from presentations group by action"
    )
    assert set(dict(rows.fetchall())) >= {"pass", "hold", "reject"}
    strict = json.loads((out / "strict-cutoffs.json").read_text())
    assert strict["u"] is None
    assert strict["v"] is None
    assert "refused" in done.out
