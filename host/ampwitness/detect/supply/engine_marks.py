"""Engine states where volts cannot tell, by what a person marked: "engine on", "engine off", "cranking".

A mark decides undecided time from its own instant on, until the next such mark or until the volts show another state.
What the volts show is never overruled, and nothing before a mark is decided by it. "Cranking" holds for 30 s at most.

Gaps: as for what was known before, a mark holds across one.
Limits: a mark is only as good as the hand that made it, and people press late. Without a supply channel there are no
states, marked or not. "Engine on" just before a cranking that the volts show stays undecided: the engine must have
stopped somewhere in between.
Source: our choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ampwitness.detect.supply.charging_changes import State
from ampwitness.detect.supply.cranking import CRANK_LONGEST_S
from ampwitness.detect.supply.engine_states import EngineStates, StateSpan
from ampwitness.types import Finding

# What is typed or named -> the state it stands for.
_SAID: dict[str, State] = {
    "engine on": "charging",
    "engine running": "charging",
    "engine off": "rest",
    "cranking": "cranking",
}
_LATE_S = 5.0  # people press late: so soon behind the press the volts may already show what comes next
_IN_WORDS: dict[State, str] = {"charging": "engine on", "rest": "engine off", "cranking": "cranking"}


@dataclass(frozen=True, slots=True)
class EngineMark:
    """Somebody said at `time_s` what the engine does."""

    time_s: float
    state: State


def read_engine_label(label: object) -> State | None:
    """The state that a mark's label stands for; None: it says nothing of the engine. Case and blanks do not count."""
    return _SAID.get(" ".join(label.casefold().split())) if isinstance(label, str) else None


def find_engine_marks(marks: Sequence[Finding]) -> tuple[EngineMark, ...]:
    """Those of the marks that say what the engine does, in order of time."""
    said = ((mark.start_s, read_engine_label(mark.measured.get("label"))) for mark in marks)
    return tuple(sorted((EngineMark(at, state) for at, state in said if state is not None), key=lambda m: m.time_s))


def decide_by_marks(states: EngineStates, marks: Sequence[EngineMark]) -> EngineStates:
    """The states with undecided time given to what was marked; spans so decided say so in `by`.

    Parameters
    ----------
    states : as the volts show them
    marks : in order of time
    """
    spans: list[StateSpan] = []
    remarks: list[str] = []
    held: EngineMark | None = None
    for place, span in enumerate(states.spans):
        inside = [mark for mark in marks if span.start_s <= mark.time_s < span.stop_s]
        if span.state == "not decidable":
            follows = states.spans[place + 1].state if place + 1 < len(states.spans) else None
            spans += _decide(span, held, inside, follows)
        else:
            if held is not None and (held.state != span.state or span.state == "cranking"):
                held = None
            spans.append(span)
            remarks += [_word_contradiction(mark, span) for mark in inside if _contradicts(mark, span)]
        held = inside[-1] if inside else held
    return EngineStates(tuple(spans), (*states.remarks, *_word_decided(spans), *remarks))


def _decide(
    span: StateSpan, held: EngineMark | None, inside: Sequence[EngineMark], follows: State | None
) -> list[StateSpan]:
    """An undecided span in pieces, each by the mark that was the last one before it."""
    pieces: list[StateSpan] = []
    told = [held, *inside]
    starts_s = [span.start_s, *(mark.time_s for mark in inside)]
    for mark, start_s, stop_s in zip(told, starts_s, [*starts_s[1:], span.stop_s], strict=True):
        is_last = stop_s == span.stop_s
        until_s = stop_s
        if mark is None or (is_last and follows == "cranking" and mark.state == "charging"):
            until_s = start_s
        elif mark.state == "cranking":
            until_s = max(start_s, min(stop_s, mark.time_s + CRANK_LONGEST_S))
        if mark is not None:
            pieces.append(StateSpan(start_s, until_s, mark.state, f"by the mark at {mark.time_s:.1f} s"))
        pieces.append(replace(span, start_s=until_s, stop_s=stop_s))
    return [piece for piece in pieces if piece.stop_s > piece.start_s]


def _contradicts(mark: EngineMark, span: StateSpan) -> bool:
    """Whether the volts went on showing something else; a cranking is over before most have pressed."""
    return mark.state not in (span.state, "cranking") and span.stop_s - mark.time_s > _LATE_S


def _word_contradiction(mark: EngineMark, span: StateSpan) -> str:
    return (
        f"the mark at {mark.time_s:.1f} s says {_IN_WORDS[mark.state]}, but the volts looked like "
        f"{_IN_WORDS[span.state]} until {span.stop_s:.1f} s: the volts were followed there"
    )


def _word_decided(spans: Sequence[StateSpan]) -> list[str]:
    """One remark a mark that decided anything."""
    total_s: dict[tuple[str, State], float] = {}
    for span in spans:
        if span.by is not None:
            total_s[span.by, span.state] = total_s.get((span.by, span.state), 0.0) + span.stop_s - span.start_s
    return [
        f"{seconds:.1f} s in which the volts could not tell count as {state} ({_IN_WORDS[state]}) {by}"
        for (by, state), seconds in total_s.items()
    ]
