"""What the checks before power ask for, and how an answer is read."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from ampwitness.errors import UsageError

_OPEN_WORDS = ("open", "ol", "o.l", "inf")
# kind -> unit as asked, least and most that can be, both included
_NUMBERS = {
    "ohm": ("ohm", 0.0, 1e9),
    "label ohm": ("ohm", 0.1, 1000.0),
    "volt": ("V", -1000.0, 1000.0),
    "amp": ("A", 0.0, 10_000.0),
    "metre": ("m", 0.0, 1000.0),
    "mm2": ("mm2", 0.005, 1000.0),
    "count": ("", 1.0, 32.0),
}


@dataclass(frozen=True, slots=True)
class Ask:
    """One question of the walk.

    kind: `ohm` is what a meter shows, `open` where it shows no reading; `label ohm` is printed on something; `mm2`,
    `metre`, `volt`, `amp`, `count` are numbers, `yes` is yes or no, `choice` one of `choices`.
    """

    key: str
    text: str
    kind: Literal["ohm", "label ohm", "volt", "amp", "metre", "mm2", "count", "choice", "yes"]
    choices: tuple[str, ...] = ()


def questions(answers: Mapping[str, object]) -> list[Ask]:
    """What is asked, in order; what depends on an answer follows once it is there."""
    asked = [
        Ask("coil_ohm", "Nominal impedance of one voice coil", "label ohm"),
        Ask("n_coils", "How many coils on this output", "count"),
    ]
    n_coils = answers.get("n_coils")
    n = int(n_coils) if isinstance(n_coils, int | float) else 0
    if n > 1:
        ways = ("series", "parallel", "series-parallel") if n >= 4 and n % 2 == 0 else ("series", "parallel")
        asked.append(Ask("wiring", "How are they wired", "choice", ways))
    asked += [Ask(f"coil_{k}_ohm", f"Coil {k} alone, leads off: meter shows", "ohm") for k in range(1, n + 1)]
    asked += [
        Ask("leads_ohm", "The speaker leads at the amplifier's end, amplifier off the leads: meter shows", "ohm"),
        Ask("chassis_p_ohm", "+ speaker lead to bare metal of the body", "ohm"),
        Ask("chassis_n_ohm", "- speaker lead to bare metal of the body", "ohm"),
        Ask("is_bridged", "Is the amplifier's output bridged", "yes"),
        Ask("least_stereo_ohm", "Amplifier's rated least load, not bridged", "label ohm"),
        Ask("least_bridged_ohm", "Amplifier's rated least load, bridged", "label ohm"),
        Ask(
            "supply_v",
            "With a small fuse in for this one reading and the end of the amplifier's power cable in free air: red on "
            "+, black on ground (then take the fuse out)",
            "volt",
        ),
        Ask("ground_ohm", "Amplifier's ground point to the battery's - post", "ohm"),
        Ask("remote_v", "Remote lead to ground, source switched off", "volt"),
        Ask("fuse_a", "Main fuse at the battery", "amp"),
        Ask("amplifier_fuses_a", "All fuses on the amplifiers behind it, added up", "amp"),
        Ask("fuse_distance_m", "Cable between the battery's post and that fuse", "metre"),
        Ask("cable_mm2", "Power cable's section", "mm2"),
        Ask("cable_m", "Its length from battery to amplifier", "metre"),
    ]
    return asked


def parse_answer(ask: Ask, text: str) -> float | bool | str | None:
    """What was typed; None for nothing: not measured; inf for `open`. Raises UsageError."""
    text = text.strip().lower()
    if not text:
        return None
    if ask.kind == "yes":
        if text in ("y", "yes", "n", "no", "true", "false"):
            return text in ("y", "yes", "true")
        raise UsageError(f"{ask.key}: yes or no, not {text!r}")
    if ask.kind == "choice":
        if text in ask.choices:
            return text
        raise UsageError(f"{ask.key}: one of {', '.join(ask.choices)}, not {text!r}")
    if text in _OPEN_WORDS and ask.kind == "ohm":
        return math.inf
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise UsageError(f"{ask.key}: a number, not {text!r}") from None
    unit, least, most = _NUMBERS[ask.kind]
    if not least <= value <= most or (ask.kind == "count" and value != int(value)):  # nan is in no range
        what = "a whole number" if ask.kind == "count" else "a number"
        or_open = ", or `open`" if ask.kind == "ohm" else ""
        raise UsageError(f"{ask.key}: {what} from {least:g} to {most:g} {unit}".rstrip() + f"{or_open}, not {text}")
    return value


def word_question(ask: Ask) -> str:
    """The question with what may be answered."""
    choices = f" ({', '.join(ask.choices)})" if ask.choices else " (yes, no)" if ask.kind == "yes" else ""
    unit = _NUMBERS[ask.kind][0] if ask.kind in _NUMBERS else ""
    return f"{ask.text}{choices}" + (f" [{unit}]" if unit else "")
