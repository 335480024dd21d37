"""Every kind of finding that a report can hold is explained, by one text, in plain words."""

from __future__ import annotations

import json

import pytest
from ampwitness.cli.explain import explain_command
from ampwitness.findings.explain import DEPTHS, GLOSSARY, explain
from ampwitness.findings.wording import KIND_WORDS
from click.testing import CliRunner


def test_no_kind_is_left_out() -> None:
    assert set(DEPTHS) == set(KIND_WORDS)


@pytest.mark.parametrize("kind", sorted(KIND_WORDS))
def test_each_says_all_four_things(kind: str) -> None:
    found = explain(kind)
    assert found is not None
    for text in (found.meaning, found.how, found.cannot, found.next_step):
        assert len(text.split()) >= 3
        assert text.endswith(".")
    shown = CliRunner().invoke(explain_command, [kind])
    assert shown.exit_code == 0
    words = " ".join(shown.output.split())
    for text in (found.meaning, found.how, found.cannot, found.next_step, found.care):
        assert " ".join(text.split()) in words
    assert max(map(len, shown.output.splitlines())) <= 100


def test_other_words_and_unknown_ones() -> None:
    assert explain("Sag") == explain("note")
    assert explain("cut-outs") == explain("cutout")
    assert explain("nonsense") is None
    refused = CliRunner().invoke(explain_command, ["nonsense"])
    assert refused.exit_code != 0
    assert "clip" in str(refused.exception)


def test_json_and_glossary() -> None:
    plain = json.loads(CliRunner().invoke(explain_command, ["clip", "--json"]).output)
    assert plain["kind"] == "clip"
    assert set(json.loads(CliRunner().invoke(explain_command, ["--json"]).output)) == set(KIND_WORDS)
    words = CliRunner().invoke(explain_command, ["--words"]).output
    assert all(word in words for word in GLOSSARY)
