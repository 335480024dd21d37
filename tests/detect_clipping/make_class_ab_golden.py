"""An amplifier of transistors, as ngspice solves it: `python tests/detect_clipping/make_class_ab_golden.py`.

The bench's amplifiers are laws somebody wrote down. This one is a circuit: a differential pair with a current mirror, a
voltage stage, a fixed bias, two emitter followers on either side, feedback, and rails that sag through 0.2 ohm and
4,700 uF. Topology, values and transistor parameters are textbook ones chosen here; no product is meant. What it does
at its rails (how the tops bend, how far they sink, how it lets go) is ngspice's answer, not ours. Solved twice: on
rails of 30 V, and of 75 V, where nothing clips: what the output would have been.

And once more on a vehicle's supply: 12.6 V behind 50 mohm, rails at 2.4 times what is left of it, the rails' current
taken from it at 85 % beside 0.8 A at rest. The truth of whose fault a clip is comes from the same circuit on a supply
that never sags.

Written: golden/class_ab.cir, and golden/class_ab.npz with both outputs, 8,000 samples a second; golden/on_a_battery.cir
and golden/on_a_battery.npz with output and supply, and crest by crest what the other two circuits came to. The tests
solve a part of it again where ngspice is installed.
"""

from __future__ import annotations

import itertools
import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import signal

GOLDEN = Path(__file__).parent / "golden"
RAIL_V, HIGH_RAIL_V = 30.0, 75.0
SOLVED_HZ, RATE_HZ = 48_000, 8_000
SECONDS = 3.0
STEP_V = 0.002  # of the stored numbers
# start_s, V peak at the input (the gain is 23), Hz, damping 1/s
NOTES = (
    (0.05, 1.55, 55.0, 5.0), (0.05, 0.30, 110.0, 9.0),
    (0.70, 1.75, 41.2, 5.0),
    (1.35, 1.45, 65.4, 4.0), (1.35, 0.35, 196.2, 10.0),
    (2.05, 1.60, 82.4, 6.0), (2.05, 0.40, 41.2, 6.0),
)  # fmt: skip

BATTERY_SECONDS = 8.0
SOURCE_OHM, STIFF_OHM, RAIL_RATIO = 0.05, 1e-6, 2.4
BATTERY_NOTES = tuple(
    (round(start_s, 3), round(peak_v, 3), hz, round(damping, 2))
    for start_s, peak_v, hz, damping in zip(
        np.arange(0.5, 7.5, 0.45), np.random.default_rng(7).uniform(0.8, 1.6, 16),
        np.random.default_rng(8).choice([41.2, 46.2, 55.0, 61.7, 65.4, 73.4], 16).tolist(),
        np.random.default_rng(9).uniform(3.0, 9.0, 16), strict=True)
)  # fmt: skip
LEAST_CREST_V = 18.0

STANDING_RAILS = """VPR vpr 0 {rail}
VNR vnr 0 -{rail}"""
BATTERY_RAILS = """VBAT bat 0 12.6
RS bat s {source_ohm}
CS s 0 100u ic=12.6
EP plus 0 s 0 2.4
VPM plus vpr 0
EN 0 minus s 0 2.4
VNM vnr minus 0
GD s 0 value={{(2.4*(i(VPM)+i(VNM)))/0.85+0.8}}"""
NETLIST = """* class AB amplifier of transistors, textbook topology, our own values
.model qn NPN(BF=120 VAF=100 IS=1e-14 TF=0.4n CJE=10p CJC=5p)
.model qp PNP(BF=100 VAF=80 IS=1e-14 TF=0.6n CJE=10p CJC=5p)
.model pn NPN(BF=70 VAF=80 IS=1e-11 RB=1 RE=0.02 RC=0.05 TF=30n CJC=200p CJE=400p)
.model pp PNP(BF=60 VAF=60 IS=1e-11 RB=1 RE=0.02 RC=0.05 TF=40n CJC=200p CJE=400p)
* rails
{rails}
RPR vpr vp 0.2
RNR vnr vn 0.2
CPR vp 0 4700u ic={rail}
CNR vn 0 4700u ic=-{rail}
* notes that die away, one in series with the other
{sources}
Rin in b1 1k
Rb1 b1 0 22k
* differential pair and mirror
I1 vp e 4m
Q1 c1 b1 e1 qp
Q2 c2 b2 e2 qp
RE1 e e1 100
RE2 e e2 100
RC1 m1 vn 100
RC2 m2 vn 100
Q3 c2 c2 m2 qn
Q4 c1 c2 m1 qn
* voltage stage, bias
Q5 vas c1 ve qn
RVE ve vn 47
CC vas c1 100p
I2 vp up 8m
VB up vas 2.42
* output
Q6 vp up d1 qn
Q7 vn vas d2 qp
RD d1 d2 120
Q8 vp d1 o1 pn
Q9 vn d2 o2 pp
RO1 o1 out 0.22
RO2 out o2 0.22
RF out b2 22k
RG b2 g 1k
CG g 0 2200u
RZ out z 10
CZ z 0 100n
RL out 0 4
.tran {step} {stop} 0 {step}
.options reltol=1e-4
.control
run
linearize {nodes}
wrdata {written} {nodes}
quit
.endc
.end
"""


