"""An amplifier of transistors, as ngspice solves it: `python tests/detect_clipping/make_class_ab_golden.py`.

The bench's amplifiers are laws somebody wrote down. This one is a circuit: a differential pair with a current mirror, a
voltage stage, a fixed bias, two emitter followers on either side, feedback, and rails that sag through 0.2 ohm and
4,700 uF. Topology, values and transistor parameters are textbook ones chosen here; no product is meant. What it does
at its rails (how the tops bend, how far they sink, how it lets go) is ngspice's answer, not ours. Solved twice: on
rails of 30 V, and of 75 V, where nothing clips: what the output would have been.

Written: golden/class_ab.cir, and golden/class_ab.npz with both outputs, 8,000 samples a second. The tests solve a part
of it again where ngspice is installed.
"""

from __future__ import annotations

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

NETLIST = """* class AB amplifier of transistors, textbook topology, our own values
.model qn NPN(BF=120 VAF=100 IS=1e-14 TF=0.4n CJE=10p CJC=5p)
.model qp PNP(BF=100 VAF=80 IS=1e-14 TF=0.6n CJE=10p CJC=5p)
.model pn NPN(BF=70 VAF=80 IS=1e-11 RB=1 RE=0.02 RC=0.05 TF=30n CJC=200p CJE=400p)
.model pp PNP(BF=60 VAF=60 IS=1e-11 RB=1 RE=0.02 RC=0.05 TF=40n CJC=200p CJE=400p)
* rails
VPR vpr 0 {rail}
VNR vnr 0 -{rail}
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
linearize v(out)
wrdata {written} v(out)
quit
.endc
.end
"""


def netlist(rail_v: float, stop_s: float, written: str) -> str:
    """The circuit on rails of `rail_v`, solved up to `stop_s`."""
    sources = [
        f"V{k} {'in' if k == 0 else f's{k}'} {f's{k + 1}' if k + 1 < len(NOTES) else '0'} "
        f"SIN(0 {peak_v} {hz} {start_s} {damping})"
        for k, (start_s, peak_v, hz, damping) in enumerate(NOTES)
    ]
    step = f"{1 / SOLVED_HZ:.9g}"
    return NETLIST.format(rail=rail_v, sources="\n".join(sources), step=step, stop=stop_s, written=written)


def solve(rail_v: float, stop_s: float) -> NDArray[np.float64]:
    """(n,) volts of the output at RATE_HZ. Raises FileNotFoundError without ngspice, RuntimeError with its words."""
    program = shutil.which("ngspice")
    if program is None:
        raise FileNotFoundError("ngspice is not installed")
    with tempfile.TemporaryDirectory() as folder:
        circuit, written = Path(folder) / "circuit.cir", Path(folder) / "out.txt"
        circuit.write_text(netlist(rail_v, stop_s, written.name), encoding="utf-8")
        done = subprocess.run([program, "-b", circuit.name], cwd=folder, capture_output=True, text=True, check=False)
        if not written.exists():
            raise RuntimeError(f"ngspice: {done.stdout[-1500:]}{done.stderr[-1500:]}")
        volts = np.loadtxt(written)[:, 1]
    return np.asarray(signal.decimate(volts, SOLVED_HZ // RATE_HZ, ftype="fir", zero_phase=True))


def main() -> None:
    """Write the netlist and both outputs."""
    GOLDEN.mkdir(exist_ok=True)
    (GOLDEN / "class_ab.cir").write_text(netlist(RAIL_V, SECONDS, "out.txt"), encoding="utf-8")
    stored = {
        name: np.round(solve(rail_v, SECONDS) / STEP_V).astype(np.int16)
        for name, rail_v in (("output", RAIL_V), ("unclipped", HIGH_RAIL_V))
    }
    np.savez_compressed(GOLDEN / "class_ab.npz", **stored)


if __name__ == "__main__":
    main()
