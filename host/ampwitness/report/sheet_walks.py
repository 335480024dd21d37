"""What the guided walks wrote (checks before power, supply check, noise), worded for the job sheet. Measures nothing.

Reads the JSON that `before-power --out`, `check-supply --out` and `find-noise` write, by its `kind`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

BEFORE_POWER, SUPPLY_CHECK, FIND_NOISE = "before-power", "supply check", "find-noise"
# kind -> title where the sheet rests on no job that has titles of its own
WALK_TITLES = {BEFORE_POWER: "Checks before power", SUPPLY_CHECK: "Supply check", FIND_NOISE: "Noise"}
WALK_STEPS = {BEFORE_POWER: "before-power", SUPPLY_CHECK: "supply", FIND_NOISE: "noise"}
_NEEDED = {
    BEFORE_POWER: ("judgements", "conclusion", "not_tested"),
    SUPPLY_CHECK: ("readings", "legs", "sentences"),
    FIND_NOISE: ("sources", "not_judged", "runs", "sensitivity_v", "line_sensitivity_v"),
}
STATES = ("at rest", "engine running", "under a tone")
STATE_WORDS = {"at rest": "engine off"}  # as the noise rows call it
MAX_SENTENCES = 4
MAX_PLACES = 12
MAX_NOISES = 5
MAX_LEFT_OUT = 3
_LEFT_OUT = "Not measured"


@dataclass(frozen=True, slots=True)
class Walk:
    """One saved result. plain: as written; channel: `amplifier/channel` or ""; moment: as found, as left or ""."""

    plain: Mapping[str, Any]
    channel: str = ""
    moment: str = ""

    @property
    def kind(self) -> str:
        """Which walk it was."""
        return str(self.plain["kind"])

    @property
    def label(self) -> str:
        """Whose it is, where that was said."""
        return ", ".join(word for word in (self.channel, self.moment) if word)


@dataclass(frozen=True, slots=True)
class CheckRow:
    """The meter checks of one channel: what they say together, and what was as expected."""

    channel: str
    conclusion: str
    details: tuple[str, ...]
    as_expected: str


@dataclass(frozen=True, slots=True)
class PlaceRow:
    """One place of the supply. volts: mean by state, "" where not measured; lost: on the way to it, under a tone."""

    place: str
    volts: tuple[str, ...]
    lowest: str
    lost: str


@dataclass(frozen=True, slots=True)
class SupplyWalk:
    """One walk along the supply: its table, the states in it, and what it comes to."""

    label: str
    states: tuple[str, ...]
    places: tuple[PlaceRow, ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NoiseRow:
    """What was heard in the quiet output of one channel, loudest first, and how loud the whole was."""

    channel: str
    noises: tuple[str, ...]
    level: str


def is_walk(plain: object) -> bool:
    """Whether this is the saved result of one of the walks, and whole."""
    if not isinstance(plain, Mapping):
        return False
    needed = _NEEDED.get(str(plain.get("kind")))
    return needed is not None and all(key in plain for key in needed) and _can_be_worded(Walk(plain))


def _can_be_worded(walk: Walk) -> bool:
    """Whether what stands in it is of the kinds that the words need; a hand may have been at the file."""
    try:
        for word in (word_checks, word_supply_walks, word_noise, word_walks_left_out):
            word((walk,))
    except (AttributeError, KeyError, TypeError, ValueError):
        return False
    return True


def word_checks(walks: Sequence[Walk]) -> tuple[CheckRow, ...]:
    """The meter checks, one row for all channels of which they say the same."""
    channels: dict[tuple[Any, ...], list[str]] = {}
    for walk in _of_kind(walks, BEFORE_POWER):
        judged = walk.plain["judgements"]
        fine = ", ".join(str(j["what"]) for j in judged if j["finding"] == "as expected")
        odd = tuple(f"{j['finding'].capitalize()}: {j['what']}, {j['words']}" for j in judged if _is_odd(j))
        conclusion = str(walk.plain["conclusion"])
        for told_elsewhere in (" Look again at:", " Not judged:"):  # in the lines below, and under `not tested`
            conclusion = conclusion.split(told_elsewhere)[0]
        channels.setdefault((conclusion, odd, fine), []).append(walk.label or "amplifier")
    return tuple(CheckRow(_join_labels(labels), *said) for said, labels in channels.items())


def _is_odd(judgement: Mapping[str, Any]) -> bool:
    return judgement["finding"] in ("stop", "look again")


def _join_labels(labels: Sequence[str]) -> str:
    """`a, as found` and `b, as found` -> `a; b, as found`."""
    moments = {label.partition(", ")[2] for label in labels}
    if len(moments) == 1 and (moment := moments.pop()):
        return "; ".join(label.partition(", ")[0] for label in labels) + f", {moment}"
    return "; ".join(labels)


def word_supply_walks(walks: Sequence[Walk]) -> tuple[SupplyWalk, ...]:
    """Each walk along the supply: a row a place."""
    return tuple(_word_supply_walk(walk) for walk in _of_kind(walks, SUPPLY_CHECK))


def _word_supply_walk(walk: Walk) -> SupplyWalk:
    readings = [r for r in walk.plain["readings"] if r.get("mean_v") is not None]
    states = tuple(state for state in STATES if any(r["state"] == state for r in readings))
    under = {str(g["to"]): g["drop_v"] for g in walk.plain["legs"] if g["state"] == STATES[-1]}
    places = []
    for place in dict.fromkeys(str(r["point"]) for r in readings):
        by_state = {r["state"]: r for r in readings if r["point"] == place}
        lowest = min(float(r["lowest_v"]) for r in by_state.values())
        lost_v = under.get(place)
        places.append(
            PlaceRow(
                place,
                tuple(f"{by_state[state]['mean_v']:.2f} V" if state in by_state else "" for state in states),
                f"{lowest:.2f} V",
                f"{lost_v:.2f} V" if lost_v is not None else "",
            )
        )
    starts = [f"{g['from']} to {g['to']}" for g in walk.plain["legs"]]
    sentences = [
        s
        for s in map(str, walk.plain["sentences"])
        if not _is_open(s) and not s.startswith("All volts") and not any(s.startswith(start) for start in starts)
    ]
    return SupplyWalk(walk.label, states, tuple(places[:MAX_PLACES]), tuple(sentences[:MAX_SENTENCES]))


def word_noise(walks: Sequence[Walk]) -> tuple[NoiseRow, ...]:
    """What the comparison of quiet outputs said, one row a channel."""
    rows = []
    for walk in _of_kind(walks, FIND_NOISE):
        sources = sorted(walk.plain["sources"], key=lambda source: -float(source["level_v"]))
        noises = [_word_noise(source) for source in sources]
        if len(noises) > MAX_NOISES:
            noises = [*noises[:MAX_NOISES], f"{len(sources) - MAX_NOISES} quieter ones"]
        runs = walk.plain["runs"]
        connected = runs.get("connected-off") or runs.get("connected-idle") or {}
        level = f"{1e3 * connected['total_v']:.0f} mV rms with the source connected" if connected else ""
        rows.append(NoiseRow(walk.label or "output", tuple(noises) or ("nothing above the logger's own noise",), level))
    return tuple(rows)


def _word_noise(source: Mapping[str, Any]) -> str:
    hz = source.get("frequency_hz")
    at = f" at {hz:.0f} Hz" if hz is not None else ""
    unit = "V of direct current" if source["what"] == "offset" else "mV rms"
    level = f"{source['level_v']:.2f}" if source["what"] == "offset" else f"{1e3 * source['level_v']:.0f}"
    return f"{source['what']}{at}, {level} {unit}: {source['origin']}"


def word_walks_left_out(walks: Sequence[Walk]) -> list[str]:
    """What the walks could not judge, for `not tested`; said once for all channels that it holds for."""
    labels: dict[tuple[str, str], list[str]] = {}
    for walk in walks:
        for said in _left_out(walk):
            labels.setdefault((walk.kind, said), []).append(walk.label)
    lines = []
    for (kind, said), whose in labels.items():
        who = _join_labels([label for label in whose if label])
        lines.append(f"{WALK_TITLES[kind]}{', ' + who if who else ''}: {said}")
    if any(walk.kind == BEFORE_POWER for walk in walks):
        lines.append("Acoustic polarity: which way a cone moves first.")
    return lines


def _left_out(walk: Walk) -> list[str]:
    if walk.kind == BEFORE_POWER:
        names = [str(j["what"]) for j in walk.plain["judgements"] if j["finding"] == "not judged"]
        return [f"not judged: {', '.join(names)}."] if names else []
    if walk.kind == SUPPLY_CHECK:
        said = [_lower(str(s)) for s in walk.plain["sentences"] if "not judged" in str(s)]
        left_out = [_lower(s) for s in map(str, walk.plain["sentences"]) if s.startswith(_LEFT_OUT)]
        more = len(said) - MAX_LEFT_OUT
        return left_out + said[:MAX_LEFT_OUT] + ([f"{more} more readings not judged."] if more > 0 else [])
    return [
        *(_lower(str(s)) for s in walk.plain["not_judged"]),
        f"lines under {1e3 * walk.plain['line_sensitivity_v']:.1f} mV and hiss under "
        f"{1e3 * walk.plain['sensitivity_v']:.0f} mV rms, which the logger itself adds.",
    ]


def _is_open(sentence: str) -> bool:
    """Whether a sentence of a supply check says what it could not say."""
    return "not judged" in sentence or sentence.startswith(_LEFT_OUT)


def _lower(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def _of_kind(walks: Sequence[Walk], kind: str) -> list[Walk]:
    return [walk for walk in walks if walk.kind == kind]
