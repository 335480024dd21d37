"""The virtual board through its port: every sample exact, on every kind of port and interpreter, and its life."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from ampwire import layout, messages
from ampwitness.bench import virtual_board as module
from ampwitness.bench.board_model import simulate_blocks
from ampwitness.bench.virtual_board import VirtualBoardOptions, run_virtual_board, virtual_board
from ampwitness.bench.virtual_faults import Fault
from ampwitness.bench.virtual_interpreter import FirmwareProcess
from ampwitness.bench.wav import write_volts_wav
from ampwitness.errors import MissingToolError, UsageError
from ampwitness.types import Block
from board_client import (
    CONFIG,
    ENDED,
    ROLES,
    Client,
    CounterModel,
    check_every_sample,
    play,
    short_stimulus,
)


def counter_options(duration_s: float, edges_s: tuple[float, ...] = (), **changes: object) -> VirtualBoardOptions:
    options: dict[str, object] = {"speed": None, **changes}
    return VirtualBoardOptions(
        short_stimulus(),
        make_model=lambda mode, start_s: CounterModel(mode, start_s, duration_s, edges_s),
        **options,  # type: ignore[arg-type]
    )


def wait_for_lines(lines: list[str], n: int) -> None:
    deadline_s = time.monotonic() + 15
    while len(lines) < n:
        assert time.monotonic() < deadline_s, f"it announced only {lines}"
        time.sleep(0.01)


@pytest.mark.parametrize(
    ("interpreter", "uses_socket", "speed", "duration_s"),
    [
        ("micropython", False, None, 4.0),
        ("micropython", False, 3.0, 3.0),
        ("micropython", True, None, 2.0),
        ("cpython", False, None, 1.0),
        ("cpython", True, 2.0, 1.0),
    ],
)
def test_every_sample_through_the_port(
    interpreter: str, uses_socket: bool, speed: float | None, duration_s: float
) -> None:
    options = counter_options(duration_s, interpreter=interpreter, uses_socket=uses_socket, speed=speed)
    with virtual_board(options) as port:
        assert port.startswith("socket://" if uses_socket else "/dev/")
        heard = play(port)
    frames = heard.samples()
    n_frames = int(duration_s * 8000) // 38
    assert [frame.index for frame in frames] == [38 * k for k in range(n_frames)]
    assert all(frame.flags == 0 for frame in frames)
    check_every_sample(frames)
    assert heard.bad() == []
    own = [frame.seq for frame in heard.frames() if frame.tag == frames[0].tag]
    assert own == list(range(len(own)))
    hello = heard.json_of(layout.KIND_HELLO)[-1]
    assert hello["time_scale"] == (speed or 0)
    assert interpreter in hello["firmware"]
    last = heard.json_of(layout.KIND_STATUS)[-1]
    assert last["stimulus_ended"] is True
    assert (last["overrun_scans"], last["queue_dropped_frames"], last["bad_commands"]) == (0, 0, 0)
    if speed is not None:
        assert duration_s / speed <= heard.took_s < duration_s / speed + 1.5


@pytest.mark.parametrize("mode", ["wide", "slow"])
def test_other_modes(mode: str) -> None:
    with virtual_board(counter_options(1.5, mode=mode)) as port:
        heard = play(port)
    check_every_sample(heard.samples(), mode=mode)
    assert len(heard.samples()) == int(1.5 * {"wide": 25_000, "slow": 2_000}[mode]) // 38


def test_the_same_counts_as_the_model_without_a_wire() -> None:
    stimulus = short_stimulus(1.0, (*ROLES, "battery"))
    options = VirtualBoardOptions(stimulus, speed=None, seed=5)
    with virtual_board(options) as port:
        heard = play(port)
    n_scans = layout.scans_per_frame(4)
    counts = [messages.unpack_samples(frame.payload, 4)[1] for frame in heard.samples()]
    assert len(counts[0]) == 4 * n_scans
    modelled = [b.counts for b in simulate_blocks(stimulus, stimulus.roles, "bass", seed=5) if isinstance(b, Block)]
    got = np.array(counts).reshape(-1, 4)
    assert len(got) > 5000
    assert np.array_equal(got, np.concatenate(modelled)[: len(got)])
    hello = heard.json_of(layout.KIND_HELLO)[-1]
    assert "virtual board: more roles than a real board has pins" in hello["remarks"]
    assert hello["rate_hz"] == [6000, 1]


def test_edges_and_marks_land_on_their_scan() -> None:
    edges_s = (0.25, 0.5003, 1.0, 1.3001)
    faults = (Fault("mark", 0.7, 0.0), Fault("mark", 1.25, 0.0))
    with virtual_board(counter_options(2.0, edges_s, faults=faults)) as port:
        heard = play(port)
    edges = [(frame.index, messages.unpack_edge(frame.payload)) for frame in heard.of_kind(layout.KIND_EDGE)]
    assert edges == [(int(s * 8000 + 1e-6), (0, (k + 1) % 2)) for k, s in enumerate(edges_s)]
    marks = [(frame.index, messages.unpack_mark(frame.payload)) for frame in heard.of_kind(layout.KIND_MARK)]
    assert marks == [(5600, "button"), (10000, "button")]
    check_every_sample(heard.samples())
    assert [line["role"] for line in heard.json_of(layout.KIND_HELLO)[-1]["digital"]] == ["remote"]


def test_forty_seconds_pass_in_less_than_fifteen() -> None:
    with virtual_board(VirtualBoardOptions(short_stimulus(40.0), speed=None)) as port:
        heard = play(port, 60)
    assert len(heard.samples()) == 40 * 8000 // 38
    assert heard.took_s < 15


def test_stimulus_waits_for_the_first_host_and_goes_on_where_it_was_stopped() -> None:
    with virtual_board(counter_options(3.0, speed=2.0)) as port:
        time.sleep(0.5)  # nobody listens: nothing is missed
        client = Client(port)
        client.speak(layout.KIND_IDENTIFY)
        assert client.listen(2.0, b'"streaming":false')
        client.start()
        client.listen(0.5)
        client.speak(layout.KIND_STOP)
        assert client.listen(2.0, b'"for":"stop"')
        client.close()
        first = client.heard.samples()
        check_every_sample(first)
        assert first[0].index == 0
        time.sleep(0.5)
        heard = play(port)
    second = heard.samples()
    assert second[0].tag != first[0].tag
    # Which conversion the second session begins with is told by the samples themselves.
    n_first = (first[-1].index + 38) * 24
    for start in range(n_first, n_first + 3 * 38 * 24):
        try:
            check_every_sample(second[:1], start)
        except AssertionError:
            continue
        break
    else:
        pytest.fail("the second session does not go on within the unfinished frames of the first")
    check_every_sample(second, start)
    assert len(first) + len(second) >= 3 * 8000 // 38 - 2


def test_mode_change_while_streaming_goes_on_at_the_present_time() -> None:
    with virtual_board(counter_options(3.0, speed=2.0)) as port:
        client = Client(port)
        client.start()
        client.listen(0.5)
        client.speak(layout.KIND_MODE, b"wide")
        assert client.listen(10.0, ENDED)
        client.close()
    hellos = client.heard.json_of(layout.KIND_HELLO)
    assert [hellos[0]["mode"], hellos[-1]["mode"]] == ["bass", "wide"]
    tags = [frame.tag for frame in client.heard.samples()]
    n_bass, n_wide = tags.count(tags[0]), tags.count(tags[-1])
    assert abs(n_bass * 38 / 8000 + n_wide * 38 / 25000 - 3.0) < 0.05


def test_a_host_that_vanishes_ends_its_session_and_the_next_one_gets_the_rest() -> None:
    with virtual_board(counter_options(4.0, speed=4.0)) as port:
        client = Client(port)
        client.start()
        while not client.heard.samples():  # on a busy machine the first come late
            client.listen(0.3)
        client.close()
        time.sleep(2.5)  # the heartbeat's time-out; the stimulus stands still meanwhile
        heard = play(port)
    check_every_sample(client.heard.samples())
    assert heard.samples()[0].index == 0
    assert heard.samples()[0].tag != client.heard.samples()[0].tag
    assert heard.bad() == []
    n_scans = 38 * (len(client.heard.samples()) + len(heard.samples()))
    # What was on its way when the host vanished is lost: at most a full transmit queue (112 frames of 38 scans), 16 KiB
    # of frames between board and host (64), and 64 KiB of conversions (48 bytes a scan) in each of the feed's buffers.
    assert 4 * 8000 - n_scans < (112 + 64) * 38 + 2 * 65_536 // 48


def test_a_slow_reader_at_real_speed_loses_counted_frames_only() -> None:
    with virtual_board(counter_options(4.0, speed=4.0)) as port:
        client = Client(port)
        client.start()
        client.listen(0.2)
        time.sleep(0.5)  # at four times the speed: 2 s of the board
        client.listen(10.0, ENDED)
        client.speak(layout.KIND_STOP)
        client.listen(1.0, b'"for":"stop"')
        client.close()
    heard = client.heard
    frames = heard.samples()
    check_every_sample(frames)
    n_sent = 4 * 8000 // 38 * 38  # in whole frames; on a busy machine the reader may be slow to the very end
    assert frames[-1].index + 38 <= n_sent
    n_missing = n_sent - 38 * len(frames)
    last = heard.json_of(layout.KIND_STATUS)[-1]
    assert n_missing > 0
    assert (last["queue_dropped_scans"], last["overrun_scans"]) == (n_missing, 0)
    assert heard.bad() == []


def test_it_ends_by_itself_when_the_host_has_stopped() -> None:
    lines: list[str] = []
    codes: list[int] = []
    thread = threading.Thread(target=lambda: codes.append(run_virtual_board(counter_options(0.5), lines.append)))
    thread.start()
    wait_for_lines(lines, 1)
    play(lines[0].removeprefix("port: "))
    thread.join(5)
    assert codes == [0]
    assert lines[0].startswith("port: /dev/")
    assert len(lines) == 1


def test_it_waits_for_the_host_to_read_the_last_words() -> None:
    with virtual_board(counter_options(0.3)) as port:
        client = Client(port)
        client.start()
        assert client.listen(5.0, ENDED)
        client.listen(0.6)  # as a host that waits whether more samples come
        client.speak(layout.KIND_STOP)
        time.sleep(1.0)
        assert client.listen(1.0, b'"for":"stop"')
        client.listen(0.5)  # the port is still there
        client.close()


def test_loop_begins_again() -> None:
    with virtual_board(counter_options(0.5, is_looped=True)) as port:
        client = Client(port)
        client.start()
        client.listen(0.7)
        client.close()
    frames = client.heard.samples()
    assert len(frames) > 230
    again = 8000 // 2
    counts = np.concatenate([np.array(messages.unpack_samples(f.payload, 3)[1]) for f in frames]).reshape(-1, 3)
    assert np.array_equal(counts[:again], counts[again : 2 * again])


def test_self_test_does_not_move_the_stimulus() -> None:
    with virtual_board(counter_options(0.5)) as port:
        client = Client(port)
        client.speak(layout.KIND_SELF_TEST)
        assert client.listen(3.0, b'"for":"self-test"')
        client.close()
        heard = play(port)
    check_every_sample(heard.samples())


def test_without_micropython_it_says_that_it_runs_under_cpython(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "find_micropython", lambda: None)
    monkeypatch.setattr(module.PtyPort, "is_possible", staticmethod(lambda: False))
    lines: list[str] = []
    codes: list[int] = []
    thread = threading.Thread(target=lambda: codes.append(run_virtual_board(counter_options(0.3), lines.append)))
    thread.start()
    wait_for_lines(lines, 2)
    heard = play(lines[0].removeprefix("port: "))
    thread.join(5)
    check_every_sample(heard.samples())
    assert lines[0].startswith("port: socket://127.0.0.1:")
    assert lines[1:] == ["the firmware runs under CPython, not under MicroPython; the port is a socket, not a terminal"]
    assert codes == [0]


def test_asking_for_a_missing_micropython_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ampwitness.bench.virtual_interpreter.find_micropython", lambda: None)
    with pytest.raises(MissingToolError, match="MicroPython is not installed"):
        FirmwareProcess("micropython", {})


def test_wrong_options_are_refused() -> None:
    with pytest.raises(UsageError, match="speed 0"):
        module.VirtualBoard(counter_options(1.0, speed=0.0))
    with pytest.raises(UsageError, match="no 'battery'"):
        module.VirtualBoard(VirtualBoardOptions(short_stimulus(), roles=("battery",)))


# ---- the command -----------------------------------------------------------------------------------------------------


def _command(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "ampwitness", "virtual-board", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_command_prints_the_port_first_and_ends_cleanly(tmp_path: Path, number: signal.Signals) -> None:
    wav, link = tmp_path / "volts.wav", tmp_path / "board"
    write_volts_wav(wav, short_stimulus(0.5).volts(0, 8000), 16_000)
    process = _command(
        "--stimulus", str(wav), "--roles", "out_p,out_n,supply", "--speed", "max", "--link", str(link), "--stay"
    )
    assert process.stdout is not None
    assert process.stdout.readline() == f"port: {link}\n"
    heard = play(str(link))
    assert len(heard.samples()) == 4000 // 38
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
    process.send_signal(number)
    assert process.wait(20) == 0
    assert not link.is_symlink()
    assert len(children) == 1
    assert not os.path.exists(f"/proc/{children[0]}")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "one of --stimulus"),
        (["--stimulus", "missing.wav", "--roles", "supply"], "missing.wav"),
        (["--stimulus", "missing.wav"], "--roles"),
        (["--scenario", "demo", "--speed", "fast"], "--speed fast"),
        (["--scenario", "demo", "--fault", "explode@3"], "explode@3"),
    ],
)
def test_command_refuses_in_one_sentence(arguments: list[str], words: str) -> None:
    process = _command(*arguments)
    out, err = process.communicate(timeout=20)
    assert process.returncode not in (0, 1)
    assert out == ""
    assert words in err
    assert "Traceback" not in err


def test_ports_are_read_as_the_configuration_says() -> None:
    assert CONFIG.MODES["bass"] == {"cycles": 250, "averaging": 8}  # what the figures above were worked out with
