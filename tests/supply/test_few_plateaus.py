"""Ceilings of which few plateaus tell: both polarities hang on one converter and are asked together."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.clips.cause.ceiling_fit import Plateaus
from ampwitness.detect.clips.cause.ceiling_knee import fit_ceilings

# An output that follows its supply at 2.83 V a volt, driven over by one chord twice: 36 V at 12.8 V. Supplies of each
# plateau at four lags, and the load as size and as square at the same lags.
POSITIVE = (
    (36.098, -359, 0.001, (12.833, 13.363, 13.730, 13.865), (35.8, 26.5, 19.0, 15.5), (45.4, 29.0, 17.0, 12.3)),
    (35.989, -203, 0.003, (12.795, 13.267, 13.603, 13.755), (35.9, 27.6, 21.4, 17.9), (45.6, 31.0, 20.2, 15.4)),
    (35.914, -293, 0.002, (12.764, 13.276, 13.629, 13.728), (35.8, 27.0, 20.2, 18.0), (45.4, 29.8, 18.4, 15.4)),
    (36.056, -195, 0.001, (12.856, 13.333, 13.726, 13.951), (35.7, 27.1, 18.3, 12.2), (45.1, 30.0, 17.0, 9.2)),
    (35.865, -168, 0.004, (12.749, 13.099, 13.387, 13.606), (35.8, 29.7, 24.1, 19.2), (45.3, 34.9, 26.0, 19.6)),
    (35.797, -144, 0.003, (12.738, 13.096, 13.466, 13.761), (35.8, 29.6, 22.1, 16.0), (45.3, 34.5, 23.0, 14.2)),
)
NEGATIVE = (
    (36.005, -250, 0.003, (12.794, 13.214, 13.524, 13.767), (35.9, 28.1, 22.2, 17.5), (45.7, 32.3, 22.6, 15.2)),
    (35.869, -149, 0.004, (12.784, 13.246, 13.607, 13.748), (35.9, 27.7, 19.9, 16.6), (45.8, 32.0, 20.1, 15.6)),
    (35.731, -272, 0.002, (12.740, 13.153, 13.428, 13.557), (35.7, 28.4, 23.3, 20.5), (45.3, 32.3, 23.5, 19.8)),
    (35.840, -338, 0.002, (12.762, 13.262, 13.512, 13.578), (35.7, 26.6, 21.6, 19.9), (45.2, 29.4, 21.0, 18.8)),
    (35.877, -343, 0.002, (12.790, 13.353, 13.763, 13.934), (35.7, 25.2, 16.0, 12.7), (45.2, 28.1, 14.5, 9.3)),
)


def _plateaus(rows: tuple[tuple[float | tuple[float, ...], ...], ...]) -> Plateaus:
    level_v, tilt_v_per_s, flat_s, supply, size, square = (
        np.array(column, dtype=float) for column in zip(*rows, strict=True)
    )
    return Plateaus(level_v, tilt_v_per_s, flat_s, supply, np.stack((size, square), axis=1))


def test_eleven_plateaus_of_one_chord_tell_together_that_their_ceiling_follows_the_supply() -> None:
    """By itself the negative one stood still, and the positive one rose at a third of its proportion."""
    for fit in fit_ceilings({"positive": _plateaus(POSITIVE), "negative": _plateaus(NEGATIVE)}).values():
        assert fit.kind == "follows supply"
        assert fit.ratio == pytest.approx(2.83, rel=0.1)


def test_a_stage_at_half_the_supply_has_one_ceiling_that_follows_and_one_that_stands() -> None:
    rng = np.random.default_rng(3)
    n = 40
    supply_v = 12.0 + 0.8 * rng.random((n, 1)) + 0.05 * rng.standard_normal((n, 4))
    load = np.full((n, 2, 4), 5.0) * (1 + 0.1 * rng.standard_normal((n, 2, 4)))
    up_v = 0.5 * supply_v[:, 0] - 0.4 + 0.005 * rng.standard_normal(n)
    down_v = 5.6 + 0.005 * rng.standard_normal(n)
    still = np.zeros(n)
    up, down = (Plateaus(level_v, still, still, supply_v, load) for level_v in (up_v, down_v))
    fits = fit_ceilings({"positive": up, "negative": down})
    assert fits["positive"].ratio == pytest.approx(0.5, rel=0.1)
    assert fits["negative"].ratio == pytest.approx(0.0, abs=0.05)
