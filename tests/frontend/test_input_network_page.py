"""hardware-notes/input-network.md: tables and drawings are of today's parts, and the prose's numbers are computed."""

from __future__ import annotations

import re

import pytest
from ampwitness.firmware_files import load_board_config
from ampwitness.frontend.budget import Tolerances
from ampwitness.frontend.disturbances import DISTURBANCES, PIN_OHM
from ampwitness.frontend.front_end import design_front_end
from ampwitness.frontend.settling import SAMPLING_FARAD
from ampwitness.frontend.wishes import default_wishes
from make_notes import BEGIN, DRAWINGS, END, PAGE, board, drawing, filled_page

TEXT = PAGE.read_text(encoding="utf-8")


def test_the_tables_are_of_todays_parts() -> None:
    """Parts changed? Then run make_notes.py and read the page."""
    assert filled_page(TEXT) == TEXT


@pytest.mark.parametrize("one", board().inputs, ids=lambda one: one.name)
def test_the_drawings_show_todays_parts(one: object) -> None:
    stored = (DRAWINGS / f"{one.name.lower()}.svg").read_text(encoding="utf-8")  # type: ignore[attr-defined]
    assert re.findall(r">([^<>\s][^<>]*)</t", stored) == re.findall(r">([^<>\s][^<>]*)</t", drawing(one))  # type: ignore[arg-type]
    assert stored == drawing(one)  # type: ignore[arg-type]


def test_the_numbers_between_the_tables_are_computed() -> None:
    prose = " ".join(re.sub(BEGIN.format(".*?") + ".*?" + END, "", TEXT, flags=re.DOTALL).split())
    by_name = {one.name: one for one in board().inputs}
    loading = by_name["LINE"].loading
    assert loading is not None
    assert f"only {loading.coupled_peak_v:.1f} V peak fits" in prose
    assert f"{PIN_OHM / 1e3:g} kohm between node and pin" in prose
    assert f"{1e12 * SAMPLING_FARAD:g} pF" in prose
    leaks_v = [1e-6 * by_name[name].network.top_ohm for name in ("SUPPLY", "SPEAKER")]
    assert f"{1e3 * leaks_v[0]:g} mV on SUPPLY, {leaks_v[1]:g} V on SPEAKER" in prose
    hot_v = [Tolerances().leakage_a * by_name[name].network.top_ohm for name in ("SUPPLY", "SPEAKER")]
    assert f"{1e3 * hot_v[0]:.0f} mV on SUPPLY, {hot_v[1]:.2f} V on SPEAKER" in prose
    dump_v = next(one.volts for one in DISTURBANCES[24] if one.name == "unsuppressed load dump")
    assert f"{dump_v:g} V of load dump included" in prose


def test_what_the_page_says_of_24_v_vehicles() -> None:
    made = design_front_end(default_wishes(24), 10_000, 24, load_board_config())
    lost = [one.name for one in made.inputs if any(x.judgement == "does not survive" for x in one.stresses)]
    assert lost == ["SMALL", "CLAMP"]
    assert "SMALL and CLAMP do not" in TEXT
