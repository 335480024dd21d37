"""The headroom of what did not clip, in sentences. Words what the summary holds; measures nothing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ampwitness.detect.clips.ceiling.headroom import LEAST_PASSAGE_S
from ampwitness.units import seconds_to_clock, seconds_to_span


def _word_tightest(row: Mapping[str, Any]) -> str:
    where = f"at {seconds_to_clock(row['at_s'])}: a crest of {abs(row['crest_v']):.1f} V"
    doubt = f"(+-{2 * row['uncertainty_db']:.2f})"
    ceiling = f"a ceiling of {abs(row['ceiling_v']):.1f} V"
    if abs(row["crest_v"]) >= abs(row["ceiling_v"]):  # a law of the supply is not followed to the last tenth
        return f"reached its ceiling, 0.00 dB {doubt} left, {where} where {ceiling} was expected"
    return f"had {row['headroom_db']:.2f} dB {doubt} left {where} under {ceiling}"


def word_headroom(summary: Mapping[str, Any]) -> tuple[str, ...]:
    """Sentences on the passages without a clip: the tightest, the middle one, and what was not looked at.

    `summary` is that of the whole analysis; empty where no output was recorded.
    """
    headroom = (summary.get("clipping") or {}).get("headroom") or {}
    rows = [dict(zip(headroom["columns"], row, strict=True)) for row in headroom.get("passages") or ()]
    known = [row for row in rows if row["headroom_db"] is not None]
    if not known:
        why = headroom.get("not_judged")
        if not headroom or why == "the output was not recorded":
            return ()
        why = why or "what did not clip was too quiet beside the rest to be looked at"
        return (f"Headroom not judged: {why}. Play it once until it clips, or set a gain, in the same recording.",)
    worst = min(known, key=lambda row: float(row["headroom_db"]))
    at_supply = "" if worst["supply_v"] is None else f" at {worst['supply_v']:.2f} V of supply"
    sentences = [
        f"{seconds_to_span(headroom['total_s'])} lay in stretches of {LEAST_PASSAGE_S:g} s or longer without a clip, "
        f"{headroom['n_passages']:,} {'passage' if headroom['n_passages'] == 1 else 'passages'} of at most "
        f"{headroom['longest_s']:g} s. The "
        f"tightest {_word_tightest(worst)}{at_supply}.",
        *([_word_median(float(headroom["median_db"]))] if len(known) > 1 else []),
    ]
    n_quiet = len(rows) - len(known)
    if n_quiet:
        sentences.append(f"{n_quiet:,} {'was' if n_quiet == 1 else 'were'} too quiet beside the rest to be looked at.")
    if not headroom["knows_supply"]:
        sentences.append("Without a supply channel the ceiling is taken to stand still.")
    return tuple(sentences)


def _word_median(median_db: float) -> str:
    if median_db < 0.05:
        return "Half of the passages came within 0.05 dB of it: they clip at the next louder bar."
    return f"Half of the passages had {median_db:.1f} dB or more."
