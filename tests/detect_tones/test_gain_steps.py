"""The gain being turned, through analytic volts: the knee, what stopped it, and what is not judged."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ampwitness.bench.tone_signals import KnobAmplifier, find_true_knee, true_thd
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.tones.gain_steps import ALL_OWN, CEILING_MET, CEILING_OPEN, IN_NOISE, GainStepDetector
from ampwitness.finding_list import FindingList
from ampwitness.findings.tone_words import advise_ceilings, advise_distorted, word_distorted
from ampwitness.types import Finding, Interval
from ampwitness.waveform.tone_clip import hard_clip_level_db
from scipy import signal

RATE_HZ = 8000.0


def tone(amplifier: KnobAmplifier, crest_v: np.ndarray, hz: float = 40.0, seed: int = 1) -> np.ndarray:
    """Sampled volts with a little noise. Clipped corners fold a little at this rate: 8 times as many, then a mean."""
    time = np.arange(8 * len(crest_v)) / (8 * RATE_HZ)
    crest = np.interp(time, np.arange(len(crest_v)) / RATE_HZ, crest_v)
    volts = amplifier.output_v(crest, np.sin(2 * np.pi * hz * time)).reshape(-1, 8).mean(axis=1)
    return volts + np.random.default_rng(seed).normal(0, 0.02, len(volts))


def ramp_v(start_v: float, stop_v: float, seconds: float) -> np.ndarray:
    return start_v * (stop_v / start_v) ** np.linspace(0, 1, round(seconds * RATE_HZ))


def run(
    output: np.ndarray,
    window_s: float = 10.0,
    load_ohm: float | None = 4.0,
    load_kind: str | None = "resistor",
    saturated: tuple[Interval, ...] = (),
    lost: tuple[tuple[int, int], ...] = (),
    **others: np.ndarray,
) -> DetectorResult:
    detector = GainStepDetector(load_ohm, load_kind)
    roles = {"output": output, **others}
    for window in iter_windows_from_arrays(roles, RATE_HZ, window_s=window_s, saturated=saturated, lost=lost):
        detector.push(window)
    return detector.finish()


def only(result: DetectorResult, kind: str) -> Finding:
    (finding,) = [f for f in result.findings if f.kind == kind]
    return finding


def test_a_tone_too_quiet_for_its_distortion_says_so() -> None:
    quiet = only(run(tone(KnobAmplifier(rail_v=30.0), np.full(int(4 * RATE_HZ), 0.6))), "tone").measured
    assert quiet["thd_percent"] is None
    assert "too quiet for its distortion" in str(quiet["not_judged"])


def test_where_the_tone_was_left_is_told_beside_the_edge() -> None:
    amplifier = KnobAmplifier(rail_v=30.0)
    turned = np.concatenate((ramp_v(10, 33, 6), ramp_v(33, 20, 2), np.full(int(2 * RATE_HZ), 20.0)))
    knee = only(run(tone(amplifier, turned)), "knee").measured
    assert knee["left_at_v"] == pytest.approx(20 / math.sqrt(2), rel=0.002)
    assert knee["margin_db"] == pytest.approx(
        20 * math.log10(find_true_knee(amplifier, 40.0).level_v / 14.142), abs=0.03
    )
    moving = only(run(tone(amplifier, turned[: -int(2 * RATE_HZ)])), "knee").measured
    assert moving["left_at_v"] is None  # by the most of its last second it was left at least so far below
    a_second_ago_v = (20 * math.sqrt(33 / 20)) / math.sqrt(2)
    edge_v = find_true_knee(amplifier, 40.0).level_v
    assert moving["margin_db"] == pytest.approx(20 * math.log10(edge_v / a_second_ago_v), abs=0.4)
    assert 0 < float(moving["margin_db"] or 0) < float(knee["margin_db"] or 0)
    faded = np.concatenate((ramp_v(10, 33, 6), np.full(int(2 * RATE_HZ), 33.0), ramp_v(33, 3, 0.5)))
    beyond_db = only(run(tone(amplifier, faded)), "knee").measured["margin_db"]
    assert beyond_db is None or float(beyond_db) < 0  # a track's end is no hand's doing


def test_knee_ten_percent_watts_and_supply() -> None:
    amplifier = KnobAmplifier(rail_v=30.0)
    output = tone(amplifier, ramp_v(8, 45, 12))
    supply = 13.0 - 0.02 * np.abs(np.interp(np.arange(len(output)), [0, len(output)], [0, 40]))
    knee = only(run(output, supply=supply), "knee").measured
    truth = find_true_knee(amplifier, 40.0)
    assert 20 * math.log10(float(knee["knee_v"] or 0) / truth.level_v) == pytest.approx(0, abs=0.015)
    assert knee["knee_w"] == pytest.approx(truth.level_v**2 / 4, rel=0.004)
    # 10 % over 1 % in power is 1.2294 for hard clipping (closed form)
    assert float(knee["ten_percent_w"] or 0) / float(knee["knee_w"] or 1) == pytest.approx(1.2294, abs=0.005)
    assert knee["ceiling_v"] == pytest.approx(30.0, abs=0.3)
    assert knee["outcome"] == CEILING_OPEN
    assert "not decided" in str(knee["ceiling_kind"])
    assert 12.2 < float(knee["supply_at_knee_v"] or 0) < 13.0


def test_same_findings_whatever_the_window() -> None:
    output = np.concatenate([np.zeros(5000), tone(KnobAmplifier(rail_v=25.0), ramp_v(10, 36, 6)), np.zeros(3000)])
    wanted = run(output, 10.0).findings
    for window_s in (0.04, 1.0, 60.0):
        assert run(output, window_s).findings == wanted, window_s


def test_stepped_levels_with_pauses_make_one_curve() -> None:
    """The stepped track: 2.5 s a level with pauses between."""
    amplifier = KnobAmplifier(rail_v=30.0)
    parts = []
    for level_db in np.arange(-3, 2.1, 0.5):
        crest = np.full(round(2.5 * RATE_HZ), 30.0 * 10 ** (level_db / 20))
        parts += [tone(amplifier, crest), np.zeros(round(0.5 * RATE_HZ))]
    result = run(np.concatenate(parts))
    assert len([f for f in result.findings if f.kind == "tone"]) == 11
    knee = only(result, "knee").measured
    assert 20 * math.log10(float(knee["knee_v"] or 0) / find_true_knee(amplifier, 40.0).level_v) == pytest.approx(
        0, abs=0.015
    )


def test_soft_and_uneven_amplifiers() -> None:
    for amplifier in (KnobAmplifier(rail_v=34, knee_exponent=24), KnobAmplifier(rail_v=32, negative_ratio=0.96)):
        result = run(tone(amplifier, ramp_v(12, 50, 16)))
        knee_v = float(only(result, "knee").measured["knee_v"] or 0)
        assert 20 * math.log10(knee_v / find_true_knee(amplifier, 40.0).level_v) == pytest.approx(0, abs=0.015)


@pytest.mark.parametrize(
    "amplifier",
    [
        KnobAmplifier(rail_v=30, dead_v=0.3),  # distortion falls below 1 % before it rises
        KnobAmplifier(rail_v=30, second_ratio=0.009),  # falls a little again where one side begins to clip
        KnobAmplifier(rail_v=60, knee_exponent=2.0),  # rises with the square of the level, 25 dB below its ceiling
    ],
)
def test_where_distortion_comes_slowly_the_last_rise_counts_within_its_uncertainty(amplifier: KnobAmplifier) -> None:
    knee = only(run(tone(amplifier, ramp_v(4, 38, 9))), "knee").measured
    error_db = 20 * math.log10(float(knee["knee_v"] or 0) / find_true_knee(amplifier, 40.0).level_v)
    assert abs(error_db) < 2 * float(knee["uncertainty_db"] or 0)
    assert abs(error_db) < 0.05
    assert knee["outcome"] == CEILING_OPEN


def test_crossover_distortion_alone_is_no_edge() -> None:
    knee = only(run(tone(KnobAmplifier(rail_v=60, dead_v=0.2), ramp_v(4, 40, 5))), "knee").measured
    assert knee["knee_v"] is None
    assert knee["outcome"] == "the edge was not reached"


@pytest.mark.parametrize(("rail_v", "is_found"), [(5.0, True), (2.0, False)])
def test_a_ceiling_near_the_logger_s_noise_is_found_or_said_to_drown_in_it(rail_v: float, is_found: bool) -> None:
    amplifier = KnobAmplifier(rail_v=rail_v)
    knee = only(run(tone(amplifier, ramp_v(0.5 * rail_v, 1.6 * rail_v, 8))), "knee").measured
    if is_found:
        error_db = 20 * math.log10(float(knee["knee_v"] or 0) / find_true_knee(amplifier, 40.0).level_v)
        assert abs(error_db) < 0.05
    else:
        assert knee["outcome"] == IN_NOISE


def test_a_clipped_source_is_no_ceiling() -> None:
    amplifier = KnobAmplifier(rail_v=60.0, source_clip_ratio=0.9)
    result = run(tone(amplifier, ramp_v(8, 40, 10)))
    knee = only(result, "knee")
    assert knee.measured["outcome"] == "source clipped before the amplifier"
    assert knee.measured["knee_v"] is None
    assert knee.severity == "attention"


def test_the_edge_not_reached_gives_no_knee() -> None:
    result = run(tone(KnobAmplifier(rail_v=60.0), ramp_v(8, 40, 10)))
    knee = only(result, "knee").measured
    assert knee["outcome"] == "the edge was not reached"
    assert knee["knee_v"] is None
    assert float(knee["clean_v"] or 0) == pytest.approx(40 / math.sqrt(2), rel=0.02)


def test_a_limiter_is_named_where_the_source_is_logged() -> None:
    n = round(10 * RATE_HZ)
    source = np.linspace(0.5, 2.5, n) * np.sin(2 * np.pi * 40 * np.arange(n) / RATE_HZ)
    held = tone(KnobAmplifier(rail_v=60.0), np.minimum(20.0, 20 * np.linspace(0.5, 2.5, n)))
    assert only(run(held, source=source), "knee").measured["outcome"] == "level held (a limiter?)"


def test_unloaded_gives_no_watts_and_is_provisional() -> None:
    knee = only(run(tone(KnobAmplifier(), ramp_v(10, 45, 8)), load_kind="none"), "knee")
    assert knee.measured["knee_w"] is None
    assert knee.evidence["is_gain_provisional"]
    assert "the rail" in str(knee.measured["ceiling_kind"])


def test_no_tone_music_and_noise_give_nothing() -> None:
    rng = np.random.default_rng(4)
    n = round(20 * RATE_HZ)
    assert run(np.zeros(n)).findings == ()
    assert run(rng.normal(0, 5, n)).findings == ()
    time = np.arange(n) / RATE_HZ
    chord = sum(3 * np.sin(2 * np.pi * hz * time) for hz in (55, 82.4, 110.7, 164))
    assert run(chord).findings == ()
    short = np.where((time > 3) & (time < 4.5), 10 * np.sin(2 * np.pi * 60 * time), 0)
    assert run(short).findings == ()


def test_two_tones_hum_and_a_saturated_logger_are_said_in_words() -> None:
    n = round(8 * RATE_HZ)
    time = np.arange(n) / RATE_HZ
    two = run(10 * np.sin(2 * np.pi * 40 * time) + 4 * np.sin(2 * np.pi * 57 * time))
    finding = only(two, "tone")
    assert finding.measured["thd_percent"] is None
    assert "two tones" in str(finding.measured["not_judged"])
    assert not [f for f in two.findings if f.kind == "knee"]
    assert any("two tones" in span.reason for span in two.coverage.not_judged)
    hum = run(10 * np.sin(2 * np.pi * 40 * time) + 0.3 * np.sin(2 * np.pi * 50 * time))
    assert only(hum, "tone").measured["other_hz"] == pytest.approx(50, abs=1.1)
    assert only(hum, "tone").measured["other_percent"] == pytest.approx(3.0, abs=0.4)
    # While the gain is turned all along only pieces of 50 ms are steady, whose lines lie 20 Hz apart.
    turned = ramp_v(4, 20, 8)[:n] * np.sin(2 * np.pi * 400 * time) + 0.3 * np.sin(2 * np.pi * 50 * time)
    assert only(run(turned), "tone").measured["other_hz"] == pytest.approx(50, abs=1.1)
    flat = np.clip(90 * np.sin(2 * np.pi * 40 * time), -64, 64)
    over = run(flat, saturated=(Interval(0.0, 8.0),))
    assert only(over, "tone").measured["thd_percent"] is None
    assert only(over, "tone").measured["thd_n_percent"] is None
    assert only(over, "tone").evidence["sinad_db"] is None
    assert "limit" in str(only(over, "tone").measured["not_judged"])
    assert sum(span.stop_s - span.start_s for span in over.coverage.not_judged) == pytest.approx(8.0, abs=0.3)


def test_a_gap_is_never_measured_across() -> None:
    output = tone(KnobAmplifier(rail_v=60.0), np.full(round(12 * RATE_HZ), 20.0))
    output[48000:48800] = 0.0
    result = run(output, lost=((48000, 48800),))
    tones = [f for f in result.findings if f.kind == "tone"]
    assert len(tones) == 2
    assert tones[0].stop_s <= 6.0 <= 6.1 <= tones[1].start_s
    assert all(f.measured["thd_is_below_floor"] for f in tones)


def test_hard_clip_law() -> None:
    """1 % THD: P(1 %)/P(sine) = 1.04751; 10 %: 1.2294 times that (closed forms)."""
    assert 10 ** (hard_clip_level_db(1.0) / 10) == pytest.approx(1.04751, abs=0.0005)
    assert 10 ** ((hard_clip_level_db(10.0) - hard_clip_level_db(1.0)) / 10) == pytest.approx(1.2294, abs=0.0005)
    assert 100 * true_thd(KnobAmplifier(rail_v=1.0), 1 / 0.971487, 40.0)[0] == pytest.approx(1.0, abs=0.002)


def test_a_clean_source_makes_it_the_amplifier_s_ceiling() -> None:
    crest_v = ramp_v(8, 45, 6)
    output = tone(KnobAmplifier(rail_v=30.0), crest_v)
    clean = tone(KnobAmplifier(rail_v=300.0), crest_v / 15, seed=2)
    assert only(run(output, source=clean), "knee").measured["outcome"] == CEILING_MET
    assert only(run(output), "knee").measured["outcome"] == CEILING_OPEN


def test_beyond_the_edge_the_gain_is_told_and_not_the_level() -> None:
    """An output at its ceiling hardly rises: 2.8 dB of gain past a hard ceiling are 1.0 dB of level past 1 %. That lies
    0.251 dB past the ceiling (closed form: cos of the cut 0.971487)."""
    crest_v = np.concatenate((ramp_v(10, 30 * 10 ** (2.8 / 20), 6), np.full(int(2 * RATE_HZ), 30 * 10 ** (2.8 / 20))))
    knee = only(run(tone(KnobAmplifier(rail_v=30.0), crest_v)), "knee").measured
    assert knee["margin_db"] == pytest.approx(-(2.8 + 20 * math.log10(0.971487)), abs=0.03)


@pytest.mark.parametrize("own_percent", [1.2, 3.0])
def test_what_a_tone_carries_by_itself_is_no_edge(own_percent: float) -> None:
    """A player with a residual of its own: the edge is where more comes, within the stated uncertainty."""
    crest_v = ramp_v(6, 42, 12)
    time = np.arange(8 * len(crest_v)) / (8 * RATE_HZ)
    angle = 2 * np.pi * 40.0 * time
    wave = np.sin(angle) + own_percent / 100 * (0.8 * np.sin(2 * angle + 0.5) + 0.6 * np.sin(3 * angle + 1))
    crest = np.interp(time, np.arange(len(crest_v)) / RATE_HZ, crest_v)
    output = np.clip(crest * wave, -30, 30).reshape(-1, 8).mean(axis=1)
    knee = only(run(output + np.random.default_rng(3).normal(0, 0.02, len(output))), "knee").measured
    assert knee["own_percent"] == pytest.approx(own_percent, rel=0.05)
    true_v = find_true_knee(KnobAmplifier(rail_v=30.0), 40.0).level_v
    error_db = 20 * math.log10(float(knee["knee_v"] or 0) / true_v)
    assert abs(error_db) < 2 * float(knee["uncertainty_db"] or 0)
    assert abs(error_db) < 0.25


@pytest.mark.parametrize(("own_percent", "is_all_own"), [(2.0, True), (0.3, False)])
def test_the_same_distortion_at_every_level_is_neither_a_clipped_source_nor_a_limiter(
    own_percent: float, is_all_own: bool
) -> None:
    """Turned evenly and then held at -5 dB: a hand that stops is no level that stops following."""
    crest_v = np.concatenate((ramp_v(3, 17, 18), np.full(int(6 * RATE_HZ), 17.0)))
    angle = 2 * np.pi * 40.0 * np.arange(len(crest_v)) / RATE_HZ
    wave = np.sin(angle) + own_percent / 100 * np.sin(3 * angle + 1)
    found = run(crest_v * wave + np.random.default_rng(3).normal(0, 0.02, len(crest_v)))
    knee = only(found, "knee").measured
    assert knee["outcome"] == (ALL_OWN if is_all_own else "the edge was not reached")
    assert knee["own_percent"] == (pytest.approx(own_percent, rel=0.05) if is_all_own else None)
    findings = FindingList.of(found.findings)
    assert bool(word_distorted(findings)) == is_all_own
    assert any("no edge was met" in step for step in advise_ceilings(findings)) == is_all_own
    assert not advise_distorted(findings)


def test_a_clean_player_carries_nothing_of_its_own() -> None:
    for amplifier in (KnobAmplifier(rail_v=30.0), KnobAmplifier(rail_v=30, second_ratio=0.009)):
        assert only(run(tone(amplifier, ramp_v(8, 45, 8))), "knee").measured["own_percent"] is None


@pytest.mark.parametrize("rails_v", [(30.0, 30.0), (30.0, 26.0)])
def test_the_ceiling_is_that_of_the_flat_not_of_what_the_band_leaves_of_its_corners(
    rails_v: tuple[float, float],
) -> None:
    """1 kHz at 25 kS/s: without harmonics beyond 10 kHz a flat's ends swing past it. Truth: the lower rail."""
    rate_hz, seconds = 25_000.0, 6
    time = np.arange(int(16 * rate_hz * seconds)) / (16 * rate_hz)
    wave = np.interp(time, [0, 5, 6], [15.0, 40.0, 40.0]) * np.sin(2 * np.pi * 1000.0 * time)
    fine = np.clip(wave, -rails_v[1], rails_v[0])
    output = signal.resample_poly(fine, 1, 16, window=("kaiser", 12.0))
    detector = GainStepDetector(4.0, "resistor")
    for window in iter_windows_from_arrays({"output": output}, rate_hz, window_s=10.0):
        detector.push(window)
    knee = only(detector.finish(), "knee").measured
    assert knee["ceiling_v"] == pytest.approx(min(rails_v), rel=0.003)


