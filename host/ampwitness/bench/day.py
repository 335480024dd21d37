"""`python -m ampwitness.bench.day`: a made day of music through the complete report, timed part by part, with its
memory for an hour and for a day; beside it a straightforward script, decoding alone, and what corruptions cost.

Every measurement runs in a process of its own, which loads what it measures and no more: what makes the music would
count as the report's memory. CPU seconds are those of that process with all its children.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from ampwire import layout

from ampwitness.types import Block, Chunk

GOALS = {
    "one_s": 40.0,
    "two_s": 25.0,
    "peak_mb": 300.0,
    "times_faster": 12.0,
    "decode_times": 2.0,
    "second_look_s": 1.0,
}
PLAIN_HOURS = 1 / 6
DECODE_BYTES = 200_000_000
N_CORRUPTIONS = 3000
SEED = 2024
# Parts that cost the same for a long recording, as they look at so many things and no more.
ONCE = ("supply model", "ceilings", "pictured spans", "page, text, JSON", "converter's tables")


class Stopwatch:
    """Adds up the CPU seconds spent inside methods, each second in the innermost one that is watched."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._stack: list[list[Any]] = []
        self._is_whole = False

    def watch(self, owner: Any, method: str, part: str, *, is_whole: bool = False) -> None:
        """Time every call of `owner.method`, of a class or a module, under the name `part`.

        `is_whole`: what is watched within it counts to it as well.
        """
        original: Callable[..., Any] = getattr(owner, method)

        def timed(*args: Any, **kwargs: Any) -> Any:
            if self._is_whole:
                return original(*args, **kwargs)
            self._is_whole = is_whole
            start, inner = time.process_time(), [0.0]
            self._stack.append(inner)
            try:
                return original(*args, **kwargs)
            finally:
                spent = time.process_time() - start
                self._is_whole = False
                self._stack.pop()
                self.seconds[part] = self.seconds.get(part, 0.0) + spent - inner[0]
                if self._stack:
                    self._stack[-1][0] += spent

        setattr(owner, method, timed)


def _watch_all(watch: Stopwatch) -> None:
    from ampwitness import pipeline
    from ampwitness.decode import Decoder
    from ampwitness.detect import run_all
    from ampwitness.detect.clips import found_clips
    from ampwitness.detect.run_all import DetectOptions, make_detectors
    from ampwitness.detect.supply.supply_history import SupplyHistory
    from ampwitness.waveform import runs
    from ampwitness.waveform.assemble import Assembler
    from ampwitness.waveform.envelope import EnvelopeBuilder

    watch.watch(runs, "make_correction", "converter's tables")
    watch.watch(Decoder, "push_many", "decoding")
    watch.watch(run_all, "learn_from", "supply model")
    watch.watch(run_all, "conclude", "causes")
    watch.watch(found_clips, "learn_ceilings", "ceilings")  # from so many plateaus and no more
    watch.watch(run_all, "settle_road", "engine states")
    watch.watch(pipeline, "_cut_pictured", "pictured spans", is_whole=True)
    for method in ("push", "finish"):
        watch.watch(Assembler, method, "volts")
        watch.watch(EnvelopeBuilder, method, "overview")
        watch.watch(SupplyHistory, method, "supply history")
        for detector in make_detectors(DetectOptions()):
            watch.watch(type(detector), method, detector.name)


