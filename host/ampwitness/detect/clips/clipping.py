"""Clipped half-cycles of the output: where a crest is cut off flat, how far past the ceiling it was driven.

Two stages. While windows come in, crests that look cut off are put into a compact table (`clip_look`), and once a
ceiling is proven most of them by a short way (`clip_bulk`); where something between the amplifier and its terminals
bends all tops, they are looked at ahead of it (`clip_ahead`). Where they show a ceiling, a second look takes in what
the first let go: short shelves (`clip_shelves`), crests that come just up to it (`clip_faint`), crests that a ceiling
without a corner bends over (`clip_soft`), tops that move between two corners (`clip_corners`), bites that a limit of
the current takes out of flanks (`clip_current`). Dense music shows its ceiling by standing still there (`clip_tight`).
At the end a rail is learned from the plainest of them (`rail_model`) or from where they pile up (`clip_pile`), and
every candidate is judged with it (`clip_verdict`): light flats are believed at the rail, flats that a higher crest at a
like supply refutes are not the amplifier's doing.

Gaps: half-cycles that a gap cuts off are not judged.
Limits: a signal clipped before the amplifier at one constant level cannot be told from clipping in it. Overdrive rests
on what the flanks show.
Source: our choice, measured in tests/detect_clipping and by `python -m ampwitness.bench.clip_scores`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ampwitness.detect.clips.bent.clip_coupled import note_held
from ampwitness.detect.clips.ceiling.clip_plain import FAINT_GAIN
from ampwitness.detect.clips.ceiling.headroom import summarise_headroom
from ampwitness.detect.clips.clip_ahead import Ahead, look_ahead
from ampwitness.detect.clips.clip_ledger import ClipLedger
from ampwitness.detect.clips.clip_look import Screened, look_at_all, screen, with_supply, without_supply
from ampwitness.detect.clips.measure.clip_measure import crests_to_rows
from ampwitness.detect.clips.measure.crest_fill import FillBudget, note_fills
from ampwitness.detect.clips.second.clip_corners import find_corners
from ampwitness.detect.clips.second.clip_current import find_current_limited
from ampwitness.detect.clips.second.clip_faint import find_faint, note_promises, promised_rows
from ampwitness.detect.clips.second.clip_rests import find_rests
from ampwitness.detect.clips.second.clip_shelves import find_shelves
from ampwitness.detect.clips.second.clip_soft import find_soft
from ampwitness.detect.clips.second.clip_tight import find_tight
from ampwitness.detect.clips.short.clip_bulk import ShortWay
from ampwitness.detect.clips.source_beside import SourceBeside
from ampwitness.detect.clips.table.clip_candidates import HELD_BY, Candidates, HighCrests, join, join_crests, note_loads
from ampwitness.detect.clips.table.clip_stream import SegmentStream, Stretch, highest_of, measure_noise
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.streams import REDUCED
from ampwitness.finding_list import FindingList
from ampwitness.types import Coverage, Interval, NotJudged, Segment, TraceWindow

LOWEST_RATE_HZ = 4000.0
NOISE_FLOOR_V = 0.001
NOISE_FLOOR_SHARE = 3e-4  # of the highest value: no top, and no flank, keeps to a line or curve more exactly than that
NOISE_MEMORY = 3  # stretches over which the quietest one tells the noise
SATURATION_MARGIN_S = 0.001
SEEN_SAMPLES = 4  # of a flat top, at least
# Stretches, or suspects in them, that are fitted at once: six of a day took 10 MB more and no less time.
MOST_WAITING, ENOUGH_SUSPECTS = 3, 8000
MAY_OPEN = 400  # suspects, of which enough may be plain to open the short way


@dataclass(slots=True)
class _Running:
    """What is open between windows."""

    stream: SegmentStream | None = None
    stop_s: float = 0.0
    noises: list[float] = field(default_factory=list)
    saturated: list[Interval] = field(default_factory=list)
    seen: list[Interval] = field(default_factory=list)  # unbroken spans
    judged_s: float = 0.0
    not_judged: list[NotJudged] = field(default_factory=list)
    screened: list[Screened] = field(default_factory=list)  # stretches whose suspects wait to be fitted
    short_way: ShortWay = field(default_factory=ShortWay)
    fills: FillBudget = field(default_factory=FillBudget)
    ledger: ClipLedger = field(default_factory=ClipLedger)
    cut: list[tuple[float, float]] = field(default_factory=list)
    coupled_per_s: list[float] = field(default_factory=list)
    standing_v: list[float] = field(default_factory=list)  # of stretches that do not play about 0 V
    saw_supply: bool = False
    beside: SourceBeside = field(default_factory=SourceBeside)
    looked_s: float = 0.0  # all stretches up to here were screened
    lowest_rate_hz: float | None = None


class ClippingDetector:
    """Finds clipped half-cycles on the trace `output`, with `supply` beside it if there is one.

    Parameters
    ----------
    role : the trace to look at; another than `output` goes without the supply, which is none of its doing

    Memory: MOST_WAITING stretches of two minutes, what ClipLedger keeps, and one row for each quarter second.
    """

    name = "clipping"

    def __init__(self, role: str = "output") -> None:
        self._run = _Running()
        self._role = role

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""
        run = self._run
        for gap in window.gaps:
            reason = REDUCED if gap.cause == "reduced" else f"no samples (gap: {gap.cause})"
            run.not_judged.append(NotJudged(gap.start_s, gap.stop_s, reason))
        trace = window.traces.get(self._role)
        if trace is None:
            run.not_judged.append(NotJudged(window.start_s, window.stop_s, f"the {self._role} was not recorded"))
            return
        if window.rate_hz < LOWEST_RATE_HZ:
            reason = f"{window.rate_hz:.0f} samples a second are too few to see a flat top"
            run.not_judged.append(NotJudged(window.start_s, window.stop_s, reason))
            return
        run.saturated.extend(trace.saturated)
        supply = window.traces.get("supply") if self._role == "output" else None
        source = window.traces.get("source") if self._role == "output" else None
        for k, segment in enumerate(trace.segments):
            if source is not None:
                run.beside.push(source.segments[k])
            self._push_segment(segment, None if supply is None else supply.segments[k])

    def _push_segment(self, segment: Segment, supply: Segment | None) -> None:
        run = self._run
        place = segment.start_s * segment.rate_hz
        stream = run.stream
        if stream is not None and (
            stream.rate_hz != segment.rate_hz
            or stream.has_supply != (supply is not None)
            or abs(place - stream.phase - stream.next_index) > 0.5
        ):
            self._close_stream()
            stream = None
        if stream is None:
            stream = run.stream = SegmentStream(segment.rate_hz, segment.start_s, supply is not None)
        run.saw_supply = run.saw_supply or supply is not None
        run.lowest_rate_hz = min(run.lowest_rate_hz or segment.rate_hz, segment.rate_hz)
        run.judged_s += len(segment.volts) / segment.rate_hz
        run.stop_s = segment.stop_s
        first_s = segment.start_s
        if run.seen and abs(run.seen[-1].stop_s - first_s) * segment.rate_hz < 0.5:
            first_s = run.seen.pop().start_s
        run.seen.append(Interval(first_s, segment.stop_s))
        for stretch in stream.push(segment.volts, None if supply is None else supply.volts):
            self._screen(stretch)
            del stretch  # with its supply, for which few ask again
            self._look_when_due()

    def _close_stream(self) -> None:
        if self._run.stream is not None:
            for stretch in self._run.stream.finish():
                self._screen(stretch)
                del stretch
                self._look_when_due()
        self._run.stream = None

    def _screen(self, stretch: Stretch) -> None:
        """The cheap look at a stretch, which waits from then on."""
        run = self._run
        run.looked_s = float(stretch.time_s(float(stretch.own_last)))
        if stretch.standing_v:
            run.standing_v.append(stretch.standing_v)
        noise = measure_noise(stretch.output_v, stretch.rate_hz)
        floor = max(NOISE_FLOOR_V, NOISE_FLOOR_SHARE * highest_of(stretch.output_v))
        run.noises.append(max(floor, noise) if np.isfinite(noise) else floor)
        del run.noises[:-NOISE_MEMORY]
        run.screened.append(without_supply(screen(stretch, min(run.noises), self._blocked(stretch), run.short_way)))

    def _look_when_due(self) -> None:
        """Look at the stretches that wait, once there are enough."""
        run = self._run
        n_suspects = sum(len(one.suspects) for one in run.screened)
        # One that may open the short way is looked at before the next comes.
        may_open = not run.short_way.is_open and n_suspects >= MAY_OPEN
        if may_open or len(run.screened) >= MOST_WAITING or n_suspects >= ENOUGH_SUSPECTS:
            self._look_at_screened()

    def _look_at_screened(self) -> None:
        """The look and the second looks at the stretches that wait."""
        self._run.ledger.add_all(self._rows_of_screened())
        self._run.ledger.judge_ready()  # now that nothing holds the stretches any more

    def _rows_of_screened(self) -> list[tuple[list[Candidates], list[HighCrests]]]:
        """What the stretches that wait show, and their high crests; they are let go."""
        run = self._run
        waiting = list(run.screened)
        run.screened.clear()
        every = self._find_in(waiting)
        for k, (screened, (ahead, found)) in enumerate(zip(waiting, every, strict=True)):
            view, split = screened.view, screened.split
            if view is None or split is None or run.short_way.agrees(split, ahead.look.fitted or join([]), found):
                continue
            waiting[k] = screen(with_supply(view), view.noise_v, view.blocked)
            (every[k],) = self._find_in([waiting[k]])
        for screened, (ahead, found) in zip(waiting, every, strict=True):
            if screened.view is not None and not (run.short_way.is_open and screened.split is not None):
                run.short_way.learn(screened.view, screened.crests, found, ahead.held_v is not None)
            if ahead.per_s is not None:
                run.coupled_per_s.append(ahead.per_s)
            run.cut += ahead.look.cut
            if screened.view is not None:
                run.beside.note(screened.view.stretch, found)
        run.beside.forget(run.looked_s)
        return [(found, ahead.look.others) for ahead, found in every]

    def _find_in(self, waiting: list[Screened]) -> list[tuple[Ahead, list[Candidates]]]:
        """The look at each stretch, and all rows that it gives."""
        looked = [
            look_ahead(screened, look) if screened.split is None else Ahead(look)
            for screened, look in zip(waiting, look_at_all(waiting), strict=True)
        ]
        looks_ahead = [ahead.look for ahead in looked]
        rails = [{} if screened.split is None else screened.split.rails_in_noise for screened in waiting]
        quiet = [not known for known in rails]  # what flanks promise in music as dense as that is nobody's evidence
        faint = [
            [some for side in look.sides if (some := find_faint(side, known.get(side.sign))) is not None]
            for look, known in zip(looks_ahead, rails, strict=True)
            if look.sides
        ]
        views = [look.sides[0].view for look in looks_ahead if look.sides]
        crests = [join_crests([some.crests for some in sides]) for sides in faint]
        fitted = crests_to_rows(views, crests, FAINT_GAIN)
        is_asked = [is_quiet for look, is_quiet in zip(looks_ahead, quiet, strict=True) if look.sides]
        asked = [sides if is_quiet else [] for sides, is_quiet in zip(faint, is_asked, strict=True)]
        promised = iter(
            promised_rows(
                [some for sides in asked for some in sides],
                [rows for rows, sides in zip(fitted, asked, strict=True) for _ in sides],
            )
        )
        rows_of_faint = iter(
            [[rows, *(next(promised) for _ in sides)] for rows, sides in zip(fitted, asked, strict=True)]
        )
        all_found = []
        for ahead, screened in zip(looked, waiting, strict=True):
            look, is_short = ahead.look, screened.split is not None
            looks = self._look_again(ahead, is_short)
            if look.sides:
                looks += next(rows_of_faint)
            found = [*look.candidates, *(rows for rows in looks if rows is not None)]
            if ahead.held_v is not None:
                for rows in found:
                    note_held(rows, look.sides[0].stretch, ahead.held_v, by_wave=ahead.held_by == "resistance")
                    rows.columns["held_by"] = np.full(len(rows), float(HELD_BY.index(ahead.held_by)))
                    if ahead.held_by == "ripple":  # no source's tops do that
                        rows.columns["on_course"] = np.ones(len(rows))
            all_found.append(found)
        note_promises([
            (look.sides[0].view, rows)
            for look, found, is_quiet in zip(looks_ahead, all_found, quiet, strict=True)
            if is_quiet
            for rows in found
        ])  # fmt: skip
        for look, found in zip(looks_ahead, all_found, strict=True):
            if look.sides:
                note_loads(look.sides[0].view, found)
                note_fills(look.sides[0].view, found, self._run.fills)
        return list(zip(looked, all_found, strict=True))

    @staticmethod
    def _look_again(ahead: Ahead, is_short: bool) -> list[Candidates | None]:
        """What second looks at a stretch find, but for faint crests."""
        sides = ahead.look.sides
        looks = [second(side) for second in (find_shelves, find_corners) for side in sides]
        looks += find_tight(sides) + find_rests(sides)
        if not is_short:  # a ceiling that is proven has corners
            looks += find_soft(sides)
        if ahead.held_v is None:
            looks += find_current_limited(sides)
        return looks

    def _blocked(self, stretch: Stretch) -> np.ndarray[Any, np.dtype[np.bool_]] | None:
        """Samples of the stretch at which the logger's own converter was at its rail, None if there are none."""
        blocked = None
        stop_s = stretch.time_s(float(len(stretch.output_v)))
        for span in self._run.saturated:
            if span.stop_s + SATURATION_MARGIN_S < stretch.time_s(0.0) or span.start_s - SATURATION_MARGIN_S > stop_s:
                continue
            if blocked is None:
                blocked = np.zeros(len(stretch.output_v), dtype=bool)
            first = (span.start_s - SATURATION_MARGIN_S) * stretch.rate_hz - stretch.first_index - stretch.phase
            last = (span.stop_s + SATURATION_MARGIN_S) * stretch.rate_hz - stretch.first_index - stretch.phase
            blocked[max(0, int(np.floor(first))) : max(0, int(np.ceil(last)) + 1)] = True
        return blocked

    def finish(self) -> DetectorResult:
        """Learn the rail, judge the candidates, answer."""
        self._close_stream()
        self._look_at_screened()
        run = self._run
        run.ledger.finish()
        return DetectorResult(
            findings=FindingList([run.ledger.table]), coverage=self._coverage(), summary=self._summary()
        )

    def _coverage(self) -> Coverage:
        run = self._run
        spans = list(run.not_judged)
        saturated_s = 0.0
        for span in _merged(run.saturated):
            spans.append(NotJudged(span.start_s, span.stop_s, "the logger's own converter was at its rail"))
            saturated_s += span.duration_s
        for start_s, stop_s in run.cut:
            spans.append(NotJudged(start_s, stop_s, "a half-cycle cut off by a gap or the recording's end"))
        spans.sort(key=lambda span: (span.start_s, span.stop_s))
        return Coverage(self.name, max(0.0, run.judged_s - saturated_s), tuple(spans))

    def _summary(self) -> dict[str, Any]:
        run, ledger = self._run, self._run.ledger
        reasons = []
        if run.lowest_rate_hz:
            reasons.append(
                f"flat tops shorter than {1e3 * SEEN_SAMPLES / run.lowest_rate_hz:.2f} ms are not seen at "
                f"{run.lowest_rate_hz:,.0f} samples a second"
            )
        if len(ledger.table) and not run.saw_supply:
            reasons.append("no supply channel: whether the rail follows the supply is not decided")
        coupling_hz = float(np.median(run.coupled_per_s)) / (2 * np.pi) if run.coupled_per_s else None
        if coupling_hz is not None:
            reasons.append(
                f"cut-off crests fall evenly, as behind a coupling capacitor ({coupling_hz:.1f} Hz): they were judged "
                "ahead of it"
            )
        standing_v = float(np.median(run.standing_v)) if run.standing_v else None
        if standing_v is not None:
            reasons.append(
                f"the {self._role} stands at {standing_v:.1f} V, as one on a single supply "
                "does: polarity, plateau and overdrive of its crests are counted from there, not from 0 V"
            )
        return {
            "n_clips": len(ledger.table),
            "shortest_seen_s": SEEN_SAMPLES / run.lowest_rate_hz if run.lowest_rate_hz else None,
            **ledger.counts,
            "noise_v": float(min(run.noises)) if run.noises else None,
            "rails": ledger.rails,
            "rail_model": ledger.rail_model,
            "coupling_hz": coupling_hz,
            "standing_v": standing_v,
            "headroom": summarise_headroom(
                ledger.rooms,
                run.seen,
                np.stack((ledger.table.start_s, ledger.table.stop_s), axis=1),
                _merged(run.saturated),
            ),
            "remarks": tuple(reasons) + ledger.remarks,
        }


def _merged(spans: list[Interval]) -> list[Interval]:
    """Overlapping and touching intervals joined, sorted."""
    out: list[Interval] = []
    for span in sorted(spans, key=lambda span: span.start_s):
        if out and span.start_s <= out[-1].stop_s + 1e-9:
            out[-1] = Interval(out[-1].start_s, max(out[-1].stop_s, span.stop_s))
        else:
            out.append(span)
    return out
