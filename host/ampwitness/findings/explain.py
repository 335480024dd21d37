"""What each kind of finding means, how it was measured, what it cannot tell: said at length, once, for everybody.

The short meaning and the next step are those of the wording table; the page, the terminal and `explain` all read here.
"""

from __future__ import annotations

from dataclasses import dataclass

from ampwitness.findings.wording import KIND_WORDS


@dataclass(frozen=True, slots=True)
class Depth:
    """What the short wording leaves out. how: it was measured; cannot: what it does not tell; care: a caution or ""."""

    how: str
    cannot: str
    care: str = ""


@dataclass(frozen=True, slots=True)
class Explanation:
    """All there is to say about one kind of finding."""

    kind: str
    title: str
    meaning: str
    how: str
    cannot: str
    next_step: str
    care: str


_LOUD = "Full-level tones heat voice coils and hurt ears: short, with protection, or with the load disconnected."
_POWER_OFF = "Power off before clips or cables move. Local codes and licensed practice come first."

DEPTHS: dict[str, Depth] = {
    "clip": Depth(
        "Every half-cycle of the reconstructed output is compared with a smooth crest and with one that has a straight "
        "top. The ceiling is learned over the whole recording, by polarity and against the supply: from plain flats, "
        "or from many crests that pile up at one level. Crests at a ceiling so known are looked at a second time. How "
        "far a crest would have gone is worked out from the slopes on both sides of the flat part; where strong "
        "half-cycles bend over without a corner, from the law of that bending.",
        "Flats shorter than a few samples are not seen: at 8,000 scans a second that is about half a millisecond, so "
        "treble clips need the `wide` mode. A ceiling alone does not say whether it is the rail or a current limit. A "
        "source that clips at one constant level looks like an amplifier's ceiling, unless the source is logged: where "
        "it was as flat at that moment the clip came from there, where it was round the amplifier made it. If both cut "
        "at one steady level it is put down to the source: mend that first, then look again.",
        _LOUD,
    ),
    "note": Depth(
        "The output's bass (20 to 120 Hz) is followed; a note begins where its level or its tone changes, and its "
        "pitch is fitted to the waveform; its level is that of its loudest moment. The supply is averaged just before "
        "the note and searched for its lowest value under it. That is given raw, one sample, and averaged: by a "
        "parabola over 2 ms, or over 20 to 32 ms where one fits so long; sag is counted to the averaged one. What the "
        "notes' own power takes off the supply is learned from all of them; the report says under how many it fell "
        "further than their highest crests explain.",
        "Notes closer together than the ear parts them may be taken as one. Sag is not judged where the supply had "
        "not settled before the note, or was not recorded. It does not say where the volts were lost: battery, cable "
        "and ground need a second point of measurement.",
        _POWER_OFF,
    ),
    "dip": Depth(
        "The supply is averaged over 10 ms. A dip begins where it falls below a threshold under the reference and ends "
        "where it has risen above it by a hysteresis: the manner of IEC 61000-4-30, with an averaging of our own "
        "because this is direct current.",
        "Dips shorter than the averaging look shallower than they were. The reference is what was typed as nominal, or "
        "the supply's own slow level: the finding says which.",
        _POWER_OFF,
    ),
    "cutout": Depth(
        "The output stops while it had been playing. What changed around that moment is put in order of time: supply "
        "(from 0.3 s before), remote lead (from 1 s before), ground, source, the output itself.",
        "A pause in the music and a lost signal look alike unless the source is logged. Protection by heat or by "
        "current leaves the same trace, hence `consistent with`. A lost ground hides from a logger that hangs on the "
        "same ground. Gaps in the recording are never cut-outs.",
        _POWER_OFF,
    ),
    "tone": Depth(
        "A steady tone is fitted with a sine of four parameters (IEEE 1057); what is left over is split into harmonics "
        "2 to 10 and noise. Distortion is given against the fundamental; the page's table has it against the total as "
        "well, and with the noise of the logger's band in it (THD+N, SINAD, effective bits).",
        "Distortion below the logger's own noise is given as `less than`. Harmonics beyond the band are extrapolated "
        "from the shape of the clip, and said so, or distortion is not judged.",
        _LOUD,
    ),
    "knee": Depth(
        "Distortion is drawn against volts while the gain was turned. The 1 % and 10 % points are read from the curve; "
        "both are points at which amplifiers are commonly rated. Where the tone held still in its last second, the "
        "report says how far below or beyond the edge it was left.",
        "Watts are volts squared over the nominal ohms: a loudspeaker's real impedance is another. Without a load the "
        "rail does not sag and the point is provisional.",
        _LOUD,
    ),
    "setting": Depth(
        "What the guided setting concluded at the time, with what was answered before it.",
        "It holds for the source, the level and the equaliser as they stood. Boost turned up later moves it.",
        _LOUD,
    ),
    "check": Depth(
        "What the walk with the probe concluded at the time, with every reading and every leg it compared.",
        "Readings one after the other are only as equal as the drive was. Nothing in it tells a battery's health.",
        "Take power off before a clip moves at a fuse, and fuse the probe's lead.",
    ),
    "drift": Depth(
        "The output's level is followed by the minute, against the source where that is logged. A slow ramp or an "
        "approach, as of something that heats, is fitted to the hours; abrupt changes are listed apart.",
        "Changes below 0.1 dB are not told from the logger's own reference. Without a logged source a volume that "
        "somebody turned slowly looks the same. Heat in the voice coil and a limiter both sink the level: which of "
        "them it was is not decided here.",
        "The program watches. It cannot switch anything off: have somebody, or a thermal cut-out, who can.",
    ),
    "reading": Depth(
        "`record --ask` asks for it at set intervals; what is typed is kept in the recording with the time of typing.",
        "How well the person measured. The time is that of typing, by the computer's clock.",
        "Hot heatsinks burn and live terminals shock: use a probe that was fixed before power came on.",
    ),
    "saturation": Depth(
        "The board counts single conversions at either end of its converter, before it averages.",
        "How far beyond the end the terminal went. Clipping and cut-outs are not judged there.",
        "Turn the level down and switch off before the divider is changed: volts beyond the range can destroy the "
        "logger's input.",
    ),
    "gap": Depth(
        "Frames carry a running number, scans an index, sessions an identity. What is missing is counted from these, "
        "never from clock times.",
        "What happened meanwhile. After a restart of the board the gap's length rests on a clock: the board's where "
        "it says what it missed, else the computer's; the finding says that it is not exact.",
    ),
    "mark": Depth(
        "The board notes the scan at which its button, or a key on the computer, was pressed. "
        "What was said of the engine (engine on, off, cranking) is timed by the computer's clock.",
        "A person needs time to press: what was meant lies before the mark, by a second or so.",
        "On the road the passenger presses, never the driver.",
    ),
}

