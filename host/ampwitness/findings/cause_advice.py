"""What to do first about clips whose fault is known: the gain or the supply, by what each is worth in decibels.

Turning a knob is free and ends every clip at once, so how far is always told. The supply comes first only where mending
it makes up for at least as much as the knob would then still have to: then the supply is what is wrong, and the knob a
makeshift that costs output. Counting clips does not decide: many light ones for want of supply weigh nothing beside a
few that no supply would have carried. Words findings; measures nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ampwitness.findings.supply_words import find_engine_beside

# cause -> how it is spoken of after a count
CAUSE_WORDS = {
    "drive": "from too much drive",
    "both": "from drive and supply together",
    "supply": "for want of supply",
    "not decidable": "not decidable",
}
MEND_FIRST = "Mend the supply first"
PARAGRAPH = "\n"  # within a step: what was found, then what each remedy is worth
LEAST_TOLD_DB = 0.05
LEAST_UNSEEN_DB = 0.2  # of a ceiling that is carried on above all clips, from which on it is said
MOST_OPEN_SHARE = 0.05  # of the clips, whose cause may be open where a supply is said to gain nothing


@dataclass(frozen=True, slots=True)
class Worth:
    """What the clips ask for and what mending makes up of it, dB of clean output; all for the same share of them."""

    needed_db: float  # by the gain alone
    halved_db: float  # gained by half the resistance in the whole path
    whole_db: float  # gained by a supply that never sags

    @property
    def left_db(self) -> float:
        """What would still be too much on a supply that never sags."""
        return max(0.0, self.needed_db - self.whole_db)

    @property
    def is_supply_first(self) -> bool:
        """Whether mending makes up for at least as much as it leaves to the gain."""
        return self.halved_db >= LEAST_TOLD_DB and self.halved_db >= self.needed_db - self.halved_db


def advise_by_cause(
    causes: Counter[str], how_far: str, said: str, supply: Mapping[str, Any], knob: str = "the gain"
) -> str:
    """What to do first, then whose fault the clips are and what each remedy gains.

    Parameters
    ----------
    causes : how many clips of each cause
    how_far : how far the gain would have to come down, and what that comes to
    said : how many clipped and how far, up to where the causes are counted
    supply : summary of the learned supply, with `clip_gain` and `remedies`
    knob : what to turn down
    """
    words = ", ".join(f"{causes[name]:,} {CAUSE_WORDS[name]}" for name in CAUSE_WORDS if causes[name])
    decided = sum(causes.values()) - causes["not decidable"]
    if not decided:
        return (
            f"Turn {knob} down {how_far}. {said}whose fault it was could not be decided, so that is with the ceiling "
            "where it was."
        )
    worth = find_worth(supply)
    remedies = list(supply.get("remedies") or ())
    if worth is not None and worth.is_supply_first:
        step = f"{MEND_FIRST}; until then turn {knob} down {how_far}. {said}{words}."
        step += f"{PARAGRAPH}What mending gains: {_word_mending(remedies, worth)}, {_word_left(worth)}."
    else:
        step = f"Turn {knob} down {how_far}. {said}{words}.{_word_less(causes, decided, worth, supply)}"
    is_in_doubt = bool(causes["supply"] or causes["both"])
    return f"{step}{_word_unseen(supply.get('ceiling_unseen')) if is_in_doubt else ''}{_word_engine(remedies, supply)}"


def find_worth(supply: Mapping[str, Any]) -> Worth | None:
    """What the summary of the supply says that each remedy is worth; None where it does not."""
    gain = supply.get("clip_gain") or {}
    halved = [r.get("gain_db") for r in supply.get("remedies") or () if r.get("how") == "resistance halved"]
    needed_db, whole_db = gain.get("turn_down_db"), gain.get("supply_gain_db")
    if not isinstance(needed_db, int | float) or not isinstance(whole_db, int | float):
        return None
    return Worth(float(needed_db), max((float(db) for db in halved if db is not None), default=0.0), float(whole_db))


def _word_less(causes: Counter[str], decided: int, worth: Worth | None, supply: Mapping[str, Any]) -> str:
    """Why the gain comes first, although some clips may be the supply's, with what parts it from what is ahead."""
    if worth is None:
        if causes["supply"] or causes["both"]:
            return " What a better supply would gain is not known."
        return " A better supply would not have prevented it."
    if worth.whole_db < LEAST_TOLD_DB:
        if causes["not decidable"] > MOST_OPEN_SHARE * sum(causes.values()):  # their sag counts as none
            return " What a better supply would gain is not known."
        if not supply.get("knows_ceiling", True):  # drive all the same: the supply had not sunk far enough
            return f" A better supply would gain {worth.needed_db / 3:.1f} dB at most: it had not sunk by more."
        return " A better supply would gain nothing."
    why = "Mending the supply would leave more than it gains: "
    if causes["supply"] > decided / 2:
        why = "Most were for want of supply, yet mending it would leave more than it gains: "
    return f"{PARAGRAPH}{why}{_word_mending(list(supply.get('remedies') or ()), worth)}, {_word_left(worth)}."


def _word_left(worth: Worth) -> str:
    if worth.left_db < LEAST_TOLD_DB:
        return "and nearly all of it would be clean"
    return f"and {worth.left_db:.1f} of {worth.needed_db:.1f} dB would still be too much"


def _word_mending(remedies: Sequence[Mapping[str, Any]], worth: Worth) -> str:
    """`half the resistance in the plus lead gains about 0.3 dB, ...`, the best first; at last no sag at all."""
    parts = [
        f"half the resistance in {remedy['what']} gains about {remedy['gain_db']:.1f} dB"
        for remedy in remedies
        if remedy.get("how") == "resistance halved" and (remedy.get("gain_db") or 0.0) >= LEAST_TOLD_DB
    ]
    return "; ".join([*parts, f"no sag at all would gain {worth.whole_db:.1f} dB"])


def _word_unseen(unseen: Mapping[str, float] | None) -> str:
    """What hangs on how the ceiling goes on above all clips, which nothing in a recording tells."""
    if unseen is None or unseen["unseen_db"] < LEAST_UNSEEN_DB:
        return ""
    return (
        f" Not known: whether the amplifier's ceiling still rises between {unseen['highest_seen_v']:.2f} V of supply, "
        f"the most at which a clip was seen, and {unseen['settled_v']:.2f} V; if not, mending gains up to "
        f"{unseen['unseen_db']:.1f} dB less."
    )


def _word_engine(remedies: Sequence[Mapping[str, Any]], supply: Mapping[str, Any]) -> str:
    """What a charging alternator gains. It never comes first: it helps while it runs. Nothing where it ran already."""
    if find_engine_beside((supply.get("states") or {}).get("at rest") or {}) == "charging":
        return ""
    for remedy in remedies:
        if remedy.get("what") == "alternator" and (remedy.get("gain_db") or 0.0) >= LEAST_TOLD_DB:
            return (
                f" The {remedy['how']} gains about {remedy['gain_db']:.1f} dB of clean output while it runs, if the "
                "amplifier's ceiling goes on rising with the supply above what was seen here (a regulated one's does "
                "not)."
            )
    return ""
