"""One recording for all commands: made music that clips here and there, 19.5 s."""

from __future__ import annotations

from pathlib import Path

import pytest
from ampwitness.bench.day_signals import write_day


@pytest.fixture(scope="session")
def music(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Not to be written to."""
    path = tmp_path_factory.mktemp("made") / "music.mcap"
    write_day(path, 0.005, seed=5)
    return path
