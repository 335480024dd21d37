"""`ampwitness virtual-board`: a board without hardware, for the developer's bench."""

from __future__ import annotations

import math
from pathlib import Path
from typing import cast

import click
import numpy as np

from ampwitness.bench.board_config_file import load_board_config
from ampwitness.bench.scenario import scenario, scenario_names
from ampwitness.bench.stimulus import ArrayStimulus, Stimulus
from ampwitness.bench.virtual_board import VirtualBoardOptions, run_virtual_board
from ampwitness.bench.virtual_faults import parse_fault
from ampwitness.bench.virtual_interpreter import Interpreter
from ampwitness.bench.wav import read_stimulus
from ampwitness.bench.workshop_scenarios import workshop_scenario, workshop_scenario_names
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.stopping import stop_on_signals
from ampwitness.errors import UsageError
from ampwitness.frontend.fragment import read_inputs

_FASTEST = "max"


def _parse_speed(text: str) -> float | None:
    if text == _FASTEST:
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0 < speed < 1e6:
        raise UsageError(
            f"--speed {text}: a number above 0 (1: real time), or {_FASTEST} for as fast as the reader takes"
        )
    return speed


def _load_stimulus(
    path: Path | None, name: str | None, constant: str | None, roles: str | None
) -> tuple[Stimulus, float | None]:
    """The volts, and the length of their parts where they have any."""
    if [path, name, constant].count(None) != 2:
        raise UsageError("give one of --stimulus FILE.wav, --scenario NAME and --constant ROLE=VOLTS,...")
    if constant is not None:
        if roles is not None:
            raise UsageError("--roles names the channels of a WAV; --constant names its own")
        return _parse_constant(constant), None
    if name is not None:
        if roles is not None:
            raise UsageError("--roles names the channels of a WAV; a scenario knows its own")
        if name in workshop_scenario_names():
            made = workshop_scenario(name)
            return made.stimulus, made.part_s
        return scenario(name).stimulus, None
    assert path is not None
    if not roles:
        raise UsageError("--stimulus needs --roles, for example --roles out_p,out_n,supply")
    return read_stimulus(path, tuple(role.strip() for role in roles.split(","))), None


def _parse_constant(text: str) -> Stimulus:
    """`out_p=6,supply=12.6` -> a second of constant volts."""
    volts: dict[str, float] = {}
    for piece in text.split(","):
        role, equals, number = (part.strip() for part in piece.partition("="))
        try:
            volts[role] = float(number)
        except ValueError:
            equals = ""
        if not equals or not role or not math.isfinite(volts[role]):
            raise UsageError(
                f"--constant {piece.strip()!r}: say ROLE=VOLTS, for example --constant supply=12.6,out_p=0"
            )
    return ArrayStimulus(tuple(volts), 1000.0, np.tile(np.array(list(volts.values())), (1000, 1)))


@click.command(
    "virtual-board",
    epilog="Example: ampwitness virtual-board --stimulus volts.wav --roles out_p,out_n,supply --speed max",
)
@click.option("--stimulus", "path", type=NAMED_PATH, help="WAV whose samples are volts at the terminals.")
@click.option(
    "--roles", help="What the WAV's channels are, of out_p, out_n, supply, battery, ground, source, current, remote."
)
@click.option(
    "--scenario",
    "name",
    type=click.Choice((*scenario_names(), *workshop_scenario_names())),
    help="A built-in stimulus instead of a WAV.",
)
@click.option("--constant", metavar="ROLE=VOLTS,...", help="Constant volts instead of a WAV, for as long as it runs.")
@click.option("--mode", type=click.Choice(list(load_board_config().MODES)), help="Mode the board wakes up in.")
@click.option("--speed", "speed_text", default="1", show_default=True, help="1: real time; N: N times; max.")
@click.option(
    "--fault",
    "fault_texts",
    multiple=True,
    metavar="NAME@S[:AMOUNT]",
    help="pause@3:0.5 (s), unplug@5:1 (s), corrupt@7:20 (bytes), drop@8:1 (frames), reset@9, mark@4. May be repeated.",
)
@click.option("--seed", default=1, show_default=True, help="Draws the board's parts, its converter and its noise.")
@click.option(
    "--inputs",
    "inputs_path",
    type=NAMED_PATH,
    help="Input networks other than board_config's: a file of `ampwitness front-end --write-virtual`.",
)
@click.option("--loop", "is_looped", is_flag=True, help="Begin the stimulus again at its end.")
@click.option("--stay", "stays", is_flag=True, help="Do not end after the stimulus has ended and the host has stopped.")
@click.option("--link", type=NAMED_PATH, help="Symbolic link to make to the port.")
@click.option("--socket", "uses_socket", is_flag=True, help="Offer a TCP socket instead of a pseudo-terminal.")
@click.option("--interpreter", type=click.Choice(["micropython", "cpython"]), help="Default: MicroPython where it is.")
def virtual_board(
    path: Path | None,
    roles: str | None,
    name: str | None,
    constant: str | None,
    mode: str | None,
    speed_text: str,
    fault_texts: tuple[str, ...],
    seed: int,
    inputs_path: Path | None,
    is_looped: bool,
    stays: bool,
    link: Path | None,
    uses_socket: bool,
    interpreter: str | None,
) -> None:
    """Run the board's own firmware on this computer and offer its serial port.

    The first line printed is `port: NAME`; any program that opens serial ports can open NAME. Only the converter and
    the pins are replaced: volts from a WAV or a scenario go through models of the inputs and the converter.

    Time in the stimulus begins when a program first starts the board and stands still while none has the port open or
    is streaming, so a program that connects late misses nothing. Fault times are seconds of the stimulus. With --speed
    max nothing is lost for want of speed: the converter waits for the reader, and pauses last as long on the clock.
    When the stimulus has ended the status says so; the board ends when the program then stops or closes the port.
    """
    speed = _parse_speed(speed_text)
    faults = tuple(parse_fault(text) for text in fault_texts)  # before a scenario is made, which takes its time
    inputs = None if inputs_path is None else read_inputs(inputs_path)
    stimulus, part_s = _load_stimulus(path, name, constant, roles)
    options = VirtualBoardOptions(
        stimulus=stimulus,
        mode=mode or str(load_board_config().DEFAULT_MODE),
        speed=speed,
        faults=faults,
        seed=seed,
        is_looped=is_looped or constant is not None,
        part_s=part_s,
        stays=stays or constant is not None,
        link=link,
        interpreter=cast("Interpreter | None", interpreter),
        uses_socket=uses_socket,
        inputs=inputs,
    )
    with stop_on_signals() as seen:
        run_virtual_board(options, lambda line: print(line, flush=True), lambda: bool(seen))
