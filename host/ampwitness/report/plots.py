"""Every picture of a report. Draws what an Analysis holds and measures nothing.

Gaps stay blank: no line crosses them. All axes carry units; all events are named in words beside their shape.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.figure import Figure
from matplotlib.path import Path

from ampwitness.finding_list import FindingList
from ampwitness.report.overview_data import join_spans
from ampwitness.report.style import GRID_COLOUR, LANE_STYLES, TEXT_COLOUR, role_colour, role_label
from ampwitness.report.time_axis import label_time
from ampwitness.types import Analysis, Envelope, Finding, FloatArray, Interval, TraceWindow
from ampwitness.units import fixed, seconds_to_clock

MAX_OVERVIEW_COLUMNS = 800  # four a millimetre on paper; as lines they are smaller than an image, and drawn at once
MOST_DRAWN_SAMPLES = 1600  # of a line: of more the lowest and the highest of each column are drawn
MOST_BARS = 1500  # a lane: more than can be told apart
STANDING_V = 1.5  # from there on a plateau is not where its samples are: it is counted from where the output stands
LEAST_SPAN_V = 0.2  # of a picture's volts: the logger's own noise does not fill it
MOST_CREST_RATIO = 1.6
NOTE_GAP_SHARE = 0.4  # of the narrowest bar, between notes
MIN_VISIBLE_SHARE = 0.0012  # of the time axis: a clip of 1 ms in two hours is still drawn this wide

_DOTS_PER_INCH = 180  # of what stands in an SVG as dots, because there is too much of it
_RC: Any = {
    "font.size": 10,
    "axes.edgecolor": TEXT_COLOUR,
    "axes.labelcolor": TEXT_COLOUR,
    "xtick.color": TEXT_COLOUR,
    "ytick.color": TEXT_COLOUR,
    "text.color": TEXT_COLOUR,
    "axes.grid": True,
    "grid.color": GRID_COLOUR,
    "grid.linewidth": 0.6,
    "axes.axisbelow": True,
    "svg.fonttype": "none",
    "svg.hashsalt": "ampwitness",  # the same analysis gives the same bytes
    "font.family": "sans-serif",
    "hatch.linewidth": 0.6,
}


def plot_style() -> Any:
    """Sizes and colours that every picture shares, as matplotlib settings."""
    return dict(_RC)


_LEFT_IN, _RIGHT_IN = 0.92, 0.30  # the last number under an axis stands half beyond its end
LETTER_IN = 0.085  # of a lane's name, the widest that such words take
WIDTH_IN = 10.0  # of every picture: the page scales all alike, so that their lettering has one size


def new_figure(height_in: float, layout: Literal["constrained"] | None = "constrained") -> Figure:
    """A figure that belongs to no window system, so that reports work on a machine without a screen. Without a layout
    its axes are for `set_margins` to place."""
    figure = Figure(figsize=(WIDTH_IN, height_in), layout=layout)
    FigureCanvasAgg(figure)
    return figure


def set_margins(
    figure: Figure,
    rows: Sequence[Axes],
    top_in: float,
    *,
    between: float = 0.0,
    widths: Sequence[float] = (1.0,),
    left_in: float = _LEFT_IN,
    label_lines: int = 1,
) -> None:
    """Place rows of axes, and the labels left of them, by fixed margins: finding out how much room each needs takes
    longer than drawing them.

    `rows` are the axes at the left; where there are others beside them, `widths` are those of the columns, in any
    unit, and `between` is the room between two, of their mean width. `left_in` is the room for the numbers and for
    labels of `label_lines` lines.
    """
    height_in = float(figure.get_figheight())
    bottom_in, between_in = 0.52, 0.16
    row_in = (height_in - bottom_in - top_in - between_in * (len(rows) - 1)) / len(rows)
    figure.subplots_adjust(
        left=left_in / WIDTH_IN,
        right=1.0 - _RIGHT_IN / WIDTH_IN,
        bottom=bottom_in / height_in,
        top=1.0 - top_in / height_in,
        hspace=between_in / row_in,
    )
    n = len(widths)
    column_in = (WIDTH_IN - left_in - _RIGHT_IN) / (n + between * (n - 1))  # the mean one
    first_in = column_in * n * widths[0] / sum(widths)
    label_in = 0.17 + 0.20 * (label_lines - 1)  # where the last line stands
    for axes in rows:
        axes.yaxis.set_label_coords((label_in - left_in) / first_in, 0.5)


def _leave_grid(axes: Axes) -> None:
    """Where another axes has the numbers, the grid goes as one thing: half of a page's time went into single ticks."""
    for axis, side, to_axes in (
        (axes.xaxis, "labelbottom", axes.get_xaxis_transform()),
        (axes.yaxis, "labelleft", axes.get_yaxis_transform()),
    ):
        if axis.get_tick_params()[side]:
            continue
        at = np.asarray(axis.get_majorticklocs())
        ends = np.stack((np.stack((at, at), axis=1), np.tile([0.0, 1.0], (len(at), 1))), axis=2)
        ends = ends if axis is axes.xaxis else ends[:, :, ::-1]
        lines = LineCollection(list(ends), transform=to_axes, zorder=0.5,
                               colors=GRID_COLOUR, linewidths=_RC["grid.linewidth"])  # fmt: skip
        axes.add_collection(lines, autolim=False)
        axis.set_visible(False)


