"""Whose fault a clip is: shares, bounds, ceilings that move in different ways, and the words that follow."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.supply_scores import Score, _score_causes, analyse, supply_summary
from ampwitness.bench.supply_signals import make_case
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.cause.ceiling_fit import CeilingFit, pick_lag
from ampwitness.detect.clips.found_clips import NUMBERS, ClipTable
from ampwitness.detect.clips.table.clip_candidates import CEILINGS, HELD_BY, PLACES
from ampwitness.detect.conclude import find_unseen
from ampwitness.detect.run_all import DetectOptions, run_all
from ampwitness.detect.supply.supply_history import collect_history
from ampwitness.detect.supply.supply_model import StateModel, SupplyModel, SupplyOptions, learn_supply
from ampwitness.types import Finding

SETTLED_V = 12.6


def _model(settled_v: float = SETTLED_V) -> SupplyModel:
    at = np.array([0.0])
    return SupplyModel({}, "V", at, ("at rest",), {"at rest": at}, {"at rest": np.array([settled_v])}, True)


Clip = dict[str, Any]


def _clip(level_v: float, supply_v: float, overdrive_db: float = 1.0, polarity: str = "positive", **more: Any) -> Clip:
    sign = 1.0 if polarity == "positive" else -1.0
    columns = {"sign": sign, "level_v": level_v, "overdrive_db": overdrive_db, "supply_v": supply_v, **more}
    return columns | {"supply": [supply_v] * 4, "output": [0.6 * level_v] * 4}


def _table(clips: list[Clip]) -> ClipTable:
    """Clips that last 2 ms one after the other, the amplifier's if nothing else is said."""
    n = len(clips)
    columns = {name: np.zeros(n) for name in NUMBERS}
    columns |= {"start_s": 1.0 + np.arange(n), "stop_s": 1.002 + np.arange(n)}
    for name in {name for clip in clips for name in clip} - {"supply", "output"}:
        columns[name] = np.array([clip.get(name, 0.0) for clip in clips])
    columns["crest_v"] = columns["level_v"] * 10 ** (columns["overdrive_db"] / 20)
    return ClipTable(
        columns, *(np.array([clip[name] for clip in clips]).reshape(-1, 4) for name in ("supply", "output"))
    )


def learn_ceiling(clips: list[Clip]) -> CeilingFit | None:
    return _table(clips).learn_ceilings().get("positive")


def judge_clip(clip: Clip, ceiling: CeilingFit | None, model: SupplyModel | None) -> Finding:
    return _table([clip]).with_causes({} if ceiling is None else {"positive": ceiling}, model).read(0)


def _clips(law: Callable[[float], float], n: int = 40, spread_v: float = 0.02) -> list[Clip]:
    rng = np.random.default_rng(5)
    supplies = rng.uniform(11.2, 12.6, n)
    return [_clip(law(v) + spread_v * rng.standard_normal(), v) for v in supplies.tolist()]


def test_three_kinds_of_ceiling_are_learned() -> None:
    follows = learn_ceiling(_clips(lambda v: 3 * v - 1))
    assert follows is not None
    assert follows.kind == "follows supply"
    assert follows.ratio == pytest.approx(3.0, rel=0.02)
    regulated = learn_ceiling(_clips(lambda v: 30.0))
    assert regulated is not None
    assert regulated.kind == "regulated"
    assert regulated.at(10.0) == regulated.at(14.0) == pytest.approx(30.0, abs=0.02)
    bent = learn_ceiling(_clips(lambda v: 3 * min(v, 12.2) - 1, 80))
    assert bent is not None
    assert bent.kind == "regulated until the supply is too low"
    assert bent.knee_v == pytest.approx(12.2, abs=0.05)
    # Many crests at nearly one supply stand at nearly one level: the few above say that it rises on.
    piled = [_clip(3 * v - 1, v) for v in np.linspace(11.6, 11.75, 200)]
    rising = [_clip(3 * v - 1.1, v) for v in np.linspace(11.8, 12.6, 9)]
    lower = [_clip(3 * v - 1, v) for v in np.linspace(11.0, 11.6, 40)]
    assert learn_ceiling([*piled, *rising, *lower]).kind == "follows supply"  # type: ignore[union-attr]
    assert learn_ceiling(_clips(lambda v: 30.0, 4)) is None
    assert learn_ceiling([_clip(30.0, 12.0) for _ in range(30)]) is None  # the supply never moved