@pytest.mark.parametrize("is_logged", [True, False])
def test_a_source_that_clipped_below_clean_levels_is_no_edge(is_logged: bool) -> None:
    """Turned up too far at the amplifier's lowest gain, then down, then the gain up: the report gave the source's edge,
    or the source, though all above was clean; with a gain that goes on to the rail the rail is the edge."""
    source = np.concatenate([np.full(int(2 * RATE_HZ), v) for v in (5.0, 8.5, 5.0)])
    cut = np.clip(tone(KnobAmplifier(rail_v=30.0), source), -7.0, 7.0)
    for top_v, knee_v in ((20.0, None), (33.0, find_true_knee(KnobAmplifier(rail_v=30.0), 40.0).level_v)):
        turned = tone(KnobAmplifier(rail_v=30.0), np.concatenate([ramp_v(5.0, top_v, 6.0), np.full(16000, top_v)]))
        output = np.concatenate([cut, turned])
        sent = 0.1 * np.concatenate([cut, cut[:16000][np.arange(len(turned)) % 16000]])
        curve = only(run(output, **({"source": sent} if is_logged else {})), "knee").measured
        assert curve["outcome"] != "source clipped before the amplifier"
        if knee_v is None:
            assert curve["knee_v"] is None
            assert curve["clean_v"] == pytest.approx(top_v / math.sqrt(2), rel=0.01)
        else:
            assert curve["knee_v"] == pytest.approx(knee_v, rel=0.005)


def test_an_edge_at_a_lower_supply_is_not_refuted_by_what_was_clean_at_a_higher() -> None:
    """The engine stops in the middle: what was clean at 14.2 V says nothing of the ceiling at 11.8 V."""
    high = tone(KnobAmplifier(rail_v=30.0), np.concatenate([ramp_v(5.0, 28.0, 4.0), np.full(16000, 28.0)]))
    low = tone(KnobAmplifier(rail_v=25.0), np.concatenate([ramp_v(5.0, 27.0, 6.0), np.full(16000, 27.0)]))
    supply = np.concatenate([np.full(len(high), 14.2), np.full(len(low), 11.8)])
    curve = only(run(np.concatenate([high, low]), supply=supply), "knee").measured
    assert curve["knee_v"] == pytest.approx(find_true_knee(KnobAmplifier(rail_v=25.0), 40.0).level_v, rel=0.01)
