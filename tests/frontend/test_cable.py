"""Cable arithmetic against handbook resistances."""

import json
import math

import pytest
from ampwitness.cli.cable import cable
from ampwitness.errors import UsageError
from ampwitness.frontend.cable import awg_to_mm2, measure_run, ohm_per_km, read_awg
from click.testing import CliRunner

# Ohm per 1000 ft at 20 degrees C, as printed in a published table of the gauge (HyperPhysics, after Floyd; the same
# figures as the NBS tables).
PUBLISHED_OHM_PER_1000_FT = {
    "4/0": 0.0490, "1/0": 0.0983, "2": 0.1563, "4": 0.2485, "6": 0.3951, "8": 0.6282, "10": 0.9989, "12": 1.588,
    "14": 2.525, "16": 4.016,
}  # fmt: skip
# A wire maker's table of 10 % copper-clad aluminium, ohm per 1000 ft at 20 degrees C.
PUBLISHED_CCA_OHM_PER_1000_FT = {"14": 3.91, "15": 4.93, "16": 6.23, "17": 7.83, "18": 9.90, "19": 12.5, "20": 15.7}
# IEC 60228, correction of a resistance measured at this temperature to 20 degrees C, as printed in makers' tables.
IEC_CORRECTION = {30: 0.962, 60: 0.862, 75: 0.820}


@pytest.mark.parametrize(("gauge", "published"), PUBLISHED_OHM_PER_1000_FT.items())
def test_copper_against_the_published_table(gauge: str, published: float) -> None:
    run = measure_run(awg_to_mm2(read_awg(gauge)), 1, 1)
    digits = len(f"{published}".partition(".")[2])
    assert run.ohm_per_1000_ft == pytest.approx(published, abs=0.5 * 10**-digits + 1e-4 * published)


@pytest.mark.parametrize(("gauge", "published"), PUBLISHED_CCA_OHM_PER_1000_FT.items())
def test_clad_aluminium_against_a_makers_table(gauge: str, published: float) -> None:
    run = measure_run(awg_to_mm2(read_awg(gauge)), 1, 1, metal="cca")
    assert run.ohm_per_1000_ft == pytest.approx(published, rel=5e-3)


@pytest.mark.parametrize(("temperature_c", "correction"), IEC_CORRECTION.items())
def test_temperature_against_the_standards_correction(temperature_c: float, correction: float) -> None:
    assert ohm_per_km(10) / ohm_per_km(10, temperature_c=temperature_c) == pytest.approx(correction, abs=3e-3)


def test_sections_of_gauges() -> None:
    # ASTM B258's law, from memory: 4 AWG is 21.15 mm2, 10 AWG 5.261, 4/0 107.22.
    assert [awg_to_mm2(read_awg(text)) for text in ("4", "10", "4/0", "0", "1/0")] == pytest.approx(
        [21.151, 5.261, 107.22, 53.475, 53.475], rel=1e-4
    )


def test_the_worked_example() -> None:
    # 5 m of 4 AWG there and back at 100 A by the published 0.2485 ohm/1000 ft: 8.153 mohm, 0.815 V, 81.5 W, 8.15 W/m.
    run = measure_run(awg_to_mm2(4), 5, 100)
    assert run.loop_ohm == pytest.approx(8.153e-3, rel=2e-4)
    assert run.drop_v == pytest.approx(0.8153, rel=2e-4)
    assert run.heat_w == pytest.approx(81.53, rel=2e-4)
    assert run.heat_w_per_m == pytest.approx(8.153, rel=2e-4)
    assert run.heat_w == pytest.approx(run.heat_w_per_m * run.conductor_m)
    assert measure_run(awg_to_mm2(4), 5, 100, is_loop=False).drop_v == pytest.approx(run.drop_v / 2)


@pytest.mark.parametrize("area_mm2", [1.5, 2.5, 4, 6, 10, 16, 25, 35, 50, 70, 95])
def test_metal_of_the_full_section_lies_below_the_standards_limit(area_mm2: float) -> None:
    run = measure_run(area_mm2, 1, 1)
    assert run.most_ohm_per_km is not None
    assert 0.8 * run.most_ohm_per_km < run.ohm_per_km < run.most_ohm_per_km


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf, 1e9])
@pytest.mark.parametrize("what", ["area_mm2", "run_m", "amps"])
def test_what_is_no_cable_is_refused(what: str, bad: float) -> None:
    values = {"area_mm2": 10.0, "run_m": 5.0, "amps": 10.0, "temperature_c": 20.0, what: bad}
    with pytest.raises(UsageError, match="give a number"):
        measure_run(**values)  # type: ignore[arg-type]


@pytest.mark.parametrize(("what", "least", "most"), [("run_m", 0.01, 1000.0), ("amps", 0.001, 10_000.0)])
def test_the_ends_of_what_is_a_cable(what: str, least: float, most: float) -> None:
    """Our choice: what the command's own error names."""
    values = {"area_mm2": 10.0, "run_m": 5.0, "amps": 10.0}
    for bad in (0.99 * least, 1.01 * most):
        with pytest.raises(UsageError, match="give a number"):
            measure_run(**{**values, what: bad})
    for good in (least, most):
        assert measure_run(**{**values, what: good}).drop_v > 0


@pytest.mark.parametrize("temperature_c", [-300.0, 1000.0, math.nan])
def test_no_such_temperature(temperature_c: float) -> None:
    with pytest.raises(UsageError, match="degrees C"):
        measure_run(10.0, 5.0, 10.0, temperature_c=temperature_c)


@pytest.mark.parametrize("text", ["5/0", "0/0", "2/1", "41", "-1", "4 AWG", "", "nan"])
def test_no_such_gauge(text: str) -> None:
    with pytest.raises(UsageError, match="40 to 0"):
        read_awg(text)


def test_the_command_prints_the_example_and_the_caution() -> None:
    done = CliRunner().invoke(cable, ["--awg", "4", "--length", "5", "--amps", "100"])
    assert done.exit_code == 0
    for words in ("8.152 mohm", "0.8152 V", "8.15 W in each metre", "not permission", "codes"):
        assert words in done.output
    as_json = CliRunner().invoke(cable, ["--mm2", "25", "--length", "5", "--amps", "100", "--json"])
    found = json.loads(as_json.output)
    assert found["most_ohm_per_km"] == 0.780
    assert "not permission" in found["caution"]
    clad = CliRunner().invoke(cable, ["--awg", "4", "--length", "5", "--amps", "100", "--metal", "cca"])
    assert "varies with its copper share" in clad.output
    for both in ([], ["--awg", "4", "--mm2", "25"]):
        refused = CliRunner().invoke(cable, [*both, "--length", "5", "--amps", "100"])
        assert isinstance(refused.exception, UsageError)
