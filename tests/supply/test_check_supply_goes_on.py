"""A supply check that was broken off and goes on: what it has is kept, the rest is measured."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.bench.virtual_board import VirtualBoardOptions, virtual_board
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.errors import RecordingUnreadableError
from ampwitness.guide.check_supply import CheckSupplyWalk, make_points
from ampwitness.guide.supply_finding import conclude_walk
from ampwitness.guide.supply_judged import check_to_plain, conclude_check
from ampwitness.guide.supply_taken import read_answers, read_taken
from warm_command import call

POINTS = make_points(("main fuse",), ("output", "supply"))
ANSWERS = {
    "nominal_v": 12.0,
    "battery_kind": "AGM",
    "charging_kind": "fixed",
    "rest_hours": 0.0,
    "points": ["main fuse"],
}


def _measure(walk: CheckSupplyWalk, volts: float) -> None:
    walk.last_s = 0.0
    walk.begin()
    for window in iter_windows_from_arrays({"supply": np.full(12_000, volts)}, 2000.0, window_s=6.0):
        walk.push(window)


def _broken_off() -> dict[str, Any]:
    """The result of a walk at rest: post measured, fuse skipped, amplifier measured, then stopped."""
    walk = CheckSupplyWalk(POINTS)
    _measure(walk, 12.6)
    walk.skip()
    _measure(walk, 12.3)
    check = conclude_check(ANSWERS, walk.readings, ("output", "supply"), walk.planned)
    plain: dict[str, Any] = json.loads(json.dumps(check_to_plain(check)))
    return plain


def test_it_measures_what_was_left_and_skipped_and_compares_with_what_was_taken() -> None:
    saved = _broken_off()
    taken = read_taken(saved, POINTS, "first.json")
    walk = CheckSupplyWalk(POINTS, taken=taken)
    assert (walk.n_taken, walk.n_left, walk.step.key if walk.step else "") == (0, 10, "main fuse@at rest")
    walk.back()  # to the place before, whose reading is dropped
    assert walk.step is not None
    assert walk.step.point.name == "battery plus post"
    _measure(walk, 12.7)
    _measure(walk, 12.5)
    assert walk.step is not None
    assert walk.step.point.name == "remote lead"
    check = conclude_check(ANSWERS, walk.readings, ("output", "supply"), walk.planned)
    assert [leg.drop_v for leg in check.legs] == pytest.approx([0.2, 0.2]), "neighbours, whatever the order"
    assert any(s.startswith("Taken in an earlier walk (first.json), not now: amplifier plus") for s in check.sentences)
    finding = conclude_walk(check)
    assert (finding.start_s, finding.stop_s) == (0.0, 5.0), "times of this recording, not of the other"
    again = json.loads(json.dumps(check_to_plain(check)))
    names = {r.step.point.name: r.taken_in for r in read_taken(again, POINTS, "second.json")}
    assert names == {
        "battery plus post": "second.json",
        "main fuse": "second.json",
        "amplifier plus terminal": "first.json",
    }


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"kind": "clip"}, "no result of"),
        ({"answers": {"points": "fuse"}}, "list of names"),
        ({"readings": 3}, "a list"),
        ({"readings": [{"point": "battery plus post", "state": "uphill"}]}, "without a place and a state"),
        ({"readings": [{"point": "moon", "state": "at rest", "mean_v": 1.0}]}, "where this walk does not go"),
        ({"readings": [{"point": "main fuse", "state": "at rest", "mean_v": "x"}]}, "start_s is no number"),
    ],
)
def test_what_is_no_such_result_is_refused_in_words(change: dict[str, Any], words: str) -> None:
    saved = {**_broken_off(), **change}

    def read() -> None:
        read_answers(saved, "first.json")
        read_taken(saved, POINTS, "first.json")

    with pytest.raises(RecordingUnreadableError, match=words):
        read()


def test_the_command_goes_on_and_says_when_nothing_is_left(tmp_path: Path) -> None:
    volts = np.full((16_000, 2), 12.4) * np.array([0.0, 1.0])
    stimulus = ArrayStimulus(("out_p", "supply"), 2000, volts)
    first, second, third = (tmp_path / f"{name}.json" for name in ("first", "second", "third"))
    asks = tmp_path / "asks.json"
    for result, spans, more in (
        (first, {"battery plus post@at rest": [0.5, 3.5]}, ("--battery", "AGM", "--point", "main fuse")),
        (second, {"main fuse@at rest": [0.5, 3.5]}, ("--go-on", first)),
        (third, {"moon@at rest": [0.5, 3.5]}, ("--go-on", second)),
    ):
        asks.write_text(json.dumps({"steps": spans}))
        with virtual_board(VirtualBoardOptions(stimulus, roles=stimulus.roles, speed=None)) as port:
            done = call("check-supply", "--port", port, "--answers", asks, "--out", result, *more)
        assert done.returncode == (2 if result is third else 0), done.stderr
    saved = json.loads(second.read_text())
    assert saved["answers"]["battery_kind"] == "AGM"
    assert [(r["point"], r.get("taken_in")) for r in saved["readings"]] == [
        ("battery plus post", "first.json"),
        ("main fuse", None),
    ]
    assert [leg["drop_v"] for leg in saved["legs"]] == pytest.approx([0.0], abs=0.05)
    assert "no such step: 'moon@at rest'" in done.stderr
    assert not third.exists()
    wrong = call("check-supply", "--answers", asks, "--go-on", asks)
    assert wrong.returncode == 6, wrong.stderr
    assert "is no result of" in wrong.stderr
