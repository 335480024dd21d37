"""Pictures of many samples: what is left out must not show, and no single tick be drawn that has no number.

The pixels are those of the drawing library with every sample drawn; what is left out is our choice.
"""

from __future__ import annotations

import numpy as np
from ampwitness.report.plots import MOST_DRAWN_SAMPLES, figure_to_svg, new_figure, thin_line
from ampwitness.types import FloatArray
from numpy.testing import assert_array_equal


def _edges(times: FloatArray, volts: FloatArray) -> FloatArray:
    """(2, columns) the first and the last row of pixels that is dark, in each column of the picture of a line."""
    figure = new_figure(2.0, layout=None)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.plot(times, volts, color="black", linewidth=1.1)
    axes.set_axis_off()
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(-4.0, 4.0)
    figure.canvas.draw()
    dark = np.asarray(figure.canvas.buffer_rgba())[..., 0] < 128  # type: ignore[attr-defined]
    return np.stack((dark.argmax(axis=0), dark[::-1].argmax(axis=0))).astype(float)


def test_a_thinned_line_looks_like_all_of_it() -> None:
    n = 20_000
    times = np.linspace(0.0, 1.0, n)
    volts = np.sin(2 * np.pi * 60 * times) + 0.1 * np.random.default_rng(1).standard_normal(n)
    volts[[3333, 14_321]] = 3.5, -3.5  # single samples
    places = thin_line(volts)
    assert len(places) < 1.05 * MOST_DRAWN_SAMPLES
    assert np.all(np.diff(places) > 0)
    assert volts[places].max() == 3.5
    assert volts[places].min() == -3.5
    off = [np.abs(_edges(times[some], volts[some]) - _edges(times, volts)) for some in (places, np.arange(0, n, 12))]
    assert np.max(off[0]) <= 12 < np.max(off[1])  # of 200 rows


def test_a_short_line_is_drawn_whole() -> None:
    assert_array_equal(thin_line(np.zeros(MOST_DRAWN_SAMPLES)), np.arange(MOST_DRAWN_SAMPLES))


def test_rows_without_numbers_keep_their_grid_and_have_no_ticks() -> None:
    figure = new_figure(4.0, layout=None)
    rows = figure.subplots(2, 1, sharex=True)
    for axes in rows:
        axes.plot([0.0, 4.0], [0.0, 1.0])
    svg = figure_to_svg(figure, "a-")
    upper, lower = svg.split('id="a-axes_2"')
    assert upper.count('id="a-xtick_') == 0
    assert lower.count('id="a-xtick_') > 3
    (grid,) = [one for one in rows[0].collections if one.get_zorder() == 0.5]
    at = [path.vertices[0, 0] for path in grid.get_paths()]
    assert_array_equal(at, rows[1].xaxis.get_majorticklocs())