def test_lags_are_picked_between_their_places() -> None:
    supply = np.array([[1.0, 2.0, 4.0], [0.0, 0.0, 8.0]])
    assert pick_lag(supply, 0.5).tolist() == [1.5, 0.0]
    assert pick_lag(supply, 2.0).tolist() == [4.0, 8.0]


def test_a_clip_is_judged_by_what_its_ceiling_had_lost() -> None:
    ceiling = learn_ceiling(_clips(lambda v: 3 * v - 1, spread_v=1e-4))
    lost_db = 20 * np.log10((3 * SETTLED_V - 1) / (3 * 11.6 - 1))
    for factor, cause in ((0.9, "supply"), (2.0, "both"), (4.0, "drive")):
        verdict = judge_clip(_clip(33.8, 11.6, factor * lost_db), ceiling, _model())
        assert verdict.measured["cause"] == cause
        assert verdict.evidence["lost_to_sag_db"] == pytest.approx(lost_db, abs=0.02)
        assert verdict.measured["cause_share"] == pytest.approx(min(1.0, 1 / factor), rel=0.03)
    regulated = learn_ceiling(_clips(lambda v: 33.8))
    assert judge_clip(_clip(33.8, 11.6, 2.0), regulated, _model()).measured["cause"] == "drive"


def test_no_overdrive_makes_no_boundless_share() -> None:
    ceiling = learn_ceiling(_clips(lambda supply_v: 2.5 * supply_v))
    share = judge_clip(_clip(2.5 * 11.6, 11.6, overdrive_db=1e-7), ceiling, _model()).measured["cause_share"]
    assert share == 1.0  # which stands for more: 0.7 dB lost, of a hundredth of one


def test_a_ceiling_that_is_carried_on_where_no_clip_was_seen_says_so_where_that_decides() -> None:
    ceiling = learn_ceiling(_clips(lambda v: 3 * v - 1, spread_v=1e-4))
    verdict = judge_clip(_clip(33.8, 11.6, 1.2), ceiling, _model(14.0))
    assert verdict.measured["cause"] == "supply"
    assert "no clip was seen above 12.60 V of supply" in verdict.evidence["cause_reason"]
    assert verdict.evidence["cause_reason"].endswith("it is both")
    assert "no clip was seen" not in judge_clip(_clip(33.8, 11.6, 4.0), ceiling, _model(12.6)).evidence["cause_reason"]
    assert "no clip was seen" not in judge_clip(_clip(33.8, 11.6, 0.5), ceiling, _model(14.0)).evidence["cause_reason"]


def test_what_cannot_be_decided_says_why() -> None:
    clip = _clip(33.8, 11.6, 0.5)
    assert judge_clip(clip, None, None).evidence["cause_reason"] == "the supply was not recorded"
    undecided = judge_clip(clip, None, _model())
    assert undecided.measured["cause"] == "not decidable"
    assert "whether the ceiling follows the supply is not known" in undecided.evidence["cause_reason"]
    # Whatever the ceiling does, 0.02 V of sag cannot explain half a decibel.
    assert judge_clip(_clip(33.8, 12.58, 0.5), None, _model()).measured["cause"] == "drive"


def test_sources_and_current_limits_are_not_the_supply() -> None:
    ceiling = learn_ceiling(_clips(lambda v: 3 * v - 1))
    limited = judge_clip(_clip(33.0, 11.6, 0.1, ceiling=CEILINGS.index("current")), ceiling, _model())
    assert limited.measured["cause"] == "drive"
    source = judge_clip(_clip(33.0, 11.6, 0.1, where=PLACES.index("source")), ceiling, _model())
    assert source.measured["cause"] == "not decidable"
    assert source.measured["cause_share"] is None
    assert source.evidence["cause_reason"].startswith("clipped before the amplifier")
    assert judge_clip(_clip(33.0, 11.6, 0.1), ceiling, _model()).measured["cause"] == "supply"


