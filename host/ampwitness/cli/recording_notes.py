"""What every recording says about itself, whichever command makes it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

import click

from ampwitness import __version__
from ampwitness.calibration_file import calibration_to_plain
from ampwitness.cli.finite import FINITE, FiniteRange
from ampwitness.cli.settings_folder import calibration_of
from ampwitness.errors import UsageError
from ampwitness.link.session import BoardSession

SAFETY = "On the road the passenger works this, never the driver."


# What a person may say of what is recorded: the note's name in the file, and the option.
_DESCRIBING = {
    "amplifier": click.option("--amplifier", help="What is being measured, in your words."),
    "load_ohm": click.option("--load-ohm", type=FiniteRange(min=0, min_open=True), help="Impedance of the load."),
    "load_kind": click.option(
        "--load-kind", type=click.Choice(["none", "resistor", "speaker"]), help="What the output drives."
    ),
    "nominal_supply_v": click.option(
        "--nominal-supply",
        "nominal_supply_v",
        type=FiniteRange(min=0, min_open=True),
        help="Volts the supply should have.",
    ),
    "efficiency": click.option(
        "--efficiency", type=FiniteRange(0.1, 1.0), help="Output over supply power, where it is known."
    ),
    "current_a_per_v": click.option(
        "--clamp-a-per-v",
        "current_a_per_v",
        type=FiniteRange(min=0, min_open=True),
        help="Amperes a volt of the clamp on the `current` channel. Without it the report takes 100.",
    ),
    "current_zero_v": click.option(
        "--clamp-zero-v", "current_zero_v", type=FINITE, help="What that clamp gives at no current. Without it: 2.5 V."
    ),
    "battery_kind": click.option(
        "--battery-kind",
        type=click.Choice(["flooded", "AGM", "lithium"], case_sensitive=False),
        help="Tells rest from charging.",
    ),
    "reference_point": click.option(
        "--reference",
        "reference_point",
        type=click.Choice(["amplifier-ground", "battery-negative", "chassis"]),
        help="Where the logger's ground is clipped: all volts count from there.",
    ),
    "remarks": click.option(
        "--remark", "remarks", multiple=True, help="Anything worth keeping. May be given more than once."
    ),
}


def describing_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Decorator: the options by which a person says what is recorded. The command takes them as keywords."""
    for option in reversed(_DESCRIBING.values()):
        command = option(command)
    return command


def described_notes(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Those options as notes for `recording_notes`. Raises UsageError for a load that contradicts itself."""
    if typed["load_kind"] == "none" and typed["load_ohm"] is not None:
        raise UsageError("--load-ohm with --load-kind none makes no sense: leave one of them out.")
    return {**typed, "remarks": "\n".join(typed["remarks"]) or None}


def recording_notes(session: BoardSession, given: dict[str, Any]) -> dict[str, object]:
    """What every recording says about itself, beside what was typed."""
    now = datetime.now().astimezone()
    hello = session.hello
    return {
        **given,
        "program_version": __version__,
        "started_at": now.isoformat(timespec="seconds"),
        "started_host_s": now.timestamp(),
        "host_clock": "system wall clock of the recording computer",
        "port": session.name,
        "board_id": hello.board_id,
        "board_firmware": hello.firmware,
        "board_mode": hello.mode,
        "calibrations_json": _calibrations_json(hello.board_id),
    }


def _calibrations_json(board_id: str) -> str | None:
    """The measured calibrations that this computer has of the board, as JSON text: they travel with the recording."""
    book = calibration_of(board_id)
    if book is None or not book.calibrations:
        return None
    return json.dumps([calibration_to_plain(calibration) for calibration in book.calibrations.values()])
