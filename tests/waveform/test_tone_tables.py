"""Rows of published and recomputed tables that test_tone_meter.py does not hold: clipped sines, powers, bits, peaks.

Hard-clipped sine: closed forms of the describing function (control textbooks), recomputed by a 2^20-point sum and
quadrature, and by ngspice `fourier` (nine harmonics). Amplifier figures: generic IC data sheets and hard-clip theory.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
from ampwitness.types import Segment
from ampwitness.waveform.bandlimited import peak
from ampwitness.waveform.tone_clip import cut_sine_harmonics, hard_clip_level_db, thd_to_overdrive_db
from ampwitness.waveform.tone_meter import measure_tone
from test_tone_meter import band_limited_clip

# clip level over unclipped peak: dB over, THD % of all harmonics, of h <= 5, of h <= 9, flat % of a half-cycle,
# crest factor, power against the sine of the same peak
ROWS = {
    0.995: (0.044, 0.1233, None, None, 6.369, 1.40774, 1.00922),
    0.99: (0.087, 0.2862, 0.1644, 0.2219, 9.011, 1.40175, 1.01787),
    0.98: (0.175, 0.6572, 0.4506, 0.5826, 12.754, 1.39061, 1.03424),
    0.96: (0.355, 1.4860, 1.1996, 1.4380, 18.067, 1.37058, 1.06469),
    0.95: (0.446, 1.9240, 1.6279, 1.8898, 20.217, 1.36139, 1.07911),
    0.90: (0.915, 4.2199, 4.0039, 4.1898, 28.713, 1.32105, 1.14602),
    0.80: (1.938, 8.9786, 8.8913, 8.9491, 40.967, 1.25776, 1.26426),
    0.70: (3.098, 13.7588, 13.5513, 13.7167, 50.637, 1.20795, 1.37067),
    0.50: (6.021, 23.2938, 23.0808, 23.2478, 66.667, 1.13082, 1.56401),
}


@pytest.mark.parametrize("clip_ratio", ROWS)
def test_every_row_of_the_clipped_sine(clip_ratio: float) -> None:
    over_db, thd_all, thd_5, thd_9, flat_percent, crest_ratio, power_ratio = ROWS[clip_ratio]
    volts = band_limited_clip(40.0, 8000, 1.0, clip_ratio, clip_ratio, 3400, peak_v=1.0)
    reading = measure_tone(volts, 8000)
    assert reading.thd_f_percent == pytest.approx(thd_all, abs=0.02)
    assert reading.positive_overdrive_db == pytest.approx(over_db, abs=0.01)
    cut = 10 ** (-(reading.positive_overdrive_db or 0.0) / 20)
    assert 100 * (1 - 2 * math.asin(cut) / math.pi) == pytest.approx(flat_percent, abs=0.6)
    for n, wanted in ((5, thd_5), (9, thd_9)):
        if wanted is not None:
            assert measure_tone(volts, 8000, n_harmonics=n).thd_f_percent == pytest.approx(wanted, abs=0.005)
    sharp = np.clip(np.sin(2 * np.pi * 40 * np.arange(48_000) / 48_000), -clip_ratio, clip_ratio)
    of_sharp = measure_tone(sharp, 48_000)
    assert of_sharp.crest_ratio == pytest.approx(crest_ratio, abs=0.001)
    assert 2 * (of_sharp.level_v / clip_ratio) ** 2 == pytest.approx(power_ratio, abs=2e-4)


def test_harmonics_have_their_signs() -> None:
    """b3, b5, b7 of sin: here of cos, where every second one turns over."""
    table = {0.95: (0.012275, -0.010360, 0.007888), 0.90: (0.031635, -0.022018, 0.011508),
             0.50: (0.137832, 0.027566, -0.009845)}  # fmt: skip
    for clip_ratio, wanted in table.items():
        found = cut_sine_harmonics(math.acos(clip_ratio), math.acos(clip_ratio), 7)
        turned = [found[order] * (-1) ** ((order - 1) // 2) for order in (3, 5, 7)]
        assert turned == pytest.approx(list(wanted), abs=1e-6)


@pytest.mark.parametrize(
    ("thd_percent", "clip_ratio"),
    [(0.1, 0.995786), (0.5, 0.984096), (1.0, 0.971487), (2.0, 0.948289), (5.0, 0.883448), (10.0, 0.778651)],
)
def test_distortion_back_to_the_clip_level(thd_percent: float, clip_ratio: float) -> None:
    assert 10 ** (-thd_to_overdrive_db(thd_percent / 100) / 20) == pytest.approx(clip_ratio, abs=2e-5)


@pytest.mark.parametrize(
    ("clip_ratio", "dc", "h2", "h3", "thd"),
    [(0.90, -0.009538, 1.7910, 1.6119, 3.2105), (0.50, -0.108998, 17.1327, 8.5663, 19.4648)],
)
def test_one_sided_rows(clip_ratio: float, dc: float, h2: float, h3: float, thd: float) -> None:
    reading = measure_tone(band_limited_clip(40.0, 8000, 0.5, clip_ratio, 1.0, 3400, peak_v=1.0), 8000)
    assert reading.dc_v == pytest.approx(dc, abs=1e-4)
    assert reading.harmonics_percent[:2] == pytest.approx((h2, h3), abs=0.01)
    assert reading.thd_f_percent == pytest.approx(thd, abs=0.02)
    assert reading.is_one_sided


@pytest.mark.parametrize(
    ("clip_ratio", "is_even", "printed_percent"),
    [(0.95, True, 1.88982), (0.90, True, 4.18983), (0.80, True, 8.94906), (0.50, True, 23.2478),
     (0.80, False, 7.03046)],
)  # fmt: skip
def test_figures_that_ngspice_printed(clip_ratio: float, is_even: bool, printed_percent: float) -> None:
    """`fourier`, ten terms, as once printed; test_tone_meter.py runs ngspice itself on three of them."""
    volts = band_limited_clip(40.0, 8000, 1.0, clip_ratio, clip_ratio if is_even else 1.0, 3400)
    assert measure_tone(volts, 8000, n_harmonics=9).thd_f_percent == pytest.approx(printed_percent, abs=2e-3)


def test_powers_of_an_ideal_bridge() -> None:
    """14.4 V into 4 ohm: 25.92 W as a sine, 27.15 W at 1 %, 33.38 W at 10 %, 51.84 W as a square (theory).
    Data sheets: 16 to 19 W from 13.2 to 14.4 V is 1.1875, 20 to 24 W 1.200; theory 1.1901. Headline figures of another
    chip, 50 W "saturated square wave" over 30 W at 10 %: 1.67, rounded, within 10 % of theory."""
    sine_w = 14.4**2 / 2 / 4
    one_w, ten_w = (sine_w * 10 ** (hard_clip_level_db(percent) / 10) for percent in (1.0, 10.0))
    assert (sine_w, one_w, ten_w) == pytest.approx((25.92, 27.15, 33.38), abs=0.01)
    assert 2 * sine_w / one_w == pytest.approx(1.9093, abs=5e-4)
    assert 2 * sine_w / ten_w == pytest.approx(1.5531, abs=5e-4)
    assert 2 * sine_w / ten_w == pytest.approx(50 / 30, rel=0.1)
    levels = [measure_tone(band_limited_clip(40, 8000, 1.0, 0.778651, 0.778651, 3400, peak_v=ceiling_v), 8000).level_v
              for ceiling_v in (13.2, 14.4)]  # fmt: skip
    assert (levels[1] / levels[0]) ** 2 == pytest.approx(1.1901, abs=1e-4)
    assert (levels[1] / levels[0]) ** 2 == pytest.approx(19 / 16, rel=0.01)
    assert (levels[1] / levels[0]) ** 2 == pytest.approx(24 / 20, rel=0.01)


@pytest.mark.parametrize(("bits", "ideal_db"), [(8, 49.93), (10, 61.97), (12, 74.01)])
def test_effective_bits_of_an_ideal_converter_by_the_meter(bits: int, ideal_db: float) -> None:
    """IEEE 1241: 6.0206 N + 1.7609 dB for a sine that fills the range; a converter maker's help: 62 dB is 10 bits."""
    scale = 2 ** (bits - 1)
    volts = np.round(np.sin(2 * np.pi * 997.3 * np.arange(4096) / 8000) * (scale - 0.5) - 0.5) / scale
    reading = measure_tone(volts, 8000)
    assert reading.sinad_db == pytest.approx(ideal_db, abs=0.25)
    assert reading.effective_bits == pytest.approx(bits, abs=0.04)


