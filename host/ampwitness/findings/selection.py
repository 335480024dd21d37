"""Which moments a report shows enlarged. Nothing here measures; it only ranks what was found."""

from __future__ import annotations

from collections.abc import Sequence

from ampwitness.findings.wording import find_worst
from ampwitness.types import Finding, Interval

AROUND_CLIP_S = 0.06
AROUND_NOTE_S = 0.4
AROUND_DIP_S = 0.5
AROUND_CUTOUT_S = 0.5
MAX_CUTOUTS_SHOWN = 6


def choose_enlarged(findings: Sequence[Finding]) -> tuple[tuple[Finding, Interval], ...]:
    """The findings that deserve a picture of their own, each with the span of recording time to show.

    Worst clip, worst sag under a note, deepest dip, and each cut-out up to MAX_CUTOUTS_SHOWN (the page says how many
    more there are). A cut-out longer than a second shows its beginning.
    """
    chosen: list[tuple[Finding, Interval]] = []
    for kind, around_s in (("clip", AROUND_CLIP_S), ("note", AROUND_NOTE_S), ("dip", AROUND_DIP_S)):
        worst = find_worst(findings, kind)
        if worst is not None:
            stop_s = min(worst.stop_s, worst.start_s + 4.0)
            chosen.append((worst, Interval(max(0.0, worst.start_s - around_s), stop_s + around_s)))
    cutouts = [finding for finding in findings if finding.kind == "cutout"][:MAX_CUTOUTS_SHOWN]
    for cutout in cutouts:
        stop_s = min(cutout.stop_s, cutout.start_s + 3.0)
        span = Interval(max(0.0, cutout.start_s - AROUND_CUTOUT_S), stop_s + AROUND_CUTOUT_S)
        chosen.append((cutout, span))
    return tuple(chosen)
