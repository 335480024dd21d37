"""Which ceilings are said to follow the supply: rails that sag with it, never a limit of the current."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from ampwitness.bench.clip_cases import make_case
from ampwitness.bench.clip_matching import score_case
from ampwitness.detect.clips.ceiling import clip_follows
from ampwitness.detect.clips.ceiling.clip_follows import Follower, find_follower
from ampwitness.detect.clips.judge.clip_names import Followers, find_followers
from ampwitness.detect.clips.judge.clip_side import SideVerdict
from ampwitness.detect.clips.judge.clip_verdict import _take_back_regulated
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates
from ampwitness.types import FloatArray

N_NOTES, OF_NOTE = 6, 12


def make_notes(rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Starts (n,) and the supply under them: under each note it sags by another amount, within a tenth of a second."""
    since_s = 0.02 * np.arange(OF_NOTE)
    sags_v = rng.uniform(0.3, 0.9, (N_NOTES, 1))
    supply = rng.uniform(12.8, 13.2, (N_NOTES, 1)) - sags_v * (1 - np.exp(-since_s / 0.05))
    return (np.arange(N_NOTES)[:, None] + since_s).ravel(), supply.ravel()


def make_side(sign: float, start_s: FloatArray, level_v: FloatArray, supply_v: FloatArray) -> Candidates:
    columns = {name: np.zeros(len(start_s)) for name in FIELDS}
    columns |= {"sign": np.full(len(start_s), sign), "start_s": start_s, "level_v": level_v}
    return Candidates(columns, np.repeat(supply_v[:, None], 4, axis=1), np.ones((len(start_s), 4)))


def follower_of(
    positive_v: FloatArray, negative_v: FloatArray, start_s: FloatArray, supply: FloatArray
) -> Follower | None:
    tables = [make_side(1.0, start_s, positive_v, supply), make_side(-1.0, start_s + 0.01, negative_v, supply)]
    return find_follower([(table, table["level_v"]) for table in tables])


def test_a_rail_that_scatters_and_sinks_by_more_than_the_supply_follows_it() -> None:
    rng = np.random.default_rng(3)
    start_s, supply = make_notes(rng)
    rail_v = 30 * (supply / 13) ** 2 * (1 + 0.002 * rng.standard_normal(len(supply)))
    found = follower_of(rail_v, 0.97 * rail_v, start_s, supply)
    assert found is not None
    assert found.slope == pytest.approx(2.0, abs=0.2)
    side = make_side(1.0, start_s, rail_v, supply)
    assert found.at_it(side, rail_v).all()
    assert not found.at_it(side, 0.9 * rail_v).any()
    assert follower_of(rail_v, np.full_like(rail_v, 29.0) - 0.05 * supply, start_s, supply) is None  # on one side alone
    assert follower_of(rail_v[:OF_NOTE], rail_v[:OF_NOTE], 5 * start_s[:OF_NOTE], np.full(OF_NOTE, 13.0)) is None


def test_a_level_of_which_each_note_has_its_own_does_not_follow_though_it_looks_alike() -> None:
    """Three notes: the supply of each was by chance as high as the level."""
    start_s = (np.arange(3)[:, None] + 0.05 * np.arange(20)).ravel()
    supply = np.repeat([12.5, 12.8, 13.1], 20) - np.tile(0.2 * (1 - np.exp(-np.arange(20) / 3)), 3)
    level_v = 20 * np.repeat([0.98, 1.0, 1.02], 20) * (1 + 1e-3 * np.random.default_rng(4).standard_normal(60))
    assert np.corrcoef(level_v, supply)[0, 1] > 0.9
    assert follower_of(level_v, level_v, start_s, supply) is None


