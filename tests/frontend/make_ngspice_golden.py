"""Netlists of the input networks, and what ngspice makes of them: `python tests/frontend/make_ngspice_golden.py`.

The networks are those of firmware/board_config.py; clamp, pin resistor and disturbances are those of the designer. The
numbers are the design's, the physics is ngspice's: it solves the circuit by itself, in time and with real pulse shapes.
Written: golden/*.cir and golden/results.json. The tests run the netlists again where ngspice is installed.
"""

from __future__ import annotations

import json
import math
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from ampwitness.firmware_files import load_board_config
from ampwitness.frontend.disturbances import (
    DIODE_IDEALITY,
    DIODE_SATURATION_A,
    DIODE_SERIES_OHM,
    DISTURBANCES,
    PIN_OHM,
    Disturbance,
)
from ampwitness.frontend.network import InputNetwork, network_from_parts
from ampwitness.frontend.wishes import default_wishes

GOLDEN = Path(__file__).parent / "golden"
START_S = 10e-6
STEADY = ("reversed supply", "24 V jump start", "suppressed load dump", "unsuppressed load dump")
# Shapes of the pulses: (rise, duration) in s, as in ISO 7637-2 (from memory); a fall of 10 % at the duration's end.
PULSES = {"pulse 1": (1e-6, 2e-3), "pulse 2a": (1e-6, 50e-6), "pulse 3a": (5e-9, 150e-9), "pulse 3b": (5e-9, 150e-9)}


def networks() -> dict[str, InputNetwork]:
    """The board's own networks by name."""
    config = load_board_config()
    return {
        wish.name: network_from_parts(wish.roles[0], config.REFERENCE_V, config.INPUT_OF_ROLE[wish.roles[0]])
        for wish in default_wishes()
    }


def key_of(name: str) -> str:
    """A name as ngspice takes it: lower case, no blanks."""
    return re.sub(r"\W", "", name.lower())


def netlists() -> dict[str, str]:
    """File name -> text of every netlist."""
    return {
        "gain.cir": _gain_netlist(),
        "corner_noise.cir": _corner_netlist(),
        "steady.cir": _steady_netlist(),
        "pulses.cir": _pulse_netlist(),
    }


def _models() -> list[str]:
    lines = [
        ".options gmin=1e-15 reltol=1e-5",
        f".model clampd D(IS={DIODE_SATURATION_A:.6e} N={DIODE_IDEALITY} RS={DIODE_SERIES_OHM})",
        ".model chipd D(IS=1e-14 N=1)",  # the chip's own protection: about 0.6 V at 0.1 mA
        "vref ref 0 3.3",
    ]
    for name, network in networks().items():
        # terminal, node; vup and vdn sense the current of the upper and the lower diode
        lines += [f".subckt {key_of(name)} t n ref", f"rtop t n {network.top_ohm:.10g}"]
        if network.up_ohm is not None:
            lines.append(f"rup ref n {network.up_ohm:.10g}")
        if network.down_ohm is not None:
            lines.append(f"rdown n 0 {network.down_ohm:.10g}")
        lines += [
            f"cpin n 0 {network.farad:.4g}",
            "vup n up 0",
            "dup up ref clampd",
            "vdn dn n 0",
            "ddn 0 dn clampd",
            ".ends",
        ]
    return lines


def _gain_netlist() -> str:
    lines = ["* settled volts at the pin for the ends of each range", *_models()]
    prints = []
    for wish in default_wishes():
        key = key_of(wish.name)
        for end, volts in (("low", wish.low_v), ("zero", 0.0), ("high", wish.high_v)):
            lines += [f"v{key}{end} t{key}{end} 0 {volts:.10g}", f"x{key}{end} t{key}{end} n{key}{end} ref {key}"]
            prints.append(f"print v(n{key}{end})")
    return _with_control(lines, ["op", *prints])


def _corner_netlist() -> str:
    lines = ["* corner: 3.0103 dB below 1 Hz; noise over 1 Hz to 10 MHz", *_models()]
    control = ["ac dec 400 1 100k"]
    for name in networks():
        key = key_of(name)
        lines += [f"v{key} t{key} 0 dc 0 ac 1", f"x{key} t{key} n{key} ref {key}"]
        control += [
            f"let loss{key} = vdb(n{key}) - vecmin(vdb(n{key})[0]) + 10*log10(2)",
            f"meas ac corner{key} when loss{key}=0",
        ]
    for name in networks():
        key = key_of(name)
        control += [f"noise v(n{key}) v{key} dec 50 1 10meg", f"let noise{key} = onoise_total", f"print noise{key}"]
    return _with_control(lines, control)


def _with_control(lines: list[str], control: list[str]) -> str:
    return "\n".join([*lines, ".control", "set numdgt=9", *control, "quit", ".endc", ".end"]) + "\n"


