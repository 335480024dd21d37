"""The order of work: what comes first, why, and what counts as done."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

State = Literal["open", "done", "skipped"]


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the work. command: what does it; is_per_channel: once for every amplifier channel."""

    key: str
    title: str
    why: str
    command: str
    is_per_channel: bool


STEPS: tuple[Step, ...] = (
    Step(
        "before-power", "Checks before power",
        "A shorted coil or a lead on the chassis destroys an amplifier in the moment it is switched on.",
        "ampwitness before-power --out before-power.json", True,
    ),
    Step(
        "source", "Source level",
        "What the source clips no amplifier mends: its cleanest maximum is found before any gain is turned.",
        "ampwitness set-gain --tone 1000 --load-kind none --out source.mcap", False,
    ),
    Step(
        "gain", "Gain of each channel",
        "With the source at its clean maximum the amplifier's gain is set to its own.",
        "ampwitness set-gain --tone 1000 --load-kind none --out gain.mcap", True,
    ),
    Step(
        "supply", "Supply",
        "A clip that a weak supply causes is not mended by the gain.",
        "ampwitness check-supply --out supply.json", False,
    ),
    Step(
        "noise", "Noise",
        "Whine and hum are found while the leads are still in reach.",
        "ampwitness find-noise --out noise", False,
    ),
    Step(
        "road", "On the road",
        "Sag, cut-outs and loose contacts show under way, not in the workshop.",
        "ampwitness record --mode bass --out road.mcap", False,
    ),
    Step(
        "soak", "Soak",
        "Heat takes hours. The logger cannot switch anything off: not without an independent cut-off.",
        "ampwitness record --mode slow --out soak.mcap", False,
    ),
    Step(
        "sheet", "Job sheet",
        "What was found, set and not tested, for the customer.",
        "ampwitness sheet --html sheet.html", False,
    ),
)  # fmt: skip
STEP_OF_KEY = {step.key: step for step in STEPS}

BANDS = ("sub", "full", "mid", "tweeter")
_TONE_HZ = {"sub": 40, "full": 1000, "mid": 1000, "tweeter": 4000}  # inside each band: common practice, no source
_FILES = {
    "before-power": "before-power.json", "source": "source.mcap", "gain": "gain.mcap", "supply": "supply.json",
    "noise": "noise/find-noise.json", "road": "road.mcap", "soak": "soak.mcap", "sheet": "--note 'handed over'",
}  # fmt: skip


def file_of(key: str, channel: Mapping[str, Any], n_before: int) -> str:
    """The file that a step's command leaves behind, or what is said instead.

    Nothing is overwritten in the folder of a job: a channel has a file of its own, and so has each go.
    """
    name = _FILES[key]
    if key == "noise" and n_before:
        return f"noise-{n_before + 1}/find-noise-{n_before + 1}.json"
    if "." not in name or "/" in name:
        return name
    stem, dot, kind = name.rpartition(".")
    words = [stem, *(str(channel[word]) for word in ("amplifier", "channel") if channel.get(word))]
    words += [str(n_before + 1)] if n_before else []
    return re.sub(r"\W+", "-", "-".join(words)) + dot + kind


def command_of(step: Step, channel: Mapping[str, Any], file: str) -> str:
    """The command of a step that leaves a file behind, for a channel as far as it is known.

    A test tone is never proposed into a loudspeaker that it could destroy: a low one only where the channel is said to
    be a sub's, and mids and tweeters are taken off.
    """
    if step.key == "noise":
        return step.command.replace("--out noise", f"--out {file.partition('/')[0]}")
    if step.key != "gain":
        return step.command.replace(_FILES[step.key], file)
    band = channel.get("band")
    kind = channel.get("load_kind") or "none"
    if band != "sub" and band != "full" and kind == "speaker":
        kind = "none"
    load = f" --load {channel['load_ohm']:g}" if channel.get("load_ohm") and kind != "none" else ""
    return f"ampwitness set-gain --tone {_TONE_HZ.get(str(band), 1000)}{load} --load-kind {kind} --out {file}"


def remark_on(key: str, channel: Mapping[str, Any]) -> str:
    """What must be said ahead of that command; "" for nothing."""
    if key != "gain":
        return ""
    if channel.get("band") in ("mid", "tweeter"):
        return "Disconnect the loudspeaker for this: a full-level tone destroys it."
    if not channel.get("band"):
        return (
            "What this channel plays was not typed (job channel ... --band): disconnect the loudspeaker, or type the "
            "band for the tone and load that suit it."
        )
    return ""
