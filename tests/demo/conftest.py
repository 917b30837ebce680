"""One small campaign, drawn once for all tests of the demo."""

from pathlib import Path

import pytest

from passage_cv.demo.campaign import write_campaign
from passage_cv.demo.traffic import write_traffic


@pytest.fixture(scope="session")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return write_campaign(tmp_path_factory.mktemp("campaign"), seed=5, size=0.006)


@pytest.fixture(scope="session")
def traffic(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_traffic(tmp_path_factory.mktemp("traffic"), seed=5, presentations=24)
