"""Cut-outs and the starter: what mutes while it turns, or loses its feed to the key before, usually does so by design.

Gaps: none here.
Limits: as good as the engine's states.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ampwitness.detect.cutouts.cutout_cause import LOW, REMOTE
from ampwitness.types import Finding

KEY_S = 1.0  # from the accessory feed to the starter, in one turn of a key


def settle_cranking(
    cutouts: Sequence[Finding], cranking: Sequence[tuple[float, float]], words: str
) -> tuple[Finding, ...]:
    """Cut-outs that began while the engine was cranked, called what they usually are; a remote lead that fell right
    before says so.

    Parameters
    ----------
    cutouts : findings of this detector; others pass through
    cranking : spans, seconds
    words : the cause to give them
    """
    out = []
    for finding in cutouts:
        inside = any(a - 0.010 <= finding.start_s < b for a, b in cranking) and finding.kind == "cutout"
        cause = str(finding.measured.get("cause"))
        key_s = min((a - finding.start_s for a, _ in cranking if 0 <= a - finding.start_s < KEY_S), default=None)
        if key_s is not None and cause == REMOTE and not inside:
            said = f"the engine was cranked {key_s:.2f} s later: a key cuts the accessory feed first, by design"
            reasons = (*finding.evidence.get("reasons", ()), said)
            finding = replace(finding, severity="information", evidence={**finding.evidence, "reasons": reasons})
        if inside and (cause in (LOW, REMOTE) or cause.startswith("not decided")):
            finding = replace(
                finding,
                severity="information",
                measured={**finding.measured, "cause": words},
                evidence={**finding.evidence, "cause_without_cranking": cause},
            )
        out.append(finding)
    return tuple(out)
