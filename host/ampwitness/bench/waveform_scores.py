"""How well volts come back from counts: `python -m ampwitness.bench.waveform_scores` prints the tables.

Every figure goes the whole way: volts at the terminals -> input network, converter with noise and wide codes, averaging
(board_model) -> Assembler -> volts, compared with what was put in. "Exact parts" means nominal resistors, capacitors
and wide codes; "drawn" boards differ as real ones do.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.bench.board_model import BoardModel, simulate_blocks
from ampwitness.bench.front_end import nominal_network
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.types import Block, Decoded, Gap, TraceWindow
from ampwitness.waveform.assemble import Assembler
from ampwitness.waveform.balance import balance_calibrations
from ampwitness.waveform.calibration import calibrations_for, nominal_calibrations
from ampwitness.waveform.response import design_inverse, response_of

Samples = npt.NDArray[np.float64]
ROLES = ("out_p", "out_n", "supply")
STIMULUS_HZ = {"bass": 96_000.0, "wide": 150_000.0}
ONE_PERCENT_CLIP = 0.971487  # clip level over unclipped peak at which a hard-clipped sine has 1 % THD; closed form


# ---- stimuli --------------------------------------------------------------------------------------------------------


def clipped_sine_harmonics(clip_ratio: float, n_harmonics: int) -> Samples:
    """Amplitudes (n_harmonics + 1,) of clip(sin x, +-clip_ratio), index = order; describing function and its kin."""
    a = math.asin(clip_ratio)
    b = np.zeros(n_harmonics + 1)
    b[1] = 2 / math.pi * (a + clip_ratio * math.cos(a))
    n = np.arange(3, n_harmonics + 1, 2)
    b[3::2] = 4 * (n * np.sin(n * a) * math.cos(a) - np.cos(n * a) * clip_ratio) / (math.pi * n * (n**2 - 1))
    return b


def _bridged(
    differential_v: Samples, supply_v: Samples, rate_hz: float, common_v: Samples | float = 7.0
) -> ArrayStimulus:
    columns = (common_v + differential_v / 2, common_v - differential_v / 2, supply_v)
    return ArrayStimulus(ROLES, rate_hz, np.stack(np.broadcast_arrays(*columns), axis=1))


def _tone(mode: str, hz: float, amplitude_v: float, seconds: float, clip_ratio: float | None = None) -> ArrayStimulus:
    """A tone on a steady supply; clipped as its Fourier series up to the stimulus' own Nyquist, so nothing folds."""
    rate_hz = STIMULUS_HZ[mode]
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    if clip_ratio is None:
        wave = np.sin(2 * np.pi * hz * t)
    else:
        harmonics = clipped_sine_harmonics(clip_ratio, int(0.45 * rate_hz / hz))
        wave = np.zeros(len(t))
        for order in range(1, len(harmonics), 2):
            wave += harmonics[order] * np.sin(2 * np.pi * hz * order * t)
        amplitude_v = amplitude_v / clip_ratio  # the plateau is at amplitude_v
    return _bridged(amplitude_v * wave, np.full(len(t), 12.2), rate_hz)


# ---- meters ---------------------------------------------------------------------------------------------------------


def _samples(windows: Iterable[TraceWindow], role: str) -> tuple[Samples, Samples]:
    segments = [segment for window in windows for segment in window.traces[role].segments]
    times = np.concatenate([segment.times_s() for segment in segments])
    return times, np.concatenate([segment.volts for segment in segments]).astype(np.float64)


def fit_tones(times_s: Samples, volts: Samples, tones_hz: Iterable[float]) -> npt.NDArray[np.complex128]:
    """Least-squares DC and complex amplitudes a of sines at known frequencies: Im(a exp(j 2 pi f t))."""
    columns = [np.ones(len(times_s))]
    for hz in tones_hz:
        angle = 2 * np.pi * hz * times_s
        columns += [np.sin(angle), np.cos(angle)]
    basis = np.stack(columns, axis=1)
    found = np.linalg.solve(basis.T @ basis, basis.T @ volts)
    return np.concatenate(([found[0]], found[1::2] + 1j * found[2::2]))


def fit_harmonics(times_s: Samples, volts: Samples, hz: float, n_harmonics: int) -> npt.NDArray[np.complex128]:
    """Complex amplitudes of orders 0 ... n_harmonics of a tone of known frequency."""
    return fit_tones(times_s, volts, [order * hz for order in range(1, n_harmonics + 1)])


