"""The supply as the amplifier sees it, in sentences. Words what the summary holds; measures nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ampwitness.units import fixed, seconds_to_clock, seconds_to_span

_OF_THE_ENGINE = {"at rest": "rest"}  # what the engine's part calls a state of the supply
_WIDE = 10.0  # times the least that it may be: such a range tells a person nothing
_WHAT_TELLS = ", which says next to nothing (a clamp on a `current` channel would tell)"
_LEAST_APART_S, _LEAST_APART = 1.0, 0.01  # a change is dated less surely: seconds, and share of the state


def word_supply(summary: Mapping[str, Any]) -> tuple[str, ...]:
    """Sentences on each engine state: quiet volts, source resistance with its range, its parts, full clean power.

    `summary` is that of the whole analysis; empty where no supply was recorded.
    """
    supply = summary.get("supply") or {}
    sentences: list[str] = []
    for name, state in (supply.get("states") or {}).items():
        named, *texts = name_state(name, state), *_word_state(state), *_word_engine_beside(name, state)
        headings = [named, *[named.partition(" (")[0]] * (len(texts) - 1)]  # what the engine did is said once
        sentences += [f"{head[0].upper()}{head[1:]}: {text}" for head, text in zip(headings, texts, strict=True)]
    for key, what in (("cranking", "Cranking"), ("lost", "A lead lost contact")):
        kept_out = supply.get(key)
        if kept_out:
            times = "once" if kept_out["n_times"] == 1 else f"{kept_out['n_times']} times"
            sentences.append(
                f"{what} {times}: lowest {fixed(kept_out['lowest_v'], 2)} V in {kept_out['judged_s']:.1f} s, means "
                "over 10 ms; left out of all other figures here."
            )
    if sentences:
        sentences += [f"{remark[0].upper()}{remark[1:]}." for remark in supply.get("remarks") or ()]
    return tuple(sentences)


def name_state(name: str, state: Mapping[str, Any]) -> str:
    """A state of the supply in words: `at rest by the volts alone (engine: not decidable)` where, for most of it, the
    engine's part does not say the same."""
    most = find_engine_beside(state)
    if most is None or most == _OF_THE_ENGINE.get(name, name):
        return name
    return f"{name} by the volts alone (engine: {most})"


def find_engine_beside(state: Mapping[str, Any]) -> str | None:
    """What the engine did for most of a state of the supply; None where its part says nothing."""
    engine_s = _list_engine_s(state)
    return max(engine_s, key=engine_s.__getitem__, default=None)


def _list_engine_s(state: Mapping[str, Any]) -> dict[str, float]:
    """Seconds by the engine's state; cranking counts to no state of the supply."""
    return {engine: float(s) for engine, s in (state.get("engine_s") or {}).items() if engine != "cranking"}


def _word_engine_beside(name: str, state: Mapping[str, Any]) -> list[str]:
    """What the engine's part says where that is not the same, and for how long."""
    engine_s = _list_engine_s(state)
    least_s = max(_LEAST_APART_S, _LEAST_APART * sum(engine_s.values()))
    apart = [
        f"{seconds_to_span(s)} {engine}"
        for engine, s in engine_s.items()
        if engine != _OF_THE_ENGINE.get(name, name) and s >= least_s
    ]
    if not apart:
        return []
    why = "; a running engine whose charger gives nothing leaves volts like those at rest" if name == "at rest" else ""
    return [f"of these seconds the engine's part counts {', '.join(apart)}{why}."]


