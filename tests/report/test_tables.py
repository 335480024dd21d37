"""The page's tables show what was measured, in the findings' own words."""

from __future__ import annotations

import re
from html import escape

from ampwitness.report.tables import dips_table, findings_table
from ampwitness.types import Finding


def cells_of(finding: Finding) -> dict[str, str]:
    """Heading -> cell of the only row."""
    table = findings_table(finding.kind, [(1, finding)], 1)
    heads, cells = (re.findall(rf"<{tag}\b[^>]*>(.*?)</{tag}>", table) for tag in ("th", "td"))
    return dict(zip(heads, cells, strict=True))


def test_a_tone_is_told_with_all_that_the_meter_reads() -> None:
    measured = {"frequency_hz": 40.0, "level_v": 27.84, "peak_v": 36.94, "thd_percent": 4.109,
                "thd_of_total_percent": 4.105, "thd_n_percent": 4.107, "thd_floor_percent": 0.09}  # fmt: skip
    evidence = {"harmonics_percent": [0.0, 3.173, None], "sinad_db": 27.72, "effective_bits": 4.31, "dc_v": -0.033,
                "crest_ratio": 1.327, "watts_nominal": 193.74, "even_percent": 0.017, "odd_percent": 4.108}  # fmt: skip
    cells = cells_of(Finding("tone", 1.0, 9.0, "attention", measured, {}, evidence))
    assert cells["THD there (%)"] == "4.109"
    assert cells["against the total (%)"] == "4.105"
    assert cells["THD+N in the band (%)"] == "4.107"
    assert cells["harmonics 2 to 10 (%)"] == "0.00 3.17 -"
    assert (cells["SINAD (dB)"], cells["effective bits"], cells["crest factor"]) == ("27.7", "4.31", "1.327")
    assert (cells["even (%)"], cells["odd (%)"], cells["DC (V)"]) == ("0.017", "4.108", "-0.033")
    assert (cells["peak (V)"], cells["nominal (W)"]) == ("36.94", "193.7")


def test_a_clip_is_told_with_its_shape_its_slope_and_what_it_met() -> None:
    measured = {"polarity": "positive", "plateau_slope_v_per_s": -192.9, "hardness": "soft", "origin": "amplifier",
                "ceiling": "current"}  # fmt: skip
    cells = cells_of(Finding("clip", 1.0, 1.002, "attention", measured, {}, {}))
    assert (cells["slope (V/s)"], cells["shape"]) == ("-193", "soft")
    assert (cells["clipped by"], cells["rail or current"]) == ("amplifier", "current")


def test_a_share_of_hardly_any_overdrive_is_no_number() -> None:
    for share, said in ((0.4, "0.40"), (1.0, "1 or more")):
        cells = cells_of(Finding("clip", 1.0, 1.002, "attention", {"cause_share": share}, {}, {}))
        assert cells[escape("sag's share")] == said


def test_a_dip_is_told_with_the_class_that_is_borrowed() -> None:
    dip = Finding("dip", 1.0, 1.3, "attention", {"duration_s": 0.3}, {}, {"borrowed_class": "instantaneous sag"})
    assert cells_of(dip)["class borrowed from IEEE 1159"] == "instantaneous sag"


def test_dips_are_counted_by_depth_and_duration() -> None:
    counts = {"duration_to_s": [0.02, 0.5, None], "residual_from_percent": [80, 0], "n": [[0, 8, 1], [2, 0, 0]]}
    rows = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in dips_table("supply", counts).split("<tr>")[1:]]
    assert rows == [
        ["left", "to 0.02 s", "to 0.5 s", "longer"],
        ["80 to 100 %", "0", "8", "1"],
        ["0 to 80 %", "2", "0", "0"],
    ]
    assert dips_table("supply", {**counts, "n": [[0, 0, 0], [0, 0, 0]]}) == ""
