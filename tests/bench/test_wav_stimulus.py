"""WAV files as sox writes them, our own, and what is no WAV at all."""

import os
import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench.wav import read_stimulus, write_volts_wav
from ampwitness.errors import AmpwitnessError, RecordingUnreadableError, UsageError

needs_sox = pytest.mark.skipif(not os.environ.get("CI") and shutil.which("sox") is None, reason="sox is not installed")


def sox(*words: str) -> None:
    subprocess.run(["sox", "-D", *words], check=True, capture_output=True)


def test_written_file_comes_back_exactly(tmp_path: Path) -> None:
    volts = np.random.default_rng(1).normal(0, 30, (10_001, 3)).astype(np.float32)
    write_volts_wav(tmp_path / "a.wav", volts, 44_100)
    stimulus = read_stimulus(tmp_path / "a.wav", ("out_p", "out_n", "supply"))
    assert (stimulus.n_samples, stimulus.rate_hz, stimulus.warnings) == (10_001, 44_100, ())
    assert np.array_equal(stimulus.volts(0, 10_001), volts)
    assert np.array_equal(stimulus.volts(5_000, 10), volts[5_000:5_010])
    assert stimulus.largest_v["supply"] == np.abs(volts[:, 2]).max()


def test_edges_are_held_outside_the_file(tmp_path: Path) -> None:
    volts = np.arange(12.0).reshape(6, 2)
    write_volts_wav(tmp_path / "a.wav", volts, 8_000)
    stimulus = read_stimulus(tmp_path / "a.wav", ("out_p", "out_n"))
    assert np.array_equal(stimulus.volts(-2, 4), volts[[0, 0, 0, 1]])
    assert np.array_equal(stimulus.volts(4, 4), volts[[4, 5, 5, 5]])
    assert np.array_equal(stimulus.volts(100, 2), volts[[5, 5]])
    assert np.array_equal(stimulus.volts(-9, 2), volts[[0, 0]])


@needs_sox
@pytest.mark.parametrize("bits", [32, 64])
@pytest.mark.parametrize("n_channels", [1, 3])  # from three channels on, sox writes WAVE_FORMAT_EXTENSIBLE
def test_float_files_from_sox(tmp_path: Path, bits: int, n_channels: int) -> None:
    path = tmp_path / "s.wav"
    encode = ["-r", "48000", "-e", "floating-point", "-b", str(bits), "-c", str(n_channels)]
    sox("-n", *encode, str(path), "synth", "0.5", "sine", "100", "gain", "-6.0206")
    stimulus = read_stimulus(path, ("out_p", "out_n", "supply")[:n_channels])
    t = np.arange(24_000) / 48_000
    assert stimulus.n_samples == 24_000
    assert np.abs(stimulus.volts(0, 24_000)[:, 0] - 0.5 * np.sin(2 * np.pi * 100 * t)).max() < 1e-5
    assert stimulus.warnings == ()


@needs_sox
@pytest.mark.parametrize("bits", [16, 24, 32])
@pytest.mark.parametrize("n_channels", [2, 4])
def test_integer_files_from_sox_are_one_volt_full_scale_and_said_so(tmp_path: Path, bits: int, n_channels: int) -> None:
    path = tmp_path / "s.wav"
    encode = ["-r", "44100", "-e", "signed-integer", "-b", str(bits), "-c", str(n_channels)]
    sox("-r", "44100", "-n", *encode, str(path), "synth", "0.2", "sine", "100", "gain", "-6.0206")
    stimulus = read_stimulus(path, ("out_p", "out_n", "supply", "battery")[:n_channels])
    t = np.arange(8_820) / 44_100
    seen = stimulus.volts(0, stimulus.n_samples)
    assert np.abs(seen - 0.5 * np.sin(2 * np.pi * 100 * t)[:, None]).max() < 2.0 ** (1 - min(bits, 18))
    assert "full scale is read as 1 V" in stimulus.warnings[0]


def refuse(path: Path, roles: tuple[str, ...], kind: type[AmpwitnessError], words: str) -> None:
    with pytest.raises(kind, match=words) as caught:
        read_stimulus(path, roles)
    assert "\n" not in str(caught.value)


def test_what_is_refused(tmp_path: Path) -> None:
    good = tmp_path / "good.wav"
    write_volts_wav(good, np.ones((100, 2)), 8_000)
    refuse(tmp_path / "none.wav", ("out_p",), RecordingUnreadableError, "cannot be read")
    (tmp_path / "empty.wav").write_bytes(b"")
    refuse(tmp_path / "empty.wav", ("out_p",), RecordingUnreadableError, "is empty")
    (tmp_path / "text.wav").write_text("this is no sound at all")
    refuse(tmp_path / "text.wav", ("out_p",), RecordingUnreadableError, "is not a WAV file")
    refuse(good, ("out_p",), UsageError, "has 2 channels, but 1 role was given")
    refuse(good, ("out_p", "out_n", "supply"), UsageError, "has 2 channels, but 3 roles were given")
    refuse(good, ("out_p", "speaker"), UsageError, "unknown role 'speaker'")
    refuse(good, ("out_p", "out_p"), UsageError, "given 2 times")
    refuse(good, (), UsageError, "no roles given")
    write_volts_wav(tmp_path / "no_samples.wav", np.ones((0, 2)), 8_000)
    refuse(tmp_path / "no_samples.wav", ("out_p", "out_n"), RecordingUnreadableError, "holds no samples")
    (tmp_path / "head.wav").write_bytes(good.read_bytes()[:40])
    refuse(tmp_path / "head.wav", ("out_p", "out_n"), RecordingUnreadableError, "without samples")
    law = good.read_bytes().replace(struct.pack("<HHI", 3, 2, 8000), struct.pack("<HHI", 7, 2, 8000))
    (tmp_path / "law.wav").write_bytes(law)
    refuse(tmp_path / "law.wav", ("out_p", "out_n"), RecordingUnreadableError, "format 7 with 32 bits")


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_samples_that_are_no_voltages_are_named(tmp_path: Path, bad: float) -> None:
    volts = np.zeros((4_000, 2))
    volts[1_234, 1] = bad
    write_volts_wav(tmp_path / "bad.wav", volts, 8_000)
    refuse(
        tmp_path / "bad.wav", ("out_p", "out_n"), RecordingUnreadableError, r"sample 1234 \(0.154250 s\) of channel 2"
    )


def test_a_file_cut_off_in_its_header_says_so(tmp_path: Path) -> None:
    path = tmp_path / "cut.wav"
    path.write_bytes(b"RIFF\x10\x00")
    with pytest.raises(RecordingUnreadableError, match="cut off in its header, after 6 bytes"):
        read_stimulus(path, ("supply",))


def test_a_file_cut_off_is_read_up_to_its_end_and_said_so(tmp_path: Path) -> None:
    write_volts_wav(tmp_path / "a.wav", np.ones((100, 2)), 8_000)
    raw = (tmp_path / "a.wav").read_bytes()
    (tmp_path / "cut.wav").write_bytes(raw[:-13])
    stimulus = read_stimulus(tmp_path / "cut.wav", ("out_p", "out_n"))
    assert stimulus.n_samples == 98
    assert "ends before" in stimulus.warnings[0]
