"""Where in the chain a stretch is judged: at the terminals, ahead of a capacitor or of a rail's resistance, or as if
the supply did not ripple: wherever clearly more plateaus are plain.

Gaps: works inside one stretch.
Limits: those of `clip_coupled`, `clip_drop` and `clip_ripple`; of a chain with several of them one is undone.
Source: our choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampwitness.detect.clips.bent.clip_coupled import (
    falls_with_supply,
    find_coupling,
    guess_coupling,
    held_back,
    shows_more,
    undo,
)
from ampwitness.detect.clips.bent.clip_drop import LEAST_GAIN, count_plain, find_drop
from ampwitness.detect.clips.bent.clip_ripple import DELAYS_S, find_ripple
from ampwitness.detect.clips.clip_look import Screened, look_at
from ampwitness.detect.clips.table.clip_candidates import Look, View
from ampwitness.types import FloatArray

LIVELIEST = 0.25  # bass: in dense music tops lean by what rings on them
FEWEST_PLAIN, MORE_PLAIN = 6, 1.15  # plateaus plain by themselves ahead of it, and times those behind it
HIGH_SHARE, HIGH_AMONG, FEWEST_HIGH = 0.65, 0.999, 4  # of the highest crests of a polarity; tops that come so high
MORE_FAINT = 1.25  # candidates that show something, to each plain one: else ripple bends none
DROP_ROUNDS = 2  # more tops are seen ahead of a resistance, and say better what it is


@dataclass(frozen=True, slots=True)
class Ahead:
    """A look, and what lies between it and the terminals: `held_v` (n_samples,) what the terminals miss, None where it
    was taken there; `held_by` what held it, as in HELD_BY; `per_s` the capacitor (1 / tau), None if it is none."""

    look: Look
    held_v: FloatArray | None = None
    per_s: float | None = None
    held_by: str = "resistance"


def look_ahead(screened: Screened, look: Look) -> Ahead:
    """The look at a stretch, taken again further ahead if it shows something there that bends all tops alike."""
    view = screened.view
    if view is None:
        return Ahead(look)
    coupled = _ahead_of_capacitor(view, look)
    if view.lively >= LIVELIEST or not _shows_high_tops(look):
        return coupled or Ahead(look)
    best = coupled or Ahead(look)
    resisted = _ahead_of_resistance(view, look)
    if resisted is not None and _shows_more(resisted, best):
        best = resisted
    return _without_ripple(view, look, best)


def _shows_more(one: Ahead, other: Ahead) -> bool:
    return count_plain(one.look.candidates) > MORE_PLAIN * count_plain(other.look.candidates)


def _shows_high_tops(look: Look) -> bool:
    """Whether enough tops lie about as high as crests come. Clean music has flat-looking crests at any height, and to
    ask where they would lie level takes longer than all else."""
    for side in look.sides:
        if not len(side.crests):
            continue
        table = side.candidates
        high_v = HIGH_SHARE * float(np.quantile(side.crests.level_v, HIGH_AMONG))
        is_high = (table["is_coarse"] == 0) & (table["gain"] >= LEAST_GAIN) & (table["level_v"] >= high_v)
        if np.count_nonzero(is_high) >= FEWEST_HIGH:
            return True
    return False


def _ahead_of_capacitor(view: View, look: Look) -> Ahead | None:
    per_s = find_coupling(look.candidates)
    is_guess = per_s is None
    if per_s is None:
        per_s = guess_coupling(look.sides)
    if per_s is None or falls_with_supply(look.candidates, view.stretch):
        return None
    held_v = held_back(view.stretch.output_v, view.stretch.rate_hz, per_s)
    ahead = look_at(undo(view.stretch, held_v), view.noise_v, view.blocked)
    return (
        None
        if is_guess and not shows_more(ahead.candidates, look.candidates)
        else Ahead(ahead, held_v, per_s, "capacitor")
    )


def _ahead_of_resistance(view: View, look: Look) -> Ahead | None:
    best, least = None, max(FEWEST_PLAIN, MORE_PLAIN * count_plain(look.candidates))
    for _ in range(DROP_ROUNDS):
        drop_v = find_drop(view.stretch, view.noise_v, look.candidates)
        if drop_v is None:
            break
        look = look_at(undo(view.stretch, drop_v), view.noise_v, view.blocked)
        n_plain = count_plain(look.candidates)
        if n_plain < least:
            break
        best, least = Ahead(look, drop_v), n_plain + 1
    return best


def _without_ripple(view: View, look: Look, best: Ahead) -> Ahead:
    """The look without the supply's ripple, at once or behind the delay under which most plateaus are plain; `best`
    where it shows no more than that."""
    n_faint = sum(int(np.count_nonzero(part["gain"] >= LEAST_GAIN)) for part in look.candidates)
    for delay_s in (0.0, *DELAYS_S):
        if n_faint < max(FEWEST_PLAIN, MORE_FAINT * count_plain(best.look.candidates)):
            return best
        ripple_v = find_ripple(view.stretch, delay_s)
        if ripple_v is None:
            return best
        again = look_at(undo(view.stretch, ripple_v), view.noise_v, view.blocked)
        other = Ahead(again, ripple_v, held_by="ripple")
        if count_plain(again.candidates) >= FEWEST_PLAIN and _shows_more(other, best):
            best = other
    return best
