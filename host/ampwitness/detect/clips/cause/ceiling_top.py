"""Where the line of a ceiling that follows ends: the plateaus of the highest supplies lie below it.

Regulation that sets in softly, just below the highest supply, leaves few plateaus above, at unlike levels: no knee in
any one lag explains them, and the line of all the others was carried on past them, up to the settled supply. Where the
topmost show that it does not hold, the ceiling is taken to rise no further than the highest of them.

Gaps: each plateau carries its own lagged supply.
Limits: what sets in above the highest supply that was seen shows in no plateau.
Source: our choice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ampwitness.detect.clips.cause.ceiling_fit import CeilingFit, Plateaus, fit_at

TOPMOST = 5  # plateaus of each polarity at the highest supplies
BELOW_SPREADS, MOST_OF_THEM = 4.0, 0.6  # that so many of them lie below the line: true lines one in ten


def stop_at_top(fits: Mapping[str, CeilingFit], seen: Mapping[str, Plateaus]) -> dict[str, CeilingFit]:
    """The same ceilings, up to the highest level of those plateaus where they lie below the lines.

    Parameters
    ----------
    fits : by polarity, in lags of the supply
    seen : by polarity the plateaus that they were learned from
    """
    below: list[bool] = []
    highest_v = []
    for side, fit in fits.items():
        if fit.ratio <= 0 or np.isfinite(fit.knee_v):
            return dict(fits)
        line, left_v = fit_at(seen[side], fit.lag, fit.knee_v, fit.load if fit.droop > 0 else None)
        lagged_v = seen[side].supply_at(fit.lag)
        top = np.argsort(-lagged_v, kind="stable")[:TOPMOST]
        below += (left_v[top] < -BELOW_SPREADS * line.spread_v).tolist()
        highest_v.append(float(np.max(lagged_v[top] + left_v[top] / line.ratio)))
    if len(below) <= TOPMOST or np.mean(below) < MOST_OF_THEM:
        return dict(fits)
    knee_v = float(np.mean(highest_v))  # both hang on one converter
    return {
        side: replace(fit, knee_v=knee_v, kind="regulated until the supply is too low") for side, fit in fits.items()
    }
