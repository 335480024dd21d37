"""The less obliging amplifier against closed forms, the plain model, and a circuit simulator."""

from __future__ import annotations

import math
import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench.amplifier import ResistorLoad
from ampwitness.bench.amplifier_flats import flats_of_stage, flats_under_ceiling
from ampwitness.bench.amplifier_load import Loudspeaker
from ampwitness.bench.amplifier_residue import fold_hz, folded_residue
from ampwitness.bench.amplifier_stage import AT_RAIL, Feed, Reservoirs, Stage, run_stage

RATE_HZ = 48_000.0
STIFF = Reservoirs(ratio=3.0, farad=1e4, negative_farad=1e4, charge_ohm=1e-4)


def feed(n: int, volts: float = 14.0) -> Feed:
    return Feed(np.full(n, volts), supply_ohm=1e-7, input_farad=1.0)


def sine(pitch_hz: float, peak_v: float, seconds: float = 0.5, rate_hz: float = RATE_HZ) -> np.ndarray:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return peak_v * np.sin(2 * np.pi * pitch_hz * t)


# ---- the loudspeaker


def test_impedance_at_resonance_is_the_textbook_closed_form() -> None:
    # Ze = Re (1 + Qms / Qes) at fs, coil inductance aside (Thiele, Small; IEC 60268-5 measures it so).
    driver = Loudspeaker(coil_ohm=3.3, coil_h=1e-9, resonance_hz=38.0, q_mechanical=5.0, q_electrical=0.7)
    at_resonance = complex(driver.impedance_ohm(38.0))
    assert abs(at_resonance) == pytest.approx(3.3 * (1 + 5.0 / 0.7), rel=1e-6)
    assert math.degrees(np.angle(at_resonance)) == pytest.approx(0.0, abs=1e-3)
    # |Z| is equal at f1 and f2 with f1 f2 = fs^2
    low, high = np.abs(driver.impedance_ohm([38.0 / 1.7, 38.0 * 1.7]))
    assert low == pytest.approx(high, rel=1e-6)


@pytest.mark.parametrize("frequency_hz", [20.0, 38.0, 60.0, 200.0, 1000.0])
def test_current_sample_by_sample_follows_the_impedance(frequency_hz: float) -> None:
    driver = Loudspeaker()
    volts = sine(frequency_hz, 10.0, 2.0)
    current, _ = driver.current_a(volts, RATE_HZ, driver.rest_state())
    t = np.arange(len(volts)) / RATE_HZ
    late = t >= 1.0
    phasor = 2j * np.mean(current[late] * np.exp(-2j * np.pi * frequency_hz * t[late]))
    expected = 10.0 / complex(driver.impedance_ohm(frequency_hz))
    assert abs(phasor) == pytest.approx(abs(expected), rel=0.002)
    half_sample = math.pi * frequency_hz / RATE_HZ  # the volts are held over the sample before
    assert np.angle(phasor / expected) == pytest.approx(half_sample, abs=0.003)


def test_current_is_the_same_in_pieces() -> None:
    driver, volts = Loudspeaker(), np.random.default_rng(1).standard_normal(1000)
    whole, _ = driver.current_a(volts, RATE_HZ, driver.rest_state())
    state, pieces = driver.rest_state(), []
    for first, last in ((0, 1), (1, 3), (3, 400), (400, 1000)):
        current, state = driver.current_a(volts[first:last], RATE_HZ, state)
        pieces.append(current)
    assert np.allclose(np.concatenate(pieces), whole, atol=1e-9)


# ---- the truth


# Hard-clipped sine, closed forms: overdrive -20 lg c, flat share 1 - 2 asin(c) / pi of each half-cycle.
@pytest.mark.parametrize(
    ("c", "overdrive_db", "flat_ms"), [(0.99, 0.087, 1.126), (0.9, 0.915, 3.589), (0.5, 6.021, 8.333)]
)
def test_flats_of_a_clipped_sine_are_the_closed_form(c: float, overdrive_db: float, flat_ms: float) -> None:
    wanted = sine(40.0, 10.0)
    flats = flats_under_ceiling(wanted, np.clip(wanted, -10 * c, 10 * c), 10 * c, 10 * c, RATE_HZ)
    assert len(flats) == 40
    assert len({flat.half_cycle for flat in flats}) == 40
    assert np.allclose([flat.overdrive_db for flat in flats], overdrive_db, atol=0.001)
    assert np.allclose([1e3 * flat.flat_s for flat in flats], flat_ms, atol=0.003)


