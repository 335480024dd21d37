"""The real firmware in its interpreter, behind a pseudo-terminal, into a recording, and every scan accounted for."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.bench.virtual_board import VirtualBoardOptions, virtual_board
from ampwitness.decode import iter_decoded
from ampwitness.recording import open_recording
from ampwitness.types import Block

Run = Callable[..., Any]


def _stimulus(duration_s: float) -> ArrayStimulus:
    """A 50 Hz tone of 10 V on each terminal, in opposition around 7 V, on a supply of 13 V."""
    time_s = np.arange(round(duration_s * 4000)) / 4000
    tone = 10 * np.sin(2 * np.pi * 50 * time_s)
    return ArrayStimulus(("out_p", "out_n", "supply"), 4000, np.stack([7 + tone, 7 - tone, 0 * tone + 13], axis=1))


def test_all_that_was_played_is_recorded(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with virtual_board(VirtualBoardOptions(_stimulus(8.0), speed=None)) as port:
        ran = run("record", "--port", port, "--out", path, "--json")
    assert ran.code == 0, ran.err
    result = json.loads(ran.out)
    assert result["ended"] == "stimulus ended"
    assert result["n_scans_lost"] == result["n_frames_lost"] == result["n_bad_frames"] == 0
    assert result["recorded_s"] == pytest.approx(8.0, abs=0.02)
    verified = json.loads(run("verify", path, "--json").out)
    assert verified["balances"]
    assert sum(verified["link_health"]["n_scans_lost"].values()) == 0
    assert verified["duration_s"] == pytest.approx(8.0, abs=0.02)
    # what is in it is what was played: the supply's volts, by the hello's own numbers
    blocks = [item for item in iter_decoded(open_recording(path).iter_chunks()) if isinstance(item, Block)]
    channel = blocks[0].hello.channels[2]
    codes = np.concatenate([block.counts[:, 2] for block in blocks]) / blocks[0].hello.counts_per_code
    # nominal numbers against drawn parts: resistors of 1 % may move a divider by 1.7 %, the converter adds some codes
    assert np.mean(channel.gain_v_per_code * codes + channel.offset_v) == pytest.approx(13.0, rel=0.02)


def test_in_real_time_the_clock_is_fitted(run: Run, tmp_path: Path) -> None:
    scatters_s: list[float] = []
    while len(scatters_s) < 3 and min(scatters_s, default=1.0) >= 0.1:  # other work on the machine only adds to it
        path = tmp_path / f"{len(scatters_s)}.mcap"
        with virtual_board(VirtualBoardOptions(_stimulus(20.0), stays=True)) as port:
            begun_s = time.monotonic()
            ran = run("record", "--port", port, "--out", path, "--seconds", 6, "--json")
            took_s = time.monotonic() - begun_s
        assert ran.code == 0, ran.err
        verified = json.loads(run("verify", path, "--json").out)
        assert verified["balances"]
        assert sum(verified["link_health"]["n_scans_lost"].values()) == 0
        (session,) = verified["sessions"]
        # A machine that pauses stops late, and what the board sent meanwhile is recorded too; never more than time
        # allows.
        assert 5.5 <= session["stop_s"] <= max(6.5, took_s)
        fit = session["clock_fit"]
        assert abs(fit["board_fast_ppm"]) < 20_000  # the virtual clock is this computer's own
        scatters_s.append(fit["scatter_s"])
    assert min(scatters_s) < 0.1
