"""Cut-outs in drawn programmes, stages and supplies: named rightly, and alike whatever the windows and gaps."""

from __future__ import annotations

import pytest
from ampwitness.bench.cutout_drawn import CLASSES, make_case
from ampwitness.bench.cutout_scores import Score, find_cutouts, score_case


@pytest.mark.parametrize("seed", [40, 41])
@pytest.mark.parametrize("name", list(CLASSES))
def test_what_is_drawn_is_named(name: str, seed: int) -> None:
    score = Score()
    score_case(name, seed, score)
    assert score.n_right == 1, score.remarks
    assert score.n_order == score.n_order_right
    assert max(map(abs, score.start_abrupt_s), default=0.0) < 0.005
    assert max(map(abs, score.start_slow_s), default=0.0) < 0.0125


@pytest.mark.parametrize("seed", [42, 43, 44])
@pytest.mark.parametrize("name", ["drawn: supply lost", "drawn: cranking mute", "drawn: source gone, logged"])
def test_windows_and_gaps_beside_them_do_not_matter(name: str, seed: int) -> None:
    case = make_case(name, seed)
    if not case.lost:
        case.lost = ((8000, 8100), (72000, 73500))
    assert find_cutouts(case, 1.0) == find_cutouts(case, 10.0) == find_cutouts(case, 60.0)