def thd_percent(volts: np.ndarray, pitch_hz: float, rate_hz: float) -> float:
    spectrum = np.abs(np.fft.rfft(volts)) ** 2
    k = round(pitch_hz * len(volts) / rate_hz)
    return 100 * math.sqrt(spectrum[2 * k :: k].sum() / spectrum[k])


# THD against the fundamental, all harmonics: closed form, checked elsewhere by quadrature and ngspice.
@pytest.mark.parametrize(("c", "expected"), [(0.95, 1.9240), (0.9, 4.2199), (0.7, 13.7588)])
def test_stage_on_stiff_rails_is_a_plain_clip(c: float, expected: float) -> None:
    stage = Stage(reservoirs=STIFF, load=ResistorLoad(4.0), loss_v=2.0, on_ohm=0.0)
    wanted = sine(40.0, 40.0 / c, rate_hz=192_000.0)
    run = run_stage(stage, feed(len(wanted)), wanted, 192_000.0)
    assert thd_percent(run.output_v, 40.0, 192_000.0) == pytest.approx(expected, abs=0.01)
    flats = flats_of_stage(run)
    assert len(flats) == 40
    assert np.allclose([flat.overdrive_db for flat in flats], -20 * math.log10(c), atol=0.003)
    assert {flat.ceiling for flat in flats} == {"rail"}


def test_rail_without_a_charger_falls_as_a_capacitor_through_the_load() -> None:
    stage = Stage(
        reservoirs=Reservoirs(ratio=3.0, farad=0.002, negative_farad=0.002, charge_ohm=1e9),
        load=ResistorLoad(4.0), loss_v=0.0, on_ohm=0.0,
    )  # fmt: skip
    run = run_stage(stage, feed(480), np.full(480, 100.0), RATE_HZ)
    t = np.arange(480) / RATE_HZ
    assert np.allclose(run.output_v, run.output_v[0] * np.exp(-t / (4.0 * 0.002)), rtol=0.002)
    assert np.all(run.negative_rail_v == run.negative_rail_v[0])  # each polarity its own store


def test_current_limit_leaves_a_plateau_of_its_own() -> None:
    stage = Stage(reservoirs=STIFF, load=ResistorLoad(4.0), on_ohm=0.0, current_limit_a=6.0, limit_ohm=200.0)
    run = run_stage(stage, feed(24000), sine(40.0, 30.0), RATE_HZ)
    assert run.output_v.max() == pytest.approx(24.0, abs=0.2)
    flats = flats_of_stage(run)
    assert {flat.ceiling for flat in flats} == {"current"}
    assert np.median([flat.overdrive_db for flat in flats]) == pytest.approx(20 * math.log10(30 / 24), abs=0.05)


def test_current_limit_into_a_loudspeaker_is_flat_in_amperes() -> None:
    stage = Stage(reservoirs=STIFF, load=Loudspeaker(), current_limit_a=5.0, limit_ohm=200.0)
    run = run_stage(stage, feed(48000), sine(60.0, 38.0, 1.0), RATE_HZ)
    held = np.flatnonzero(run.held_by == 2)
    assert len(held) > 100
    assert np.abs(run.load_a[held]).min() > 4.99
    assert np.abs(run.load_a).max() < 5.1


def test_late_release_lengthens_the_flat_by_its_time() -> None:
    wanted = sine(40.0, 45.0)
    lengths = []
    for release_s in (0.0, 0.0005):
        stage = Stage(reservoirs=STIFF, load=ResistorLoad(4.0), loss_v=2.0, on_ohm=0.0, release_s=release_s)
        run = run_stage(stage, feed(len(wanted)), wanted, RATE_HZ)
        lengths.append(np.median([flat.flat_s for flat in flats_of_stage(run)]))
    assert lengths[1] - lengths[0] == pytest.approx(0.0005, abs=3e-5)


