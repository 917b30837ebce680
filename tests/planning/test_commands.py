"""The commands ``plan`` and ``tally``: what they print, write and refuse."""

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from typer.testing import CliRunner

from passage_cv.cli import plan, tally
from passage_cv.config import configs_folder
from passage_cv.dataset.accept import accept_batch
from passage_cv.dataset.store import Shares, Store, StoreSettings
from passage_cv.errors import InputError, UsageError
from passage_cv.intake.check import check_batch
from tests.batches import FACTS, trip_rows, write_batch

POLICY = str(configs_folder() / "policy" / "quillmarsh.toml")
SEASON = configs_folder() / "season" / "kettleback.toml"
RUN = CliRunner()

BOOK = """date,site,trap,sex,mark,caught,removed,to_treatment,released,dead,in_tank,second_mark,resolution
2031-04-20,QMR-KBW-01,T1,M,unclipped,60,0,60,0,0,0,0,
2031-04-20,QMR-KBW-01,T1,F,unclipped,40,40,0,0,0,0,0,
2031-04-28,QMR-KBW-01,T1,M,unclipped,80,80,0,0,0,0,0,
2031-04-28,QMR-KBW-01,T1,M,clipped,10,1,0,9,0,0,10,
"""
LOTS = """lot,treated_on,received,agent_lot,dose,operator,clip,died,in_tank,released,released_on,place
L1,2031-04-21,60,A-77,as labelled,RKV,LV,5,0,55,2031-04-23,QMR-KBW-02
"""


class Balanced(HTMLParser):
    """Fails where a tag is left open or closed twice."""

    VOID = ("meta", "br", "hr", "img", "use", "path", "input", "link")

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.ids += [value for name, value in attrs if name == "id" and value]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag


def read_page(path: Path) -> str:
    """A written page, after asking what every page must keep."""
    text = path.read_text(encoding="utf-8")
    parser = Balanced()
    parser.feed(text)
    assert parser.open == []
    assert len(set(parser.ids)) == len(parser.ids), "ids of two pictures clash"
    assert not re.search(r'(src|href)="(?!#)', text), "the page needs another file"
    assert not re.search(r"#0[1-6]0[1-6]0[1-6]", text), "a stand-in colour was left"
    assert "prefers-color-scheme: dark" in text
    assert "@media print" in text
    return text


def values(*words: str) -> dict[str, object]:
    done = RUN.invoke(plan.app, [*words, "--json"])
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    return found


@pytest.fixture
def book(tmp_path: Path) -> Path:
    folder = tmp_path / "book"
    folder.mkdir()
    (folder / "traps.csv").write_text(BOOK)
    (folder / "lots.csv").write_text(LOTS)
    return folder


@pytest.fixture
def season_file(tmp_path: Path) -> Path:
    path = tmp_path / "season.toml"
    path.write_text(SEASON.read_text().replace("seasons = 10000", "seasons = 500"))
    return path


def test_sample_gives_the_number_of_individuals() -> None:
    # check-values CV-044 and CV-053: 59 without a miss, 93 with one
    plain = values("sample", "--miss-limit", "0.05", "--confidence", "0.95", "--misses", "0")
    assert (plain["individuals"], plain["to_image"]) == (59, 148)
    assert values("sample", "--miss-limit", "0.05", "--misses", "1")["individuals"] == 93


def test_sample_takes_a_policy() -> None:
    found = values("sample", "--policy", POLICY)
    assert found["site"] == "QMR-KBW-01"
    assert isinstance(found["classes"], list)
    assert [(row["class"], row["individuals"], row["to_image"]) for row in found["classes"]] == [
        ("NSH", 72, 180),
        ("BCF", 72, 180),
        ("ASE", 72, 180),
        ("SNS", 72, 180),
    ]