Notes = tuple[tuple[float, float, float, float], ...]


def netlist(rail_v: float, stop_s: float, written: str, notes: Notes = NOTES, source_ohm: float | None = None) -> str:
    """The circuit on rails that begin at `rail_v`, solved up to `stop_s`; on a battery where `source_ohm` is given."""
    sources = [
        f"V{k} {'in' if k == 0 else f's{k}'} {f's{k + 1}' if k + 1 < len(notes) else '0'} "
        f"SIN(0 {peak_v} {hz} {start_s} {damping})"
        for k, (start_s, peak_v, hz, damping) in enumerate(notes)
    ]
    step = f"{1 / SOLVED_HZ:.9g}"
    rails = STANDING_RAILS.format(rail=rail_v) if source_ohm is None else BATTERY_RAILS.format(source_ohm=source_ohm)
    nodes = "v(out)" if source_ohm is None else "v(out) v(s)"
    return NETLIST.format(
        rail=rail_v, rails=rails, nodes=nodes, sources="\n".join(sources), step=step, stop=stop_s, written=written
    )


def solve(text: str) -> list[NDArray[np.float64]]:
    """(n,) volts at RATE_HZ of each node that a netlist writes to out.txt. Raises FileNotFoundError without ngspice,
    RuntimeError with its words."""
    program = shutil.which("ngspice")
    if program is None:
        raise FileNotFoundError("ngspice is not installed")
    with tempfile.TemporaryDirectory() as folder:
        circuit, written = Path(folder) / "circuit.cir", Path(folder) / "out.txt"
        circuit.write_text(text, encoding="utf-8")
        done = subprocess.run([program, "-b", circuit.name], cwd=folder, capture_output=True, text=True, check=False)
        if not written.exists():
            raise RuntimeError(f"ngspice: {done.stdout[-1500:]}{done.stderr[-1500:]}")
        columns = np.loadtxt(written)[:, 1::2].T
    return [signal.decimate(volts, SOLVED_HZ // RATE_HZ, ftype="fir", zero_phase=True) for volts in columns]


def list_halves(
    unclipped_v: NDArray[np.float64], *others_v: NDArray[np.float64]
) -> list[tuple[float, float, float, tuple[float, ...]]]:
    """(start_s, stop_s, crest with its sign, crests of the others) of each half-cycle above LEAST_CREST_V."""
    edges = np.flatnonzero(np.diff(np.signbit(unclipped_v)))
    halves = []
    for first, last in itertools.pairwise(edges.tolist()):
        crest_v = float(max(unclipped_v[first:last], key=abs))
        if last - first > 4 and abs(crest_v) > LEAST_CREST_V:
            beside = tuple(float(np.abs(volts[first:last]).max()) for volts in others_v)
            halves.append((first / RATE_HZ, last / RATE_HZ, crest_v, beside))
    return halves


def main() -> None:
    """Write the netlists and what ngspice makes of them."""
    GOLDEN.mkdir(exist_ok=True)
    (GOLDEN / "class_ab.cir").write_text(netlist(RAIL_V, SECONDS, "out.txt"), encoding="utf-8")
    stored = {
        name: np.round(solve(netlist(rail_v, SECONDS, "out.txt"))[0] / STEP_V).astype(np.int16)
        for name, rail_v in (("output", RAIL_V), ("unclipped", HIGH_RAIL_V))
    }
    np.savez_compressed(GOLDEN / "class_ab.npz", **stored)
    on_battery = [
        netlist(RAIL_RATIO * 12.6, BATTERY_SECONDS, "out.txt", BATTERY_NOTES, ohm) for ohm in (SOURCE_OHM, STIFF_OHM)
    ]
    (GOLDEN / "on_a_battery.cir").write_text(on_battery[0], encoding="utf-8")
    (output_v, supply_v), (stiff_v, _) = (solve(text) for text in on_battery)
    (unclipped_v,) = solve(netlist(HIGH_RAIL_V, BATTERY_SECONDS, "out.txt", BATTERY_NOTES))
    halves = list_halves(unclipped_v, output_v, stiff_v)
    np.savez_compressed(
        GOLDEN / "on_a_battery.npz",
        output=np.round(output_v / STEP_V).astype(np.int16),
        supply=np.round(supply_v / STEP_V).astype(np.int16),
        # start_s, stop_s, crest that nothing stops, crest on the battery, crest on a supply that never sags
        halves=np.array([(*half[:3], *half[3]) for half in halves]),
    )


if __name__ == "__main__":
    main()