def test_what_runs_down_with_the_battery_is_no_evidence(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    start_s, supply = make_notes(rng)
    supply = 13.0 - 0.05 * start_s + 0.01 * rng.standard_normal(len(start_s))
    warm_v = 25.0 - 0.1 * start_s + 0.02 * rng.standard_normal(len(start_s))
    assert follower_of(warm_v, warm_v, start_s, supply) is None
    monkeypatch.setattr(
        clip_follows, "_without_trend", lambda both, start_s, side: clip_follows._without_mean(both, side)
    )
    assert follower_of(warm_v, warm_v, start_s, supply) is not None


def test_a_limit_of_the_current_stands_higher_where_the_supply_is_lower() -> None:
    start_s, supply = make_notes(np.random.default_rng(6))
    level_v = 20 * (1 + 0.1 * (13.3 - supply) / 13)  # what gets over it rises with the drive, which pulls the supply
    assert follower_of(level_v, level_v, start_s, supply) is None
    assert follower_of(np.full_like(supply, 20.0), np.full_like(supply, 20.0), start_s, supply) is None


def test_without_a_supply_nothing_follows() -> None:
    start_s, supply = make_notes(np.random.default_rng(7))
    assert follower_of(2 * supply, 2 * supply, start_s, np.full_like(supply, np.nan)) is None


def test_notes_that_their_maker_saturated_softly_are_not_put_down_to_the_amplifier() -> None:
    rng, rate_hz = np.random.default_rng([102, 4]), 48_000.0
    t = np.arange(int(8 * rate_hz)) / rate_hz
    wave = np.zeros(len(t))
    for first_s in np.arange(0.2, 7.5, 0.5):
        since_s = t - first_s
        on = (since_s >= 0) & (since_s < 0.42)
        tone = np.sin(2 * np.pi * rng.choice([32.7, 41.2, 49.0, 55.0, 65.4]) * since_s[on])
        fade = np.clip(since_s[on] / 0.008, 0, 1) * np.clip((0.42 - since_s[on]) / 0.02, 0, 1)
        wave[on] += rng.uniform(0.5, 1) * tone * np.exp(-0.8 * since_s[on]) * fade
    music = np.tanh(2.5 * wave)
    supply_v = 12.6 - 0.5 * np.convolve(np.abs(music), np.full(480, 1 / 480), "same") - 0.05 * rng.standard_normal()
    case = make_case("saturated", rng, 33 * music / np.abs(music).max(), supply_v, ())
    found = [finding for _, finding in score_case(case, 0.0005).invented]
    assert len(found) > 100  # one constant level: the amplifier's, or ahead of it
    assert {finding.measured["origin"] for finding in found} == {"undecided"}
    assert {finding.measured["ceiling"] for finding in found} == {"undecided"}


@pytest.mark.parametrize(("sharpness", "is_named"), [(4.0, False), (10.0, True)])
def test_what_bends_as_softly_as_a_saturated_note_names_no_amplifier(sharpness: float, is_named: bool) -> None:
    start_s, supply = make_notes(np.random.default_rng(9))
    sides = []
    for sign in (1.0, -1.0):
        table = make_side(sign, start_s + 0.01 * (sign < 0), 2.2 * supply, supply)
        table.columns.update({"sharpness": np.full(len(start_s), sharpness), "crest_v": np.full(len(start_s), 40.0)})
        yes, no = np.ones(len(start_s), dtype=bool), np.zeros(len(start_s), dtype=bool)
        sides.append((table, SideVerdict(yes, 2.4 * supply, np.zeros(len(start_s)), no, no, yes, None)))
    assert (find_followers(sides).soft is not None) is is_named


def test_what_is_read_of_rounded_tops_goes_with_their_drive_and_the_supply_with_it() -> None:
    """Notes that ring off: the less they are driven, the higher the ceiling is read and the less the supply sags."""
    rng = np.random.default_rng(8)
    since_s = np.tile(0.02 * np.arange(OF_NOTE), N_NOTES)
    start_s = np.arange(N_NOTES).repeat(OF_NOTE) + since_s
    crest_v = 40 * rng.uniform(0.8, 1.0, N_NOTES).repeat(OF_NOTE) * np.exp(-2 * since_s)
    supply = (
        12.8 - 0.6 * np.log(crest_v / 30) - 0.1 * rng.uniform(0, 1, N_NOTES).repeat(OF_NOTE)
    )  # and what others draw
    read_v = (1 - 0.08 * np.log(crest_v)) * (1 + 2e-4 * rng.standard_normal(len(start_s)))

    def follower(level_v: FloatArray, *, without_drive: bool) -> Follower | None:
        sides = [make_side(sign, start_s + 0.01 * (sign < 0), level_v, supply) for sign in (1.0, -1.0)]
        for side in sides:
            side.columns["crest_v"] = crest_v
        return find_follower([(side, side["level_v"]) for side in sides], without_drive=without_drive)

    assert follower(30 * read_v, without_drive=False) is not None
    assert follower(30 * read_v, without_drive=True) is None
    true = follower(2.4 * supply * read_v, without_drive=True)
    assert true is not None
    assert true.slope == pytest.approx(1.0, abs=0.1)


def test_a_ceiling_that_follows_is_not_quoted_as_regulated() -> None:
    def quoted(kind: str, follower: Follower | None) -> tuple[str, str]:
        rails: dict[str, Any] = {"positive": {"kind": kind, "level_v": 30.0}}
        model: dict[str, Any] = {"positive": {"kind": kind, "level_v": 30.0}, "negative": {"kind": "unknown"}}
        _take_back_regulated(rails, model, Followers(follower))
        assert model["positive"]["level_v"] == rails["positive"]["level_v"] == 30.0
        return model["positive"]["kind"], rails["positive"]["kind"].partition(":")[0]

    follower = Follower(2.0, 0, {1.0: 1.0})
    assert quoted("regulated", follower) == ("unknown", "not decided")
    assert quoted("regulated", None) == ("regulated", "regulated")
    assert quoted("regulated", Follower(2.0, 0, {-1.0: 1.0})) == ("regulated", "regulated")
    assert quoted("follows supply", follower)[0] == "follows supply"
