"""The comparison of quiet runs: made vehicles through the board model, missing runs, and the command."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
from ampwitness.bench.noise_scores import judge_case, run_condition
from ampwitness.bench.noise_signals import RATE_HZ, ROLES, NoiseCase, make_condition
from ampwitness.guide.find_noise import ORDER, conclude_noise
from warm_command import call

COMMAND = [sys.executable, "-m", "ampwitness"]


@pytest.mark.parametrize(
    ("case", "pair"),
    [
        (NoiseCase(whine_supply_v=0.02), ("alternator whine", "supply-borne")),
        (NoiseCase(whine_loop_v=0.02), ("alternator whine", "ground loop or source")),
        (NoiseCase(hum_own_v=0.02, mains_hz=60.0), ("hum", "the amplifier itself")),
        (NoiseCase(hiss_source_v=0.6), ("hiss", "source")),
    ],
)
def test_each_cause_is_named_and_nothing_else(case: NoiseCase, pair: tuple[str, str]) -> None:
    verdict = judge_case(case, seed=41)
    assert [(source.what, source.origin) for source in verdict.sources] == [pair]
    assert verdict.not_judged == ()


def test_a_quiet_vehicle_is_called_quiet() -> None:
    assert judge_case(NoiseCase(), seed=42).sources == ()


def test_without_shorted_inputs_loop_and_pickup_are_not_told_apart() -> None:
    verdict = judge_case(NoiseCase(whine_loop_v=0.03), 43, conditions=ORDER[3:])
    assert [(source.what, source.origin) for source in verdict.sources] == [("alternator whine", "not told apart")]
    assert any("shorted" in sentence for sentence in verdict.not_judged)


@pytest.mark.parametrize(
    ("raised_hz", "words"),
    [(655.0, "moved with the engine's speed, from 310 Hz idling to 655 Hz"), (310.0, "did not move")],
)
def test_a_whine_is_said_to_follow_the_engine_only_where_it_moved(raised_hz: float, words: str) -> None:
    verdict = judge_case(NoiseCase(whine_supply_v=0.03, idle_hz=310.0, raised_hz=raised_hz), seed=47)
    assert [source.what for source in verdict.sources] == ["alternator whine"]
    assert words in verdict.sources[0].words


def test_one_engine_speed_says_nothing_of_moving() -> None:
    verdict = judge_case(NoiseCase(whine_supply_v=0.03), 48, conditions=(ORDER[0], ORDER[1], ORDER[3], ORDER[4]))
    assert [source.what for source in verdict.sources] == ["alternator whine"]
    assert "engine's speed" not in verdict.sources[0].words


def test_engine_off_alone_judges_no_whine_and_an_uncalibrated_zero_no_offset() -> None:
    quiet, _ = run_condition(NoiseCase(offset_v=0.4), ("connected", "off"), 10.0, 44)
    verdict = conclude_noise(
        {("connected", "off"): quiet}, sensitivity_v=0.02, line_sensitivity_v=0.002, offset_uncertainty_v=0.4
    )
    assert not any(source.what == "offset" for source in verdict.sources)
    assert any("whine is not judged" in sentence for sentence in verdict.not_judged)
    assert any("zero is not calibrated" in sentence for sentence in verdict.not_judged)


@pytest.mark.long
def test_by_the_commands_that_a_user_types(tmp_path: Path) -> None:
    """Two runs on the virtual board, guided, then compared again from the recordings."""
    case = NoiseCase(whine_loop_v=0.03)
    stimulus = make_condition(case, ("connected", "idle"), 8.0, 45)
    wav = tmp_path / "idle.wav"
    scipy.io.wavfile.write(wav, int(RATE_HZ), stimulus.volts(0, stimulus.n_samples).astype(np.float32))
    board = [*COMMAND, "virtual-board", "--stimulus", str(wav), "--roles", ",".join(ROLES), "--speed", "max"]
    with subprocess.Popen(board, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        port = process.stdout.readline().strip().removeprefix("port: ")
        try:
            done = call(
                "find-noise", "--port", port, "--seconds", "6", "--out", tmp_path / "noise", typed="s\ns\ns\ns\n\ns\n"
            )
        finally:
            process.terminate()
    assert done.returncode == 0, done.stderr
    assert "Exhaust" in done.stderr
    assert "alternator whine - not told apart" in " ".join(done.stdout.split())
    kept = json.loads((tmp_path / "noise" / "find-noise.json").read_text())
    again = call("find-noise", "--from", f"connected-idle={tmp_path / 'noise' / 'noise-connected-idle.mcap'}", "--json")
    assert json.loads(again.stdout)["sources"] == kept["sources"]


def test_bad_input(tmp_path: Path) -> None:
    assert call("find-noise", "--from", "nonsense=x").returncode == 2
    missing = call("find-noise", "--from", f"shorted-off={tmp_path / 'no.mcap'}")
    assert missing.returncode == 6
    assert "Traceback" not in missing.stderr
