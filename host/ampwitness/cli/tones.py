"""`ampwitness tones`: test tracks for setting gains, as WAV files."""

from __future__ import annotations

import io
import json
import wave
from pathlib import Path
from typing import cast

import click

from ampwitness.cli.finite import FINITE, FiniteRange
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.wrapped import wrapped
from ampwitness.errors import OutputError, UsageError
from ampwitness.guide.tone_tracks import (
    CAUTION,
    CUE_BEEPS,
    RATE_HZ,
    Track,
    TrackKind,
    iter_tracks,
    make_track,
    overlap_sentence,
    to_pcm,
)
from ampwitness.whole_file import write_bytes_whole


@click.command(epilog="Example: ampwitness tones --out tracks --tone 40 --tone 1000 --track tone --track bursts")
@click.option("--out", type=NAMED_PATH, default=Path("."), help="Folder to write into. Default: here.")
@click.option(
    "--tone", "tones_hz", type=FINITE, multiple=True, help="Frequency, 5 to 20,000 Hz; repeatable. Default: 40, 1000."
)
@click.option(
    "--track",
    "kinds",
    type=click.Choice(list(CUE_BEEPS)),
    multiple=True,
    help="tone: steady; bursts: 0.5 s every 2 s, for sag; sweep: 20 to 200 Hz; steps: up by 1 dB. Default: tone.",
)
@click.option(
    "--seconds",
    default=30.0,
    type=FINITE,
    show_default=True,
    help="Length of a track, 1 to 600 s; steps have their own.",
)
@click.option("--level-db", type=FINITE, help="Level, -60 to 0 dBFS. Default: full scale less the overlap.")
@click.option(
    "--overlap-db",
    default=0.0,
    show_default=True,
    type=FiniteRange(0, 20),
    help="Write the tracks this much below full scale: music may then go so far beyond clean.",
)
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
def tones(
    out: Path,
    tones_hz: tuple[float, ...],
    kinds: tuple[str, ...],
    seconds: float,
    level_db: float | None,
    overlap_db: float,
    as_json: bool,
) -> None:
    """Write test tracks: WAV, 16 bits, both channels alike, faded at both ends.

    Each begins with short beeps that tell what comes: one a steady tone, two bursts, three a sweep, four steps.
    """
    if level_db is not None and overlap_db and level_db != -overlap_db:
        raise UsageError("--level-db and --overlap-db say the same in two ways: give one of them.")
    level = (0.0 - overlap_db) if level_db is None else level_db
    chosen = cast("tuple[TrackKind, ...]", kinds or ("tone",))
    written = []
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"the folder {out} cannot be made: {error.strerror}; choose another with --out") from error
    for track in iter_tracks(chosen, tones_hz or (40.0, 1000.0), level, seconds):
        path = out / track.file_name
        with ProgressLine() as progress:
            progress(f"making {track.file_name}")
            duration_s = _write(track, path)
        written.append({"file": str(path), "kind": track.kind, "frequency_hz": track.frequency_hz,
                        "level_dbfs": track.level_db, "duration_s": round(duration_s, 3)})  # fmt: skip
        if not as_json:
            click.echo(f"Written: {path}")
    if as_json:
        result = {"tracks": written, "overlap_db": 0.0 - level, "meaning": overlap_sentence(-level), "caution": CAUTION}
        click.echo(json.dumps(result, indent=1))
        return
    click.echo(wrapped(overlap_sentence(-level)))
    click.echo(wrapped(CAUTION))
    hz = written[0]["frequency_hz"]
    click.echo(wrapped("Next: play it from the source, volume down, with the logger on the amplifier's output:"))
    click.echo(f"  ampwitness set-gain --tone {hz:g} --load-kind none")


def _write(track: Track, path: Path) -> float:
    """Make one track; returns its seconds."""
    try:
        samples = make_track(track)
    except ValueError as error:
        raise UsageError(str(error)) from error
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(to_pcm(samples))
    write_bytes_whole(path, buffer.getvalue())
    return len(samples) / RATE_HZ