def measure_report(path: Path, processes: int) -> dict[str, Any]:
    """The complete report of a recording, page and all, in this process: seconds, parts, peak memory, counts."""
    from ampwitness.finding_list import FindingList
    from ampwitness.findings.as_json import iter_json
    from ampwitness.pipeline import AnalyseOptions, analyse_file
    from ampwitness.report.text import text_report

    watch = Stopwatch()
    _watch_all(watch)
    wall, cpu = time.perf_counter(), time.process_time()
    analysis = analyse_file(path, AnalyseOptions(processes=processes))
    analysed = time.process_time()
    from ampwitness.report.page import html_page  # as `report` does: what draws is loaded when all is read

    page, text = html_page(analysis), text_report(analysis, width=100)
    n_json = sum(map(len, iter_json(analysis)))
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    total = time.process_time() - cpu + children.ru_utime + children.ru_stime
    parts = {**watch.seconds, "page, text, JSON": time.process_time() - analysed}
    parts["everything else"] = time.process_time() - cpu - sum(parts.values())
    found = FindingList.of(analysis.findings)
    kinds = {kind: found.n_of(kind) for kind in found.kinds}
    return {
        "wall_s": time.perf_counter() - wall,
        "cpu_s": total,
        "parts": parts,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "children_peak_mb": children.ru_maxrss / 1024,
        "findings": kinds,
        "written_mb": (len(page) + len(text) + n_json) / 1e6,
        "n_scans": analysis.link_health.n_scans_received,
        "balances": analysis.link_health.balances,
    }


def measure_plain() -> dict[str, Any]:
    """The straightforward script on ten minutes, in this process."""
    from ampwitness.bench.day_signals import iter_day
    from ampwitness.bench.straightforward import analyse_whole_arrays

    raw = b"".join(piece for pieces, _ in iter_day(PLAIN_HOURS, SEED) for piece in pieces)
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    cpu = time.process_time()
    found = analyse_whole_arrays(raw)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"cpu_s": time.process_time() - cpu, "peak_mb": peak_mb, "grown_mb": peak_mb - before_mb, "found": found}


def measure_decoding() -> dict[str, Any]:
    """Decoding alone and what corruptions cost, on 200 MB, in this process."""
    from ampwitness.bench.day_signals import FRAME_WIRE_BYTES, SCANS, iter_day
    from ampwitness.bench.straightforward import decode_frame_by_frame
    from ampwitness.decode import iter_decoded

    raw = b""
    for pieces, _ in iter_day(DECODE_BYTES / FRAME_WIRE_BYTES * SCANS / 8000 / 3600, SEED):
        raw += b"".join(pieces)

    def decode(stream: bytes) -> list[tuple[int, int]]:
        chunks = (Chunk(stream[at : at + (1 << 20)], 0.0) for at in range(0, len(stream), 1 << 20))
        blocks = (item for item in iter_decoded(chunks) if isinstance(item, Block))
        return [(block.first_sample_index, block.first_sample_index + len(block.counts)) for block in blocks]

    ours_s = plain_s = float("inf")
    for _ in range(3):  # other work on the machine only ever makes a round slower
        cpu = time.process_time()
        runs = decode(raw)
        ours_s = min(ours_s, time.process_time() - cpu)
    cpu = time.process_time()
    n_plain = len(decode_frame_by_frame(raw))
    plain_s = time.process_time() - cpu
    harmed, n_hit = corrupt(raw, N_CORRUPTIONS)
    cpu = time.process_time()
    left = decode(harmed)
    harmed_s = time.process_time() - cpu
    n_scans = sum(stop - start for start, stop in runs)
    return {
        "ours_mb_per_s": len(raw) / ours_s / 1e6,
        "plain_mb_per_s": len(raw) / plain_s / 1e6,
        "harmed_mb_per_s": len(raw) / harmed_s / 1e6,
        "n_scans": n_scans,
        "n_plain": n_plain,
        "n_frames_hit": n_hit,
        "n_frames_lost": (n_scans - sum(stop - start for start, stop in left)) // SCANS,
    }


