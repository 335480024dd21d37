"""`ampwitness front-end`: the network between a terminal and a pin, designed and judged."""

from __future__ import annotations

import json
from pathlib import Path

import click

from ampwitness.cli.finite import FINITE
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.wrapped import wrapped
from ampwitness.errors import UsageError
from ampwitness.firmware_files import load_board_config
from ampwitness.frontend.fragment import config_fragment, inputs_json
from ampwitness.frontend.front_end import FrontEnd, design_front_end, read_front_end
from ampwitness.frontend.preferred import mantissas
from ampwitness.frontend.wishes import (
    DEFAULT_LINE_VRMS,
    DEFAULT_RAIL_V,
    DEFAULT_SMALL_V,
    line_wish,
    sensor_wish,
    small_wish,
    speaker_wish,
    supply_wish,
)
from ampwitness.frontend.wording import front_end_text, front_end_to_json
from ampwitness.whole_file import write_whole


def _read_series(text: str) -> tuple[int, ...]:
    try:
        series = tuple(int(piece.strip().upper().removeprefix("E")) for piece in text.split(","))
    except ValueError:
        raise UsageError(f"--series {text}: name E-series, for example E24,E96") from None
    for one in series:
        mantissas(one)
    return series


@click.command(
    "front-end",
    epilog="Example: ampwitness front-end --power 1500 --ohm 1 --write-config inputs.py --write-virtual inputs.json",
)
@click.option("--rail", "rail_v", type=FINITE, help="The amplifier's internal rail, V: a terminal stays within +-rail.")
@click.option("--output-volts", "output_v", type=FINITE, help="Largest peak between the speaker terminals, V.")
@click.option("--power", "power_w", type=FINITE, help="Rated power, W; with --ohm.")
@click.option("--ohm", "load_ohm", type=FINITE, help="Load of the rated power, ohm.")
@click.option("--bridged/--single-ended", default=True, show_default=True, help="How --output-volts divides.")
@click.option("--system", "system_v", type=int, default=12, show_default=True, help="12 or 24 V vehicle.")
@click.option("--supply-high", "supply_v", type=FINITE, help="Highest supply to measure, V.  [default: the jump start]")
@click.option(
    "--line-vrms", type=FINITE, default=DEFAULT_LINE_VRMS, show_default=True, help="Line-level source, V rms."
)
@click.option("--small", "small_v", type=FINITE, default=DEFAULT_SMALL_V, show_default=True, help="Drops, +-V.")
@click.option(
    "--bandwidth", "bandwidth_hz", type=FINITE, default=10_000.0, show_default=True, help="Highest Hz wanted."
)
@click.option("--series", "series_text", default="E24,E96", show_default=True, help="E-series of the resistors.")
@click.option("--board", "is_board", is_flag=True, help="Judge the networks of firmware/board_config.py instead.")
@click.option("--write-config", type=NAMED_PATH, help="Write the section for board_config.py here.")
@click.option("--write-virtual", type=NAMED_PATH, help="Write the file for virtual-board --inputs here.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def front_end(
    rail_v: float | None,
    output_v: float | None,
    power_w: float | None,
    load_ohm: float | None,
    bridged: bool,
    system_v: int,
    supply_v: float | None,
    line_vrms: float,
    small_v: float,
    bandwidth_hz: float,
    series_text: str,
    is_board: bool,
    write_config: Path | None,
    write_virtual: Path | None,
    as_json: bool,
) -> None:
    """Design the parts between each terminal and its pin from what an installer knows, and say what they survive.

    Give one of --rail, --output-volts, or --power with --ohm; without any, the board's own +-61 V is designed. All
    wishes hold with every part at its worst limit. One file of the numbers goes into the firmware, one into the virtual
    board: both from the same design.

    Battery cables and amplifier outputs can burn and shock: fuse every probe lead at its source end.
    """
    if (rail_v, output_v, power_w, load_ohm) == (None, None, None, None):
        rail_v = DEFAULT_RAIL_V
    wishes = [
        speaker_wish(rail_v=rail_v, output_v=output_v, power_w=power_w, load_ohm=load_ohm, is_bridged=bridged),
        supply_wish(system_v, supply_v),
        line_wish(line_vrms),
        small_wish(small_v),
        sensor_wish(),
    ]
    config = load_board_config()
    made: FrontEnd
    if is_board:
        made = read_front_end(config, wishes, system_v)
    else:
        made = design_front_end(wishes, bandwidth_hz, system_v, config, series=_read_series(series_text))
    if as_json:
        click.echo(json.dumps(front_end_to_json(made), indent=1, allow_nan=False))
    else:
        click.echo(wrapped(front_end_text(made)))
    for path, text in ((write_config, config_fragment(made)), (write_virtual, inputs_json(made))):
        if path is not None:
            write_whole(path, text)
            if not as_json:
                click.echo(f"Written: {path}")