def _steady_netlist() -> str:
    lines = ["* disturbances that last: the clamp in its settled state, the capacitor's way there", *_models()]
    control = ["tran 50u 500m"]
    for disturbance in (one for one in DISTURBANCES[12] if one.name in STEADY):
        shape = _steady_shape(disturbance)
        for name in networks():
            key = f"{key_of(name)}{key_of(disturbance.name)}"
            lines += [
                f"v{key} s{key} 0 pwl({shape})",
                f"r{key} s{key} t{key} {max(disturbance.source_ohm, 1e-3):g}",
                f"x{key} t{key} n{key} ref {key_of(name)}",
            ]
            control += _extremes(key)
    # One input with pin resistor and the chip's own protection behind it.
    dump = next(one for one in DISTURBANCES[12] if one.name == "unsuppressed load dump")
    lines += [
        f"vchip schip 0 pwl({_steady_shape(dump)})",
        f"rchip schip tchip {dump.source_ohm:g}",
        "xchip tchip nchip ref supply",
        f"rpin nchip pchip {PIN_OHM:g}",
        "vpin pchip qchip 0",
        "dchipup qchip ref chipd",
    ]
    control += ["meas tran chippina max i(vpin)", "meas tran chippinv max v(pchip)"]
    return _with_control(lines, control)


def _steady_shape(disturbance: Disturbance) -> str:
    start_v = disturbance.rest_v
    if disturbance.name != "unsuppressed load dump":
        return f"0 {start_v:g} 1m {start_v:g} 11m {disturbance.volts:g} 1 {disturbance.volts:g}"
    # Up in 10 ms, then down so that a tenth of the surplus is left when the duration is over.
    surplus_v, tau_s = disturbance.volts - start_v, disturbance.duration_s / math.log(10)
    points = [(0.0, start_v), (1e-3, start_v)]
    points += [(11e-3 + t, start_v + surplus_v * math.exp(-t / tau_s)) for t in (0.48 * k / 24 for k in range(25))]
    return " ".join(f"{t:.6g} {v:.6g}" for t, v in points)


def _pulse_netlist() -> str:
    lines = ["* ISO 7637-2 pulses: fast rise, exponential fall", *_models()]
    control = ["tran 1u 5m"]
    for disturbance in (one for one in DISTURBANCES[12] if one.name in PULSES):
        rise_s, duration_s = PULSES[disturbance.name]
        start_v = disturbance.rest_v
        surplus_v, tau_s = disturbance.volts - start_v, duration_s / math.log(10)
        points = [(0.0, start_v), (START_S, start_v)]
        falls = [tau_s * (math.exp(0.15 * k) - 1) for k in range(15)]
        points += [(START_S + rise_s + t, start_v + surplus_v * math.exp(-t / tau_s)) for t in falls]
        points.append((START_S + rise_s + 12 * tau_s, start_v))
        shape = " ".join(f"{t:.9g} {v:.6g}" for t, v in points)
        for name in networks():
            key = f"{key_of(name)}{key_of(disturbance.name)}"
            lines += [
                f"v{key} s{key} 0 pwl({shape})",
                f"r{key} s{key} t{key} {disturbance.source_ohm:g}",
                f"x{key} t{key} n{key} ref {key_of(name)}",
            ]
            control += _extremes(key)
    return _with_control(lines, control)


def _extremes(key: str) -> list[str]:
    return [
        f"meas tran {key}highv max v(n{key})",
        f"meas tran {key}lowv min v(n{key})",
        f"meas tran {key}upa max i(v.x{key}.vup)",
        f"meas tran {key}downa max i(v.x{key}.vdn)",
    ]


def run_ngspice(text: str) -> dict[str, float]:
    """Every `name = value` that ngspice prints for a netlist. Raises RuntimeError with its words where it fails."""
    program = shutil.which("ngspice")
    if program is None:
        raise FileNotFoundError("ngspice is not installed")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "netlist.cir"
        path.write_text(text, encoding="utf-8")
        done = subprocess.run([program, "-b", str(path)], capture_output=True, text=True, timeout=120, check=False)
    found = {
        name: float(value)
        for name, value in re.findall(r"^([^\s=]+)\s*=\s*(-?[\d.]+(?:e[-+]?\d+)?)", done.stdout, flags=re.MULTILINE)
    }
    if not found or "failed" in done.stdout + done.stderr:
        raise RuntimeError(f"ngspice: {done.stdout[-1500:]}{done.stderr[-1500:]}")
    return found


def main() -> int:
    """Write the netlists and what ngspice says of them."""
    GOLDEN.mkdir(exist_ok=True)
    results = {}
    for name, text in netlists().items():
        (GOLDEN / name).write_text(text, encoding="utf-8")
        found = run_ngspice(text)
        results[name] = {
            key: float(f"{value:.6g}") if abs(value) > 1e-9 else 0.0 for key, value in sorted(found.items())
        }
        print(f"{name}: {len(found)} numbers")
    (GOLDEN / "results.json").write_text(json.dumps(results, indent=0) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
