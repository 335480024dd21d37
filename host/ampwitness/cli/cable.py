"""`ampwitness cable`: what a run of cable costs in volts and heat."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import cast

import click

from ampwitness.cli.finite import FINITE
from ampwitness.cli.wrapped import wrapped
from ampwitness.errors import UsageError
from ampwitness.frontend.cable import CAUTION, CableRun, Metal, awg_to_mm2, measure_run, read_awg

_METALS = {"copper": "copper", "cca": "copper-clad aluminium"}


def _as_text(run: CableRun, name: str) -> str:
    way = "there and back" if run.conductor_m > run.run_m else "one conductor"
    lines = [
        f"{name} {_METALS[run.metal]}, {run.area_mm2:.4g} mm2, metal at {run.temperature_c:g} degrees C: "
        f"{run.ohm_per_km:.4g} ohm/km ({run.ohm_per_1000_ft:.4g} ohm/1000 ft)",
        f"{run.run_m:g} m, {way}: {run.conductor_m:g} m of conductor",
        f"  resistance  {1e3 * run.loop_ohm:.4g} mohm",
        f"  drop        {run.drop_v:.4g} V at {run.amps:g} A",
        f"  heat        {run.heat_w:.4g} W in all, {run.heat_w_per_m:.3g} W in each metre of conductor",
    ]
    if run.most_drop_v is not None:
        lines.append(
            f"  A flexible cable sold as {run.area_mm2:g} mm2 may have up to {run.most_ohm_per_km:.4g} ohm/km "
            f"(IEC 60228 class 5): then the drop is {run.most_drop_v:.4g} V."
        )
    if run.metal == "cca":
        lines.append("  Copper-clad aluminium varies with its copper share; a tenth of the section is taken here.")
    return "\n".join([*lines, CAUTION])


@click.command(epilog="Example: ampwitness cable --awg 4 --length 5 --amps 100")
@click.option("--awg", "awg_text", help="Gauge: 40 to 0, or 1/0 to 4/0.")
@click.option("--mm2", type=FINITE, help="Metal section instead of a gauge, mm2.")
@click.option("--length", "run_m", type=FINITE, required=True, help="Distance from source to load, m.")
@click.option("--amps", type=FINITE, required=True, help="Steady current, or rms, A.")
@click.option(
    "--metal",
    type=click.Choice(list(_METALS), case_sensitive=False),
    default="copper",
    show_default=True,
    help="cca: clad aluminium.",
)
@click.option("--temperature", "temperature_c", type=FINITE, default=20.0, show_default=True, help="Of the metal, C.")
@click.option("--one-way", is_flag=True, help="Count one conductor; the current returns elsewhere.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def cable(
    awg_text: str | None,
    mm2: float | None,
    run_m: float,
    amps: float,
    metal: str,
    temperature_c: float,
    one_way: bool,
    as_json: bool,
) -> None:
    """Say what a run of cable costs: loop resistance, voltage drop, heat per metre.

    Arithmetic, not permission. Which gauge and which fuse may be used is for local codes and licensed practice.
    """
    if (awg_text is None) == (mm2 is None):
        raise UsageError("give either --awg or --mm2")
    area_mm2 = awg_to_mm2(read_awg(awg_text)) if awg_text is not None else cast("float", mm2)
    run = measure_run(
        area_mm2, run_m, amps, metal=cast("Metal", metal), temperature_c=temperature_c, is_loop=not one_way
    )
    if as_json:
        click.echo(json.dumps({**asdict(run), "most_drop_v": run.most_drop_v, "caution": CAUTION}, indent=1))
        return
    click.echo(wrapped(_as_text(run, f"{awg_text} AWG" if awg_text is not None else "Cable:")))
