"""Drops of the remote lead while the output was soft or silent, of which no cut-out can be told, in words. Measures
nothing.

Limits: what lasts as long as somebody takes to switch off and on again is no drop. Where the output played on without
it the logger's own lead may be off.
Source: our choice, measured in tests/findings/test_remote_words.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

from ampwitness.detect.cutouts.cutout_cause import REMOTE
from ampwitness.finding_list import FindingList
from ampwitness.findings.wording import count_words
from ampwitness.units import seconds_to_clock

LONGEST_DROP_S = 3.0  # nobody switches off and on again so soon; common practice, no source
SHORTEST_DROP_S = 0.03  # a blip of which amplifiers take no notice, see `cutout_remote.BLIP_S`
_CRANKED_S = 3.0  # around a cranking what is switched by the key goes off and on again, by design
_NEAR_S = 0.3


def list_silent_drops(summary: Mapping[str, Any], findings: FindingList) -> list[tuple[float, float]]:
    """(start_s, stop_s) of each drop of the remote lead that no cut-out and no dip tells of."""
    switchings = (summary.get("cutouts") or {}).get("switchings") or ()
    spans = (summary.get("engine") or {}).get("spans") or ()
    # What a supply that dips takes with it is told as its own.
    told = [(one.start_s, one.stop_s) for kind in ("cutout", "dip") for one in findings.of_kind(kind)]
    told += [
        (span["start_s"] - _CRANKED_S, span["stop_s"] + _CRANKED_S) for span in spans if span["state"] == "cranking"
    ]
    drops = []
    for off, on in pairwise(switchings):
        if (off["what"], on["what"]) != ("turn-off", "turn-on") or off["delay_s"] is None:
            continue
        start_s, stop_s = float(off["start_s"]), float(on["start_s"])
        is_told = any(a < stop_s + _NEAR_S and b > start_s - _NEAR_S for a, b in told)
        if SHORTEST_DROP_S <= stop_s - start_s <= LONGEST_DROP_S and not is_told:
            drops.append((start_s, stop_s))
    return drops


def word_drops(summary: Mapping[str, Any], findings: FindingList) -> list[str]:
    """`2 drops of the remote lead while the output was soft or silent`; empty where there are none."""
    if drops := list_silent_drops(summary, findings):
        n_drops = count_words(len(drops), "drop of the remote lead", "drops of the remote lead")
        return [f"{n_drops} while the output was soft or silent"]
    return []


def advise_drops(summary: Mapping[str, Any], findings: FindingList) -> list[str]:
    """What to do about them, where no cut-out asks for it already."""
    drops = list_silent_drops(summary, findings)
    causes = (str(stop.measured.get("cause")) for stop in findings.of_kind("cutout"))
    if not drops or any(cause.startswith(REMOTE) for cause in causes):
        return []
    longest_s = max(stop_s - start_s for start_s, stop_s in drops)
    often = (
        f"It fell at {seconds_to_clock(drops[0][0])} and was back after {longest_s:.2f} s"
        if len(drops) == 1
        else f"It fell {len(drops):,} times, first at {seconds_to_clock(drops[0][0])}, and was back within "
        f"{longest_s:.2f} s"
    )
    return [
        f"Find what interrupts the remote lead: its contacts, and what switches it. {often}. The output was soft or "
        "silent then, so no cut-out is told of it; under a louder passage it would be one."
    ]
