"""Excerpts: the samples of the span, joined across windows and never across a gap."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.types import Edge, Interval, Mark
from ampwitness.waveform.excerpt import cut_excerpt, cut_excerpts, group_near

VOLTS = np.arange(80_000, dtype=np.float32)
EDGE = Edge("remote", 0, 3.05, "s", 0)
MARK = Mark("button", 9.0, "s", 0)


def windows(**options):
    return iter_windows_from_arrays({"output": VOLTS, "supply": -VOLTS}, 8000.0, window_s=1.0, **options)


def test_one_segment_across_windows():
    cut = cut_excerpt(windows(edges=[EDGE], marks=[MARK]), 2.5, 4.25)
    [segment] = cut.traces["output"].segments
    np.testing.assert_array_equal(segment.volts, VOLTS[20_000:34_000])
    np.testing.assert_array_equal(cut.traces["supply"].segments[0].volts, -VOLTS[20_000:34_000])
    assert (segment.start_s, cut.start_s, cut.stop_s) == (2.5, 2.5, 4.25)
    assert cut.edges == (EDGE,)
    assert cut.marks == ()


def test_gaps_stay_gaps():
    cut = cut_excerpt(windows(lost=[(24_100, 24_500)]), 2.5, 4.25)
    assert [len(s.volts) for s in cut.traces["output"].segments] == [4100, 9500]
    assert len(cut.gaps) == 1
    assert len(cut.traces["output"].gaps) == 1


def test_reads_no_further_than_needed_and_serves_several_spans_in_one_pass():
    source = windows()
    first, second, beyond = cut_excerpts(source, [Interval(3.0, 3.5), Interval(1.5, 3.2), Interval(0.0, 0.01)])
    assert next(source).start_s == 4.0
    assert len(first.traces["output"].segments[0].volts) == 4000
    assert len(second.traces["output"].segments[0].volts) == 13_600
    assert len(beyond.traces["output"].segments[0].volts) == 80


def test_ends_where_the_mode_changes_and_is_empty_outside():
    changed = [*iter_windows_from_arrays({"output": VOLTS[:16_000]}, 8000.0, window_s=1.0)]
    wide = iter_windows_from_arrays({"output": VOLTS}, 25_000.0, window_s=1.0, mode="wide")
    changed += [w for w in wide if w.start_s >= 2.0]
    cut = cut_excerpt(changed, 1.5, 3.0)
    assert (cut.mode, cut.stop_s) == ("bass", 2.0)
    assert cut_excerpt(windows(), 50.0, 51.0).traces == {}


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="end after"):
        cut_excerpt(windows(), 2.0, 2.0)


def test_spans_that_lie_near_one_another_are_read_together() -> None:
    spans = [Interval(50.0, 51.0), Interval(0.0, 30.0), Interval(5.0, 6.0), Interval(45.0, 46.0), Interval(90.0, 91.0)]
    assert group_near(spans, 15.0) == [[1, 2, 3, 0], [4]]  # the third ends early: what the second reached counts
    assert group_near(spans, 10.0) == [[1, 2], [3, 0], [4]]
    assert group_near([], 10.0) == []
