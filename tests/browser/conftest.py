"""A browser and pages for it. The driver lives beside the live page's tests."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "livepage"))

from browser_pipe import Browser, find_chromium


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    if find_chromium() is None:
        sentence = "chromium is not installed: the page is not opened in a browser (Debian: apt-get install chromium)"
        pytest.fail(sentence) if os.environ.get("CI") else pytest.skip(sentence)
    one = Browser(tmp_path_factory.mktemp("browser"))
    yield one
    one.close()