@pytest.mark.parametrize(("clip_ratio", "count"), [(1.0, 160), (0.95, 19_360), (0.90, 27_680), (0.80, 39_200)])
def test_samples_at_the_peak_as_astats_counts_them(clip_ratio: float, count: int, tmp_path: Path) -> None:
    """2 s of 40 Hz at 48 kS/s: ffmpeg prints the table's counts; so is the flat time of the clip model."""
    ffmpeg = shutil.which("ffmpeg")
    assert ffmpeg, "install ffmpeg: this test compares with its figures"
    volts = np.clip(np.sin(2 * np.pi * 40 * np.arange(96_000) / 48_000), -clip_ratio, clip_ratio)
    wav = tmp_path / "tone.wav"
    scipy.io.wavfile.write(wav, 48_000, volts.astype(np.float32))
    said = subprocess.run(
        [ffmpeg, "-hide_banner", "-i", wav, "-af", "astats", "-f", "null", "-"],
        capture_output=True, text=True, check=True,
    ).stderr  # fmt: skip
    printed = re.search(r"Peak count: ([\d.]+)", said)
    assert printed is not None, said
    assert float(printed[1]) == pytest.approx(count, abs=1)
    reading = measure_tone(volts, 48_000)
    if clip_ratio < 1:
        flat_ratio = 1 - 2 * math.asin(10 ** (-(reading.positive_overdrive_db or 0.0) / 20)) / math.pi
        # Of a flat top that begins between two samples, one more or one less is counted.
        assert flat_ratio * 48_000 / 80 == pytest.approx(count / 160, abs=1.5)