def test_slew_limit_holds() -> None:
    stage = Stage(reservoirs=STIFF, load=ResistorLoad(4.0), release_s=0.002, slew_v_per_s=20_000.0)
    run = run_stage(stage, feed(24000), sine(100.0, 60.0), RATE_HZ)
    assert np.abs(np.diff(run.output_v)).max() <= 20_000.0 / RATE_HZ + 1e-9


def test_soft_corner_counts_from_a_quarter_decibel() -> None:
    stage = Stage(reservoirs=STIFF, load=ResistorLoad(4.0), loss_v=2.0, on_ohm=0.0, knee_exponent=8.0)
    for peak_v, is_scored in ((30.0, False), (40.0, True)):
        wanted = sine(40.0, peak_v)
        flats = flats_of_stage(run_stage(stage, feed(len(wanted)), wanted, RATE_HZ))
        compressed_db = 20 * math.log10((1 + (peak_v / 40.0) ** 8) ** (1 / 8))  # closed form of the knee
        assert flats
        assert all(flat.is_scored == is_scored for flat in flats)
        assert np.median([flat.overdrive_db for flat in flats]) == pytest.approx(compressed_db, abs=0.03)


def test_switching_half_bridge_pumps_the_idle_reservoir() -> None:
    stage = Stage(is_switching=True, load=ResistorLoad(2.0), reservoirs=Reservoirs(farad=0.001, negative_farad=0.001))
    run = run_stage(stage, feed(48000), sine(25.0, 20.0, 1.0), RATE_HZ)
    assert run.negative_rail_v.max() > 3.0 * 14.0 + 1.0


def test_half_supply_output_swings_half_the_supply_behind_its_capacitor() -> None:
    def make(coupling_farad: float) -> Stage:
        return Stage(
            output="half-supply", load=ResistorLoad(4.0), loss_v=0.5, on_ohm=0.0, coupling_farad=coupling_farad,
            reservoirs=Reservoirs(ratio=1.0, is_shared=True, farad=1.0, charge_ohm=0.01),
        )  # fmt: skip

    run = run_stage(make(1.0), feed(48000), sine(400.0, 20.0, 1.0), RATE_HZ)
    assert run.output_v[24000:].max() == pytest.approx(0.5 * 14.0 - 0.5, abs=0.05)
    stage = make(0.0022)
    low = run_stage(stage, feed(48000), sine(20.0, 3.0, 1.0), RATE_HZ).output_v[24000:]
    corner_hz = 1 / (2 * math.pi * 4.0 * 0.0022)
    assert low.max() == pytest.approx(3.0 / math.sqrt(1 + (corner_hz / 20.0) ** 2), rel=0.01)


def test_carrier_folds_where_sampling_puts_it() -> None:
    assert fold_hz(385_000.0, 64_000.0) == pytest.approx(1_000.0)
    assert fold_hz(415_000.0, 64_000.0) == pytest.approx(31_000.0)
    n, rate_hz = 96_000, 96_000.0
    tone = folded_residue(np.full(n, 385_000.0), np.ones(n), rate_hz, 64_000.0, 5_100.0)
    peak_hz = np.argmax(np.abs(np.fft.rfft(tone)))
    assert peak_hz == 1000
    # first-order low-pass: 1/sqrt(1 + (f/fc)^2) at the carrier over the same at the folded tone
    expected = math.sqrt((1 + (1.0 / 5.1) ** 2) / (1 + (385.0 / 5.1) ** 2))
    assert tone.max() == pytest.approx(expected, rel=1e-3)


# ---- against a circuit simulator

NETLIST = """droop into a loudspeaker
VW w 0 SIN(0 {peak} 50)
BP out 0 V = max(min(V(w), V(p) - 1), -(V(n) - 1))
VI out load 0
RE load a 3.3
LE a b 1.2m
CM b 0 {farad}
LM b 0 {henry}
RM b 0 {loss}
CP p 0 1m IC=42
CN n 0 1m IC=42
BPD p 0 I = max(I(VI), 0)
BND n 0 I = max(-I(VI), 0)
BPC 0 p I = max((42 - V(p)) / 0.3, 0)
BNC 0 n I = max((42 - V(n)) / 0.3, 0)
.control
set wr_singlescale
set wr_vecnames
tran 10u 100m 0 10u uic
linearize v(out) i(VI) v(p) v(n)
wrdata {path} v(out) i(VI) v(p) v(n)
quit
.endc
.end
"""