def test_sample_takes_off_what_the_store_holds(tmp_path: Path) -> None:
    store = Store.create(
        tmp_path / "store", StoreSettings(unit="individual", shares=Shares(train=0.5, cut=0.5, test=0.0))
    )
    batch = write_batch(tmp_path / "batch", trip_rows("t1", 8), FACTS)
    accept_batch(check_batch(batch), store, author="RKV")
    found = values("sample", "--policy", POLICY, "--store", str(tmp_path / "store"))
    assert isinstance(found["classes"], list)
    (snakehead,) = (row for row in found["classes"] if row["class"] == "NSH")
    # four snakeheads in blocks of one train, one cut; the store's own share 0.5 plans the rest: (72 - 2) / 0.5
    assert (snakehead["in_cut"], snakehead["to_image"], snakehead["missing"]) == (2, 144, 140)
    done = RUN.invoke(plan.app, ["sample", "--policy", POLICY, "--store", str(tmp_path / "store")])
    assert "too few" in done.stdout


def test_sample_writes_page_and_papers(tmp_path: Path) -> None:
    done = RUN.invoke(
        plan.app, ["sample", "--policy", POLICY, "--lengths", "300,500", "--light", "night", "-o", str(tmp_path)]
    )
    assert done.exit_code == 0, done.output
    page = read_page(tmp_path / "sample.html")
    assert "image 180 fish, so that 72 with no miss" in page
    assert page.count("<details>") >= 8
    assert "Clopper &amp; Pearson 1934" in page
    assert (tmp_path / "template" / "sheet.xlsx").is_file()
    assert "under 300" in (tmp_path / "field_sheet.html").read_text()


def test_sample_in_words_names_every_class_and_mode() -> None:
    done = RUN.invoke(plan.app, ["sample", "--policy", POLICY])
    assert done.exit_code == 0
    for word in ("NSH", "SNS", "false rejection rate", "72", "180", "between-trips", "76 trips", "97.5 %"):
        assert word in done.stdout


def test_run_size_gives_estimate_and_error() -> None:
    # check-values CV-099
    found = values("run-size", "--method", "chapman", "--marked", "421", "--caught", "332", "--recaptured", "88")
    assert found["estimate"] == pytest.approx(1577.9438, abs=5e-5)
    assert found["standard_error"] == pytest.approx(126.5564, abs=5e-5)


