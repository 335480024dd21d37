"""What a recording holds and what it was made with, in words: losses, parts, reduction, time, calibration."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from ampwitness.findings.described import plain_number
from ampwitness.findings.wording import KIND_WORDS, count_words
from ampwitness.types import Analysis, Calibration
from ampwitness.units import seconds_to_clock, seconds_to_span


def word_losses(analysis: Analysis) -> str:
    """Every loss in one sentence; "0 lost" is said too."""
    health = analysis.link_health
    lost = sum(health.n_scans_lost.values())
    by_cause = ", ".join(f"{cause} {count:,}" for cause, count in health.n_scans_lost.items() if count)
    return (
        f"{lost:,} lost of {health.n_scans_expected:,} scans"
        + (f" ({by_cause})" if by_cause else "")
        + f"; {health.n_frames_bad:,} bad frames; "
        + ("all sums balance." if health.balances else "the sums do NOT balance: treat this recording with care.")
        + _word_torn(analysis)
        + word_unread((analysis.summary.get("recording") or {}).get("n_unread_bytes") or 0)
        + word_away((analysis.summary.get("recording") or {}).get("away_at_end_s") or 0.0)
        + _word_parts(analysis)
    )


def word_unread(n_bytes: int) -> str:
    """What was not read as it stands behind a recording's end; empty for nothing."""
    if not n_bytes:
        return ""
    return f" Behind its end stand {n_bytes:,} bytes that were not read: was another file put behind it?"


def word_away(away_s: float) -> str:
    """That the board had gone before the recording was ended; empty where it had not."""
    if not away_s:
        return ""
    return f" For the last {seconds_to_span(away_s)} the board was gone, and did not come back: that was not seen."


def _word_torn(analysis: Analysis) -> str:
    said = analysis.summary.get("recording", {})
    if not said.get("is_torn"):
        return ""
    torn = " and ".join(said.get("torn_files") or ["The file"])
    return f" {torn} was not closed properly: it holds what was saved up to then."


def word_lacking(missing_parts: Sequence[int], lacks_later_parts: bool) -> list[str]:
    """Which files of a recording in parts are not there, each in a sentence's beginning without a stop."""
    said = []
    if missing_parts:
        said.append(f"missing: part {', '.join(map(str, missing_parts))}; what lay between others shows as a gap")
    if lacks_later_parts:
        said.append("missing: what follows the last part that is here, which says that it is not the last")
    return said


def _word_parts(analysis: Analysis) -> str:
    said = analysis.summary.get("recording", {})
    lacking = word_lacking(said.get("missing_parts") or (), bool(said.get("lacks_later_parts")))
    return "".join(f" {one[0].upper()}{one[1:]}." for one in lacking)


def word_incomplete(summary: Mapping[str, Any]) -> list[str]:
    """What of the whole recording is not there, for the verdict: parts, an end that was not written."""
    said, words = summary.get("recording") or {}, []
    missing = said.get("missing_parts") or ()
    if missing:
        words.append(f"part{'s' if len(missing) > 1 else ''} {', '.join(map(str, missing))} missing")
    if said.get("lacks_later_parts"):
        words.append("the end missing (later parts are not here)")
    if away_s := said.get("away_at_end_s"):
        words.append(f"the board gone for the last {seconds_to_span(away_s)}, not recorded")
    if said.get("is_torn"):
        words.append(f"{' and '.join(said.get('torn_files') or ['the file'])} not closed properly")
    return words


def word_reduction(analysis: Analysis) -> str:
    """What a reduced recording still holds, and what had been found in it before; empty for a whole one."""
    reduction = analysis.summary.get("recording", {}).get("reduction")
    if not isinstance(reduction, Mapping):
        return ""
    kept_s, duration_s = reduction.get("kept_s"), reduction.get("duration_s")
    text = "This recording was reduced on purpose: full waveforms are there"
    if isinstance(kept_s, int | float) and isinstance(duration_s, int | float):
        text += f" for {seconds_to_clock(kept_s)} of {seconds_to_clock(duration_s)}"
    text += (
        f", {plain_number(reduction.get('around_s'))} s around the worst "
        f"{plain_number(reduction.get('most_an_hour'))} events of each kind an hour; elsewhere only lowest, "
        "highest, mean and rms by the second. Waveforms are judged only where they are."
    )
    found = reduction.get("found")
    if isinstance(found, Mapping):
        counts = [
            count_words(int(n), KIND_WORDS[kind].one, KIND_WORDS[kind].many)
            for kind, n in found.items()
            if kind in KIND_WORDS
        ]
        text += f" Before, the whole recording had shown: {', '.join(counts) or 'nothing'}."
    return text


def word_when(analysis: Analysis) -> str:
    """When it began, by the recording computer's clock: `recorded 2024-05-01 18:30 (UTC+02:00)`; else empty."""
    try:
        at = datetime.fromisoformat(str(analysis.settings.notes.get("started_at")))
    except ValueError:
        return ""
    return f"recorded {at:%Y-%m-%d %H:%M}" + (f" ({at.tzname()})" if at.tzinfo else "")


def word_calibrations(calibrations: Sequence[Calibration]) -> str:
    """Which calibration the volts rest on and how far they can be trusted, one sentence a kind."""
    nominal = [c for c in calibrations if c.made_on is None]
    parts = []
    if nominal:
        parts.append(
            f"Not calibrated: {', '.join(c.role for c in nominal)}. Volts from the nominal values of the parts, "
            f"standard uncertainty {_worst(nominal)}."
        )
    for made_on in sorted({c.made_on for c in calibrations if c.made_on is not None}):
        group = [c for c in calibrations if c.made_on == made_on]
        parts.append(
            f"Calibrated on {made_on}: {', '.join(c.role for c in group)} ({group[0].source}), "
            f"standard uncertainty {_worst(group)}."
        )
    return " ".join(parts) or "No channel."


def _worst(calibrations: Sequence[Calibration]) -> str:
    ratio = max(c.gain_uncertainty_ratio for c in calibrations)
    offset_v = max(c.offset_uncertainty_v for c in calibrations)
    return f"up to {100 * ratio:.2f} % of a difference and {1e3 * offset_v:.0f} mV at 0 V"