def test_a_polarity_with_few_clips_borrows_from_the_other() -> None:
    many = _clips(lambda v: 3 * v - 1)
    few = [_clip(0.97 * 33.8, 11.6, polarity="negative"), _clip(0.97 * 35.0, 12.0, polarity="negative")]
    fits = _table([*many, *few]).learn_ceilings()
    assert fits["negative"].ratio == pytest.approx(0.97 * 3.0, rel=0.05)
    assert _table([]).learn_ceilings() == {}


def test_music_on_a_sagging_supply_and_windows_do_not_matter() -> None:
    case = make_case(4, "ordinary", 12.0)
    options = SupplyOptions(load_ohm=4.0)
    results = analyse(case, options)
    clips = next(r.findings for r in results if r.coverage.detector == "clipping")
    score = Score()
    _score_causes(case, clips, score)
    right = sum(n for (true, said), n in score.causes.items() if true == said)
    assert right / sum(score.causes.values()) > 0.96
    volts = {role: case.volts[role] for role in ("output", "supply")}
    short = run_all(iter_windows_from_arrays(volts, case.rate_hz, window_s=2.5), DetectOptions(supply=options))
    again = next(r.findings for r in short if r.coverage.detector == "clipping")
    assert [f.measured["cause"] for f in again] == [f.measured["cause"] for f in clips]
    ohms = [supply_summary(part)["states"]["at rest"]["source_ohm"] for part in (results, short)]
    assert ohms[0] == pytest.approx(ohms[1], rel=1e-9)


def test_a_few_plateaus_of_both_polarities_show_the_supply_above_which_a_ceiling_rises_no_further() -> None:
    rng = np.random.default_rng(8)
    low, high = rng.uniform(10.8, 11.5, 120), np.array([11.95, 12.1, 12.2, 12.35])
    clips = [
        _clip(size * (3 * min(v, 11.7) - 1) + 0.02 * rng.standard_normal(), float(v), polarity=side)
        for side, size, volts in (("positive", 1.0, (*low, *high[:2])), ("negative", 0.97, (*low, *high[2:])))
        for v in volts
    ]
    for fit in _table(clips).learn_ceilings().values():
        assert fit.knee_v == pytest.approx(11.7, abs=0.06)
    # Two that are low for another reason make no knee.
    rising = [c for c in clips if c["supply_v"] < 11.6]
    rising += [_clip(3 * v - 1, float(v), polarity=side) for v in high for side in ("positive", "negative")]
    fits = _table([*rising, _clip(33.0, 12.3), _clip(33.0, 12.0)]).learn_ceilings()
    assert {fit.knee_v for fit in fits.values()} == {np.inf}


def test_a_top_that_tilts_by_the_amplifiers_own_doing_is_not_taken_for_the_supplys() -> None:
    """A tilt stands in for a lag between the places: the supply moved by 0.1 V within half a place, and no further."""
    ceiling = learn_ceiling(_clips(lambda v: 3 * v - 1, spread_v=1e-4))
    assert ceiling is not None
    own = replace(ceiling, lag=1.0, per_tilt_s=-0.002, per_fall=0.0)
    clip = _clip(33.8, 11.6, 1.0, tilt_v_per_s=-700.0) | {"supply": [11.4, 11.6, 11.65, 11.7]}
    lost_db = judge_clip(clip, own, _model()).evidence["lost_to_sag_db"]
    assert lost_db == pytest.approx(20 * np.log10((33.8 + 3.0 - 3 * 0.1) / 33.8), abs=0.01)
    small = clip | {"tilt_v_per_s": -100.0}
    lost_db = judge_clip(small, own, _model()).evidence["lost_to_sag_db"]
    assert lost_db == pytest.approx(20 * np.log10((33.8 + 3.0 - 0.2) / 33.8), abs=0.01)


