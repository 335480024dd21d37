"""Windows against closed-form truth: amplitude, instant, gaps, sessions, modes, and no trace of how things were cut."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from ampwitness.types import Edge, Gap, Interval, Mark, Saturation, Status, TraceWindow
from ampwitness.waveform.assemble import Assembler, iter_windows
from ampwitness.waveform.response import HALF_TAPS
from analytic_board import SCALE, Sines, block, fit_sine, hello

ROLES = ("out_p", "out_n", "supply")
BUSY = {
    "out_p": Sines(7.0, ((20.0, 41.0, 0.3), (1.5, 1170.0, 1.0))),
    "out_n": Sines(7.0, ((20.0, 41.0, 0.3 + np.pi), (1.5, 1170.0, 1.0 + np.pi))),
    "supply": Sines(12.2, ((0.3, 82.0, 2.0),)),
}
STEADY = {"out_p": Sines(7.0), "out_n": Sines(7.0), "supply": Sines(12.2)}


def windows_of(items, window_s=10.0, **options):
    return list(iter_windows(items, window_s, **options))


def cut(blocks, frames_each, rng=None):
    """The same scans in smaller blocks, gaps and marks untouched."""
    for item in blocks:
        if not hasattr(item, "counts"):
            yield item
            continue
        done = 0
        while done < item.n_frames:
            n = min(item.n_frames - done, frames_each if rng is None else int(rng.integers(1, frames_each)))
            first, last = done * item.scans_per_frame, (done + n) * item.scans_per_frame
            yield replace(
                item,
                seq=item.seq + done,
                n_frames=n,
                first_sample_index=item.first_sample_index + first,
                start_s=item.start_s + first / float(item.rate_hz),
                counts=item.counts[first:last],
                at_rail=item.at_rail[done : done + n],
            )
            done += n


def samples(windows, role):
    """All samples of a trace with their times, gaps not marked."""
    segments = [segment for window in windows for segment in window.traces[role].segments]
    return np.concatenate([s.times_s() for s in segments]), np.concatenate([s.volts for s in segments])


def test_the_middle_of_a_bridged_output_stands_beside_its_traces() -> None:
    volts = {"out_p": Sines(8.0, ((3.0, 41.0, 0.3),)), "out_n": Sines(6.0, ((3.0, 41.0, 0.3 + np.pi),))}
    (window,) = windows_of([block(hello("wide", ROLES), {**volts, "supply": Sines(12.2)}, 200)], correct_adc=False)
    assert window.common is not None
    assert set(window.traces) == {"output", "supply"}
    assert np.concatenate([s.volts for s in window.common.segments]) == pytest.approx(7.0, abs=0.05)
    assert [s.start_s for s in window.common.segments] == [s.start_s for s in window.traces["output"].segments]
    (single,) = windows_of([block(hello("wide", ("out_p",)), volts, 200)], correct_adc=False)
    assert single.common is None


def assert_same(left: list[TraceWindow], right: list[TraceWindow]) -> None:
    assert len(left) == len(right)
    for a, b in zip(left, right, strict=True):
        assert (a.start_s, a.stop_s, a.rate_hz, a.mode) == (b.start_s, b.stop_s, b.rate_hz, b.mode)
        assert (a.gaps, a.edges, a.marks) == (b.gaps, b.edges, b.marks)
        assert list(a.traces) == list(b.traces)
        for role in a.traces:
            x, y = a.traces[role], b.traces[role]
            assert (x.gaps, x.saturated) == (y.gaps, y.saturated)
            assert [s.start_s for s in x.segments] == [s.start_s for s in y.segments]
            for s, t in zip(x.segments, y.segments, strict=True):
                np.testing.assert_array_equal(s.volts, t.volts)


# ---- right volts at the right instant ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mode", "hz"),
    [("bass", 40.37), ("bass", 1000.37), ("bass", 3300.37), ("wide", 1000.37), ("wide", 10000.37), ("slow", 40.37)],
)
def test_a_sine_comes_out_with_its_amplitude_and_instant(mode, hz):
    described = hello(mode, ROLES)
    signals = {
        "out_p": Sines(7.0, ((20.0, hz, 0.4),)),
        "out_n": Sines(7.0, ((20.0, hz, 0.4 + np.pi),)),
        "supply": Sines(12.2, ((1.0, hz, -1.0),)),
    }
    windows = windows_of([block(described, signals, 400)], correct_adc=False)
    for role, amplitude, phase, dc in (("output", 40.0, 0.4, 0.0), ("supply", 1.0, -1.0, 12.2)):
        t, volts = samples(windows, role)
        got = fit_sine(t, volts.astype(float), hz)
        assert got[0] == pytest.approx(amplitude, rel=1.2e-3)
        assert (got[1] - phase) / (2 * np.pi * hz) == pytest.approx(0.0, abs=0.2e-6)  # seconds
        assert got[2] == pytest.approx(dc, abs=2e-3)


def test_common_mode_of_equal_dividers_cancels_at_any_frequency():
    """Skew between the two inputs is 5.2 us: uncompensated, 1 V at 3 kHz would leave 98 mV."""
    described = hello("bass", ROLES)
    common = Sines(7.0, ((1.0, 3000.0, 0.0),))
    windows = windows_of(
        [block(described, {"out_p": common, "out_n": common, "supply": Sines(12.0)}, 300)], correct_adc=False
    )
    t, volts = samples(windows, "output")
    assert fit_sine(t, volts.astype(float), 3000.0)[0] < 2e-3


def test_single_ended_output_is_out_p_alone_and_an_extra_role_keeps_its_name():
    described = hello("bass", ("out_p", "supply"))
    windows = windows_of([block(described, BUSY, 100)], correct_adc=False)
    assert list(windows[0].traces) == ["output", "supply"]
    t, volts = samples(windows, "output")
    np.testing.assert_allclose(volts, BUSY["out_p"].at(t), atol=0.02)


def test_measured_corner_and_calibration_are_used():
    described = hello("wide", ROLES)
    true_corner = {"out_p": 4600.0, "out_n": 5500.0, "supply": 5100.0}
    signals = {**STEADY, "out_p": Sines(7.0, ((20.0, 8000.0, 0.0),))}
    raw = block(described, signals, 400, true_corner_hz=true_corner)
    t, volts = samples(windows_of([raw], correct_adc=False), "output")
    assert abs(fit_sine(t, volts.astype(float), 8000.0)[0] - 20.0) > 1.0
    assembler = Assembler(corner_hz_by_role=true_corner, correct_adc=False)
    t, volts = samples(assembler.push(raw) + assembler.finish(), "output")
    assert fit_sine(t, volts.astype(float), 8000.0)[0] == pytest.approx(20.0, rel=1.2e-3)


# ---- how things were cut does not show ----------------------------------------------------------------------------


def eventful():
    """Two runs with a gap, marks, an edge, a saturated stretch, then another session placed off the grid."""
    described = hello("bass", ROLES)
    over = {**BUSY, "out_p": Sines(7.0, ((70.0, 41.0, 0.3),))}
    rate = float(described.rate_hz)
    first = block(described, BUSY, 500, noise_lsb=2.0, seed=1)
    second = block(described, over, 700, first_index=24_000, noise_lsb=2.0, seed=2)
    gap = Gap("s1", 19_000, 24_000, 19_000 / rate, 24_000 / rate, "link", True)
    stop = 24_000 + 700 * 38
    later = hello("bass", ROLES, session="s2")
    restart = Gap("s2", stop, stop, stop / rate, 8.123456, "restart", False)
    third = block(later, BUSY, 400, start_s=8.123456, noise_lsb=2.0, seed=3)
    edge = Edge("remote", 0, 1.25, "s1", 10_000)
    return [described, first, edge, gap, second, Mark("button", 4.0, "s1", 32_000), restart, later, third]


@pytest.mark.parametrize("window_s", [0.05, 1.0, 10.0])
def test_windows_are_bit_identical_however_the_blocks_are_cut(window_s):
    whole = windows_of(eventful(), window_s)
    rng = np.random.default_rng(4)
    assert_same(whole, windows_of(cut(eventful(), 1), window_s))
    assert_same(whole, windows_of(cut(eventful(), 30, rng), window_s))
    assert_same(whole, windows_of(cut(eventful(), 173), window_s))


def test_only_wanted_windows_have_samples_and_those_are_the_same_bits():
    assembler = Assembler(1.0, wanted=Interval(2.5, 4.2))
    got = [window for item in eventful() for window in assembler.push(item)] + assembler.finish()
    wanted = windows_of(eventful(), 1.0)
    assert_same(got[2:5], wanted[2:5])
    assert not any(window.traces["output"].segments for window in got[:2] + got[5:])
    assert [window.gaps for window in got] == [window.gaps for window in wanted]


@pytest.mark.parametrize("role", ["output", "supply"])
def test_samples_are_bit_identical_whatever_the_window(role):
    t, volts = samples(windows_of(eventful(), 10.0), role)
    for window_s in (0.013, 0.37, 1.0, 60.0):
        other_t, other = samples(windows_of(eventful(), window_s), role)
        np.testing.assert_array_equal(other, volts)
        np.testing.assert_allclose(other_t, t, atol=1e-9)


def test_saturated_spans_and_their_conversions_survive_any_cut():
    def spans(windows):
        return [s for w in windows for s in w.traces["output"].saturated]

    whole = spans(windows_of(eventful(), 60.0))
    assert whole
    total = sum(s.n_conversions for s in whole)
    assert total == sum(int(item.at_rail.sum()) for item in eventful() if hasattr(item, "at_rail"))
    for window_s in (0.05, 1.0):
        parts = spans(windows_of(eventful(), window_s))
        assert sum(s.n_conversions for s in parts) == total
        assert sum(s.duration_s for s in parts) == pytest.approx(sum(s.duration_s for s in whole))


def test_windows_follow_one_another_on_a_fixed_grid():
    windows = windows_of(eventful(), 1.0)
    assert windows[0].start_s == 0.0
    for a, b in pairwise(windows):
        assert a.stop_s == b.start_s
        assert b.start_s == int(b.start_s)
    received = sum(len(item.counts) for item in eventful() if hasattr(item, "counts"))
    passed = sum(len(s.volts) for w in windows for s in w.traces["output"].segments)
    assert passed == received - 3 * 2 * HALF_TAPS
    for window in windows:
        assert {
            tuple((s.start_s, len(s.volts)) for s in trace.segments) for trace in window.traces.values()
        }.__len__() == 1
        for segment in window.traces["output"].segments:
            assert window.start_s <= segment.start_s < window.stop_s
            assert not segment.volts.flags.writeable


# ---- gaps ------------------------------------------------------------------------------------------------------------


def test_a_steady_supply_reads_right_up_to_a_gap():
    """12.20 V on both sides of 0.3 s of nothing: filled with zeros it would read 0.00 V, and 6.6 V beside it."""
    described = hello("bass", ROLES)
    start, stop = 100 * 38, 100 * 38 + 2400
    gap = Gap("s1", start, stop, start / 8000, stop / 8000, "link", True)
    items = [block(described, STEADY, 100), gap, block(described, STEADY, 100, first_index=stop)]
    [window] = windows_of(items, correct_adc=False)
    supply = window.traces["supply"]
    assert len(supply.segments) == 2
    for segment in supply.segments:
        np.testing.assert_allclose(segment.volts, 12.20, atol=1.5e-3)  # a count is 0.8 mV
    before, after = supply.segments
    assert before.stop_s == pytest.approx(gap.start_s - HALF_TAPS / 8000)
    assert after.start_s == pytest.approx(gap.stop_s + HALF_TAPS / 8000)
    assert supply.gaps == (gap,)
    assert window.gaps == (gap,)


def test_nothing_crosses_a_gap():
    """Volts on one side are the same whatever stands on the other."""
    described = hello("bass", ROLES)
    gap = Gap("s1", 3800, 6200, 3800 / 8000, 6200 / 8000, "overrun", True)
    left = block(described, BUSY, 100, noise_lsb=2.0)
    quiet, loud = (block(described, s, 100, first_index=6200) for s in (STEADY, BUSY))
    one, two = ([left, gap, right] for right in (quiet, loud))
    a, b = (windows_of(items)[0].traces["output"].segments[0].volts for items in (one, two))
    np.testing.assert_array_equal(a, b)


def test_a_gap_without_its_message_still_ends_the_run():
    described = hello("bass", ROLES)
    items = [block(described, STEADY, 50), block(described, STEADY, 50, first_index=4000)]
    [window] = windows_of(items)
    assert len(window.traces["supply"].segments) == 2


def test_trimmed_scans_are_counted():
    described = hello("bass", ROLES)
    assembler = Assembler(1.0)
    gap = Gap("s1", 1900, 2280, 1900 / 8000, 2280 / 8000, "link", True)
    # the last run is one frame: too short for any output
    items = [block(described, STEADY, 50), gap, block(described, STEADY, 1, first_index=2280)]
    windows = [w for item in items for w in assembler.push(item)] + assembler.finish()
    assert assembler.n_scans_received == 51 * 38
    assert assembler.n_scans_trimmed == 2 * HALF_TAPS + 38
    assert assembler.n_scans_passed == assembler.n_scans_received - assembler.n_scans_trimmed
    assert windows[-1].stop_s == pytest.approx(2318 / 8000)


def test_a_long_hole_is_one_window_and_its_gap_stands_where_it_starts():
    described, later = hello("bass", ROLES), hello("bass", ROLES, session="s2")
    gap = Gap("s2", 3800, 3800, 0.475, 90_000.25, "restart", False)
    items = [block(described, STEADY, 100), gap, block(later, STEADY, 500, start_s=90_000.25)]
    windows = windows_of(items, 1.0)
    assert [(w.start_s, w.stop_s) for w in windows[:3]] == [(0.0, 1.0), (1.0, 90_000.0), (90_000.0, 90_001.0)]
    assert [len(w.gaps) for w in windows[:3]] == [1, 0, 0]
    assert [len(w.traces["supply"].gaps) for w in windows[:4]] == [1, 1, 1, 0]
    assert windows[1].traces["supply"].segments == ()
    assert windows[2].traces["supply"].segments[0].start_s == pytest.approx(90_000.25 + HALF_TAPS / 8000)


# ---- sessions, modes, events ----------------------------------------------------------------------------------------


def test_a_window_never_mixes_modes():
    slow, fast = hello("bass", ROLES), hello("wide", ROLES, session="s2")
    gap = Gap("s2", 0, 0, 1.9, 2.3, "restart", False)
    items = [slow, block(slow, STEADY, 400), gap, fast, block(fast, STEADY, 1000, start_s=2.3)]
    windows = windows_of(items, 1.0)
    assert [(w.mode, w.rate_hz) for w in windows] == [("bass", 8000.0)] * 3 + [("wide", 25000.0)] * 2
    assert [(w.start_s, w.stop_s) for w in windows[2:4]] == [(2.0, 2.3), (2.3, 3.0)]
    for window in windows:
        assert all(s.rate_hz == window.rate_hz for t in window.traces.values() for s in t.segments)
        for segment in window.traces["supply"].segments:
            np.testing.assert_allclose(segment.volts, 12.2, atol=0.02)


def test_edges_and_marks_stand_in_their_windows_also_when_they_come_late():
    described = hello("bass", ROLES)
    items = [
        block(described, STEADY, 840),  # up to 3.99 s
        Edge("remote", 0, 2.5, "s1", 20_000),
        Mark("button", 0.2, "s1", 1600),  # 3.8 s late
        block(described, STEADY, 840, first_index=840 * 38),
    ]
    windows = windows_of(items, 1.0)
    assert [len(w.edges) for w in windows[:4]] == [0, 0, 1, 0]
    assert sum(len(w.marks) for w in windows) == 1
    assert next(w for w in windows if w.marks).start_s in (0.0, 1.0, 2.0)


def test_windows_come_out_while_the_recording_goes_on_and_at_once_for_a_display():
    described = hello("bass", ROLES)
    live = Assembler(0.05, settle_s=0.0)
    emitted, latest_s = 0.0, 0.0
    for number in range(200):
        item = block(described, STEADY, 1, first_index=number * 38)
        for window in live.push(item):
            emitted = window.stop_s
        if number > 20:
            latest_s = max(latest_s, (number + 1) * 38 / 8000 - emitted)
    assert latest_s < 0.05 + HALF_TAPS / 8000 + 38 / 8000  # a window, the filter, a frame
    waiting = Assembler(1.0)
    assert waiting.push(block(described, STEADY, 300)) == []
    assert len(waiting.push(Status("s1", 3.1, {}, 0.0))) == 1


def test_memory_does_not_grow():
    described = hello("bass", ROLES)
    assembler = Assembler(0.5)
    template = block(described, STEADY, 100)
    for number in range(300):
        assembler.push(replace(template, first_sample_index=number * 3800, start_s=number * 0.475))
        kept = sum(len(counts) for run in assembler._runs for _, counts in run._kept)
        assert kept < 4000 + 3800 + 200
        assert len(assembler._built) <= 6


# ---- the logger's own saturation -----------------------------------------------------------------------------------


@pytest.mark.parametrize("mode", ["bass", "wide"])
def test_saturated_spans_cover_every_scan_at_the_rail_and_little_else(mode):
    described = hello(mode, ROLES)
    hz = 40.0 if mode == "bass" else 1000.0
    over = Sines(7.0, ((70.0, hz, 0.0),))
    signals = {"out_p": over, "out_n": Sines(7.0), "supply": Sines(12.0)}
    windows = windows_of([block(described, signals, 60, noise_lsb=1.5)])
    spans = windows[0].traces["output"].saturated
    assert spans
    assert windows[0].traces["supply"].saturated == ()
    assert all(isinstance(s, Saturation) and s.channel_role == "out_p" for s in spans)
    n = 60 * 38
    t = np.arange(n + 8) / float(described.rate_hz)  # a little beyond the end, where the next crest begins
    inside = np.zeros(len(t), dtype=bool)
    for span in spans:
        inside |= (t >= span.start_s - 1e-9) & (t < span.stop_s - 1e-9)
    middle = t + (described.averaging - 1) / (2 * described.averaging * float(described.rate_hz))
    gain, offset = SCALE["out_p"]
    behind = over.at(middle, 5100.0)
    beyond = (behind < offset) | (behind > 4095 * gain + offset)
    assert inside[:n][beyond[:n]].all()
    near = np.convolve(beyond, np.ones(2 * 8 + 1), mode="same") > 0
    assert not inside[~near].any()
    assert inside.sum() < beyond.sum() + 12 * len(spans)


def test_both_terminals_mark_the_output_and_the_rail_is_named():
    described = hello("bass", ROLES)
    signals = {
        "out_p": Sines(0.0, ((70.0, 40.0, 0.0),)),
        "out_n": Sines(0.0, ((70.0, 40.0, np.pi),)),
        "supply": Sines(12.0),
    }
    [window] = windows_of([block(described, signals, 60)])
    found = {(s.channel_role, s.rail) for s in window.traces["output"].saturated}
    assert found == {("out_p", "top"), ("out_p", "bottom"), ("out_n", "top"), ("out_n", "bottom")}


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="window"):
        Assembler(0.0)
