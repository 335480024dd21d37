"""The order of work: what comes first, why, and what counts as done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

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
        "ampwitness before-power --out FILE.json", True,
    ),
    Step(
        "source", "Source level",
        "What the source clips no amplifier mends: its cleanest maximum is found before any gain is turned.",
        "ampwitness set-gain --tone 1000 --load-kind none", False,
    ),
    Step(
        "gain", "Gain of each channel",
        "With the source at its clean maximum the amplifier's gain is set to its own.",
        "ampwitness set-gain --tone 40 --load 4 --load-kind speaker", True,
    ),
    Step(
        "supply", "Supply",
        "A clip that a weak supply causes is not mended by the gain.",
        "ampwitness check-supply", False,
    ),
    Step(
        "noise", "Noise",
        "Whine and hum are found while the leads are still in reach.",
        "ampwitness find-noise", False,
    ),
    Step(
        "road", "On the road",
        "Sag, cut-outs and loose contacts show under way, not in the workshop.",
        "ampwitness record --mode bass", False,
    ),
    Step(
        "soak", "Soak",
        "Heat takes hours. The logger cannot switch anything off: not without an independent cut-off.",
        "ampwitness record --mode slow", False,
    ),
    Step("sheet", "Job sheet", "What was found, set and not tested, for the customer.", "ampwitness sheet", False),
)  # fmt: skip
STEP_OF_KEY = {step.key: step for step in STEPS}