def test_a_knee_is_found_at_a_lag_between_the_places_of_a_coarse_search() -> None:
    rng = np.random.default_rng(9)
    clips = []
    for now_v in (*rng.uniform(9.8, 10.6, 90), *rng.uniform(10.7, 11.1, 5)):
        supply = now_v + np.array([0.0, *np.cumsum(rng.uniform(0.1, 0.9, 3))])
        then_v = float(pick_lag(supply[None, :], 1.25)[0])
        clip = _clip(3.2 * min(then_v, 11.4) - 1 + 0.02 * rng.standard_normal(), float(now_v))
        clips.append(clip | {"supply": supply.tolist()})
    fit = learn_ceiling(clips)
    assert fit is not None
    assert fit.knee_v == pytest.approx(11.4, abs=0.1)


def test_settled_is_the_supply_without_the_other_consumers_that_were_on_most_of_the_time() -> None:
    rng, rate_hz = np.random.default_rng(2), 8000.0
    t = np.arange(round(40 * rate_hz)) / rate_hz
    plays = (t % 4 > 2) & (t > 1)
    output = 20 * plays * np.sin(2 * np.pi * 50 * t)
    others_v = 0.45 * ((t % 8 > 1.5) & (t > 1))
    supply = 12.5 - others_v - 1.0 * plays + 0.005 * rng.standard_normal(len(t))
    windows = iter_windows_from_arrays({"output": output, "supply": supply}, rate_hz, window_s=10.0)
    model = learn_supply(collect_history(windows), SupplyOptions(load_ohm=4.0))
    assert model is not None
    assert model.settled_at(20.0) == pytest.approx(12.5, abs=0.05)


@pytest.mark.parametrize("ratio", [3.0, 0.0])
def test_own_rails_that_sink_as_the_supply_does_are_told_from_it(ratio: float) -> None:
    """While clipped the supply of that very moment stands at one level; before that both go down together."""
    rng = np.random.default_rng(4)
    clips = []
    for share in rng.uniform(0.3, 0.9, 80):
        supply_v, output_v = 12.5 - 0.5 * share + 0.01 * rng.standard_normal(), 30 * share
        level_v = 35.0 + ratio * (supply_v - 12.0) - 0.03 * output_v + 0.015 * rng.standard_normal()
        clips.append(_clip(level_v, supply_v) | {"supply": [11.5, *[supply_v] * 3], "output": [output_v] * 4})
    fit = learn_ceiling(clips)
    assert fit is not None
    assert fit.ratio == pytest.approx(ratio, rel=0.1)
    assert fit.at(12.5) - fit.at(12.0) == pytest.approx(0.5 * ratio, rel=0.1)


def test_how_far_a_ceiling_is_carried_on_above_its_clips_is_told_in_decibels() -> None:
    fit = CeilingFit("follows supply", -1.0, 3.0, 0.02, float("inf"), 0.0, 0.02, 40, highest_v=11.8)
    state = StateModel("at rest", None, None, 11.0, 10.0, SETTLED_V, {})
    model = replace(_model(), states={"at rest": state})
    unseen = find_unseen({"positive": fit}, model)
    assert unseen is not None
    assert unseen["unseen_db"] == pytest.approx(20 * np.log10((3 * 12.6 - 1) / (3 * 11.8 - 1)), abs=1e-6)
    # Seen to stop there: nothing is carried on.
    assert find_unseen({"positive": replace(fit, knee_v=11.7)}, model) is None


@pytest.mark.parametrize("is_true", [True, False])
def test_a_supposed_capacitor_is_left_where_levels_agree_at_the_terminals_alone(is_true: bool) -> None:
    """Rails that a linear stage empties in turn make tops fall as behind a capacitor: ahead of one they lie apart."""
    rng = np.random.default_rng(6)
    clips = []
    for clip in _clips(lambda v: 3 * v - 1):
        held_v = 2.0 * float(rng.standard_normal())
        there_v = clip["level_v"] - held_v * is_true
        more = {"level_v": there_v + held_v, "held_v": held_v, "held_by": HELD_BY.index("capacitor")}
        clips.append({**clip, **more})
    ceiling = learn_ceiling(clips)
    assert ceiling is not None
    assert ceiling.at_terminals is not is_true
    assert ceiling.ratio == pytest.approx(3.0, rel=0.02)
    assert ceiling.spread_v < 0.05