def thd_percent(amplitudes: npt.NDArray[Any]) -> float:
    """Harmonics 2 and up over the fundamental."""
    return float(100 * np.sqrt(np.sum(np.abs(amplitudes[2:]) ** 2)) / np.abs(amplitudes[1]))


def _assembled(items: Sequence[Decoded], **options: Any) -> list[TraceWindow]:
    assembler = Assembler(**options)
    return [window for item in items for window in assembler.push(item)] + assembler.finish()


def _uninverted_output(items: Sequence[Decoded]) -> tuple[Samples, Samples]:
    """Output straight from counts: no inverse, no skew, no correction; what a plain logger would show."""
    blocks = [item for item in items if isinstance(item, Block)]
    counts = np.concatenate([block.counts for block in blocks]).astype(np.float64)
    hello = blocks[0].hello
    gain = [channel.gain_v_per_code / hello.counts_per_code for channel in hello.channels]
    return np.arange(len(counts)) / float(hello.rate_hz), gain[0] * counts[:, 0] - gain[1] * counts[:, 1]


# ---- scores ---------------------------------------------------------------------------------------------------------


def score_response(print_line: Callable[[str], None]) -> None:
    """Amplitude and time of a sine against frequency."""
    print_line("Sine of 40 V, output: amplitude error % / time error us; corner known, and assumed 10 % off")
    print_line("mode    Hz      corner exact        true 10 % lower     true 10 % higher    not inverted (amplitude)")
    true_hz = {role: nominal_network(role).corner_hz for role in ROLES}
    for mode, tones in (
        ("bass", (40.0, 100.0, 1000.0, 2000.0, 3300.0)),
        ("wide", (40.0, 1000.0, 3000.0, 6000.0, 10_000.0)),
    ):
        for hz in tones:
            items = list(simulate_blocks(_tone(mode, hz + 0.37, 40.0, 2.0), ROLES, mode, exact_parts=True))
            cells = []
            for factor in (1.0, 1 / 0.9, 1 / 1.1):
                corners = {role: corner * factor for role, corner in true_hz.items()}
                a = fit_harmonics(*_samples(_assembled(items, corner_hz_by_role=corners), "output"), hz + 0.37, 1)[1]
                time_us = 1e6 * float(np.angle(a)) / (2 * np.pi * hz)
                cells.append(f"{100 * (abs(a) / 40 - 1):+8.3f} / {time_us:+7.2f}")
            raw = abs(fit_harmonics(*_uninverted_output(items), hz + 0.37, 1)[1])
            print_line(f"{mode:5} {hz:6.0f}  " + "  ".join(cells) + f"  {100 * (raw / 40 - 1):+8.2f}")


def score_clipped_tone(print_line: Callable[[str], None]) -> None:
    """THD of a tone that is truly 1 %, exact and drawn boards."""
    print_line("THD of a tone clipped to 1.000 % (45 V plateau); truth to the same harmonics; % before and after")
    print_line("board    mode    Hz  harmonics  truth   counts  only inverted  only ADC  both")
    for seed, exact in ((1, True), (2, False), (3, False), (4, False)):
        for mode, hz, n_harmonics in (("bass", 40.0, 80), ("wide", 1000.0, 10)):
            true = thd_percent(clipped_sine_harmonics(ONE_PERCENT_CLIP, n_harmonics))
            stimulus = _tone(mode, hz + 0.37, 45.0, 4.0, ONE_PERCENT_CLIP)
            items = list(simulate_blocks(stimulus, ROLES, mode, seed=seed, exact_parts=exact))

            def thd(found: tuple[Samples, Samples], hz: float = hz, n_harmonics: int = n_harmonics) -> float:
                return thd_percent(fit_harmonics(*found, hz + 0.37, n_harmonics))

            plain = thd(_uninverted_output(items))
            inverted = thd(_samples(_assembled(items, correct_adc=False), "output"))
            no_inverse = dict.fromkeys(ROLES, 1000000000.0)
            only_adc = thd(_samples(_assembled(items, corner_hz_by_role=no_inverse), "output"))
            both = thd(_samples(_assembled(items), "output"))
            name = "exact" if exact else f"drawn {seed}"
            figures = f"{true:7.3f} {plain:8.3f} {inverted:11.3f} {only_adc:11.3f} {both:8.3f}"
            print_line(f"{name:8} {mode:5} {hz:5.0f} {n_harmonics:8}   {figures}")


