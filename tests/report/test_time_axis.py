"""The time axis of pictures reads as the clock of the words."""

from __future__ import annotations

import pytest
from ampwitness.report.tables import findings_table
from ampwitness.report.time_axis import MOST_TICKS, label_time
from ampwitness.types import Finding
from matplotlib.figure import Figure


def _labels(start_s: float, stop_s: float) -> tuple[list[str], str]:
    axes = Figure().subplots()
    axes.set_xlim(start_s, stop_s)
    label_time(axes, start_s, stop_s)
    return [label.get_text() for label in axes.get_xticklabels()], axes.get_xlabel()


@pytest.mark.parametrize(
    ("span_s", "wanted", "name"),
    [
        ((0.0, 9000.0), ["0:00", "30:00", "1:00:00", "1:30:00", "2:00:00", "2:30:00"], "h:min:s"),
        ((3696.4, 3712.4), [f"1:01:{second}" for second in range(38, 54, 2)], "h:min:s"),
        ((0.0, 150.0), ["0:00", "0:30", "1:00", "1:30", "2:00", "2:30"], "min:s"),
    ],
)  # fmt: skip
def test_ticks_stand_at_even_clock_times(span_s: tuple[float, float], wanted: list[str], name: str) -> None:
    assert _labels(*span_s) == (wanted, f"time in the recording ({name})")


@pytest.mark.parametrize("span_s", [(0.0, 40.0), (3700.0, 3704.0)])
def test_short_pictures_keep_seconds(span_s: tuple[float, float]) -> None:
    assert _labels(*span_s)[1] == "time in the recording (s)"


@pytest.mark.parametrize("hours", [0.5, 3, 7, 24, 72, 400, 3000])
def test_there_are_never_too_many(hours: float) -> None:
    assert 3 <= len(_labels(0.0, hours * 3600)[0]) <= MOST_TICKS + 1


def test_a_tables_starts_are_told_as_the_words_beside_it_have_them() -> None:
    """Who reads "worst at 26:48.003" looks for that in the table, not for 1608.0027."""

    def table(*starts_s: float) -> str:
        dips = [Finding("dip", start_s, start_s + 0.1, "attention", {}, {}, {}) for start_s in starts_s]
        return findings_table("dip", list(enumerate(dips, start=1)), len(dips))

    short, long, hours = table(3.4564, 59.9), table(3.4564, 1608.0027), table(59.9999, 3723.456)
    assert "start (s)" in short
    assert ">3.4564</a>" in short
    assert "start (min:s)" in long
    assert ">0:03.456</a>" in long
    assert ">26:48.003</a>" in long
    assert "start (h:min:s)" in hours
    assert ">1:00.000</a>" in hours
    assert ">1:02:03.456</a>" in hours
