"""A test track as the amplifier's terminals show it while somebody turns the gain up, meets the edge, comes back."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
from ampwitness.bench.amplifier import Amplifier, Rails, ResistorLoad
from ampwitness.bench.drive import drive
from ampwitness.bench.vehicle_supply import VehicleSupply
from ampwitness.bench.wav import write_volts_wav

RAIL_V = 30.0


def read_track(path: Path) -> tuple[np.ndarray, int]:
    """One channel of a track, full scale 1."""
    with wave.open(str(path), "rb") as file:
        codes = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2").reshape(-1, file.getnchannels())
        return codes[:, 0] / 32767.0, file.getframerate()


def amplify_track(
    track: Path, out: Path, *, top_db: float = 1.2, back_db: float = -2.0, source_ceiling: float | None = None
) -> None:
    """Write the volts of output and supply; gain in dB re the amplifier's ceiling for a full-scale tone."""
    source, rate_hz = read_track(track)
    if source_ceiling is not None:
        source = np.clip(source, -source_ceiling, source_ceiling)
    time = np.arange(len(source)) / rate_hz
    end_s = time[-1]
    # cue, low level for the source step, up, a little past the edge, back, and rest
    knots_s = [0.0, 4.0, 0.62 * end_s, 0.70 * end_s, 0.76 * end_s, end_s]
    knob_db = np.interp(time, knots_s, [-12, -12, top_db - 0.6, top_db, back_db, back_db])
    amplifier = Amplifier(
        gain_ratio=1.0,
        rails=Rails(ratio=4.0, regulated_v=RAIL_V + 0.8, loss_v=0.8),
        load=ResistorLoad(4.0),
        is_bridged=True,
    )
    run = drive(amplifier, VehicleSupply(), RAIL_V * source * 10 ** (knob_db / 20), float(rate_hz))
    roles = [run.role_v(role) for role in ("out_p", "out_n", "supply")]
    write_volts_wav(out, np.column_stack(roles), rate_hz)
