"""Cut-outs: the output stops as no note does, and what the supply and the remote lead did around that instant."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ampwitness.detect.cutout_bins import STEP_S, StepHistory
from ampwitness.detect.cutout_cause import Cause, SupplyEvidence, decide_cause, measure_supply
from ampwitness.detect.note_onset import find_departure
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.streams import Ledger, RunBlock, RunBlocks
from ampwitness.types import Edge, Finding, FloatArray, TraceWindow

OFF_S = 0.050  # quiet at least this long
RECENT_S = 0.500  # the level before is the highest swing within this span
RECENT_CONTINUOUS_S = 5.0
FALL_DB = 26.0  # the level falls by at least this much
LEAST_PEAK_V = 0.30  # what is weaker than this is not called a signal
ABRUPT_RATIO = 0.30  # swing within the last half-cycle (25 ms at most), of the swing before
TRUNCATED_RATIO = 0.12  # a stop in mid-cycle leaves a step of at least this much of the swing before
FALL_S = 0.003  # a tone that is cut off is gone within this
LAST_RMS_RATIO = 0.37
MOST_FALL_S = 0.060
_TONAL_RATIO = 0.15
_CLEAN_RATIO = 0.02
_BLOCK_S = 0.5
_LOOK_AHEAD_S = 0.060
_KEEP_S = 1.5
_SURVIVED_BEFORE_S = 0.300  # what the supply did earlier than this before a stop, the output outlived


@dataclass(slots=True)
class _Stop:
    """The output has stopped; what was measured then."""

    stop_s: float
    stop_step: int
    peak_v: float
    off_rms_v: float
    abrupt_ratio: float
    supply: SupplyEvidence | None
    cut_s: float | None = None  # where a tone left its own continuation; None: no tone
    cut_ratio: float = 0.0  # how high it stood then, of the swing before
    fall_s: float = np.inf
    last_rms_ratio: float = 0.0  # rms of the last 6 ms, of the rms before
    resume_s: float | None = None
    end_s: float = 0.0
    ended_how: str = ""
    remote_v_before: float | None = None
    remote_low_s: float | None = None
    extra: dict[str, Any] = field(default_factory=dict)


class _RunWatch:
    """Follows the output through one unbroken run, one step after the other."""

    def __init__(self, block: RunBlock, is_continuous: bool, stops: list[_Stop]) -> None:
        self._recent_s = RECENT_CONTINUOUS_S if is_continuous else RECENT_S
        self._history = StepHistory(block, max(_KEEP_S, self._recent_s + 0.5))
        self._stops = stops
        self._at = 0  # next step to judge
        self._on_since = 0
        self._open: _Stop | None = None
        self._survived_v = np.inf  # lowest supply through which the output went on
        self._survived_to = 0
        self._seconds: deque[float] = deque(maxlen=60)
        self._second_to = 0

    def take(self, block: RunBlock) -> None:
        """Look at the next block of the run."""
        history = self._history
        history.append(block)
        ahead = 0 if block.is_last else round(_LOOK_AHEAD_S / history.step_s)
        limit = history.stop - ahead
        while self._at < limit:
            if self._open is None:
                self._find_stop(limit)
            else:
                self._find_resume(limit)
        self._learn(self._at - round(_SURVIVED_BEFORE_S / history.step_s))
        if block.is_last and self._open is not None:
            self._open.end_s = block.time_s(block.first + block.n)
            self._open.ended_how = "the data ended while the output was still off"
            self._open = None
        history.forget(self._at - round(_KEEP_S / history.step_s))

    def _find_stop(self, limit: int) -> None:
        """Move on to the first step after which the output is off, or to `limit`."""
        h = self._history
        n_off, n_recent = round(OFF_S / h.step_s), round(self._recent_s / h.step_s)
        start = max(self._on_since, self._at - n_recent, h.first)
        high, low = h["highest"][start - h.first :], h["lowest"][start - h.first :]
        n = limit - self._at
        lead = self._at - start
        swing = 0.5 * (_running(high, n_recent, np.maximum) - _running(low, n_recent, np.minimum))[lead : lead + n]
        # How far it swings, and its rms about the mean, over the 50 ms behind each step; a step's own end blurs
        # a sudden stop, hence two steps of grace.
        grace = 2
        mean, square = h["mean"][self._at - h.first :], h["square"][self._at - h.first :]
        m1 = np.concatenate(([0.0], np.cumsum(mean)))
        m2 = np.concatenate(([0.0], np.cumsum(square)))
        at = np.arange(n)
        known = at + 1 + n_off <= len(mean)
        a, b = np.minimum(at + 1 + grace, len(mean)), np.minimum(at + 1 + n_off, len(mean))
        width = np.maximum(b - a, 1)
        rms = np.sqrt(np.maximum((m2[b] - m2[a]) / width - ((m1[b] - m1[a]) / width) ** 2, 0.0))
        is_off = known & (swing >= LEAST_PEAK_V) & (rms * np.sqrt(2) < swing * 10 ** (-FALL_DB / 20))
        hits = np.flatnonzero(is_off)
        if not len(hits):
            self._at = limit
            return
        step = self._at + int(hits[0])
        self._learn(step - round(_SURVIVED_BEFORE_S / h.step_s))
        self._open = self._measure_stop(step, float(swing[hits[0]]))
        self._stops.append(self._open)
        self._at = max(self._open.stop_step, step) + n_off
        self._survived_to = self._at

    def _measure_stop(self, step: int, peak_v: float) -> _Stop:
        h = self._history
        n_off = round(OFF_S / h.step_s)
        quiet_first, quiet = h.output_between((step + n_off // 2) * h.step, (step + 1 + n_off) * h.step)
        base_v, off_rms_v = float(np.median(quiet)), float(np.std(quiet))
        first, near = h.output_between((step - round(0.030 / h.step_s)) * h.step, quiet_first)
        near = near - base_v
        limit_v = max(5.0 * off_rms_v, 0.02 * peak_v)
        loud = np.flatnonzero(np.abs(near) > limit_v)
        last = int(loud[-1]) if len(loud) else len(near) - 1
        stop_sample = first + last
        half_cycle = round(0.0125 * h.rate_hz)
        before = near[max(0, last - half_cycle) : last + 1]
        abrupt = float(np.max(np.abs(before))) / peak_v if len(before) else 0.0
        last_rms = float(
            np.sqrt(np.mean(near[max(0, last - round(0.007 * h.rate_hz)) : last - round(0.001 * h.rate_hz)] ** 2))
        )
        stop = _Stop(
            stop_s=h.run_start_s + (stop_sample + 1) / h.rate_hz,
            stop_step=stop_sample // h.step,
            peak_v=peak_v,
            off_rms_v=off_rms_v,
            abrupt_ratio=abrupt,
            supply=self._measure_supply(stop_sample),
        )
        stop.extra["base_v"] = base_v
        self._measure_cut(stop, stop_sample, last_rms)
        self._measure_remote(stop)
        return stop

    def _measure_cut(self, stop: _Stop, stop_sample: int, last_rms_v: float) -> None:
        """How the wave broke off: where it left its own continuation, at what height, and how fast it was gone."""
        h = self._history
        begin = max(h.first * h.step, stop_sample - round(0.185 * h.rate_hz), self._on_since * h.step)
        first, samples = h.output_between(begin, stop_sample + round(0.030 * h.rate_hz))
        n_before = stop_sample - round(0.015 * h.rate_hz) - first
        if n_before < round(0.030 * h.rate_hz):
            return
        factor = max(1, round(h.rate_hz * STEP_S))
        slow = samples[: n_before // factor * factor].reshape(-1, factor).mean(axis=1)
        pivot = max(n_before, stop_sample - first - round(0.002 * h.rate_hz))
        cut = find_departure(samples, h.rate_hz, n_before, pivot, slow, h.rate_hz / factor)
        rms_v = float(np.std(samples[:n_before]))
        stop.last_rms_ratio = last_rms_v / max(rms_v, 1e-9)
        if cut is None or cut.noise_v > _TONAL_RATIO * rms_v:
            return  # no tone: nothing to carry on
        if first + cut.at > stop_sample + 1 + 0.0005 * h.rate_hz:
            return  # it carried on into silence: no tone either
        at = round(cut.at)
        # With noise on the tone the break is seen late: look for its height a little before.
        early = 1 if cut.noise_v < _CLEAN_RATIO * rms_v else round(0.0008 * h.rate_hz)
        stop.cut_s = h.run_start_s + (first + cut.at) / h.rate_hz
        here = samples[max(0, at - early) : at + 1] - stop.extra["base_v"]
        stop.cut_ratio = float(np.max(np.abs(here))) / stop.peak_v
        stop.fall_s = max(0.0, stop.stop_s - stop.cut_s)

    def _measure_supply(self, stop_sample: int) -> SupplyEvidence | None:
        h = self._history
        if h.supply_samples is None:
            return None
        origin = h.first * h.step
        reference_v = float(np.median(self._seconds)) if self._seconds else None
        survived_v = float(self._survived_v) if np.isfinite(self._survived_v) else None
        return measure_supply(h.supply_samples, stop_sample - origin, h.rate_hz, reference_v, survived_v)

    def _measure_remote(self, stop: _Stop) -> None:
        h = self._history
        at = stop.stop_step - h.first
        remote = h["remote"][max(0, at - round(1.0 / h.step_s)) : at + round(0.012 / h.step_s)]
        if len(remote) == 0 or np.isnan(remote[-1]):
            return
        stop.remote_v_before = float(np.median(remote[: max(1, len(remote) // 4)]))
        low = remote < 6.0
        if stop.remote_v_before >= 6.0 and low.any():
            first = max(0, at - round(1.0 / h.step_s)) + int(np.argmax(low))
            stop.remote_low_s = h.time_s(h.first + first)

    def _find_resume(self, limit: int) -> None:
        """Move on to the step in which the output is back, or to `limit`."""
        h, stop = self._history, self._open
        assert stop is not None
        limit_v = max(6.0 * stop.off_rms_v, 0.03 * stop.peak_v)
        # The level at rest may creep while the output is off: measure from where it stood 20 to 60 ms before.
        lead = min(self._at - stop.stop_step - 3, self._at - h.first, round(0.060 / h.step_s))
        mean = h["mean"][self._at - lead - h.first : limit - h.first]
        sums = np.concatenate(([0.0], np.cumsum(mean)))
        at = np.arange(lead, len(mean))
        b = np.maximum(at - round(0.020 / h.step_s), 1)
        a = np.maximum(b - round(0.040 / h.step_s), 0)
        rest = (sums[b] - sums[a]) / (b - a)
        high = h["highest"][self._at - h.first : limit - h.first]
        low = h["lowest"][self._at - h.first : limit - h.first]
        away = np.maximum(high - rest, rest - low) > limit_v
        # One step alone is a spike of noise, not a signal.
        count = np.convolve(away.astype(float), np.ones(10), "full")[9:] if len(away) else np.empty(0)
        hits = np.flatnonzero(away & (count >= 2))
        if not len(hits):
            self._at = limit
            return
        step = self._at + int(hits[0])
        first, samples = h.output_between((step - 2) * h.step, (step + 1) * h.step)
        loud = np.flatnonzero(np.abs(samples - rest[hits[0]]) > limit_v)
        sample = first + int(loud[0]) if len(loud) else step * h.step
        stop.resume_s = stop.end_s = h.run_start_s + sample / h.rate_hz
        stop.ended_how = "the output came back"
        stop.extra["supply_at_return_v"] = _clean(h["supply"][step - h.first])
        self._open = None
        self._on_since = self._at = step
        self._survived_to = step

    def _learn(self, to: int) -> None:
        """Fold the supply of steps before `to` into what is known of it."""
        h = self._history
        supply = h["supply"]
        if len(supply) == 0 or h.supply_samples is None:
            return
        if self._open is None and to > self._survived_to:
            part = supply[max(0, self._survived_to - h.first) : to - h.first]
            swing = h["highest"][max(0, self._survived_to - h.first) : to - h.first]
            if len(part) and float(np.max(np.abs(swing))) >= LEAST_PEAK_V:
                self._survived_v = min(self._survived_v, float(part.min()))
            self._survived_to = to
        n_second = round(1.0 / h.step_s)
        while self._second_to + n_second <= to:
            part = supply[max(0, self._second_to - h.first) : self._second_to + n_second - h.first]
            # The upper part of what was seen: a second full of bass does not make a low supply normal.
            self._seconds.append(float(np.percentile(part, 75)) if len(part) else self._seconds[-1])
            self._second_to += n_second
        if not self._seconds and to - h.first > 50:
            self._seconds.append(float(np.percentile(supply[: to - h.first], 75)))


def _running(values: FloatArray, n: int, pick: Any) -> FloatArray:
    """Running extreme over the last `n` values up to and with each one, by doubling."""
    out = values.copy()
    reach = 1
    while reach < n and reach < len(out):
        shift = min(reach, n - reach)
        shifted = out.copy()
        shifted[shift:] = pick(out[shift:], out[:-shift])
        out = shifted
        reach += shift
    return out


def _clean(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


class CutoutDetector:
    """Finds where the output stops as no note does, and says what came with it.

    The output has stopped when, after a swing of at least 0.3 V within the last 500 ms, its rms about the mean over
    the next 50 ms is 26 dB lower. Start of a tone's end is where it leaves its own continuation (linear prediction over
    the 170 ms before); of anything else the last sample above 2 % of that swing or 5 sigma of the quiet after it. End
    is the first sample away from rest again. Such a stop is a finding
    - with evidence that the supply was lost or the remote lead dropped, when the fall took no longer than about half a
      cycle;
    - without, only when the wave was cut in mid-cycle (a tone that stood above an eighth of the swing where it broke
      off and was gone within 3 ms; noise-like material whose level held to the last 6 ms), and then the cause is
      "not decided: the signal may have paused at the source", or "supply fell below a level" when in the 300 ms before
      the supply was below 90 % of its usual value and lower than the output had ever gone on through (below 10.5 V and
      0.3 V lower than ever, the cut in mid-cycle is not asked for);
    - always, when the signal is known never to pause (`is_continuous`).

    Parameters
    ----------
    is_continuous : the signal never pauses (tones, noise), so any silence of 50 ms is a cut-out

    Gaps
    ----
    A gap is never a cut-out. A stop is found only when 50 ms of quiet were recorded behind it; a gap in the silence
    ends the outage as far as it is known (`recovered` False, said in the evidence).

    Limits
    ------
    What stopped at the source with a slow end is a pause and not reported. A wave cut within 7 degrees of its zero
    crossing looks like a note that ended. All volts are relative to the logger's reference: a lost ground of the
    logger itself is not judged.

    Source
    ------
    Our choice, measured by `python -m ampwitness.bench.event_scores`.
    """

    name = "cutouts"

    def __init__(self, *, is_continuous: bool = False) -> None:
        self._is_continuous = is_continuous
        self._ledger = Ledger(self.name)
        self._blocks = RunBlocks(("output", "supply", "remote"), _BLOCK_S)
        self._watch: tuple[int, _RunWatch] | None = None
        self._stops: list[_Stop] = []
        self._edges: list[Edge] = []

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""
        self._ledger.see(window)
        self._edges += [edge for edge in window.edges if edge.role == "remote"]
        if "output" not in window.traces:
            self._ledger.leave_out(window.start_s, window.stop_s, "no output channel")
            return
        if "supply" not in window.traces:
            self._ledger.leave_out(window.start_s, window.stop_s, "cause by supply: no supply channel")
        for block in self._blocks.push(window):
            self._take(block)

    def finish(self) -> DetectorResult:
        """Close what is open and answer."""
        for block in self._blocks.finish():
            self._take(block)
        findings = [f for f in (self._finding(stop) for stop in self._stops) if f is not None]
        summary = {"is_continuous": self._is_continuous, "n_stops_seen": len(self._stops), "n_cutouts": len(findings)}
        return DetectorResult(tuple(findings), self._ledger.coverage(), summary)

    def _take(self, block: RunBlock) -> None:
        if "output" not in block.volts:
            return
        if self._watch is None or self._watch[0] != block.run_id:
            self._watch = (block.run_id, _RunWatch(block, self._is_continuous, self._stops))
        self._watch[1].take(block)
        self._ledger.judge(block.n / block.rate_hz)
        # An input at its rail still shows that there is an output: only its height is unknown.

    def _finding(self, stop: _Stop) -> Finding | None:
        cause = decide_cause(stop.stop_s, stop.supply, self._edges, stop.remote_v_before, stop.remote_low_s)
        is_truncated = _is_truncated(stop)
        start_s = stop.cut_s if stop.cut_s is not None and stop.fall_s < MOST_FALL_S else stop.stop_s
        is_abrupt = stop.abrupt_ratio >= ABRUPT_RATIO
        is_explained = cause.is_evident and is_abrupt and not cause.needs_a_cut
        if not self._is_continuous and not (is_truncated or is_explained):
            return None
        words = cause.words
        if not cause.is_evident and not self._is_continuous:
            words += ": the signal may have paused at the source"
        supply = stop.supply
        return Finding(
            kind="cutout",
            start_s=start_s,
            stop_s=stop.end_s,
            severity="serious" if cause.is_evident or self._is_continuous else "attention",
            measured={
                "outage_s": stop.end_s - start_s,
                "cause": words,
                "supply_at_start_v": None if supply is None else supply.at_stop_v,
                "supply_lowest_before_v": None if supply is None else supply.lowest_v,
                "recovered": stop.resume_s is not None,
            },
            threshold={
                "off_s": OFF_S,
                "fall_db": FALL_DB,
                "least_peak_v": LEAST_PEAK_V,
                "truncated_ratio": TRUNCATED_RATIO,
            },
            evidence=_evidence(stop, cause, is_truncated),
        )


def _is_truncated(stop: _Stop) -> bool:
    if stop.cut_s is None:
        # Noise-like material has no continuation to leave: its level must have held right up to the stop.
        return stop.last_rms_ratio >= LAST_RMS_RATIO and stop.abrupt_ratio >= ABRUPT_RATIO
    return stop.cut_ratio >= TRUNCATED_RATIO and stop.fall_s <= FALL_S


def _evidence(stop: _Stop, cause: Cause, is_truncated: bool) -> dict[str, Any]:
    evidence: dict[str, Any] = {
        "level_before_v": stop.peak_v,
        "off_rms_v": stop.off_rms_v,
        "rest_v": stop.extra["base_v"],
        "level_in_last_half_cycle_ratio": stop.abrupt_ratio,
        "cut_at_ratio": stop.cut_ratio if stop.cut_s is not None else None,
        "fall_s": stop.fall_s if stop.cut_s is not None else None,
        "last_rms_ratio": stop.last_rms_ratio,
        "cut_in_mid_cycle": is_truncated,
        "ended": stop.ended_how,
        "supply_at_return_v": stop.extra.get("supply_at_return_v"),
        "in_time_order": cause.in_time_order,
        "reasons": cause.reasons,
    }
    if stop.supply is None:
        evidence["supply"] = "not judged: no supply channel"
    else:
        evidence["supply_reference_v"] = stop.supply.reference_v
        evidence["supply_lowest_s_before"] = stop.supply.lowest_before_s
        evidence["supply_lowest_survived_v"] = stop.supply.survived_v
        evidence["supply_after_v"] = stop.supply.after_v
    return evidence
