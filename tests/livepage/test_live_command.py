"""`ampwitness live` on the virtual board: pictures often enough, and a recording that no browser can disturb."""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
from ampwitness.cli import cli
from ampwitness.errors import AmpwitnessError
from ampwitness.pipeline import read_span
from ampwitness.recording import open_parts
from browser_pipe import Browser, needs_chromium
from click.testing import CliRunner

RATE_HZ = 16_000
COMMAND = [sys.executable, "-m", "ampwitness"]
SIZES = {"desktop": (1200, 1150), "phone": (390, 1350)}


@dataclass
class Live:
    """A running `ampwitness live` and what is needed to ask it."""

    process: subprocess.Popen[str]
    port: int
    recording: Path
    stalled: socket.socket


def start_board(folder: Path) -> tuple[subprocess.Popen[str], str]:
    """Bursts of 43 Hz that sink the supply, and a dip of 150 ms every 4 s, over and over."""
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    output_v = 15.0 * np.sin(2 * np.pi * 43 * time_s) * (time_s % 1 < 0.7)
    supply_v = 13.8 - 0.03 * np.abs(output_v) - 2.5 * ((time_s > 2.8) & (time_s < 2.95))
    volts = np.column_stack([6.0 + output_v / 2, 6.0 - output_v / 2, supply_v])
    wav = folder / "volts.wav"
    scipy.io.wavfile.write(wav, RATE_HZ, volts.astype(np.float32))
    board = [*COMMAND, "virtual-board", "--stimulus", str(wav), "--roles", "out_p,out_n,supply", "--loop"]
    process = subprocess.Popen(board, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    return process, process.stdout.readline().strip().removeprefix("port: ")


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    folder = tmp_path_factory.mktemp("live")
    board, port = start_board(folder)
    recording = folder / "live.mcap"
    command = [*COMMAND, "live", "--port", port, "--out", str(recording), "--http-port", "0", "--ceiling", "20"]
    command += ["--load-ohm", "4", "--remark", "wet road"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    line = process.stdout.readline()
    assert line.startswith("Open in a browser: http://127.0.0.1:"), line
    http_port = int(line.rsplit(":", 1)[1].strip().strip("/"))
    # From the first second on somebody looks who never takes anything.
    stalled = socket.socket()
    stalled.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    stalled.connect(("127.0.0.1", http_port))
    stalled.sendall(f"GET /stream HTTP/1.0\r\nHost: 127.0.0.1:{http_port}\r\n\r\n".encode())
    yield Live(process, http_port, recording, stalled)
    stalled.close()
    for each in (process, board):
        if each.poll() is None:
            each.terminate()
        each.wait(10)
        for pipe in (each.stdout, each.stderr):
            if pipe is not None:
                pipe.close()


def pictures_for(live: Live, seconds: float) -> list[tuple[float, dict[str, object]]]:
    """Pictures as a plain client gets them, each with when it came."""
    connection = http.client.HTTPConnection("127.0.0.1", live.port, timeout=5)
    connection.request("GET", "/stream")
    answer = connection.getresponse()
    assert answer.status == 200
    assert answer.getheader("Content-Type") == "text/event-stream; charset=utf-8"
    seen: list[tuple[float, dict[str, object]]] = []
    begin_s = time.monotonic()
    while time.monotonic() - begin_s < seconds:
        line = answer.readline()
        assert line, "the stream ended"
        if line.startswith(b"data: "):
            seen.append((time.monotonic() - begin_s, json.loads(line[6:])))
    connection.close()
    return seen


def test_pictures_come_often_and_say_what_is(live: Live) -> None:
    pictures_for(live, 1.0)  # the board has caught up with its start
    seen = pictures_for(live, 3.0)[1:]
    times_s = [time_s for time_s, _ in seen]
    rate_hz = (len(seen) - 1) / (times_s[-1] - times_s[0])
    print(f"{rate_hz:.1f} pictures a second, longest pause {1e3 * max(np.diff(times_s)):.0f} ms")
    assert rate_hz >= 10
    picture = seen[-1][1]
    assert picture["losses"] == "0 lost"
    assert picture["stage"] == "recording"
    nows = [float(str(picture["now_s"])) for _, picture in seen]
    assert nows == sorted(nows)
    held = [p["wave"] for _, p in seen if p["wave"]]
    assert sum(bool(wave["is_held"]) for wave in held) > 0.6 * len(held)  # type: ignore[index]
    level = picture["level"]
    assert isinstance(level, dict)
    assert level["held_v"] == pytest.approx(15.0, rel=0.03)
    assert level["below_db"] == pytest.approx(20 * np.log10(20 / 15.0), abs=0.3)
    assert picture["level_words"] == f"Output {level['below_db']:.1f} dB below its clean ceiling."


@needs_chromium
def test_a_browser_shows_it_without_complaint(live: Live, tmp_path: Path) -> None:
    browser = Browser(tmp_path / "profile")
    try:
        own = f"http://127.0.0.1:{live.port}/"
        for name, (width, height) in SIZES.items():
            browser.size(width, height)
            browser.open(own)
            browser.wait_for("Number(document.body?.dataset.pictures || 0) > 15")
            assert browser.value("document.documentElement.scrollWidth") <= width
            assert browser.value("document.getElementById('level-words').textContent").startswith("Output ")
            assert browser.value("document.getElementById('losses').textContent") == "0 lost"
            drawn = "(() => { const c = document.getElementById('%s'); const d = c.getContext('2d')"
            drawn += ".getImageData(0, 0, c.width, c.height).data; let n = 0; for (let k = 0; k < d.length; k += 4)"
            drawn += " n += d[k] === 0x00 && d[k + 1] === 0x72 && d[k + 2] === 0xb2 && d[k + 3] === 255; return n; })()"
            assert browser.value(drawn % "wave") > 100  # points in the output's own colour
            kept = Path(os.environ.get("AMPWITNESS_PICTURES", tmp_path))
            assert len(browser.picture(kept / f"live-{name}.png")) > 10_000
        before = browser.value("document.getElementById('marks-words').textContent")
        browser.press("m")
        browser.wait_for(f"document.getElementById('marks-words').textContent !== {before!r}")
        browser.press("e")
        browser.wait_for("document.getElementById('engine-words').textContent === 'marked: engine on'")
        browser.value("document.getElementById('label').focus()")
        browser.press("c")  # a letter among words, no key
        browser.value("document.getElementById('label').value = 'a crackle'; document.getElementById('label').blur()")
        browser.press("m")
        browser.wait_for("document.getElementById('label').value === ''")
        assert browser.value("document.getElementById('engine-words').textContent") == "marked: engine on"
        browser.press("h")
        assert browser.value("document.getElementById('hold').getAttribute('aria-pressed')") == "true"
        assert not browser.complaints
        assert all(url.startswith((own, "data:")) for url in browser.asked), browser.asked
    finally:
        browser.close()


def test_the_recording_is_whole_whatever_browsers_do(live: Live) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", live.port, timeout=5)
    body = json.dumps({"label": "heard it now"})
    connection.request("POST", "/mark", body, {"Content-Type": "application/json"})
    assert connection.getresponse().status == 200
    for _ in range(3):  # browsers that leave in the middle of a picture
        hasty = socket.create_connection(("127.0.0.1", live.port))
        hasty.sendall(f"GET /stream HTTP/1.0\r\nHost: 127.0.0.1:{live.port}\r\n\r\n".encode())
        hasty.recv(100)
        hasty.close()
    time.sleep(0.5)
    live.process.send_signal(signal.SIGINT)
    out, err = live.process.communicate(timeout=10)
    assert live.process.returncode == 0, err
    assert "Traceback" not in err
    assert "0 lost" in out
    assert "On the road the passenger works this" in err
    verify = subprocess.run([*COMMAND, "verify", str(live.recording), "--json"], capture_output=True, text=True)
    found = json.loads(verify.stdout)
    assert verify.returncode == 0
    assert found["balances"] is True
    assert found["n_gaps"] == 0
    assert found["is_torn"] is False
    assert found["closed"]["why"] == "stopped"
    notes = open_parts([live.recording]).notes
    assert (notes["load_ohm"], notes["remarks"]) == (4.0, "wet road")
    asked = [mark.label for mark in open_parts([live.recording]).host_marks]
    assert found["n_host_marks"] == len(asked)
    # The board's own, at a scan, one each for the host's with their words; what the engine does has no scan.
    assert found["n_marks"] == len(asked) - asked.count("engine on") >= 1
    # On a busy machine the board may have set the mark at a scan that was not sent any more.
    window = read_span(live.recording, 0.0, found["duration_s"] + 1.0)
    labels = [mark.label for mark in window.marks]
    assert "heard it now" in labels
    if "engine on" in asked:  # a browser was there
        assert "a crackle" in labels
        assert labels.count("engine on") == 1
    (segment,) = window.traces["output"].segments  # one unbroken run from the first scan to the last
    assert len(segment.volts) == pytest.approx(found["duration_s"] * window.rate_hz, abs=100)
    assert np.max(np.abs(segment.volts)) == pytest.approx(15.0, rel=0.03)


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--port", "/dev/nowhere"], 3, "nowhere"),
        (["no-such.mcap"], 6, "no-such.mcap"),
        (["a.mcap", "--out", "b.mcap"], 2, "shown, not recorded"),
        (["a.mcap", "--load-ohm", "4"], 2, "shown, not recorded"),
        (["--load-ohm", "4", "--load-kind", "none"], 2, "makes no sense"),
        (["--ceiling", "20", "--ceiling-from", "a.mcap"], 2, "give one of them"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(
    arguments: list[str], code: int, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    error = CliRunner().invoke(cli, ["live", *arguments]).exception
    assert isinstance(error, AmpwitnessError)
    assert error.exit_code == code
    assert words in str(error)
    assert not list(tmp_path.glob("*.mcap"))
