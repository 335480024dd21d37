"""Scores of the noise comparison on made vehicles: `python -m ampwitness.bench.noise_scores`.

Each case is six runs through the whole board model. A cause counts as found when its kind and its origin are named; one
named that is not there counts as invented. Seeds of the table are not those it was tuned on (0 to 99).
"""

from __future__ import annotations

import argparse
from collections import Counter

import numpy as np

from ampwitness.bench.board_model import simulate_blocks
from ampwitness.bench.noise_signals import ROLES, NoiseCase, draw_case, make_condition
from ampwitness.guide.find_noise import ORDER, Condition, NoiseVerdict, board_floor, conclude_noise, line_floor
from ampwitness.types import Hello
from ampwitness.waveform.adc_correction import NOMINAL_ADC
from ampwitness.waveform.assemble import iter_windows
from ampwitness.waveform.noise_lines import QuietOutput, measure_quiet

SECONDS = 10.0
LEAST_LINE_V, LEAST_HISS_V = 0.005, 0.1
CALIBRATED_V = 0.02  # the made boards have exact parts, as a calibrated one has


def run_condition(case: NoiseCase, condition: Condition, seconds: float, seed: int) -> tuple[QuietOutput, Hello]:
    """One condition through the board and back into volts, measured."""
    stimulus = make_condition(case, condition, seconds, seed)
    decoded = list(simulate_blocks(stimulus, ROLES, "bass", seed=seed, exact_parts=True))
    hello = next(item for item in decoded if isinstance(item, Hello))
    windows = list(iter_windows(iter(decoded), 600.0))
    output, supply = (
        np.concatenate([segment.volts for window in windows for segment in window.traces[role].segments])
        for role in ("output", "supply")
    )
    return measure_quiet(output, supply, windows[0].rate_hz), hello


def judge_case(case: NoiseCase, seed: int, conditions: tuple[Condition, ...] = ORDER) -> NoiseVerdict:
    """All conditions of a case, compared."""
    runs: dict[Condition, QuietOutput] = {}
    for condition in conditions:
        runs[condition], hello = run_condition(case, condition, SECONDS, seed)
    band_hz = next(iter(runs.values())).band_hz
    gains = [c.gain_v_per_code for c in hello.channels if c.role in ("out_p", "out_n")]
    sensitivity_v = board_floor(gains, hello.averaging, NOMINAL_ADC.noise_lsb, band_hz, float(hello.rate_hz))
    return conclude_noise(
        runs,
        sensitivity_v=sensitivity_v,
        line_sensitivity_v=line_floor(sensitivity_v, band_hz),
        offset_uncertainty_v=CALIBRATED_V,
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=30)
    parser.add_argument("--first-seed", type=int, default=5000)
    options = parser.parse_args()
    found: Counter[tuple[str, str]] = Counter()
    wanted: Counter[tuple[str, str]] = Counter()
    invented: Counter[tuple[str, str]] = Counter()
    verdict = None
    for seed in range(options.first_seed, options.first_seed + options.cases):
        case = draw_case(seed)
        verdict = judge_case(case, seed)
        said = {(source.what, source.origin) for source in verdict.sources}
        truth = case.truth(LEAST_LINE_V, LEAST_HISS_V)
        wanted.update(truth)
        found.update(said & truth)
        invented.update(said - truth)
    assert verdict is not None
    print(f"{options.cases} made vehicles, six runs of {SECONDS:g} s each, seeds from {options.first_seed}")
    print(
        f"board's own noise {1e3 * verdict.sensitivity_v:.1f} mV rms over the band, "
        f"a line stands out from {1e3 * verdict.line_sensitivity_v:.2f} mV rms"
    )
    print(f"{'what and where from':48} found / there   invented")
    for pair in sorted({*wanted, *invented}):
        print(f"{pair[0] + ', ' + pair[1]:48} {found[pair]:5} / {wanted[pair]:<5}   {invented[pair]:6}")
    print(f"{'all':48} {sum(found.values()):5} / {sum(wanted.values()):<5}   {sum(invented.values()):6}")


if __name__ == "__main__":
    main()
