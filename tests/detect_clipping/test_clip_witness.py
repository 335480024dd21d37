"""Whether a logged source tells who cut a crest off: known truth, through the whole board."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import witness_scores
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clip_witness import name_by_source, name_places
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.clips.table.clip_candidates import PLACES, says
from ampwitness.detect.result import DetectorResult
from ampwitness.findings.described import describe_finding
from ampwitness.types import FloatArray

AMPLIFIER, SOURCE, OPEN = (float(PLACES.index(name)) for name in ("amplifier", "source", "not decided"))


@pytest.mark.parametrize("name", ["amplifier, kicks", "source, kicks", "amplifier behind a crossover, source cut too"])
def test_what_one_steady_level_leaves_open_the_source_tells(name: str) -> None:
    case = witness_scores.make(name, 11, 6.0)
    told = witness_scores.score(case)
    assert told["right"] >= 5
    assert told["wrong"] == told["undecided"] == 0
    without = witness_scores.score(case, with_source=False)
    assert without["undecided"] >= 5  # else the source would not have been asked for anything


@pytest.mark.filterwarnings("error::RuntimeWarning")  # a ceiling was asked for at an endless supply
def test_each_clip_says_what_the_source_showed() -> None:
    first = witness_scores.make("amplifier, kicks", 11, 4.0).found()[0]
    assert first.evidence["source_was_flat"] is False
    assert describe_finding(first).endswith("round in the source: cut off in the amplifier")
    first = witness_scores.make("source, kicks", 12, 6.0).found()[0]
    assert first.evidence["source_was_flat"] is True
    assert describe_finding(first).endswith("as flat in the source: cut off before the amplifier")


def _told(
    said: list[str], where: float = OPEN, sign: float = 1.0, level_v: FloatArray | None = None
) -> tuple[list[float], list[float | None]]:
    """Names, and what the source showed (None: nothing), of clips that the output alone puts there."""
    n = len(said)
    level_v = np.full(n, 30.0) if level_v is None else level_v
    said_at = np.array([says(word) for word in said])
    named, shown = name_places(np.full(n, where), np.full(n, sign), level_v, said_at)
    return named.tolist(), [None if np.isnan(value) else value for value in shown]


def test_what_is_plain_names_a_clip_and_where_nothing_was_asked_nothing_changes() -> None:
    named, shown = _told(["round", "flat", "anything", "not asked"])
    assert named == [AMPLIFIER, SOURCE, OPEN, OPEN]
    assert shown == [0.0, 1.0, None, None]
    assert _told(["not asked"] * 9, AMPLIFIER)[0] == [AMPLIFIER] * 9


@pytest.mark.parametrize(
    ("plainly", "name", "against"), [("round", AMPLIFIER, "not round"), ("flat", SOURCE, "not flat")]
)
def test_one_that_says_nothing_follows_eight_neighbours_that_agree_if_nothing_speaks_against_it(
    plainly: str, name: float, against: str
) -> None:
    assert _told([plainly] * 8 + ["anything"])[0] == [name] * 9
    assert _told([plainly] * 7 + ["anything"])[0] == [name] * 7 + [OPEN]  # too few
    assert _told([plainly] * 8 + [against])[0] == [name] * 8 + [OPEN]
    other = {"round": "flat", "flat": "round"}[plainly]
    assert _told([plainly] * 8 + ["anything"] + [other] * 8)[0][8] == OPEN


def test_one_at_a_level_of_its_own_follows_nobody() -> None:
    said, level_v = ["round"] * 8 + ["anything"] * 2, np.array([30.0] * 8 + [29.5, 25.0])  # turned down by 1.6 dB
    assert _told(said, level_v=level_v)[0] == [AMPLIFIER] * 9 + [OPEN]


def test_one_that_stands_against_its_neighbours_stays_undecided_and_a_song_of_its_own_does_not() -> None:
    assert _told(["round"] * 8 + ["flat"] + ["round"] * 8)[0] == [AMPLIFIER] * 8 + [OPEN] + [AMPLIFIER] * 8
    assert _told(["flat"] * 8 + ["round"] + ["flat"] * 8)[0] == [SOURCE] * 8 + [OPEN] + [SOURCE] * 8
    assert _told(["round"] * 20 + ["flat"] * 20)[0] == [AMPLIFIER] * 20 + [SOURCE] * 20


def test_the_other_polarity_is_no_neighbour() -> None:
    said = np.array([says("round")] * 8 + [says("anything")])
    named, _ = name_places(np.full(9, OPEN), np.array([1.0] * 8 + [-1.0]), np.full(9, 30.0), said)
    assert named.tolist() == [AMPLIFIER] * 8 + [OPEN]


def test_what_the_output_alone_told_stands_only_of_an_amplifier_against_whom_the_source_does_not_speak() -> None:
    said = ["anything", "not flat", "not round", "flat", "round"]
    assert _told(said, AMPLIFIER)[0] == [AMPLIFIER, AMPLIFIER, OPEN, SOURCE, AMPLIFIER]
    assert _told(said, SOURCE)[0] == [OPEN, OPEN, OPEN, SOURCE, AMPLIFIER]


def _search(**roles: FloatArray) -> DetectorResult:
    """Clips of the output, named by the logged source."""
    output, source = ClippingDetector(), ClippingDetector("source")
    for window in iter_windows_from_arrays(roles, 8000.0, window_s=10.0):
        output.push(window)
        source.push(window)
    return name_by_source(output.finish(), source.finish())


def _notes(seconds: float) -> FloatArray:
    """A 40 Hz tone that swells and falls, crest 1 at most, with a little noise."""
    time_s = np.arange(round(seconds * 8000)) / 8000
    swell = 0.6 + 0.4 * np.sin(2 * np.pi * 0.5 * time_s)
    return np.asarray(swell * np.sin(2 * np.pi * 40 * time_s) + np.random.default_rng(4).normal(0, 2e-4, len(time_s)))


def test_a_source_that_clips_is_told_where_the_output_has_no_clip() -> None:
    """Behind a crossover its flats are none in the output: what was seen of it stands in the summary all the same."""
    wanted = _notes(8.0)
    summary = _search(output=20 * wanted, source=np.clip(3 * wanted, -2.4, 2.4)).summary
    assert summary["n_clips"] == 0
    assert summary["source_n_clips"] > 100
    assert summary["source_worst_db"] == pytest.approx(20 * np.log10(3 / 2.4), abs=0.2)
    assert _search(output=20 * wanted).summary.get("source_n_clips") is None  # nothing was logged: nothing is said


def test_levels_that_the_source_made_are_no_ceiling_of_the_amplifier() -> None:
    wanted = _notes(8.0)
    cut = np.clip(wanted, -0.8, 0.8)
    summary = _search(output=20 * cut, source=3 * cut).summary
    assert summary["n_in_source"] == summary["n_clips"] > 100
    assert not any("looks the same" in remark for remark in summary["remarks"])  # the source was seen
    assert all(model["level_v"] is None for model in summary["rail_model"].values())
    assert summary["headroom"]["not_judged"]
    assert not summary["headroom"]["passages"]
    own = _search(output=20 * cut, source=3 * wanted).summary
    assert own["n_in_source"] == 0
    assert own["rail_model"]["positive"]["level_v"] == pytest.approx(16.0, abs=0.05)
    assert own["headroom"]["passages"]