@pytest.mark.skipif(not os.environ.get("CI") and shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_droop_into_a_loudspeaker_agrees_with_a_circuit_simulator(tmp_path: Path) -> None:
    driver, rate_hz = Loudspeaker(), 100_000.0
    path = tmp_path / "out.txt"
    netlist = NETLIST.format(peak=44.0, farad=driver.farad, henry=driver.henry, loss=driver.loss_ohm, path=path)
    (tmp_path / "case.cir").write_text(netlist)
    subprocess.run(["ngspice", "-b", "case.cir"], cwd=tmp_path, check=True, capture_output=True, timeout=60)
    spice = np.loadtxt(path, skiprows=1)
    stage = Stage(
        reservoirs=Reservoirs(ratio=3.0, farad=0.001, negative_farad=0.001, charge_ohm=0.3),
        load=driver, loss_v=1.0, on_ohm=0.0, idle_w=0.0,
    )  # fmt: skip
    wanted = sine(50.0, 44.0, 0.1, rate_hz)
    run = run_stage(stage, feed(len(wanted)), wanted, rate_hz)
    t = np.arange(len(wanted)) / rate_hz
    for column, ours, limit in ((1, run.output_v, 0.05), (2, run.load_a, 0.05), (3, run.positive_rail_v, 0.05)):
        theirs = np.interp(t, spice[:, 0], spice[:, column])
        assert np.abs(ours - theirs)[10:].max() < limit, column
    assert np.count_nonzero(run.held_by == AT_RAIL) > 100
    assert run.positive_rail_v.min() < 41.0  # it did droop


# ---- against published figures


def power_at_thd(percent: float, supply_v: float) -> float:
    """Output power of a stiff bridge into 4 ohm, driven until its distortion is this."""
    stage = Stage(
        reservoirs=Reservoirs(ratio=1.0, farad=1e4, charge_ohm=1e-4, is_shared=True),
        load=ResistorLoad(4.0), output="bridged", loss_v=1.0, on_ohm=0.0,
    )  # fmt: skip
    low, high = 0.9, 2.0
    for _ in range(12):
        peak_v = (low + high) / 2 * (supply_v - 1.0)
        run = run_stage(stage, feed(4800, supply_v), sine(1000.0, peak_v, 0.025, 192_000.0), 192_000.0)
        if thd_percent(run.output_v[960:], 1000.0, 192_000.0) < percent:
            low = peak_v / (supply_v - 1.0)
        else:
            high = peak_v / (supply_v - 1.0)
    return float(np.mean(run.output_v[960:] ** 2) / 4.0)


def test_power_between_two_distortions_is_that_of_published_amplifiers() -> None:
    # A 24 W bridge IC's data sheet (TDA8561Q, 1999): 4 ohm, 1 kHz, 14.4 V: 19 W at 0.5 % THD, 24 W at 10 %; 13.2 V:
    # 16 W and 20 W. Ratios 1.263 and 1.250, printed in whole watts; theory of the hard clip 1.2531.
    ratio = power_at_thd(10.0, 14.4) / power_at_thd(0.5, 14.4)
    assert ratio == pytest.approx(1.2531, abs=0.006)
    assert 20 / 16.5 < ratio < 24.5 / 18.5


# `sox stats` and `ffmpeg astats` on a 2 s tone of 40 Hz at 48 kS/s: 121, 173 and 245 samples at the peak in each
# half-cycle for c = 0.95, 0.90 and 0.80.
@pytest.mark.parametrize(("c", "n_samples"), [(0.95, 121), (0.90, 173), (0.80, 245)])
def test_flat_is_as_long_as_outside_programs_count_it(c: float, n_samples: int) -> None:
    wanted = sine(40.0, 1.0, 2.0)
    flats = flats_under_ceiling(wanted, np.clip(wanted, -c, c), c, c, RATE_HZ)
    assert len(flats) == 160
    assert np.median([flat.flat_s for flat in flats]) * RATE_HZ == pytest.approx(n_samples, abs=1.0)