def corrupt(raw: bytes, n_bytes: int) -> tuple[bytes, int]:
    """Change `n_bytes` bytes of a stream; returns the stream and how many SAMPLES frames they touched."""
    rng = np.random.default_rng(SEED)
    buf = np.frombuffer(raw, dtype=np.uint8).copy()
    stops = np.flatnonzero(buf == 0)
    starts = np.concatenate(([0], stops[:-1] + 1))
    is_samples = buf[starts + 1] == layout.KIND_SAMPLES
    at = rng.choice(len(buf), n_bytes, replace=False)
    frame = np.searchsorted(stops, at)
    hit = set(frame.tolist())
    hit.update(frame[buf[at] == 0] + 1)  # a delimiter that is gone costs the frame behind it too
    buf[at] ^= rng.integers(1, 256, n_bytes).astype(np.uint8)
    return buf.tobytes(), int(sum(is_samples[k] for k in hit if k < len(is_samples)))


def measure_second_look(path: Path) -> dict[str, Any]:
    """Two seconds out of the middle of a recording whose index is there already, in this process."""
    from ampwitness.pipeline import read_span

    wall = time.perf_counter()
    window = read_span(path, 3000.0, 3002.0)
    return {"wall_s": time.perf_counter() - wall, "n": len(window.traces["output"].segments[0].volts)}


