"""What counts as invented in the clean passage of a scenario."""

from __future__ import annotations

import pytest
from ampwitness.bench.truth import TrueClip
from ampwitness.bench.truth_table import _judge_clean
from ampwitness.types import Finding, Interval


@pytest.mark.parametrize(
    ("start_s", "polarity", "n_invented"),
    [(0.9999, "positive", 0), (0.9999, "negative", 1), (0.5, "positive", 1)],
)
def test_a_clip_seen_a_little_early_is_not_invented(start_s: float, polarity: str, n_invented: int) -> None:
    true = TrueClip(start_s=1.0, stop_s=1.002, polarity="positive", overdrive_db=0.01, plateau_v=30.0)
    found = Finding("clip", start_s, start_s + 0.001, "attention", {"polarity": polarity}, {}, {})
    assert _judge_clean([true], Interval(0.0, 1.0), [found]).n_invented == n_invented
