"""The supply check as a person walks it: a terminal, keys, the virtual board, every place in every state."""

from __future__ import annotations

import contextlib
import json
import os
import re
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench.virtual_board import VirtualBoardOptions, virtual_board
from warm_command import call

RATE_HZ = 8000.0
PLUS_OHM = {"battery plus post": 0.0, "main fuse": 0.003, "amplifier plus terminal": 0.008}  # from the place before
PLACES = (*PLUS_OHM, "remote lead", "ground return")
# state -> battery, amperes, crest of the tone
STATES = {"at rest": (12.7, 2.0, 0.0), "engine running": (14.3, 2.0, 0.0), "under a tone": (12.6, 30.0, 20.0)}
RETURN_OHM, REMOTE_LOST_V = 0.012, 0.6
ENOUGH_S = 120.0
LIFTED_V = 3.5  # the probe in the air: shows on the screen that what follows is of the next place


class Vehicle:
    """Volts where the probe is held just now; a stimulus without an end."""

    roles = ("out_p", "supply", "ground")
    rate_hz, n_samples, duration_s = RATE_HZ, int(3600 * RATE_HZ), 3600.0

    def __init__(self) -> None:
        self.now = (0.0, 12.6, 0.0)  # crest of the tone, probe, ground channel

    def volts(self, start_sample: int, n: int) -> np.ndarray:
        time_s = (start_sample + np.arange(n)) / RATE_HZ
        tone_v, probe_v, ground_v = self.now
        ripple_v = 0.0025 * tone_v * np.sin(2 * np.pi * 80 * time_s)
        return np.column_stack([tone_v * np.sin(2 * np.pi * 40 * time_s), probe_v + ripple_v, np.full(n, ground_v)])


class Person:
    """Somebody at a terminal of their own."""

    def __init__(self, *arguments: str) -> None:
        self._ours, theirs = os.openpty()
        self._shown = bytearray()
        command = [sys.executable, "-m", "ampwitness", *arguments]
        self._walk = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs)
        os.close(theirs)
        threading.Thread(target=self._watch, daemon=True).start()
        self._read_to = 0

    def _watch(self) -> None:
        with contextlib.suppress(OSError):
            while piece := os.read(self._ours, 65536):
                self._shown.extend(piece)

    @property
    def shown(self) -> str:
        """All that was shown, lines joined as they were before they were broken at the terminal's width."""
        return re.sub(r"\s+", " ", self._shown.decode("utf-8", "replace"))

    def until(self, words: str) -> str:
        """Wait for words that were not there before; what they are found as."""
        until_s = time.monotonic() + ENOUGH_S
        while not (found := re.search(words, self.shown[self._read_to :])):
            assert time.monotonic() < until_s, f"no {words!r} in {self.shown[-600:]}"
            time.sleep(0.03)
        self._read_to += found.end()
        return found.group(0)

    def press(self, keys: str) -> None:
        os.write(self._ours, keys.encode())

    def leave(self) -> int:
        code = self._walk.wait(ENOUGH_S)
        time.sleep(0.2)
        os.close(self._ours)
        return code


def _hold(vehicle: Vehicle, person: Person, place: str, state: str, now: tuple[float, float, float]) -> str:
    """Hold the probe somewhere and measure until that is told, again where a busy machine lost samples."""
    told = ""
    for _ in range(12):
        is_alike = np.allclose(now, vehicle.now, atol=0.05)
        for probe_v, seen in ((LIFTED_V, r" 3\.\d\d V waiting"), (now[1], r" 1\d\.\d\d V waiting")):
            if not is_alike:
                vehicle.now = (now[0], probe_v, now[2])
                person.until(seen)
        vehicle.now = now
        person.press("\r")
        told = person.until(f"{place}, {state}: (mean [^,]*, lowest [^,]*, ripple [0-9.]* V|not judged, .{{60}})")
        if "lost on the way" not in told and "jumped" not in told:
            return told
    raise AssertionError(told)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a terminal of its own")
def test_a_person_walks_every_place_in_every_state(tmp_path: Path) -> None:
    vehicle, out = Vehicle(), tmp_path / "check.json"
    with virtual_board(VirtualBoardOptions(vehicle, roles=vehicle.roles, speed=None)) as port:
        asks = ["check-supply", "--port", port, "--out", str(out), "--point", "main fuse"]
        refused = Person(*asks)
        refused.until("Nominal volts")
        refused.press("24\n")
        assert refused.leave() == 2
        assert "a 24 V system: the logger's supply input ends at 24.4 V" in refused.shown
        assert "Battery (" not in refused.shown, "nothing more is asked"
        person = Person(*asks)
        for question, answer in (("Nominal volts", ""), ("Battery", "agm"), ("Charging", "fix"), ("Hours", "6")):
            person.until(question)
            person.press(f"{answer}\n")
        for state, (battery_v, supply_a, tone_v) in STATES.items():
            probe_v = battery_v
            for place in PLACES:
                probe_v -= PLUS_OHM.get(place, 0.0) * supply_a
                held_v = battery_v - REMOTE_LOST_V if place == "remote lead" else probe_v
                now = (tone_v, held_v, -RETURN_OHM * supply_a)
                told = person.until(r"\d+ to go\. .*? q ends\.")
                assert ("all amplifiers that it feeds switched on" in told) == (place == "remote lead")
                if (place, state) == ("main fuse", "under a tone"):  # somebody touched the volume
                    told = _hold(vehicle, person, place, state, (0.75 * tone_v, *now[1:]))
                    assert re.search(r"not judged, the output is 10\.\d+ V rms and was 14\.\d+ V at battery plus", told)
                if (place, state) == ("ground return", "at rest"):  # the lead lies somewhere else
                    told = _hold(vehicle, person, place, state, (*now[:2], -2.6))
                    assert "not judged, -2.6 V are beyond the +-2 V of the ground input" in told
                assert "mean" in _hold(vehicle, person, place, state, now)
        assert person.leave() == 0, person.shown[-2000:]
    result = json.loads(out.read_text())
    readings = {(r["point"], r["state"]): r for r in result["readings"]}
    assert set(readings) == {(place, state) for state in STATES for place in PLACES}
    assert all(r["not_judged"] is None for r in readings.values())
    drops = [leg["drop_v"] for leg in result["legs"] if leg["state"] == "under a tone"]
    assert drops == pytest.approx([0.003 * 30, 0.008 * 30], abs=0.01)
    # The ripple of what carried the tone: 0.05 V either way, nominal numbers on drawn parts.
    assert readings["main fuse", "under a tone"]["ripple_v"] == pytest.approx(0.1, abs=0.02)
    grounds = [readings["ground return", state]["mean_v"] for state in ("at rest", "under a tone")]
    assert grounds[1] - grounds[0] == pytest.approx(-RETURN_OHM * 28, abs=0.01)
    said = " ".join(result["sentences"])
    assert "Charging, fixed: 14." in said
    assert "The leg that drops most: amplifier's ground to battery minus post" in said
    assert "point state mean V lowest V" in person.shown
    assert call("job", "new", tmp_path / "job").returncode == 0
    added = call("job", "add", tmp_path / "job", "supply", out)
    assert added.returncode == 0, added.stderr
    sheet = call("sheet", "--job", tmp_path / "job", "--html", tmp_path / "sheet.html")
    assert sheet.returncode == 0, sheet.stderr
    page = re.sub("<[^>]*>|\\s+", " ", (tmp_path / "sheet.html").read_text())
    assert re.search(r"ground to battery minus post", page), page[-3000:]
