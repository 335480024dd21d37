"""The table of what was typed and chosen reads as words with units."""

from __future__ import annotations

import re
from dataclasses import fields

from ampwitness.cli.recording_notes import _DESCRIBING
from ampwitness.pipeline import AnalyseOptions
from ampwitness.report.setting_words import setting_rows


def test_names_are_words_and_flags_are_yes_or_no() -> None:
    notes = {"amplifier": "sub amp", "load_ohm": 4.0, "remarks": "", "calibrations_json": "[]", "started_host_s": 1.0}
    rows = setting_rows(notes, {"correct_adc": True, "continuous": False, "something_new": 3})
    assert rows == [
        ("amplifier", "sub amp"),
        ("load, nominal (ohm)", "4"),
        ("converter's known steps taken out", "yes"),
        ("signal said never to pause", "no"),
        ("something new", "3"),
    ]


def test_no_name_of_a_variable_is_shown_for_anything_that_can_be_typed_or_chosen() -> None:
    notes = dict.fromkeys(_DESCRIBING, 1.0)
    options = {field.name: 1 for field in fields(AnalyseOptions)}
    shown = [name for name, _ in setting_rows(notes, options)]
    assert not [name for name in shown if re.search(r"_|\b(adc|ohm|v|s)$", name)]