def score_clean_tone(print_line: Callable[[str], None]) -> None:
    """What distortion a clean tone seems to have: the floor of every THD figure."""
    print_line("Clean 45 V tone: THD % (harmonics 2-10) without and with ADC correction")
    for seed, exact in ((1, True), (2, False), (3, False), (4, False)):
        for mode, hz in (("bass", 40.37), ("wide", 1000.37)):
            items = list(simulate_blocks(_tone(mode, hz, 45.0, 4.0), ROLES, mode, seed=seed, exact_parts=exact))
            without, corrected = (
                thd_percent(fit_harmonics(*_samples(_assembled(items, correct_adc=on), "output"), hz, 10))
                for on in (False, True)
            )
            print_line(f"{'exact' if exact else f'drawn {seed}':8} {mode:5} {without:7.3f} {corrected:7.3f}")


def score_supply_steps(print_line: Callable[[str], None]) -> None:
    """Sags of 0.3 to 1.2 V from many levels; each read as the mean of 20 ms before and in it."""
    print_line("Supply sag of 0.3-1.2 V from 11.0-14.4 V: |error| mV median / p90 / largest, ADC correction off and on")
    rate_hz, rng = STIMULUS_HZ["bass"], np.random.default_rng(7)
    before, depth = rng.uniform(11.0, 14.4, 200), rng.uniform(0.3, 1.2, 200)
    period = round(0.1 * rate_hz)
    half = np.concatenate(
        (np.zeros(period // 2), (1 - np.cos(np.linspace(0, np.pi, 96))) / 2, np.ones(period // 2 - 96))
    )
    supply = (before[:, np.newaxis] - depth[:, np.newaxis] * half).reshape(-1)
    stimulus = _bridged(np.zeros(len(supply)), supply, rate_hz)
    for seed, exact in ((1, True), (2, False), (3, False), (4, False)):
        items = list(simulate_blocks(stimulus, ROLES, "bass", seed=seed, exact_parts=exact))
        cells = []
        for on in (False, True):
            times, volts = _samples(_assembled(items, correct_adc=on), "supply")
            phase, cell = np.modf(times / 0.1)
            means = [
                np.array([volts[(cell == k) & (phase > low) & (phase < high)].mean() for k in range(1, 199)])
                for low, high in ((0.25, 0.45), (0.75, 0.95))
            ]
            sag, true = means[0] - means[1], depth[1:199]
            scale = 1.0 if exact else float(np.dot(sag, true) / np.dot(true, true))  # a drawn board's gain is its own
            error = np.abs(sag / scale - true) * 1e3
            cells.append(f"{np.median(error):5.2f} / {np.percentile(error, 90):5.2f} / {error.max():5.2f}")
        print_line(f"{'exact' if exact else f'drawn {seed}, gain set right':24} " + "    ".join(cells))


def score_common_mode(print_line: Callable[[str], None]) -> None:
    """1 V of common mode and no output: what leaks into the output."""
    print_line("Common mode of 1 V: leak into the output, mV; counts alone (skew left in), assembled; exact parts")
    for mode, tones in (("bass", (100.0, 1000.0, 3000.0)), ("wide", (100.0, 1000.0, 10_000.0))):
        rate_hz = STIMULUS_HZ[mode]
        t = np.arange(round(4 * rate_hz)) / rate_hz
        for hz in tones:
            common = 7.0 + np.sin(2 * np.pi * (hz + 0.37) * t)
            stimulus = _bridged(np.zeros(len(t)), np.full(len(t), 12.2), rate_hz, common)
            items = list(simulate_blocks(stimulus, ROLES, mode, exact_parts=True))
            leaks = [
                1e3 * abs(fit_harmonics(*found, hz + 0.37, 1)[1])
                for found in (_uninverted_output(items), _samples(_assembled(items), "output"))
            ]
            print_line(f"{mode:5} {hz:6.0f}   {leaks[0]:8.2f} {leaks[1]:8.2f}")


def score_balance(print_line: Callable[[str], None]) -> None:
    """Unequal dividers: false ripple in the output before and after the recording's own comparison of both."""
    print_line("Drawn dividers, 20 V note at 47 Hz, 0.5 V common ripple at 31 Hz")
    print_line("board   ratio true, found +- standard uncertainty   ripple left in the output mV before, after")
    rate_hz = STIMULUS_HZ["bass"]
    t = np.arange(round(20 * rate_hz)) / rate_hz
    stimulus = _bridged(
        20 * np.sin(2 * np.pi * 47 * t), np.full(len(t), 12.2), rate_hz, 7 + 0.5 * np.sin(2 * np.pi * 31 * t)
    )
    for seed in (2, 3, 4, 5):
        networks = BoardModel(stimulus, ROLES, "bass", seed=seed).networks
        true = networks[0].gain_ratio / networks[1].gain_ratio
        items = list(simulate_blocks(stimulus, ROLES, "bass", seed=seed))
        assembler = Assembler()
        windows = [window for item in items for window in assembler.push(item)] + assembler.finish()
        balance = assembler.bridge_balance()
        hello = next(item for item in items if isinstance(item, Block)).hello
        mended = balance_calibrations(calibrations_for(hello, None), balance)
        ripple = [
            1e3 * abs(fit_tones(*_samples(found, "output"), (31.0, 47.0))[1])
            for found in (windows, _assembled(items, calibrations=mended))
        ]
        found = (
            f"{balance.gain_ratio:.5f} +- {balance.uncertainty_ratio:.5f}"
            if balance.gain_ratio
            else str(balance.reason)
        )
        print_line(f"seed {seed}  {true:.5f}  {found}   {ripple[0]:7.2f} {ripple[1]:7.2f}")


def score_gap_edges(print_line: Callable[[str], None]) -> None:
    """12.20 V around 0.3 s of lost frames: the samples next to the gap against those far from it."""
    items = list(simulate_blocks(_tone("bass", 40.0, 20.0, 4.0), ROLES, "bass", exact_parts=True))
    whole = np.concatenate([item.counts for item in items if isinstance(item, Block)])
    first = next(item for item in items if isinstance(item, Block))
    n_frame, rate = first.scans_per_frame, first.rate_hz
    start, stop = 400 * n_frame, 463 * n_frame  # 63 frames: 0.3 s

    def part(a: int, b: int) -> Block:
        frames = (b - a) // n_frame
        return Block(
            first.session_id, a // n_frame, frames, a, float(a / rate), rate, whole[a:b],
            np.zeros((frames, len(ROLES), 2), dtype=np.uint8), n_frame, first.hello, 0.0,
        )  # fmt: skip

    gap = Gap(first.session_id, start, stop, float(start / rate), float(stop / rate), "link", True)
    windows = _assembled([first.hello, part(0, start), gap, part(stop, 800 * n_frame)])
    untouched = dict(zip(*_samples(_assembled([part(0, 800 * n_frame)]), "output"), strict=True))
    print_line("0.3 s of lost frames in a 12.20 V supply and a 40 Hz output")
    for side, at in (("before", 0), ("after", 1)):
        supply = windows[0].traces["supply"].segments[at]
        near = supply.volts[-40:] if at == 0 else supply.volts[:40]
        output = windows[0].traces["output"].segments[at]
        off = max(
            abs(float(v) - untouched[t]) for t, v in zip(output.times_s(), output.volts, strict=True) if t in untouched
        )
        distance_ms = 1e3 * (gap.start_s - supply.stop_s if at == 0 else supply.start_s - gap.stop_s)
        print_line(
            f"{side:6}: supply {near.min():.3f} to {near.max():.3f} V in the 40 samples beside it (far: sigma "
            f"{supply.volts.std() * 1e3:.1f} mV); output differs by {off * 1e3:.4f} mV from the unbroken one; "
            f"volts end {distance_ms:.1f} ms from the gap"
        )


def score_noise(print_line: Callable[[str], None]) -> None:
    """Noise of a quiet logger and what the inverse does to it."""
    print_line("Noise, nothing playing: rms mV of output and supply; the inverse's noise gain")
    for mode in ("bass", "wide"):
        items = list(simulate_blocks(_tone(mode, 40.0, 0.0, 3.0), ROLES, mode, exact_parts=True))
        windows = _assembled(items)
        hello = next(item for item in items if isinstance(item, Block)).hello
        inverse = design_inverse(response_of(hello, "out_p"))
        rms = [1e3 * _samples(windows, role)[1].std() for role in ("output", "supply")]
        print_line(
            f"{mode:5} {rms[0]:7.1f} {rms[1]:7.2f}   {inverse.noise_gain:.2f}, passes up to {inverse.pass_hz:.0f} Hz"
        )
    for calibration in nominal_calibrations(hello):
        print_line(
            f"nominal {calibration.role:7}: gain +-{100 * calibration.gain_uncertainty_ratio:.2f} %, "
            f"0 V +-{1e3 * calibration.offset_uncertainty_v:.0f} mV (standard uncertainty)"
        )


SCORES = (
    score_response,
    score_clipped_tone,
    score_clean_tone,
    score_supply_steps,
    score_common_mode,
    score_balance,
    score_gap_edges,
    score_noise,
)


def main() -> None:
    """Print every table."""
    for score in SCORES:
        score(lambda line: print(line, flush=True))
        print()


if __name__ == "__main__":
    main()
