"""Cut-outs and the starter: what mutes while it turns, or loses its feed to the key before, usually does so by design.

Gaps: none here.
Limits: as good as the engine's states.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ampwitness.detect.cutouts.cutout_cause import LOW, PAUSE, REMOTE
from ampwitness.types import Finding

_EARLY_S = 0.010
KEY_S = 1.0  # from the accessory feed to the starter, in one turn of a key


def settle_cranking(
    cutouts: Sequence[Finding],
    cranking: Sequence[tuple[float, float]],
    words: str,
    started: Sequence[tuple[float, float]] = (),
) -> tuple[Finding, ...]:
    """Cut-outs that began while the engine was cranked, called what they usually are; a remote lead that fell right
    before says so. Where no engine started it may have been another load: none of them is sure, and a pause stays one.

    Parameters
    ----------
    cutouts : findings of this detector; others pass through
    cranking : spans, seconds
    words : the cause to give them
    started : those of the spans behind which the engine charged
    """
    out = []
    for finding in cutouts:
        inside = any(a - _EARLY_S <= finding.start_s < b for a, b in cranking) and finding.kind == "cutout"
        cause = str(finding.measured.get("cause"))
        key_s = min((a - finding.start_s for a, _ in cranking if 0 <= a - finding.start_s < KEY_S), default=None)
        if key_s is not None and cause == REMOTE and not inside:
            said = f"the engine was cranked {key_s:.2f} s later: a key cuts the accessory feed first, by design"
            reasons = (*finding.evidence.get("reasons", ()), said)
            finding = replace(finding, severity="information", evidence={**finding.evidence, "reasons": reasons})
        has_started = any(a - _EARLY_S <= finding.start_s < b for a, b in started)
        if inside and cause == PAUSE and not has_started:
            open_ = (*finding.evidence.get("not_excluded", ()), words)
            finding = replace(finding, evidence={**finding.evidence, "not_excluded": open_})
        elif inside and (cause in (LOW, REMOTE) or cause.startswith("not decided")):
            finding = replace(
                finding,
                severity="information",
                measured={**finding.measured, "cause": words},
                evidence={**finding.evidence, "cause_without_cranking": cause},
            )
            if not has_started:
                finding = _in_doubt(finding, cause)
        out.append(finding)
    return tuple(out)


def _in_doubt(finding: Finding, cause: str) -> Finding:
    """The same, less sure: no engine started behind it."""
    said = f"{cause} (no engine started behind it: a load that swings may have done it)"
    open_ = (said, *finding.evidence.get("not_excluded", ()))
    confidence = "medium" if finding.measured.get("confidence") == "high" else finding.measured.get("confidence")
    return replace(
        finding,
        measured={**finding.measured, "confidence": confidence},
        evidence={**finding.evidence, "not_excluded": open_},
    )