def test_true_peak_beside_ebur128(tmp_path: Path) -> None:
    """0.5 x sin at a quarter of the rate, 45 degrees: samples show -9.0 dB, ffmpeg's true peak -6.0; faded in first."""
    ffmpeg = shutil.which("ffmpeg")
    assert ffmpeg, "install ffmpeg: this test compares with its figures"
    time_s = np.arange(2 * 48_000) / 48_000
    volts = 0.5 * np.sin(2 * np.pi * 12_000 * time_s + np.pi / 4) * np.minimum(1, np.minimum(time_s, 2 - time_s) / 0.5)
    wav = tmp_path / "tone.wav"
    scipy.io.wavfile.write(wav, 48_000, volts.astype(np.float32))
    said = subprocess.run(
        [ffmpeg, "-hide_banner", "-i", wav, "-af", "ebur128=peak=true", "-f", "null", "-"],
        capture_output=True, text=True, check=True,
    ).stderr  # fmt: skip
    printed = re.findall(r"Peak:\s+(-?[\d.]+) dBFS", said)
    assert printed, said
    ours_db = 20 * math.log10(abs(peak(Segment(0.0, 48_000.0, volts), 4).peak_v))
    assert ours_db == pytest.approx(float(printed[-1]), abs=0.06)
    assert ours_db == pytest.approx(-6.02, abs=0.03)
    assert 20 * math.log10(np.max(np.abs(volts))) == pytest.approx(-9.03, abs=0.02)
