"""`verify`: what it counts, what it calls torn, and that a sum that does not balance fails."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from ampwire.framing import pack_frame
from ampwire.layout import KIND_HELLO, KIND_SAMPLES
from ampwitness.cli import verify as verify_module
from ampwitness.cli.clock_fit import ClockFitter
from ampwitness.recording import RecordingWriter
from ampwitness.types import Chunk
from fake_board import RATE_HZ, SCANS, as_other_version, hello_fields, samples_payload

Run = Callable[..., Any]
START_S = 1_700_000_000.0


def _stream(seconds: float, board_ppm: float = 0.0, drop: tuple[int, ...] = (), tag: int = 1) -> list[Chunk]:
    """A session as chunks of a frame each, stamped as a host would whose clock runs slower by `board_ppm`."""
    hello = json.dumps(hello_fields(tag)).encode()
    rng = random.Random(3)
    chunks = [Chunk(b"\x00" + pack_frame(KIND_HELLO, tag, 0, 0, 0, hello), START_S)]
    for k in range(round(seconds * RATE_HZ / SCANS)):
        raw = b"" if k in drop else pack_frame(KIND_SAMPLES, tag, k + 1, k * SCANS, 0, samples_payload(0))
        board_s = (k + 1) * SCANS / RATE_HZ
        chunks.append(Chunk(raw, START_S + board_s / (1 + board_ppm * 1e-6) + rng.uniform(0, 0.002)))
    return chunks


def _record(path: Path, chunks: list[Chunk]) -> Path:
    with RecordingWriter(path, {"remarks": "made for a test"}) as writer:
        for chunk in chunks:
            writer.append(chunk)
    return path


def test_what_is_in_it(run: Run, tmp_path: Path) -> None:
    path = _record(tmp_path / "a.mcap", _stream(10.0, drop=(100, 101, 500)))
    ran = run("verify", path, "--json")
    assert ran.code == 0, ran.err
    found = json.loads(ran.out)
    assert found["balances"]
    assert not found["is_torn"]
    health = found["link_health"]
    assert health["n_frames_lost"] == 3
    assert health["n_scans_lost"] == {"link": 3 * SCANS, "overrun": 0, "restart": 0, "unknown": 0}
    assert health["n_scans_expected"] == health["n_scans_received"] + 3 * SCANS
    assert [gap["cause"] for gap in found["longest_gaps"]] == ["link", "link"]
    (session,) = found["sessions"]
    assert session["roles"] == ["out_p", "out_n", "supply"]
    assert session["mode"] == "bass"
    assert found["duration_s"] == pytest.approx(10.0, abs=0.01)
    text = run("verify", path).out
    assert "114 lost" in text
    assert "All sums balance." in text
    assert "link: 114 lost, overrun: 0 lost" in text


@pytest.mark.parametrize("board_ppm", [0.0, 180.0, -75.0])
def test_the_clock_fit_finds_the_rate_it_was_given(run: Run, tmp_path: Path, board_ppm: float) -> None:
    path = _record(tmp_path / "a.mcap", _stream(60.0, board_ppm, drop=(2000, 7000)))
    (session,) = json.loads(run("verify", path, "--json").out)["sessions"]
    fit = session["clock_fit"]
    assert abs(fit["board_fast_ppm"] - board_ppm) < 4 * fit["uncertainty_ppm"]
    assert fit["uncertainty_ppm"] < 10
    assert fit["scatter_s"] < 0.002


def test_a_short_session_has_no_fit() -> None:
    fitter = ClockFitter("x")
    for k in range(100):
        fitter.add(k * 0.04, START_S + k * 0.04)
    assert fitter.fit() is None


def test_a_raw_file_is_verified_without_times(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "wire.bin"
    raw = b"".join(chunk.raw for chunk in _stream(8.0))
    path.write_bytes(raw[1000:])  # joined in the middle of a frame: the hello is gone
    ran = run("verify", path)
    assert ran.code == 6
    assert "hello" in ran.err
    path.write_bytes(raw)
    found = json.loads(run("verify", path, "--json").out)
    assert found["kind"] == "raw"
    assert found["balances"]
    assert found["sessions"][0]["clock_fit"] is None
    assert found["link_health"]["n_bytes"] == len(raw)


def test_damage_inside_is_counted_and_balances(run: Run, tmp_path: Path) -> None:
    raw = bytearray(b"".join(chunk.raw for chunk in _stream(5.0)))
    for at in range(3000, len(raw), 30_000):
        raw[at] ^= 0x10
    path = tmp_path / "wire.bin"
    path.write_bytes(raw)
    found = json.loads(run("verify", path, "--json").out)
    assert found["balances"]
    health = found["link_health"]
    assert health["n_frames_bad"] >= 5
    assert health["n_frames_lost"] >= 5
    assert health["n_scans_expected"] == health["n_scans_received"] + sum(health["n_scans_lost"].values())


def test_files_that_are_no_recording(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "x"
    cases = {
        "is empty": b"",
        "text file": b"hello\n" * 100,
        "sound file (WAV)": b"RIFF\x24\x00\x00\x00WAVEfmt " + bytes(100),
        "no valid frame": random.Random(1).randbytes(50_000),
    }
    for words, content in cases.items():
        path.write_bytes(content)
        ran = run("verify", path)
        assert ran.code == 6, words
        assert words in ran.err
        assert str(path) in ran.err
        assert "Traceback" not in ran.err
    assert run("verify", tmp_path / "absent").code == 6
    assert run("verify", tmp_path).code == 6


def test_a_recording_that_lost_bytes_behind_its_back_fails(run: Run, tmp_path: Path) -> None:
    """The recorder wrote how many bytes went in. A record whose kind was damaged is passed over: the sum tells."""
    path = _record(tmp_path / "a.mcap", _stream(5.0))
    content = bytearray(path.read_bytes())
    raw = b"".join(chunk.raw for chunk in _stream(5.0))
    # the head of the third message of received bytes stands 31 bytes before its content
    from mcap.reader import make_reader

    with path.open("rb") as file:
        messages = [m.data for _, _, m in make_reader(file).iter_messages()]
    assert b"".join(messages) == raw
    content[content.index(messages[2]) - 31] = 0x7F
    path.write_bytes(content)
    ran = run("verify", path)
    assert ran.code == 14
    assert f"the recorder wrote {len(raw)} bytes" in ran.err
    assert "All sums balance" not in ran.out


def test_sums_that_do_not_balance_fail(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from dataclasses import replace

    path = _record(tmp_path / "a.mcap", _stream(2.0))
    real = verify_module._read

    def with_a_lost_scan(recording: Any) -> Any:
        contents, health = real(recording)
        return contents, replace(health, n_scans_received=health.n_scans_received - 1)

    monkeypatch.setattr(verify_module, "_read", with_a_lost_scan)
    ran = run("verify", path)
    assert ran.code == 14
    assert "scans are expected" in ran.err


def test_another_wire_version_is_named(run: Run, tmp_path: Path) -> None:
    raw = b"".join(as_other_version(chunk.raw.lstrip(b"\x00")) for chunk in _stream(1.0))
    path = tmp_path / "wire.bin"
    path.write_bytes(b"\x00" + raw)
    ran = run("verify", path)
    assert ran.code == 7
    assert "version 2" in ran.err
    assert str(path) in ran.err


def test_verify_and_report_give_a_recording_the_same_length(tmp_path: Path, run: Run) -> None:
    path = _record(tmp_path / "odd.mcap", _stream(2.0 + 3 * SCANS / RATE_HZ))  # no whole number of an envelope's steps
    verified = json.loads(run("verify", path, "--json").out)["duration_s"]
    reported = json.loads(run("report", path, "--json", "-").out)["recording"]["duration_s"]
    assert verified % 0.01 > 0.001
    assert reported == pytest.approx(verified, abs=1e-9)
