"""``passage-cv pair`` and ``check --pair``, as a technician types them."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from passage_cv.cli.check import app as check_app
from passage_cv.cli.pair import app as pair_app
from passage_cv.errors import InputError, UsageError
from tests.intake.test_pairing import evening

RUN = CliRunner()


def run(app, *arguments: str):  # noqa: ANN001, ANN201 - the library's own types
    result = RUN.invoke(app, list(arguments))
    if result.exception and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def test_the_proposal_is_shown_written_signed_and_then_checks(tmp_path: Path) -> None:
    folder = evening(tmp_path / "b")
    shown = run(pair_app, str(folder))
    assert "E1/2 bowfin" in shown.output
    assert 'who = "?"' in (folder / "pairing.toml").read_text()
    assert run(check_app, str(folder)).exit_code == 1
    assert run(pair_app, str(folder), "--who", "TBO").exit_code == 0
    assert run(check_app, str(folder)).exit_code == 0


def test_corrections_are_options(tmp_path: Path) -> None:
    folder = evening(tmp_path / "b")
    shown = run(pair_app, str(folder), "--aside", "cam/P_2.jpg=a hand", "--shift", "cam/P_3.jpg=1").output
    assert "Set aside: cam/P_2.jpg, a hand" in shown
    assert "Without pictures: row 2" in shown


def test_what_cannot_be_understood_is_refused(tmp_path: Path) -> None:
    folder = evening(tmp_path / "b")
    with pytest.raises(UsageError, match="no IMAGE=VALUE"):
        run(pair_app, str(folder), "--shift", "cam/P_3.jpg")
    with pytest.raises(UsageError, match="no whole number"):
        run(pair_app, str(folder), "--shift", "cam/P_3.jpg=one")
    with pytest.raises(UsageError, match="No series has the picture"):
        run(pair_app, str(folder), "--move-break", "cam/P_9.jpg=1")
    with pytest.raises(InputError, match="carries no time"):
        run(pair_app, str(folder), "--clock", "cam/P_2.jpg=2031-05-11T20:00:00")
    with pytest.raises(InputError, match="Batch folder is missing"):
        run(pair_app, str(tmp_path / "none"))


def test_a_confirmed_pairing_is_not_written_over(tmp_path: Path) -> None:
    folder = evening(tmp_path / "b")
    run(pair_app, str(folder), "--who", "TBO")
    with pytest.raises(InputError, match="confirmed by TBO"):
        run(pair_app, str(folder))
    assert run(pair_app, str(folder), "--again").exit_code == 0


def test_check_writes_the_same_proposal_elsewhere(tmp_path: Path) -> None:
    folder = evening(tmp_path / "b")
    run(check_app, str(folder), "--pair", str(tmp_path / "proposal.toml"))
    run(pair_app, str(folder))
    assert (tmp_path / "proposal.toml").read_text() == (folder / "pairing.toml").read_text()
