"""The files that `ampwitness tones` writes: level, names, faded ends, and what it says beside them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from amplified_track import read_track
from test_set_gain_chain import call

KINDS = ("tone", "bursts", "sweep", "steps")


def test_every_kind_below_full_scale_by_the_overlap_with_caution(tmp_path: Path) -> None:
    wanted = [part for kind in KINDS for part in ("--track", kind)]
    done = call("tones", "--out", tmp_path, "--tone", "40", "--seconds", "4", "--overlap-db", "5", *wanted, "--json")
    assert done.returncode == 0, done.stderr
    files = [Path(track["file"]) for track in json.loads(done.stdout)["tracks"]]
    assert [file.name.split("_")[0] for file in files] == list(KINDS)
    for file in files:
        samples, rate_hz = read_track(file)
        # 5 dB below full scale, crest; the ends are silent
        assert 20 * np.log10(np.max(np.abs(samples))) == pytest.approx(-5.0, abs=0.02)
        assert np.max(np.abs(samples[:4])) < 1e-3
        assert np.max(np.abs(samples[-4:])) < 1e-3
        assert "-5dBFS" in file.name
        assert str(rate_hz) in file.name
        assert "Hz" in file.name
    plain = call("tones", "--out", tmp_path / "b", "--tone", "40", "--seconds", "2", "--overlap-db", "5")
    said = plain.stdout + plain.stderr
    assert "up to 5 dB beyond clean" in said
    assert "heat voice coils" in said