def figure_to_svg(figure: Figure, prefix: str) -> str:
    """The figure as an SVG element to be put into a page; `prefix` keeps its ids apart from those of other figures."""
    buffer = io.StringIO()
    with mpl.rc_context(_RC):
        layout = figure.get_layout_engine()
        if (
            layout is not None and figure.axes
        ):  # done here, and not by `savefig`, which draws all twice in order to lay it out
            layout.execute(figure)
            figure.set_layout_engine("none")
        for axes in figure.axes:
            _leave_grid(axes)
        figure.set_dpi(_DOTS_PER_INCH)
        canvas: Any = FigureCanvasSVG(figure)
        canvas.print_svg(buffer, metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    for before in ('id="', 'href="#', "url(#"):
        text = text.replace(before, before + prefix)
    return text[text.index("<svg") :]


def figure_to_png(figure: Figure, dpi: int = 110) -> bytes:
    """The figure as PNG bytes."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": None})
    return buffer.getvalue()


def _coarsen(envelope: Envelope) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Step starts, lowest and highest, merged so that there are at most MAX_OVERVIEW_COLUMNS of them."""
    n = len(envelope.lowest)
    factor = max(1, -(-n // MAX_OVERVIEW_COLUMNS))
    n_padded = -(-n // factor) * factor
    pad = (0, n_padded - n)
    lowest = np.pad(np.asarray(envelope.lowest, dtype=float), pad, constant_values=np.nan).reshape(-1, factor)
    highest = np.pad(np.asarray(envelope.highest, dtype=float), pad, constant_values=np.nan).reshape(-1, factor)
    start_s = envelope.start_s + envelope.step_s * factor * np.arange(len(lowest))
    # A column that holds any gap stays blank: a coarse step must not bridge a hole.
    return start_s, lowest.min(axis=1), highest.max(axis=1)


def draw_bars(axes: Axes, start: FloatArray, stop: FloatArray, low: FloatArray, high: FloatArray, **style: Any) -> None:
    """Bars from `start` to `stop`, `low` to `high`, (n,) each, as one outline: an artist or a style of its own for each
    of 1,500 bars takes longer than the rest of the page, and most of its bytes."""
    across, up = np.stack((start, stop, stop, start, start), axis=1), np.stack((low, low, high, high, low), axis=1)
    codes = np.array([Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY], dtype=np.uint8)
    outline = Path(np.stack((across.reshape(-1), up.reshape(-1)), axis=1), np.tile(codes, len(start)))
    axes.add_collection(PathCollection([outline], **style))
    axes.autoscale_view()


def _draw_envelope(axes: Axes, envelope: Envelope) -> None:
    start_s, lowest, highest = _coarsen(envelope)
    axes.fill_between(
        start_s,
        lowest,
        highest,
        step="post",
        color=role_colour(envelope.role),
        linewidth=0.8,
        alpha=0.9,
    )
    axes.set_ylabel(role_label(envelope.role))


def _draw_lane(axes: Axes, row: int, kind: str, findings: Sequence[Finding], duration_s: float) -> None:
    style = LANE_STYLES[kind]
    least_s = max(duration_s * MIN_VISIBLE_SHARE, 1e-9)
    of_kind = FindingList.of(findings).of_kind(kind)
    found = np.stack((of_kind.start_s, of_kind.stop_s), axis=1)
    start_s, stop_s = np.array([span[:2] for span in join_spans(found, MOST_BARS, duration_s)], dtype=float).T
    stop_s = np.maximum(stop_s, start_s + least_s)
    if kind == "note":  # neighbours would merge into one bar: a thin gap keeps them apart
        apart_s = NOTE_GAP_SHARE * least_s
        stop_s = np.maximum(np.minimum(stop_s, np.append(start_s[1:], np.inf)) - apart_s, start_s + apart_s)
    low, high = np.full(len(start_s), row - 0.32), np.full(len(start_s), row + 0.32)
    edge = "black" if style.hatch else "none" if kind == "note" else style.colour
    draw_bars(
        axes, start_s, stop_s, low, high, facecolor=style.colour, edgecolor=edge, linewidth=0.6, hatch=style.hatch
    )


def draw_overview(analysis: Analysis) -> Figure:
    """The whole recording on one time axis: every channel's envelope, then a lane for each kind of event."""
    with mpl.rc_context(_RC):
        roles = [role for role in ("output", "supply", *sorted(set(analysis.envelopes) - {"output", "supply"}))
                 if role in analysis.envelopes]  # fmt: skip
        findings = FindingList.of(analysis.findings)
        kinds = [k for k in LANE_STYLES if findings.n_of(k)]
        ratios = [2.0] + [1.3] * (len(roles) - 1) if roles else []
        if kinds:
            ratios.append(0.28 * len(kinds) + 0.15)
        figure = new_figure(1.35 * sum(ratios) + 0.6, layout=None)
        if not ratios:
            return figure
        rows = figure.subplots(len(ratios), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": ratios})[:, 0]
        for axes, role in zip(rows, roles, strict=False):
            _draw_envelope(axes, analysis.envelopes[role])
        duration_s = max(analysis.duration_s, 1e-6)
        if kinds:
            lanes = rows[-1]
            for row, kind in enumerate(reversed(kinds)):
                _draw_lane(lanes, row, kind, findings, duration_s)
            lanes.set_yticks(range(len(kinds)), [LANE_STYLES[kind].label for kind in reversed(kinds)])
            lanes.set_ylim(-0.5, len(kinds) - 0.5)
            lanes.grid(axis="y", visible=False)
        rows[-1].set_xlim(0.0, duration_s)
        label_time(rows[-1], 0.0, duration_s)
        longest = max((len(LANE_STYLES[kind].label) for kind in kinds), default=0)
        set_margins(figure, rows.tolist(), top_in=0.10, left_in=max(_LEFT_IN, 0.12 + LETTER_IN * longest))
        return figure


_SHADES = {"cutout": (0.16, 0.08)}  # black hides more of the grid than the colours do


def _shade(axes: Axes, span: Interval, kind: str, alpha: float) -> None:
    style = LANE_STYLES[kind]
    axes.axvspan(span.start_s, span.stop_s, facecolor=style.colour, alpha=alpha, hatch=style.hatch, edgecolor="grey")


def _standing_v(finding: Finding, window: TraceWindow, role: str) -> float:
    """Volts from which a clip of an output on a single supply is counted: its samples lie that far from its plateau."""
    plateau_v = finding.measured.get("plateau_v")
    parts = [s.volts[(s.times_s() >= finding.start_s) & (s.times_s() <= finding.stop_s)]
             for s in window.traces[role].segments]  # fmt: skip
    flat = np.concatenate(parts) if parts else np.zeros(0)
    if not isinstance(plateau_v, int | float) or not len(flat) or finding.evidence.get("held_back_v") is not None:
        return 0.0
    off_v = float(np.median(flat)) - plateau_v
    return off_v if abs(off_v) >= STANDING_V else 0.0


def _draw_clip_marks(axes: Axes, finding: Finding, peak_v: float, standing_v: float) -> None:
    """The flat top that was measured, and where the crest would have been; `peak_v` is the highest that is drawn. Both
    are counted from `standing_v`."""
    plateau_v, crest_v = finding.measured.get("plateau_v"), finding.measured.get("crest_v")
    middle_s = (finding.start_s + finding.stop_s) / 2
    if isinstance(plateau_v, int | float):
        axes.plot([finding.start_s, finding.stop_s], [plateau_v + standing_v] * 2, color="black", linewidth=2.2,
                  label=f"ceiling {plateau_v:.1f} V" + (f" from {standing_v:.1f} V" if standing_v else ""))  # fmt: skip
    if isinstance(crest_v, int | float):
        most_v = MOST_CREST_RATIO * peak_v  # further up it would press the wave itself flat
        beyond = ", beyond the picture" if abs(crest_v + standing_v) > most_v else ""
        axes.plot(
            [middle_s],
            [float(np.clip(crest_v + standing_v, -most_v, most_v))],
            linestyle="none",
            marker="^" if crest_v > 0 else "v",
            markersize=9,
            markerfacecolor="white",
            markeredgecolor="black",
            label=f"uncut crest {crest_v:.1f} V (estimate{beyond})",
        )


def _draw_supply_marks(axes: Axes, finding: Finding) -> None:
    """The levels a sag or dip was measured between."""
    for key, label in (("supply_before_v", "before"), ("supply_lowest_v", "lowest"), ("reference_v", "reference"),
                       ("residual_v", "lowest")):  # fmt: skip
        level_v = finding.measured.get(key)
        if isinstance(level_v, int | float):
            is_low = "lowest" in label
            axes.axhline(level_v, color="black", linewidth=0.9, linestyle="--" if is_low else ":")
            axes.annotate(
                f"{label} {fixed(level_v, 2)} V",
                (1.0, level_v),
                xycoords=("axes fraction", "data"),
                xytext=(-4, -2 if is_low else 2),  # beyond what is drawn: between the two the supply comes back
                textcoords="offset points",
                ha="right",
                va="top" if is_low else "bottom",
                fontsize=9,
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 1},
            )
    low_v, high_v = axes.get_ylim()
    room_v = 0.11 * (high_v - low_v)
    axes.set_ylim(low_v - room_v, high_v + room_v)


def thin_line(volts: FloatArray) -> npt.NDArray[np.intp]:
    """(n,) places of the samples that make a line look as all of them do, MOST_DRAWN_SAMPLES and few more: the lowest
    and the highest of each column, as they come. An image of all takes ten times as long to make."""
    length = max(1, -(-2 * len(volts) // MOST_DRAWN_SAMPLES))
    if length <= 2:
        return np.arange(len(volts))
    n_columns = len(volts) // length
    columns = np.asarray(volts)[: n_columns * length].reshape(n_columns, length)
    places = np.stack((columns.argmin(axis=1), columns.argmax(axis=1)), axis=1) + length * np.arange(n_columns)[:, None]
    return np.concatenate((np.sort(places, axis=1).reshape(-1), np.arange(n_columns * length, len(volts))))


def draw_traces(
    axes: Axes,
    role: str,
    finding: Finding,
    window: TraceWindow,
    neighbours: Sequence[Finding] = (),
    shown_s: tuple[float, float] = (-np.inf, np.inf),
) -> None:
    """One channel of a window in milliseconds from the finding's start, with finding, neighbours and gaps shaded.

    `shown_s`: from where to where it is seen, seconds from the finding's start; no more is drawn.
    """

    def to_ms(time_s: float) -> float:
        return 1e3 * (time_s - finding.start_s)

    for segment in window.traces[role].segments:
        times_s = segment.times_s() - finding.start_s
        first, last = np.searchsorted(times_s, shown_s)
        seen = slice(max(0, first - 1), last + 1)
        times_ms, volts = 1e3 * times_s[seen], segment.volts[seen]
        places = thin_line(volts)
        axes.plot(times_ms[places], volts[places], color=role_colour(role), linewidth=1.1)
    axes.set_ylabel(role_label(role))
    low_v, high_v = axes.get_ylim()
    if high_v - low_v < LEAST_SPAN_V:
        axes.set_ylim((low_v + high_v - LEAST_SPAN_V) / 2, (low_v + high_v + LEAST_SPAN_V) / 2)
    alpha, paler = _SHADES.get(finding.kind, (0.32, 0.13))
    for other in (finding, *neighbours):
        span = Interval(to_ms(other.start_s), to_ms(other.stop_s))
        _shade(axes, span, other.kind, alpha if other is finding else paler)
    for gap in window.gaps:
        _shade(axes, Interval(to_ms(gap.start_s), to_ms(gap.stop_s)), "gap", 0.22)


def draw_enlarged(finding: Finding, window: TraceWindow, neighbours: Sequence[Finding] = ()) -> Figure:
    """One finding at full rate: output and supply on a common time axis, the finding shaded and its levels marked.

    Time runs in milliseconds from the finding's start. `neighbours` of the same kind are shaded too, paler.
    """
    with mpl.rc_context(_RC):
        roles = [role for role in ("output", "supply", "battery", "source", "remote") if role in window.traces]
        figure = new_figure(0.9 + 1.9 * max(1, len(roles)), layout=None)
        rows = figure.subplots(max(1, len(roles)), 1, sharex=True, squeeze=False)[:, 0]

        def to_ms(time_s: float) -> float:
            return 1e3 * (time_s - finding.start_s)

        for axes, role in zip(rows, roles, strict=False):
            draw_traces(axes, role, finding, window, neighbours)
        shifted = Finding(finding.kind, 0.0, to_ms(finding.stop_s), finding.severity, finding.measured, {}, {})
        if roles and finding.kind == "clip":
            peak_v = max((float(np.abs(s.volts).max()) for s in window.traces[roles[0]].segments), default=0.0)
            _draw_clip_marks(rows[0], shifted, peak_v, _standing_v(finding, window, roles[0]))
            if rows[0].get_legend_handles_labels()[0]:
                rows[0].legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, fontsize=9, frameon=False)
        is_told = finding.kind == "dip" or (finding.kind == "note" and finding.measured.get("sag_v") is not None)
        if "supply" in roles and is_told:
            _draw_supply_marks(rows[roles.index("supply")], shifted)
        rows[-1].set_xlabel(f"milliseconds from {seconds_to_clock(finding.start_s)} of the recording")
        rows[-1].set_xlim(to_ms(window.start_s), to_ms(window.stop_s))
        set_margins(figure, rows.tolist(), top_in=0.32 if finding.kind == "clip" else 0.10)
        return figure
