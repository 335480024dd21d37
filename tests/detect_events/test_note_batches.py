"""What is measured of many notes at once, against the same one by one or written out."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.notes.note_decimate import Bands, History
from ampwitness.detect.notes.note_departure import _carry_on
from ampwitness.detect.notes.note_levels import _far_from, _find_peaks
from ampwitness.detect.notes.note_spectrum import measure_fundamentals, measure_pitches
from ampwitness.detect.notes.note_turns import Turns

RATE_HZ = 500.0


def _tone(seconds: float, hz: float, partials: tuple[float, ...] = (1.0, 0.5, 0.2)) -> np.ndarray:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.sum([a * np.sin(2 * np.pi * k * hz * time_s + k) for k, a in enumerate(partials, 1)], axis=0)


def test_the_fundamental_alone_is_that_of_the_whole_measurement() -> None:
    rng = np.random.default_rng(7)
    parts = [
        _tone(float(s), float(hz)) for s, hz in zip(rng.uniform(0.08, 3.0, 150), rng.uniform(20, 120, 150), strict=True)
    ]
    # Roots that are weak, two notes at once, noise, nothing, and too little.
    parts += [_tone(0.6, hz, (0.1, 1.0, 0.8, 0.3, 0.2)) for hz in (25.0, 31.0, 38.0)]
    parts += [_tone(0.5, 41.0) + _tone(0.5, 58.0), rng.normal(size=300), np.zeros(200), np.ones(5)]
    whole = measure_pitches(parts, RATE_HZ)
    hz, explained = measure_fundamentals(parts, RATE_HZ)
    assert whole[-2] is None
    assert whole[-1] is None
    for pitch, one_hz, one_explained in zip(whole, hz.tolist(), explained.tolist(), strict=True):
        if pitch is None:
            assert np.isnan(one_hz)
            assert np.isnan(one_explained)
        else:
            assert (one_hz, one_explained) == (pitch.frequency_hz, pitch.explained_ratio)


def test_a_prediction_carried_on_by_a_block_is_that_sample_by_sample() -> None:
    rng = np.random.default_rng(8)
    weights, last = rng.normal(0.0, 0.2, (6, 32)), rng.normal(size=(6, 32))
    carried = last.copy()
    for _ in range(8):
        carried = np.concatenate((carried, np.sum(weights * carried[:, -32:], axis=1, keepdims=True)), axis=1)
    ahead = np.einsum("kjp,kp->kj", _carry_on(weights), last)
    assert ahead == pytest.approx(carried[:, 32:], rel=1e-9, abs=1e-12)


def test_peaks_of_several_signals_are_those_of_each() -> None:
    rng = np.random.default_rng(9)
    signals = [(np.round(rng.normal(size=400), 1), least) for least in (0.2, 0.8, 1.5)]  # rounded: some are equal
    for reach in (3, 20):
        for (values, least), found in zip(signals, _find_peaks(signals, reach), strict=True):
            hits = [
                i
                for i in range(1, len(values) - 1)
                if values[i] >= least and values[i] > values[i - 1] and values[i] >= values[i + 1]
            ]
            # The largest of those within reach, and of equals the first.
            wanted = [
                i
                for i in hits
                if all(
                    values[i] > values[j] or (values[i] == values[j] and i < j) for j in hits if 0 < abs(i - j) <= reach
                )
            ]
            assert found.tolist() == wanted


def test_places_are_far_from_others_on_both_sides() -> None:
    rng = np.random.default_rng(10)
    places, others = rng.integers(0, 1000, 60), rng.integers(0, 1000, 25)
    wanted = [place for place in places.tolist() if min(abs(place - other) for other in others.tolist()) > 8]
    assert _far_from(places, others, 8).tolist() == wanted
    assert _far_from(places, others[:0], 8).tolist() == places.tolist()


@pytest.mark.parametrize(("behind_hz", "stays"), [(55.0, True), (55.8, True), (61.7, False)])
def test_a_turn_stays_where_only_partials_change(behind_hz: float, stays: bool) -> None:
    bands = Bands(8000.0, False)
    bands.band.append(np.concatenate((_tone(0.5, 55.0), _tone(0.5, behind_hz, (1.0, 0.1, 0.6)))))
    turns = Turns(bands)
    turns.expect([120, 250, 400])
    assert turns.stay_at(250) is stays
    assert turns.stay_at(400)  # nothing turns there


def test_what_was_taken_from_a_signal_stays_as_it_is_when_more_comes() -> None:
    signal, kept = History(stays=True), []
    for number in range(20):
        signal.append(np.arange(100 * number, 100 * (number + 1), dtype=np.float32))
        kept.append(signal.part(100 * number - 30, 100 * number + 50))
        signal.forget(100 * number - 50)
    assert [float(part[-1]) for part in kept] == [100.0 * number + 49 for number in range(20)]
    for number, part in enumerate(kept[1:], 1):
        np.testing.assert_array_equal(part, np.arange(100 * number - 30, 100 * number + 50))
