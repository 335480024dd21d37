"""The page that most tests of the report look at, made once."""

from __future__ import annotations

from functools import cache

import pytest
from ampwitness.report.page import html_page
from ampwitness.types import Analysis


@cache
def _kept() -> list[str]:
    return []


@pytest.fixture
def small_page(small_analysis: Analysis) -> str:
    """`small_analysis` as a page."""
    kept = _kept()
    if not kept:
        kept.append(html_page(small_analysis))
    return kept[0]
