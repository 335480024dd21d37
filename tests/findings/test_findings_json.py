"""The JSON follows its schema, and the schema refuses what it should."""

from __future__ import annotations

import copy
import json

import jsonschema
import pytest
from ampwitness.findings.as_json import analysis_to_json, read_schema, to_plain
from ampwitness.types import Analysis


def test_schema_is_a_valid_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(read_schema())


def test_analysis_follows_the_schema_and_strict_json(small_analysis: Analysis) -> None:
    plain = analysis_to_json(small_analysis)
    text = json.dumps(plain, allow_nan=False)  # raises on NaN, which JSON has not
    jsonschema.validate(json.loads(text), read_schema())
    assert plain["summary"]["clipping"] == {"rail_v": 38.0, "unknown": None}
    assert plain["sessions"][0]["rate_hz"] == [8000, 1]
    assert plain["link_health"]["balances"] is True


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("findings", 1, "measured", "polarity"), "upward"),
        (("findings", 0, "kind"), "whistle"),
        (("findings", 0, "severity"), "bad"),
        (("findings", 2, "start_s"), None),
        (("coverage", 0, "judged_s"), "four"),
    ],
)
def test_schema_refuses_wrong_values(small_analysis: Analysis, path: tuple[str | int, ...], value: object) -> None:
    plain = copy.deepcopy(analysis_to_json(small_analysis))
    place = plain
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(plain, read_schema())


def test_a_missing_measured_key_is_refused(small_analysis: Analysis) -> None:
    plain = analysis_to_json(small_analysis)
    del plain["findings"][1]["measured"]["overdrive_db"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(plain, read_schema())


def test_what_json_cannot_hold_is_refused() -> None:
    with pytest.raises(TypeError):
        to_plain(object())
