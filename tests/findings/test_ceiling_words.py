"""The output's ceiling, in words: where it lies, what it follows, and what is too short to be seen."""

from __future__ import annotations

import dataclasses
from typing import Any

from ampwitness.finding_list import FindingList
from ampwitness.findings.ceiling_words import word_ceilings
from ampwitness.report.page import html_page
from ampwitness.report.text import text_report
from ampwitness.types import Analysis, Finding
from ampwitness.units import unbind_units


def clip(ceiling: str) -> Finding:
    return Finding("clip", 1.0, 1.002, "attention", {"ceiling": ceiling}, {}, {})


def test_the_ceiling_is_quoted_with_what_it_follows_and_how_surely() -> None:
    rail = {"kind": "follows supply", "ratio": 2.9, "ratio_uncertainty": 0.05, "level_v": -31.46, "n_plateaus": 1234,
            "level_uncertainty_v": 0.04, "supply_range_v": 1.9}  # fmt: skip
    none = {**rail, "kind": "unknown", "level_v": None, "n_plateaus": 0}
    fit = {"kind": "follows supply", "ratio": 3.004, "ratio_uncertainty": 0.006, "knee_v": None, "spread_v": 0.016}
    clips = FindingList.of([clip(kind) for kind in ("rail", "rail", "current", "undecided")])

    def said(rails: dict[str, Any], fits: dict[str, Any], remarks: tuple[str, ...] = ()) -> tuple[str, ...]:
        return word_ceilings({"clipping": {"rail_model": rails, "ceilings": fits, "remarks": remarks}}, clips)

    law, met, blind = said({"positive": none, "negative": rail}, {"negative": fit}, ("flat tops are not seen",))
    assert law == (
        "Negative ceiling: -31.5 V at the median of 1,234 flat tops; it follows the supply by 3.00 V for each volt "
        "(+-0.01), to within 0.02 V."
    )
    assert met == (
        "Of the clipped half-cycles 2 met the rail, 1 met a limit of current, 1 met the rail or a limit of current "
        "(not decided without a second load)."
    )
    assert blind == "Flat tops are not seen."
    knee = {**fit, "kind": "regulated until the supply is too low", "knee_v": 11.9}
    assert "(+-0.01) up to 11.90 V and stands above, to" in said({"negative": rail}, {"negative": knee})[0]
    assert "by 2.90 V for each volt (+-0.10), to within 0.04 V" in said({"negative": rail}, {})[0]
    regulated = {**fit, "kind": "regulated", "ratio": 0.0, "ratio_uncertainty": 0.0}
    assert "it stands to within 0.02 V, whatever" in said({"negative": rail}, {"negative": regulated})[0]
    assert "it stood to within 0.04 V; whether it follows" in said({"negative": {**rail, "kind": "unknown"}}, {})[0]
    assert said({"positive": none, "negative": none}, {}) == ()
    assert word_ceilings({}, clips) == ()


def test_terminal_and_page_say_it_alike(small_analysis: Analysis) -> None:
    blind = "flat tops shorter than 0.50 ms are not seen at 8,000 samples a second"
    with_it = dataclasses.replace(small_analysis, summary={"clipping": {"remarks": (blind,)}})
    for said in (" ".join(text_report(with_it).split()), unbind_units(html_page(with_it))):
        assert "The output's ceiling" in said or "The output&#x27;s ceiling" in said
        assert "Flat tops shorter than 0.50 ms are not seen at 8,000 samples a second." in said
