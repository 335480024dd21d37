"""One set of numbers for three readers: board_config's section of input networks, the virtual board, and people."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ampwitness.errors import UsageError
from ampwitness.frontend.front_end import FrontEnd, JudgedInput, input_of_role
from ampwitness.frontend.network import N_CODES
from ampwitness.plain_json import UnreadableTextError, read_json

_KIND = "ampwitness input networks"
_VERSION = 1
_PART_KEYS = ("top_ohm", "up_ohm", "down_ohm", "farad")

_HEAD = """\
# ---- input networks -----------------------------------------------------------------------------------------------
# Made by `ampwitness front-end`. Put it in place of the section of this name in firmware/board_config.py.
# A terminal reaches its pin through top_ohm; up_ohm pulls the pin towards the 3.3 V reference (None: not fitted),
# down_ohm towards the logger's ground (None: not fitted); a capacitor from pin to ground makes the low-pass.
#   v_pin = r_parallel * (v_terminal / top_ohm + REFERENCE_V / up_ohm),   r_parallel = top || up || down
"""


@dataclass(frozen=True, slots=True)
class InputsFile:
    """What a virtual board needs to stand in for a board with other input networks."""

    input_of_role: Mapping[str, Mapping[str, float | None]]
    corner_hz: float


def config_fragment(front_end: FrontEnd) -> str:
    """The section of board_config.py that holds the input networks, as text that MicroPython and CPython read."""
    lines = [
        _HEAD.rstrip("\n"),
        f"REFERENCE_V = {front_end.reference_v:g}  # nominal supply of the board's ADC",
        f"ADC_CODES = {N_CODES}  # 12 bits",
        "",
    ]
    for one in front_end.inputs:
        lines += [f"# {_comment(one)}", f"{one.name} = {{{_parts_text(one)}}}"]
    lines += ["", "INPUT_OF_ROLE = {"]
    lines += [f'    "{role}": {one.name},' for one in front_end.inputs for role in one.roles]
    lines += [
        "}",
        "",
        "# One corner for all inputs and all modes: every r_parallel with its capacitor lies within 2 % of it.",
        f"INPUT_CORNER_HZ = {front_end.corner_hz:g}",
    ]
    return "\n".join(lines) + "\n"


def inputs_json(front_end: FrontEnd) -> str:
    """The same networks as a file for `ampwitness virtual-board --inputs`."""
    whole = {
        "kind": _KIND,
        "version": _VERSION,
        "input_corner_hz": front_end.corner_hz,
        "input_of_role": input_of_role(front_end),
    }
    return json.dumps(whole, indent=1, allow_nan=False) + "\n"


def read_inputs(path: Path) -> InputsFile:
    """Read what `inputs_json` wrote.

    Raises
    ------
    UsageError : no such file, or not of this kind, or a part that is not a positive number
    """
    try:
        whole = read_json(path)
    except UnreadableTextError as error:
        raise UsageError(f"{path} cannot be read as a file of input networks: {error}") from error
    if not isinstance(whole, dict) or whole.get("kind") != _KIND or whole.get("version") != _VERSION:
        raise UsageError(
            f"{path} is not a file of input networks; `ampwitness front-end --write-virtual FILE` makes one"
        )
    parts_of = whole.get("input_of_role")
    corner_hz: Any = whole.get("input_corner_hz")
    if not isinstance(parts_of, dict) or not parts_of or not _is_positive(corner_hz):
        raise UsageError(f"{path}: input_of_role or input_corner_hz is missing")
    return InputsFile({role: _checked_parts(path, role, parts) for role, parts in parts_of.items()}, float(corner_hz))


def _checked_parts(path: Path, role: str, parts: Any) -> dict[str, float | None]:
    if not isinstance(parts, dict) or set(parts) != set(_PART_KEYS):
        raise UsageError(f"{path}: {role} needs exactly {', '.join(_PART_KEYS)}")
    for key, value in parts.items():
        is_optional = key in ("up_ohm", "down_ohm")
        if not (value is None and is_optional) and not _is_positive(value):
            raise UsageError(f"{path}: {key} of {role} is {value!r}; a number above 0" + ", or null" * is_optional)
    if parts["up_ohm"] is None and parts["down_ohm"] is None:
        raise UsageError(f"{path}: {role} has neither up_ohm nor down_ohm; its pin would follow the terminal's volts")
    return dict(parts)


def _is_positive(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < math.inf


def _comment(one: JudgedInput) -> str:
    network = one.network
    why = f"{one.wish.why}; " if one.wish else ""
    return f"{why}{network.low_v:+.2f} to {network.high_v:+.2f} V, {1e3 * network.volts_per_code:.3g} mV a code"


def _parts_text(one: JudgedInput) -> str:
    parts = one.network.parts()
    texts = [f'"{key}": {"None" if parts[key] is None else format(parts[key], ".10g")}' for key in _PART_KEYS[:3]]
    return ", ".join([*texts, f'"farad": {parts["farad"]:.4g}'])
