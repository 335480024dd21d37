"""The file of a board's calibration: kept, read back, and refused with one sentence where it cannot be used."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from ampwitness.calibration_file import (
    CalibrationBook,
    calibration_path,
    calibration_to_plain,
    calibrations_from_json,
    read_book,
    write_book,
)
from ampwitness.errors import CalibrationError, OutputError
from ampwitness.types import Calibration

SUPPLY = Calibration("supply", 0.0066, -0.01, 0.003, 0.004, "2026-03-01", "measured")


def test_round_trip(tmp_path: Path) -> None:
    book = CalibrationBook("e66/1", {"supply": SUPPLY}, {"supply": [{"known_v": 0.0}], "out_p": [{"known_v": 1.0}]})
    path = calibration_path(tmp_path / "new folder", "e66/1")
    assert path.name == "calibration-e66-1.json"
    assert read_book(path) is None
    write_book(path, book)
    assert read_book(path) == book
    assert [p.name for p in path.parent.iterdir()] == [path.name]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{", "damaged"),
        ("[]", "no calibration file"),
        ('{"what": "ampwitness calibration", "board_id": "x", "version": 99}', "version 99"),
        ('{"what": "ampwitness calibration", "board_id": "x", "version": 1, "channels": [1]}', "damaged"),
        (
            '{"what": "ampwitness calibration", "board_id": "x", "version": 1, "channels": {"a": {"points": [1]}}}',
            "damaged",
        ),
        (
            json.dumps(
                {
                    "what": "ampwitness calibration",
                    "version": 1,
                    "board_id": "x",
                    "channels": {"supply": {"calibration": {"role": "supply", "gain_v_per_code": "NaN"}}},
                }
            ),
            "lacks a number",
        ),
    ],
)
def test_unusable_files(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "calibration-x.json"
    path.write_text(text)
    with pytest.raises(CalibrationError, match=says) as caught:
        read_book(path)
    assert str(path) in str(caught.value)


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file where the folder should be")
    with pytest.raises(OutputError, match="AMPWITNESS_FOLDER"):
        write_book(tmp_path / "taken" / "calibration-x.json", CalibrationBook("x"))


def test_damaged_notes() -> None:
    with pytest.raises(CalibrationError, match="trip"):
        calibrations_from_json("[1]", "trip")
    with pytest.raises(CalibrationError, match="trip"):
        calibrations_from_json("nonsense", "trip")


@pytest.mark.parametrize(
    "harm",
    [
        {"gain_v_per_code": 0.0},
        {"gain_v_per_code": -0.0066},
        {"gain_uncertainty_ratio": -0.1},
        {"offset_uncertainty_v": -1.0},
    ],
)
def test_numbers_that_no_calibration_gives_are_refused(harm: dict[str, float]) -> None:
    """A gain of nothing or below would turn a report's volts around or wipe them out."""
    plain = calibration_to_plain(SUPPLY) | harm
    with pytest.raises(CalibrationError, match="the calibration of supply is impossible; calibrate it again"):
        calibrations_from_json(json.dumps([plain]), "trip.mcap")
    assert calibrations_from_json(json.dumps([calibration_to_plain(SUPPLY)]), "trip.mcap") == (SUPPLY,)