# For customers: the words that a report and a job sheet use, without trade slang.
GLOSSARY: dict[str, str] = {
    "amplifier": "Makes the small signal of the source strong enough to move a loudspeaker.",
    "clipping": "The amplifier is asked for more volts than it has. The tops of the wave are cut flat; it sounds harsh "
    "and heats the loudspeaker.",
    "clean maximum": "The loudest steady tone the system plays with at most 1 % distortion.",
    "crest": "The highest point of a wave.",
    "cut-out": "The sound stops although it should go on.",
    "dB": "A measure of ratio. 1 dB is just heard; 3 dB is twice the power; 10 dB sounds about twice as loud.",
    "dip": "A short fall of the supply's volts.",
    "distortion (THD)": "What the amplifier adds to a pure tone, in per cent of it.",
    "gain": "How much the amplifier enlarges the signal. It matches the source; it is not a volume control.",
    "ground": "The return path of the current: cable or body of the vehicle.",
    "half-cycle": "One swing of a wave, up or down. A deep note has eighty a second.",
    "headroom": "How much louder the system could have played before it clips.",
    "not judged": "The measurement could not decide this, and the reason is given. It is neither good nor bad.",
    "overdrive": "How far past its ceiling an amplifier was asked to go, in dB: by so much the gain is too high.",
    "rail": "The volts inside the amplifier between which its output can move.",
    "remote lead": "The thin lead that tells the amplifier to switch on.",
    "rms": "The steady volts that would heat a loudspeaker as much as the wave does.",
    "sag": "How far the supply falls under a bass note.",
    "soak": "Hours of playing on the bench, to see whether everything holds.",
    "source resistance": "What battery, cables and contacts together put in the way of the current. Less is better.",
    "supply": "The volts at the amplifier's power terminals.",
}

_ALSO_CALLED = {
    "clipping": "clip", "clips": "clip", "notes": "note", "sag": "note", "dips": "dip", "cut-out": "cutout",
    "cutouts": "cutout", "cut-outs": "cutout", "tones": "tone", "gain": "knee", "gaps": "gap", "marks": "mark",
    "losses": "gap", "trend": "drift", "trends": "drift", "readings": "reading",
}  # fmt: skip


def explain(name: str) -> Explanation | None:
    """The explanation for a kind of finding, by its name or a common other word; None for an unknown one."""
    kind = name.strip().lower()
    kind = _ALSO_CALLED.get(kind, kind)
    words = KIND_WORDS.get(kind)
    if words is None:
        return None
    depth = DEPTHS[kind]
    return Explanation(kind, words.one, words.meaning, depth.how, depth.cannot, words.next_step, depth.care)