def test_run_size_prints_the_assumptions_with_their_answers(tmp_path: Path) -> None:
    words = [
        "--marked",
        "421",
        "--caught",
        "332",
        "--recaptured",
        "88",
        "--holds",
        "closed",
        "--broken",
        "equal-catch",
    ]
    done = RUN.invoke(plan.app, ["run-size", *words, "-o", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert len(re.findall(r"not answered", done.stdout)) == 3
    assert "does not hold" in done.stdout
    page = read_page(tmp_path / "run_size.html")
    assert "Does not hold here: Marked and unmarked fish were equally likely to be caught." in page
    assert "3 of 5 assumptions have not been answered" in page


def test_run_size_reads_several_samples(tmp_path: Path) -> None:
    samples = tmp_path / "samples.csv"
    caught, again = (10, 27, 17, 7, 1, 5, 6, 15, 9, 18, 16, 5, 7, 19), (0, 0, 0, 0, 0, 0, 2, 1, 5, 5, 4, 2, 2, 3)
    back = (10, 27, 17, 7, 1, 5, 6, 15, 9, 18, 14, 5, 6, 0)
    lines = [f"{c - m},{m},{r}" for c, m, r in zip(caught, again, back, strict=True)]
    samples.write_text("\n".join(("unmarked,recaptured,returned_marked", *lines)))
    # check-values CV-102 and CV-103
    assert values("run-size", "--method", "schnabel", "--occasions", str(samples))["estimate"] == pytest.approx(447.5)
    found = values("run-size", "--method", "schumacher-eschmeyer", "--occasions", str(samples))
    assert found["estimate"] == pytest.approx(422.971, abs=5e-4)
    samples.write_text("unmarked,recaptured,returned_marked\n3,x,2\n")
    done = RUN.invoke(plan.app, ["run-size", "--method", "schnabel", "--occasions", str(samples)])
    assert isinstance(done.exception, InputError)
    assert "Row 2 has unmarked '3', recaptured 'x'" in str(done.exception)


def test_run_size_takes_a_book(book: Path) -> None:
    # (56 * 91 / 11) - 1, by hand: 55 released, 90 males examined later, 10 of them clipped
    assert values("run-size", "--book", str(book))["estimate"] == pytest.approx(462.2727, abs=1e-4)


def test_season_says_what_it_means(season_file: Path, tmp_path: Path, book: Path) -> None:
    done = RUN.invoke(plan.app, ["season", str(season_file), "--policy", POLICY, "-o", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert "tolerable" in done.stdout
    page = read_page(tmp_path / "season.html")
    assert "With 60 sterile males, competing at 0.7" in page
    found = values("season", str(season_file), "--policy", POLICY, "--book", str(book))
    assert isinstance(found["excluded"], list)
    for row in found["excluded"]:
        assert 0 <= row["chance_of_none"] <= 1
        assert row["passed"]["p05"] <= row["passed"]["median"] <= row["passed"]["p95"]
    assert values("season", str(season_file), "--policy", POLICY) == values(
        "season", str(season_file), "--policy", POLICY
    )


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["sample"], "Give either --miss-limit or --policy"),
        (["sample", "--miss-limit", "0.05", "--policy", POLICY], "Give either --miss-limit or --policy"),
        (["sample", "--miss-limit", "0.05", "--store", "x"], "--store counts by the classes of a policy"),
        (["sample", "--miss-limit", "0.05", "--lengths", "a,b"], "Lengths are 'a,b'"),
        (["run-size", "--marked", "3"], "chapman needs three counts"),
        (["run-size", "--method", "guess"], "Method is 'guess'"),
        (["run-size", "--method", "schnabel"], "schnabel needs several samples"),
        (["run-size", "--holds", "luck"], "found luck"),
    ],
)
def test_wrong_use_is_told_apart(words: list[str], message: str) -> None:
    done = RUN.invoke(plan.app, words)
    assert isinstance(done.exception, UsageError)
    assert message in str(done.exception)


def test_a_share_that_cannot_be_is_refused_not_ignored() -> None:
    done = RUN.invoke(plan.app, ["sample", "--miss-limit", "0.05", "--cut-share", "0"])
    assert isinstance(done.exception, InputError)
    assert "Share of cut is 0" in str(done.exception)


def test_a_limit_that_cannot_be_is_refused() -> None:
    done = RUN.invoke(plan.app, ["sample", "--miss-limit", "0"])
    assert isinstance(done.exception, InputError)
    assert "Limit is 0" in str(done.exception)


def test_tally_checks_a_whole_book(book: Path) -> None:
    done = RUN.invoke(tally.app, ["check", str(book)])
    assert done.exit_code == 0, done.output
    assert "nothing must be resolved" in done.stdout
    found = json.loads(RUN.invoke(tally.app, ["check", str(book), "--json"]).stdout)
    assert (found["balances"], found["sterile_at_large"], found["findings"]) == (True, 54, [])


def test_tally_ends_with_one_where_something_must_be_resolved(book: Path) -> None:
    (book / "traps.csv").write_text(BOOK.replace("M,clipped,10,1,0,9", "F,clipped,10,1,0,8"))
    done = RUN.invoke(tally.app, ["check", str(book)])
    assert done.exit_code == 1
    assert "does not balance" in done.stdout
    assert "clipped female" in done.stdout


def test_tally_writes_page_template_and_spreadsheet(book: Path, tmp_path: Path) -> None:
    assert RUN.invoke(tally.app, ["report", str(book), "-o", str(tmp_path)]).exit_code == 0
    page = read_page(tmp_path / "tally.html")
    assert "The book balances." in page
    assert "without a second mark the same fish may be counted twice" in page
    assert "Males in the reach, Chapman" in page
    assert "permits, labels and licensed practice" in page
    assert RUN.invoke(tally.app, ["convert", str(book), str(tmp_path / "book.xlsx")]).exit_code == 0
    again = RUN.invoke(tally.app, ["check", str(tmp_path / "book.xlsx"), "--json"])
    assert json.loads(again.stdout) == json.loads(RUN.invoke(tally.app, ["check", str(book), "--json"]).stdout)
    assert RUN.invoke(tally.app, ["template", str(tmp_path / "empty")]).exit_code == 0
    assert (tmp_path / "empty" / "lots.csv").read_text().startswith("lot,treated_on")


def test_tally_never_writes_over_a_book(book: Path) -> None:
    for words in (["template", str(book)], ["convert", str(book), str(book)]):
        done = RUN.invoke(tally.app, words)
        assert isinstance(done.exception, UsageError)
    assert (book / "traps.csv").read_text() == BOOK
