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
from ampwitness.cli.find_noise import _free_folder, _result_of, _text
from ampwitness.guide.find_noise import (
    ORDER,
    NoiseVerdict,
    Source,
    _is_mains,
    board_floor,
    conclude_noise,
    instruction,
    next_steps,
)
from ampwitness.job.steps import STEP_OF_KEY, command_of, file_of
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
    runs = ["--from", f"connected-idle={tmp_path / 'noise' / 'noise-connected-idle.mcap'}"]
    (tmp_path / "noise" / "find-noise.json").unlink()  # as after a walk that was broken off
    again = call("find-noise", *runs, "--json", "--out", tmp_path / "noise")
    assert json.loads(again.stdout)["sources"] == kept["sources"]
    assert json.loads((tmp_path / "noise" / "find-noise.json").read_text())["sources"] == kept["sources"]
    assert call("find-noise", *runs, "--out", tmp_path / "noise").returncode == 13  # nothing is overwritten


def test_what_could_hurt_stands_where_it_could_and_each_run_says_what_changes() -> None:
    said = [instruction(condition, before) for condition, before in zip(ORDER, (None, *ORDER), strict=False)]
    assert [at for at, words in enumerate(said) if "Engine and amplifier off" in words] == [0, 3]
    assert all("exhaust" in words for words in (said[1], said[4]))
    assert "shorting plugs" in said[0]
    assert "playing nothing" in said[5]


def test_every_cause_has_a_next_step() -> None:
    loop = Source("alternator whine", "ground loop or source", 310.0, 0.02, "")
    blind = Source("hum", "not told apart", 50.0, 0.01, "")
    assert next_steps(NoiseVerdict((loop, loop, blind), (), 0.02, 0.002)) == [
        "bring the grounds of source and amplifier to one point, and lead the signal cables away from supply cables",
        "make the runs with shorted inputs too: without them it is not told where this comes from",
    ]
    assert next_steps(NoiseVerdict((), (), 0.02, 0.002)) == []


def test_the_boards_own_noise_is_that_of_averaged_conversions() -> None:
    """White noise made for it: 8 conversions a scan on two terminals, the band 20 Hz to 3 kHz of 4 kHz."""
    rng = np.random.default_rng(5)
    scans = 0.03 * (rng.standard_normal((2, 80_000, 8)) * 1.5).mean(axis=2).sum(axis=0)  # 30 mV a code, 1.5 codes
    spectrum = np.fft.rfft(scans)
    hz = np.fft.rfftfreq(len(scans), 1 / 8000)
    spectrum[(hz < 20) | (hz > 3000)] = 0
    in_band_v = float(np.std(np.fft.irfft(spectrum)))
    assert board_floor((0.03, 0.03), 8, 1.5, (20.0, 3000.0), 8000.0) == pytest.approx(in_band_v, rel=0.02)


@pytest.mark.parametrize(
    ("hz", "is_mains"), [(50.0, True), (100.5, True), (500.0, True), (600.0, True), (550.0, False), (75.0, False)]
)
def test_hum_is_a_multiple_of_the_mains_up_to_the_tenth(hz: float, is_mains: bool) -> None:
    """Higher up a multiple of 50 or 60 Hz is never far, and what lies there is rarely the mains'."""
    assert _is_mains(hz) is is_mains


def test_the_table_fits_80_columns() -> None:
    runs = {ORDER[5]: run_condition(NoiseCase(whine_loop_v=0.03), ORDER[5], 6.0, 43)[0]}
    verdict = conclude_noise(runs, sensitivity_v=0.02, line_sensitivity_v=0.002, offset_uncertainty_v=0.4)
    assert max(map(len, _text(verdict, runs, 80).splitlines())) <= 80


def test_a_second_go_has_names_of_its_own_in_the_folder_and_in_the_job(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert _result_of(_free_folder(None)) == Path("noise/find-noise.json")
    Path("noise").mkdir()
    assert _result_of(_free_folder(None)) == Path("noise-2/find-noise-2.json")
    assert file_of("noise", {}, 1) == "noise-2/find-noise-2.json"
    assert command_of(STEP_OF_KEY["noise"], {}, file_of("noise", {}, 1)) == "ampwitness find-noise --out noise-2"
    Path("noise/noise-shorted-off.mcap").touch()
    done = call("find-noise", "--out", "noise", "--port", "nowhere")  # before anybody changes a plug
    assert done.returncode == 2
    assert "name another folder with --out" in done.stderr


def test_bad_input(tmp_path: Path) -> None:
    assert call("find-noise", "--from", "nonsense=x").returncode == 2
    missing = call("find-noise", "--from", f"shorted-off={tmp_path / 'no.mcap'}")
    assert missing.returncode == 6
    assert "Traceback" not in missing.stderr
    (tmp_path / "file").touch()
    taken = call("find-noise", "--out", tmp_path / "file", "--port", "nowhere")
    assert taken.returncode == 13
    assert "choose another with --out" in taken.stderr