def _in_process(what: str, *arguments: str) -> dict[str, Any]:
    """Run one measurement in a fresh interpreter with one thread for BLAS."""
    environment = {k: v for k, v in os.environ.items() if k not in ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")}
    environment["OPENBLAS_NUM_THREADS"] = "1"
    command = [sys.executable, "-m", "ampwitness.bench.day", "--part", what, *arguments]
    done = subprocess.run(command, env=environment, stdout=subprocess.PIPE, text=True, check=True)
    result: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return result


def _print_report(hours: float, name: str, result: dict[str, Any]) -> None:
    print(
        f"{name}: {result['wall_s']:.1f} s by the clock, {result['cpu_s']:.1f} s of CPU, "
        f"peak {result['peak_mb']:.0f} MB"
        + (f" and {result['children_peak_mb']:.0f} MB" if result["children_peak_mb"] > 1 else "")
        + f"; {result['n_scans'] / 1e6:.1f} million scans, sums balance: {result['balances']}"
    )
    for part, seconds in sorted(result["parts"].items(), key=lambda item: -item[1]):
        how = "however long" if part in ONCE else "a day"
        print(f"    {part:18s} {seconds:8.2f} s of CPU   {_of_a_day(part, seconds, hours):8.1f} s {how}")
    total = sum(_of_a_day(part, seconds, hours) for part, seconds in result["parts"].items())
    print(f"    {'all of a day':18s} {total:28.1f} s of CPU in this process")
    found = ", ".join(f"{n} {kind}" for kind, n in sorted(result["findings"].items()))
    print(f"    found: {found}; {result['written_mb']:.1f} MB of page, text and JSON")


def _of_a_day(part: str, seconds: float, hours: float) -> float:
    return seconds if part in ONCE else seconds * 24 / hours


def _verdict(name: str, value: float, goal: float, unit: str, *, at_least: bool = False) -> None:
    is_met = value >= goal if at_least else value <= goal
    word = "at least" if at_least else "at most"
    print(f"  {'met    ' if is_met else 'NOT MET'} {name}: {value:.2f} {unit}, goal {word} {goal:g}")


def main(arguments: list[str] | None = None) -> None:
    """Make the recordings, measure, print beside the goals."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--processes", type=int, choices=(1, 2), default=1)
    parser.add_argument("--folder", type=Path, help="Keep the made recordings here and use them again.")
    parser.add_argument("--report-only", action="store_true", help="Leave the comparisons out.")
    parser.add_argument("--part", help=argparse.SUPPRESS)
    parser.add_argument("--path", type=Path, help=argparse.SUPPRESS)
    chosen = parser.parse_args(arguments)
    if chosen.part is not None:
        parts: dict[str, Callable[[], dict[str, Any]]] = {
            "make": lambda: make_recording(chosen.path, chosen.hours),
            "report": lambda: measure_report(chosen.path, chosen.processes),
            "second look": lambda: measure_second_look(chosen.path),
            "plain": measure_plain,
            "decoding": measure_decoding,
        }
        print(json.dumps(parts[chosen.part]()))
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = chosen.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        _measure_all(chosen, folder)


def make_recording(path: Path, hours: float) -> dict[str, Any]:
    """Made music as a recording, and the share of its half-cycles that are clipped."""
    from ampwitness.bench.day_signals import write_day

    return {"share": float(write_day(path, hours, SEED))}


def _made(folder: Path, hours: float) -> Path:
    path = folder / f"music-{hours:g}h.mcap"
    if not path.exists():
        start = time.perf_counter()
        # Apart, as a process hands its peak memory on to those that it starts.
        share = _in_process("make", "--path", str(path), "--hours", str(hours))["share"]
        print(f"made {path.name}: {path.stat().st_size / 1e9:.2f} GB, {100 * share:.2f} % of the half-cycles clipped, "
              f"in {time.perf_counter() - start:.0f} s")  # fmt: skip
    return path


def _measure_all(chosen: argparse.Namespace, folder: Path) -> None:
    hours, processes = chosen.hours, ("--processes", str(chosen.processes))
    path = _made(folder, hours)
    result = _in_process("report", "--path", str(path), *processes)
    _print_report(hours, f"{hours:g} h, complete report, {chosen.processes} process(es)", result)
    print("goals")
    by_goal = GOALS["one_s"] if chosen.processes == 1 else GOALS["two_s"]
    once_s = sum(result["parts"].get(part, 0.0) for part in ONCE)
    _verdict("a day's report", (result["wall_s"] - once_s) * 24 / hours + once_s, by_goal, "s by the clock")
    _verdict("peak memory", result["peak_mb"] + result["children_peak_mb"], GOALS["peak_mb"], "MB")
    if chosen.report_only:
        return
    hour = _in_process("report", "--path", str(_made(folder, 1.0)), *processes)
    ratio = result["peak_mb"] / hour["peak_mb"]
    print(f"  {'met    ' if 0.9 <= ratio <= 1.1 else 'NOT MET'} memory: 1 h {hour['peak_mb']:.0f} MB, {hours:g} h "
          f"{result['peak_mb']:.0f} MB, ratio {ratio:.2f}, goal within 10 %")  # fmt: skip
    look = _in_process("second look", "--path", str(path))
    _verdict("a second look at 2 s", look["wall_s"], GOALS["second_look_s"], "s")
    plain = _in_process("plain")
    day_s = (result["cpu_s"] - once_s) * 24 / hours + once_s
    plain_day_s = plain["cpu_s"] * 24 / PLAIN_HOURS
    print(f"straightforward script (cobs, scipy, whole arrays), ten minutes: {plain['cpu_s']:.2f} s of CPU, "
          f"{plain['grown_mb']:.0f} MB more; a day would take {plain_day_s:.0f} s and "
          f"{plain['grown_mb'] * 24 / PLAIN_HOURS / 1000:.0f} GB")  # fmt: skip
    times = plain_day_s / day_s
    _verdict("times faster than it", times, GOALS["times_faster"], "times", at_least=True)
    decoding = _in_process("decoding")
    print(f"decoding alone: {decoding['ours_mb_per_s']:.0f} MB/s, frame by frame with PyPI cobs and zlib "
          f"{decoding['plain_mb_per_s']:.0f} MB/s, with {N_CORRUPTIONS} corruptions {decoding['harmed_mb_per_s']:.0f} "
          f"MB/s; scans {decoding['n_scans']} and {decoding['n_plain']}")  # fmt: skip
    times = decoding["ours_mb_per_s"] / decoding["plain_mb_per_s"]
    _verdict("times as fast", times, GOALS["decode_times"], "times", at_least=True)
    is_met = decoding["n_frames_lost"] == decoding["n_frames_hit"]
    print(f"  {'met    ' if is_met else 'NOT MET'} only frames that were hit are lost: "
          f"{decoding['n_frames_hit']} hit, {decoding['n_frames_lost']} lost")  # fmt: skip


if __name__ == "__main__":
    main()
