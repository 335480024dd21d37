"""Tones too high for the search for clipped half-cycles: what it could not see there it has not judged.

Gaps: sees findings only.
Limits: a tone in which any half-cycle was found clipped counts as looked at.
Source: a sine cut 1 dB past its ceiling is flat for 2 arccos(10^(-1/20)) / (2 pi f); tests/detect_tones.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from ampwitness.detect.clips.clipping import SEEN_SAMPLES
from ampwitness.detect.result import DetectorResult
from ampwitness.finding_list import FindingList
from ampwitness.types import Finding, NotJudged

_JUDGED_DB = 1.0  # of overdrive: a tone whose flats are too short even then is not judged
_FLAT_CYCLES = math.acos(10 ** (-_JUDGED_DB / 20)) / math.pi


def highest_seen_hz(rate_hz: float) -> float:
    """The highest tone whose flats can be seen, 1 dB past its ceiling: 300 Hz at 8 kS/s, 936 Hz at 25 kS/s."""
    return _FLAT_CYCLES * rate_hz / SEEN_SAMPLES


def leave_out_short_flats(clipping: DetectorResult, tones: Iterable[Finding]) -> DetectorResult:
    """The clipping's result without a verdict on tones that are too high for it.

    Parameters
    ----------
    clipping : of the search for clipped half-cycles
    tones : findings; those of kind "tone" count

    Returns
    -------
    DetectorResult with the same findings.
    """
    clips = np.sort(FindingList.of(clipping.findings).start_s)
    spans = []
    for tone in tones:
        hz, rate_hz = tone.measured.get("frequency_hz"), tone.measured.get("rate_hz")
        if tone.kind != "tone" or not isinstance(hz, int | float) or not isinstance(rate_hz, int | float):
            continue
        first, last = np.searchsorted(clips, [tone.start_s, tone.stop_s])
        if hz > highest_seen_hz(rate_hz) and first == last:
            why = f"a tone of {hz:.0f} Hz: its flats are too short to be seen at {rate_hz:,.0f} samples a second"
            spans.append(NotJudged(tone.start_s, tone.stop_s, f"{why}, see what its harmonics tell"))
    if not spans:
        return clipping
    coverage = clipping.coverage
    judged_s = max(0.0, coverage.judged_s - sum(span.stop_s - span.start_s for span in spans))
    told = sorted((*coverage.not_judged, *spans), key=lambda span: (span.start_s, span.stop_s))
    return DetectorResult(
        clipping.findings, replace(coverage, judged_s=judged_s, not_judged=tuple(told)), clipping.summary
    )
