"""`ampwitness export`: a recording in the formats of other programs."""

from __future__ import annotations

import json
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ampwitness.cli.finite import FiniteRange
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.progress import ProgressLine
from ampwitness.errors import OutputError, UsageError
from ampwitness.export.csv_tables import refuse_used_folder, write_tables
from ampwitness.pipeline import AnalyseOptions, RecordingVolts, analyse
from ampwitness.recording import Recording, open_parts

if TYPE_CHECKING:
    from ampwitness.export.mdf import MdfExport
    from ampwitness.export.npz import NpzExport
    from ampwitness.export.wav import WavExport

    Export = WavExport | NpzExport | MdfExport


@click.command(
    epilog="Example: ampwitness export trip.mcap --wav trip.wav --csv trip-tables --npz trip.npz --mdf trip.mf4"
)
@click.argument("recording", type=NAMED_PATH)
@click.option("--wav", "wav_path", type=NAMED_PATH, help="Volts as float WAV, a file for each unbroken run, with JSON.")
@click.option(
    "--full-scale-v",
    default=1.0,
    show_default=True,
    type=FiniteRange(0, min_open=True),
    help="Volts that a WAV sample of 1.0 stands for; 100 keeps sound programs from cutting at 1.",
)
@click.option("--csv", "folder", type=NAMED_PATH, help="A folder for findings and levels as CSV.")
@click.option(
    "--step-s",
    default=0.1,
    show_default=True,
    type=FiniteRange(0.001, 60.0),
    help="Step of the levels in the CSV; doubled as often as a long recording needs.",
)
@click.option("--npz", "npz_path", type=NAMED_PATH, help="Volts as NPZ for numpy.")
@click.option("--mdf", "mdf_path", type=NAMED_PATH, help="Volts as MDF 4 (.mf4) for measurement programs.")
@click.option("--raw-adc", is_flag=True, help="Do not correct the board's known converter steps.")
@click.option("--alone", is_flag=True, help="Only this file, also when it is the first part of several.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON what was written.")
def export(
    recording: Path,
    wav_path: Path | None,
    full_scale_v: float,
    folder: Path | None,
    step_s: float,
    npz_path: Path | None,
    mdf_path: Path | None,
    raw_adc: bool,
    alone: bool,
    as_json: bool,
) -> None:
    """Write RECORDING as WAV, CSV, NPZ or MDF: volts at the terminals, several at once.

    Gaps are never filled: WAV, NPZ and MDF hold every unbroken run by itself, and list the gaps. Nothing that is there
    is overwritten. Findings as JSON come from `ampwitness report --json`.
    """
    if not (wav_path or folder or npz_path or mdf_path):
        raise UsageError("say what to write: --wav OUT.wav, --csv FOLDER, --npz OUT.npz or --mdf OUT.mf4")
    opened = open_parts([recording], alone=alone)
    options = AnalyseOptions(correct_adc=not raw_adc, envelope_step_s=step_s)
    if mdf_path is not None and mdf_path.suffix.lower() != ".mf4":
        raise UsageError(f"an MDF 4 file is called NAME.mf4, not {mdf_path.name}")
    for path in (wav_path, npz_path, mdf_path):
        if path is not None and path.is_dir():
            raise OutputError(f"{path} is a folder; name a file in it")
    if folder is not None:  # before anything is worked out
        refuse_used_folder(folder)
    written = _write_volts(opened, options, wav_path, full_scale_v, npz_path, mdf_path)
    if folder is not None:
        with ProgressLine() as progress:
            analysis = analyse(opened, options, progress)
            progress("writing tables")
            written += write_tables(analysis, folder)
    if as_json:
        sizes = [{"file": str(path), "n_bytes": path.stat().st_size} for path in written]
        click.echo(json.dumps({"written": sizes}, indent=1))
        return
    for path in written:
        click.echo(f"Written: {path}")


def _write_volts(
    opened: Recording,
    options: AnalyseOptions,
    wav_path: Path | None,
    full_scale_v: float,
    npz_path: Path | None,
    mdf_path: Path | None,
) -> list[Path]:
    """All files of volts in one pass over the recording."""
    from ampwitness.export.mdf import MdfExport
    from ampwitness.export.npz import NpzExport
    from ampwitness.export.runs import RunCutter
    from ampwitness.export.wav import WavExport

    exports: list[Export] = []
    with ExitStack() as stack:
        if mdf_path is not None:  # first: it says at once whether what it needs is installed
            exports.append(MdfExport(mdf_path))
            stack.callback(exports[-1].drop)
        if wav_path is not None:
            exports.append(WavExport(wav_path, full_scale_v))
            stack.callback(exports[-1].drop)
        if npz_path is not None:
            exports.append(NpzExport(npz_path))
            stack.callback(exports[-1].drop)
        if not exports:
            return []
        cutter = RunCutter()
        with ProgressLine() as progress:
            for piece in cutter.pieces(RecordingVolts(opened, options, progress).windows()):
                for each in exports:
                    each.push(piece)
            written: list[Path] = []
            for k, each in enumerate(exports):
                progress(f"putting file {k + 1} of {len(exports)} together")
                written += each.finish(cutter)
    return written
