"""Flat tops that no ceiling of an amplifier's explains, and that no logged source shows: notes that are square by
themselves look so, and a source that clips and is turned up and down behind that. They are told in one sentence, and
not counted among clipped half-cycles. Counts and words findings; measures nothing.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from ampwitness.finding_list import FindingList
from ampwitness.types import Finding
from ampwitness.units import seconds_to_span

BoolArray = npt.NDArray[np.bool_]
NOT_BY_AMPLIFIER = "half-cycle surely clipped by the amplifier"  # a ceiling reached once looks like a source's level
WHAT = "square by itself or clipped at the source"
NEAR_S = 1.0  # a curve is made of whole pieces: what clipped in the last second of its tone belongs to it
TO_DECIDE = "log the source channel to decide"


def are_in_source(clips: FindingList) -> BoolArray:
    """(n,) which clips were not cut off by the amplifier, witnessed or not."""
    return _read(clips, "is_source", lambda clip: clip.measured.get("origin") == "source")


def split_clips(findings: FindingList) -> tuple[FindingList, FindingList]:
    """The clips, and apart from them the flat tops that may be the programme's own: those of test tones are not, for
    nobody plays a square one, nor are those that a logged source shows flat as well."""
    clips = findings.of_kind("clip")
    is_open = _read(
        clips,
        "is_source_unseen",
        lambda clip: clip.measured.get("origin") == "source" and clip.evidence.get("source_was_flat") is None,
    )
    if is_open.any():
        is_open &= ~_lie_within_tones(findings, clips)
    if not is_open.any():
        return clips, FindingList.of(())
    return clips.take(np.flatnonzero(~is_open)), clips.take(np.flatnonzero(is_open))


def word_square(square: FindingList) -> str:
    """`square by itself or clipped at the source: 1,094 half-cycles, 5.2 s (log the source channel to decide)`; empty
    where there are none."""
    return f"{WHAT}: {count_square(square)} ({TO_DECIDE})" if square else ""


def count_square(square: FindingList) -> str:
    """`1,094 half-cycles, 5.2 s`: how many, and how long they lasted together."""
    flat_s = float((square.stop_s - square.start_s).sum())
    n = len(square)
    return f"{n:,} half-cycle{'' if n == 1 else 's'}, {seconds_to_span(flat_s)}"


def _lie_within_tones(findings: FindingList, clips: FindingList) -> BoolArray:
    within = np.zeros(len(clips), dtype=bool)
    for tone in findings.of_kind("tone", "knee"):
        within |= (clips.start_s >= tone.start_s - NEAR_S) & (clips.stop_s <= tone.stop_s + NEAR_S)
    return within


def _read(clips: FindingList, key: str, ask: Callable[[Finding], bool]) -> BoolArray:
    """(n,) a column of clips, or what each says where there is no such column."""
    told = clips.values(key)
    for at in np.flatnonzero(np.isnan(told)).tolist():
        told[at] = ask(clips[at])
    return np.asarray(told > 0)
