"""Colours and marks of every picture: one meaning, one colour and one shape, legible in grey and to colour-blind eyes.

Colours are those of Okabe and Ito, "Color Universal Design" (2008), a published palette chosen to survive the common
kinds of colour blindness. No meaning rests on colour alone: lanes, shapes and hatches repeat it for print in grey.
"""

from __future__ import annotations

from dataclasses import dataclass

OUTPUT_COLOUR = "#0072B2"  # blue
SUPPLY_COLOUR = "#D55E00"  # vermilion
OTHER_COLOURS = {
    "battery": "#009E73",
    "source": "#CC79A7",
    "ground": "#56B4E9",
    "current": "#E69F00",
    "remote": "#000000",
}
GRID_COLOUR = "#C8C8C8"
TEXT_COLOUR = "#1A1A1A"


def role_label(role: str) -> str:
    """A channel's axis; short, as it stands beside a plot of a hundred pixels. What a current clamp gives is volts too:
    its scale may not have been stated."""
    return f"{'clamp' if role == 'current' else role} (V)"


@dataclass(frozen=True, slots=True)
class LaneStyle:
    """How a kind of event is drawn in its lane of the overview."""

    label: str
    colour: str
    hatch: str


LANE_STYLES: dict[str, LaneStyle] = {
    "clip": LaneStyle("clips", "#CC79A7", ""),
    "note": LaneStyle("bass notes", "#56B4E9", ""),
    "dip": LaneStyle("supply dips", "#E69F00", "///"),
    "cutout": LaneStyle("cut-outs", "#000000", ""),
    "tone": LaneStyle("test tones", "#F0E442", ""),
    "knee": LaneStyle("gain curves", "#009E73", "..."),
    "setting": LaneStyle("gain set", "#D55E00", ""),
    "check": LaneStyle("supply checked", "#D55E00", "///"),
    "drift": LaneStyle("drift of level", "#56B4E9", "..."),
    "reading": LaneStyle("typed readings", "#7F7F7F", ""),
    "saturation": LaneStyle("logger range", "#009E73", "xx"),
    "gap": LaneStyle("gaps", "#7F7F7F", "\\\\\\"),
    "mark": LaneStyle("marks", "#0072B2", ""),
}


def role_colour(role: str) -> str:
    """The colour in which a channel is drawn everywhere."""
    if role == "output":
        return OUTPUT_COLOUR
    return SUPPLY_COLOUR if role == "supply" else OTHER_COLOURS.get(role, "#000000")