def _word_state(state: Mapping[str, Any]) -> list[str]:
    texts = [
        f"{state['open_v']:.2f} V with the amplifier quiet (upper end of the quietest fifth of each minute, its own "
        f"sag made up for; median of the minutes), lowest {fixed(state['lowest_v'], 2)} V (mean of 10 ms) in "
        f"{seconds_to_span(state['judged_s'], 0)}."
    ]
    if state.get("source_ohm") is None and state.get("highest_source_ohm") is not None:
        low_mohm, high_mohm = 1e3 * state["lowest_source_ohm"], 1e3 * state["highest_source_ohm"]
        is_wide = high_mohm > _WIDE * low_mohm
        texts.append(
            f"source resistance {'not told' if is_wide else 'not pinned down'}, between {low_mohm:.0f} and "
            f"{high_mohm:.0f} mohm (95 %){_WHAT_TELLS if is_wide else ''}: {state['not_judged']}; {state['assumed']}."
        )
    elif state.get("source_ohm") is None:
        texts.append(f"source resistance not judged: {state.get('not_judged') or 'no reason given'}.")
    else:
        texts.append(
            f"source resistance {1e3 * state['source_ohm']:.1f} mohm (95 %: {1e3 * state['lowest_source_ohm']:.1f} to "
            f"{1e3 * state['highest_source_ohm']:.1f}); {state['assumed']}."
        )
    texts += _word_regimes(state.get("regimes") or ())
    parts = state.get("parts") or {}
    if parts:
        said = "of it " + ", ".join(_word_part(name, part) for name, part in parts.items()) + "."
        if any("lead" in name for name in parts):
            said += " What a lead of its length and section should have: `ampwitness cable`; the rest is contacts."
        texts.append(said)
    slow = [t for t in state.get("time_constants") or () if t["time_constant_s"] > 0.015]
    if slow:
        words = "; ".join(_word_slow(t) for t in slow)
        texts.append(f"behind what it sags at once: {words}.")
    elif state.get("time_constants"):
        texts.append("it answers at once: no store or slow part with a time constant above 15 ms was seen.")
    elif state.get("time_constants_not_judged"):
        texts.append(f"how fast it answers was not judged: {state['time_constants_not_judged']}.")
    texts.append(_word_full_power(state))
    beyond = state.get("beyond_own_power")
    if beyond:
        texts.append(f"{word_beyond(beyond)}.")
    return texts


def _word_slow(part: Mapping[str, Any]) -> str:
    """`another 29 % of that through a store (capacitor), time constant about 0.02 s`; what comes back: `31 % of that
    back, recovering (regulator), ...`."""
    share, what = float(part["share"]), f"{part['what']}, time constant about {part['time_constant_s']:.2g} s"
    if share > 1:
        return f"{share:.1f} times as much again {what}"
    return f"another {100 * share:.0f} % of that {what}" if share >= 0 else f"{-100 * share:.0f} % of that back, {what}"


def word_beyond(beyond: Mapping[str, Any]) -> str:
    """`under 8 of 53 notes the supply fell further than ...`: what the notes' own power does not explain."""
    return (
        f"under {beyond['n_notes']:,} of {beyond['n_looked_at']:,} notes the supply fell further than their own power "
        f"explains, most at {seconds_to_clock(beyond['start_s'])}: by {beyond['sag_v']:.2f} V, of which the amplifier "
        f"accounts for {beyond['explained_v']:.2f} V at most. Something else took current at that moment, or a contact "
        "gave way under load"
    )


def _word_regimes(regimes: Sequence[Mapping[str, Any]]) -> list[str]:
    """With an alternator volts are no straight line in current: what was told of each side of its limit."""
    return [
        f"while {regime['what']} ({100 * regime['share']:.0f} % of the playing time; the limit is reached at "
        f"{regime['limit_reached_v']:.2f} V): {1e3 * regime['ohm']:.1f} mohm "
        f"(95 %: {1e3 * regime['lowest_ohm']:.1f} to {1e3 * regime['highest_ohm']:.1f})."
        for regime in regimes
    ]


def _word_part(name: str, part: Mapping[str, Any]) -> str:
    text = f"{name} {100 * part['share']:.0f} % (+-{max(1.0, 200 * part['share_uncertainty']):.0f})"
    return text + (f", {1e3 * part['ohm']:.1f} mohm" if part.get("ohm") is not None else "")


def _word_full_power(state: Mapping[str, Any]) -> str:
    full = state.get("full_power")
    if not full:
        return f"sag at full clean power not judged: {state.get('full_power_not_judged') or 'no reason given'}."
    text = (
        f"a tone at full clean power ({full['crest_v']:.1f} V peak into the load that played) would sag it by "
        f"{full['sag_v']:.2f} V after "
        f"{full['after_s']:.1f} s (95 %: {full['lowest_sag_v']:.2f} to {full['highest_sag_v']:.2f}), to "
        f"{full['supply_v']:.2f} V"
    )
    above_v = full.get("above_under_voltage_v")
    if above_v is None:
        return text + "."
    side = "above" if above_v >= 0 else "below"
    return text + f", {abs(above_v):.2f} V {side} the level at which the amplifier was seen to switch off."
