"""The job sheet: what it says, what it leaves out and says so, and that it stays one printed page."""

from __future__ import annotations

import json
import math
import re
import shutil
import subprocess
from dataclasses import asdict, replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from ampwitness.cli.job import job as job_command
from ampwitness.cli.sheet import sheet as sheet_command
from ampwitness.errors import JobError, RecordingUnreadableError, UsageError
from ampwitness.findings.as_json import analysis_to_json, to_plain
from ampwitness.findings.from_json import analysis_from_json, is_report
from ampwitness.guide.before_power import NOT_TESTED, conclude, judge_all
from ampwitness.guide.check_supply import check_answers, make_points
from ampwitness.guide.find_noise import conclude_noise
from ampwitness.guide.supply_judged import check_to_plain, conclude_check
from ampwitness.guide.supply_readings import Reading, Step
from ampwitness.job.folder import new_job, open_job
from ampwitness.job.steps import STEPS
from ampwitness.report.sheet_content import Sheet, WorkStep, compose_sheet
from ampwitness.report.sheet_page import html_sheet
from ampwitness.report.sheet_source import Source
from ampwitness.report.sheet_text import text_sheet
from ampwitness.report.sheet_walks import Walk
from ampwitness.types import Analysis, Calibration, Finding
from ampwitness.waveform.noise_lines import NoiseLine, QuietOutput
from click.testing import CliRunner

SETTING = Finding(
    "setting", 0.0, 4.0, "information",
    {"tone_hz": 40.0, "knee_v": 41.2, "knee_peak_v": 58.27, "knee_w": 424.4, "load_ohm": 4.0, "supply_at_knee_v": 13.61,
     "left_at_v": 36.72, "margin_db": 1.0, "is_provisional": True, "outcome": "ok", "line": ""},
    {}, {"answers": {"gain_equaliser": "flat", "gain_boost": "off"}},
)  # fmt: skip
STATE = {
    "open_v": 12.65, "lowest_v": 11.61, "judged_s": 40.0, "source_ohm": 0.033, "lowest_source_ohm": 0.021,
    "highest_source_ohm": 0.0425, "assumed": "efficiency 0.75 assumed",
    "full_power": {"sag_v": 0.61, "supply_v": 12.04},
}  # fmt: skip
CHANNELS = [
    {"amplifier": "sub", "channel": "mono", "load_ohm": 4.0, "load_kind": "speaker", "rated_w": 500.0},
    {"amplifier": "front", "channel": "left", "load_ohm": 4.0, "rated_w": 75.0},
    {"amplifier": "front", "channel": "right", "load_ohm": 4.0, "rated_w": 75.0},
]


COILS: dict[str, Any] = {"coil_ohm": 4, "n_coils": 1, "coil_1_ohm": 3.2, "leads_ohm": 3.3, "chassis_p_ohm": math.inf,
         "chassis_n_ohm": math.inf, "is_bridged": False, "least_stereo_ohm": 2, "ground_ohm": 0.8, "remote_v": 0,
         "fuse_a": 60}  # fmt: skip
PLACES = ("battery plus post", "main fuse in", "main fuse out", "amplifier plus terminal")


def checks() -> dict[str, Any]:
    """What `before-power --out` writes, by its own judgements."""
    judged = judge_all(COILS, None)
    return {
        "kind": "before-power", "answers": {}, "judgements": [asdict(j) for j in judged],
        "conclusion": conclude(judged), "not_tested": NOT_TESTED,
    }  # fmt: skip


def supply_check() -> dict[str, Any]:
    """What `check-supply --out` writes, by its own conclusions, of readings typed in here."""
    volts = {"at rest": (12.6, 12.6, 12.6, 12.59), "under a tone": (12.3, 12.27, 11.98, 11.8)}
    points = {point.name: point for point in make_points(PLACES[1:3], ("supply",))}
    readings = [
        Reading(Step(points[place], state), 0.0, 5.0, mean_v, mean_v - 0.02, 0.1, drive, None, None)  # type: ignore[arg-type]
        for (state, means), drive in zip(volts.items(), (0.0, 20.0), strict=True)
        for place, mean_v in zip(PLACES, means, strict=True)
    ]
    return check_to_plain(conclude_check(check_answers({"rest_hours": 6.0}), readings, ("supply",)))


def noise() -> dict[str, Any]:
    """What `find-noise` keeps, by its own conclusion, of one made run."""
    line = NoiseLine(50.0, 0.04, 0.0, 0.1)
    run = QuietOutput(0.03, 0.05, 0.0, (line,), (), 11, (15.0, 3300.0))
    verdict = conclude_noise(
        {("connected", "off"): run}, sensitivity_v=0.023, line_sensitivity_v=0.002, offset_uncertainty_v=0.4
    )
    return {"kind": "find-noise", **asdict(verdict), "runs": {"connected-off": asdict(run)}}


def usual_walks() -> list[Walk]:
    names = [f"{c['amplifier']}/{c['channel']}" for c in CHANNELS]
    return [*(Walk(checks(), name, "as found") for name in names), Walk(supply_check(), "", "as found"), Walk(noise())]


def usual_job(analysis: Analysis) -> Sheet:
    """Three channels checked and set, supply and noise looked at, a drive; no soak. Invented; no detector ran."""
    with_supply = replace(
        analysis, summary={**analysis.summary, "supply": {"states": {"at rest": STATE, "idle": STATE}}}
    )
    gain = replace(with_supply, findings=(*analysis.findings[:2], SETTING))
    clean = replace(with_supply, findings=())
    sources = [Source(gain, "Gain of each channel", f"{c['amplifier']}/{c['channel']}", "as left") for c in CHANNELS]
    sources += [Source(clean, "Supply"), Source(with_supply, "On the road", "", "as left")]
    states = {"soak": ("skipped", "no cut-off on the bench"), "source": ("open", "")}
    steps = [WorkStep(s.key, s.title, *states.get(s.key, ("done", "2026-05-04"))) for s in STEPS]
    return compose_sheet(
        sources, vehicle="Blue <van>", date="2026-05-04", fitted_by="A & B", channels=CHANNELS, steps=steps,
        walks=usual_walks(),
    )  # fmt: skip


def test_settings_supply_and_verdicts_are_those_of_the_findings(small_analysis: Analysis) -> None:
    made = usual_job(small_analysis)
    row = made.settings[0]
    assert (row.channel, row.clean_maximum, row.peak) == ("sub/mono, as left", "41.20 V rms", "58.3 V")
    assert (row.power, row.supply_there, row.left_at) == ("424 W in 4 ohm", "13.61 V", "36.72 V rms (-1.0 dB)")
    assert "provisional" in row.remark
    assert made.conditions == "equaliser flat; boost off"
    assert [supply.where for supply in made.supply] == ["Supply", "On the road, as left", "On the road, as left"]
    assert (made.supply[0].open_volts, made.supply[0].lowest) == ("12.65 V", "11.61 V")
    assert (made.supply[0].resistance, made.supply[0].full_power) == ("33 mohm (21 to 42)", "12.0 V (-0.6 V)")
    assert made.verdicts[0].cells[0].words == "on purpose"  # the gain was turned to its edge there
    assert [cell.words for cell in made.verdicts[3].cells[:3]] == ["none found"] * 3
    assert [cell.words for cell in made.verdicts[4].cells[:3]] == ["1 found"] * 3
    assert made.verdicts[4].cells[3].verdict == "not judged"  # no trend detector ran
    assert made.equipment[0] == ("sub/mono", "4 ohm speaker, rated 500 W")


def test_a_gain_set_by_levels_alone_is_told_as_reckoned(small_analysis: Analysis) -> None:
    by_level = {"tone_hz": 6300.0, "knee_v": None, "follow_v": 20.26, "followed_v": 19.8, "load_ohm": 4.0,
                "is_provisional": True, "outcome": "the level stopped following equal steps", "line": ""}  # fmt: skip
    source = Source(replace(small_analysis, findings=(replace(SETTING, measured=by_level),)), "Tweeters")
    (row,) = compose_sheet([source], vehicle="", date="2026-05-04", fitted_by="").settings
    assert row.clean_maximum == "20.26 V rms"
    assert row.power == ""
    assert "the level stopped following equal steps; provisional, reckoned from levels" in row.remark
    assert "without its load" not in row.remark


def test_the_state_it_was_handed_over_in_is_said_in_plain_words(small_analysis: Analysis) -> None:
    def left(name: str, moment: str = "as left", **measured: object) -> Source:
        setting = replace(SETTING, measured={**SETTING.measured, **measured})
        return Source(replace(small_analysis, findings=(setting,)), "Gain of each channel", name, moment)

    sources = [
        left("sub/mono", "as found", margin_db=2.0),
        left("sub/mono", margin_db=-1.4),
        left("front/left", margin_db=0.5, is_source_unchecked=True, left_age_s=20.0),
        left("front/right", margin_db=None, knee_v=None, outcome="no tone was measured"),
        left("rear/left", margin_db=None, knee_v=None, outcome="the edge was not reached"),
        Source(small_analysis, "On the road", "", "as left"),
    ]
    made = compose_sheet(sources, vehicle="v", date="2026-05-04")
    assert made.handed_over == (
        "LEFT CLIPPING: sub/mono by 1.4 dB beyond the highest clean level. Played full it distorts: turn the gain down "
        "by as much.",
        "Left clean: front/left by 0.5 dB below the level where it begins to clip.",
        "Left clean as far as it was tried: rear/left did not reach the edge with this source.",
        "Not known whether it clips: front/right (no tone was measured).",
        "1 half-cycle of what was played last clipped (On the road, as left).",
    )
    assert made.settings[2].remark.endswith("source not checked; last heard 20 s before the end")
    for text in (text_sheet(made), re.sub(r"<[^>]+>", " ", html_sheet(made))):
        assert text.index("LEFT CLIPPING") < text.index("clean maximum")


def test_the_last_music_is_the_one_recorded_last_not_the_last_step(small_analysis: Analysis) -> None:
    def recorded(name: str, began_s: float, n_clips: int) -> Source:
        clips = [f for f in small_analysis.findings if f.kind == "clip"][:1] * n_clips
        notes = {**small_analysis.settings.notes, "started_host_s": began_s}
        settings = replace(small_analysis.settings, notes=notes)
        return Source(replace(small_analysis, findings=tuple(clips), settings=settings), name)

    def said(*sources: Source) -> tuple[str, ...]:
        return compose_sheet(sources, vehicle="v", date="2026-05-04").handed_over

    assert said(recorded("On the road", 2e9, 0), recorded("Soak", 1e9, 3)) == ()
    assert said(recorded("On the road", 2e9, 1), recorded("Soak", 1e9, 3)) == (
        "1 half-cycle of what was played last clipped (On the road).",
    )


@pytest.mark.parametrize(("nominal_v", "said"), [(12.6, "charging"), (24.0, "not judged"), (None, "charging")])
def test_no_alternator_is_told_by_volts_of_another_system(
    small_analysis: Analysis, nominal_v: float | None, said: str
) -> None:
    notes = {**small_analysis.settings.notes, "nominal_supply_v": nominal_v}
    summary = {**small_analysis.summary, "supply": {"states": {"charging": STATE}}}
    analysis = replace(small_analysis, settings=replace(small_analysis.settings, notes=notes), summary=summary)
    (row,) = compose_sheet([Source(analysis, "On the road")], vehicle="v", date="2026-05-04").supply
    assert row.engine == said


def test_a_silent_recording_is_no_test_of_the_amplifier(small_analysis: Analysis) -> None:
    table = {"output_v": [0.04], "output_lowest_v": [-0.17], "output_highest_v": [0.14]}
    silent = replace(small_analysis, findings=(), summary={**small_analysis.summary, "trends": {"table": table}})
    made = compose_sheet(
        [Source(silent, "Soak"), Source(small_analysis, "On the road")], vehicle="v", date="2026-05-04"
    )
    said = [line for line in made.not_tested if "hardly moved" in line]
    assert said == [
        "Soak: the output hardly moved, between -0.17 and 0.14 V: nothing played by which clips or cut-outs could show."
    ]


def test_what_nobody_was_asked_is_no_condition(small_analysis: Analysis) -> None:
    def said(**answers: str) -> str:
        setting = replace(SETTING, evidence={"answers": answers})
        source = Source(replace(small_analysis, findings=(setting,)), "Gain of each channel")
        return compose_sheet([source], vehicle="v", date="2026-05-04").conditions

    assert said(gain_equaliser="flat", gain_boost="not asked") == "equaliser flat"
    assert said(gain_equaliser="not asked") == ""


def test_what_the_volts_rest_on_is_said_once_for_recordings_of_other_channels(small_analysis: Analysis) -> None:
    one = small_analysis.settings.calibrations[0]
    every = (one, replace(one, role="battery"))

    def said(*calibrations: Calibration) -> list[str]:
        settings = [replace(small_analysis.settings, calibrations=mine) for mine in (every[:1], calibrations)]
        sources = [Source(replace(small_analysis, settings=one), "On the road") for one in settings]
        made = compose_sheet(sources, vehicle="v", date="2026-05-04")
        return [line for line in made.basis if "alibrated" in line]

    assert len(said(*every)) == 1
    assert ", ".join(c.role for c in every) in said(*every)[0]
    assert len(said(replace(every[0], made_on="2026-05-01"))) == 2  # the one role in two ways: each as it was


def test_no_line_of_the_sheet_parts_a_number_from_its_unit(small_analysis: Analysis) -> None:
    made = usual_job(small_analysis)
    for width in range(60, 101):
        assert not re.search(r"\d\n +(V|A|W|dB|Hz|s|mohm|ohm)\b", text_sheet(made, width=width)), width


def test_an_engine_that_stands_is_called_the_same_throughout(small_analysis: Analysis) -> None:
    made = usual_job(small_analysis)
    for text in (text_sheet(made), html_sheet(made)):
        assert "at rest" not in text.replace("Battery at rest", "")
        assert "engine off" in text


def test_what_was_not_tested_is_said(small_analysis: Analysis) -> None:
    made = usual_job(small_analysis)
    assert "Soak: left out: no cut-off on the bench." in made.not_tested
    assert "Source level: not done." in made.not_tested
    assert any(line.startswith("Level drift: not judged in any recording") for line in made.not_tested)
    assert not any("Job sheet" in line for line in made.not_tested)
    bare = compose_sheet([Source(replace(small_analysis, findings=()))], vehicle="v", date="2026-05-04")
    assert "Gain: no recording shows it being set." in bare.not_tested
    assert "No readings are at hand of: checks before power, supply check, noise." in bare.not_tested
    assert not any("No readings are at hand" in line for line in made.not_tested)
    assert bare.settings == ()
    assert bare.supply == ()
    assert any("Not calibrated: out_p" in line for line in bare.basis)


def test_a_walk_whose_file_stands_alone_is_not_said_to_be_not_done() -> None:
    steps = [WorkStep(s.key, s.title, "open", "") for s in STEPS]
    made = compose_sheet([], vehicle="v", date="2026-05-04", steps=steps, walks=[Walk(supply_check())])
    assert "Supply: the result is on this sheet, but was not added to the job." in made.not_tested
    assert "Supply: not done." not in made.not_tested
    assert "Source level: not done." in made.not_tested


def test_places_that_a_walk_did_not_come_to_stand_under_not_tested() -> None:
    points = make_points(PLACES[1:3], ("supply",))
    readings = [Reading(Step(points[0], "at rest"), 0.0, 5.0, 12.6, 12.58, 0.1, 0.0, None, None)]
    planned = [Step(point, "at rest") for point in points[:2]]
    walk = check_to_plain(conclude_check(check_answers({}), readings, ("supply",), planned))
    made = compose_sheet([], vehicle="v", date="2026-05-04", walks=[Walk(walk)])
    assert "Supply check: not measured at rest: main fuse in." in made.not_tested
    assert not any("ot measured" in sentence for sentence in made.supply_walks[0].sentences)


def test_checks_supply_and_noise_stand_there_and_what_they_left_out_under_not_tested(small_analysis: Analysis) -> None:
    made = usual_job(small_analysis)
    assert [row.channel for row in made.checks] == ["sub/mono; front/left; front/right, as found"]
    assert made.checks[0].conclusion == "Not enough to switch on: still to measure: supply polarity."
    assert "coil of the loudspeaker" in made.checks[0].as_expected
    assert made.checks[0].details == ("Look again: ground, 0.8 ohm without the meter's leads; expected under 0.5.",)
    left = "Checks before power, sub/mono; front/left; front/right, as found: not judged: supply polarity."
    assert left in made.not_tested
    assert any(line.startswith("Acoustic polarity") for line in made.not_tested)
    (walk,) = made.supply_walks
    assert walk.states == ("at rest", "under a tone")
    assert [place.lost for place in walk.places] == ["", "0.03 V", "0.29 V", "0.18 V"]
    assert walk.places[2].volts == ("12.60 V", "11.98 V")
    assert walk.places[2].lowest == "11.96 V"
    assert "The leg that drops most: main fuse in to main fuse out. Look there first." in walk.sentences
    assert any(line.startswith("Supply check, as found: ground return not judged") for line in made.not_tested)
    assert made.noise[0].noises == ("hum at 50 Hz, 40 mV rms: not told apart",)
    assert made.noise[0].level == "50 mV rms with the source connected"
    assert any("no run with shorted inputs" in line for line in made.not_tested)
    text = " ".join(text_sheet(made, width=80).split())
    page = html_sheet(made)
    for words in ("Meter checks before power", "0.29 V lost on the way there", "hum at 50 Hz, 40 mV rms"):
        assert words in text
    for words in ("meter checks with the power off", "lost on the way, under a tone", "hum at 50 Hz, 40 mV rms"):
        assert words in page


def test_results_come_from_the_command_line_and_from_the_job(small_recording: Path, tmp_path: Path) -> None:
    made = {"checks.json": checks(), "supply.json": supply_check(), "noise.json": noise()}
    for name, plain in made.items():
        (tmp_path / name).write_text(json.dumps(to_plain(plain)), encoding="utf-8")
    alone = json.loads(run(sheet_command, *(tmp_path / name for name in made), "--vehicle", "Blue van", "--json"))
    assert [len(alone[key]) for key in ("checks", "supply_walks", "noise", "verdicts")] == [1, 1, 1, 0]
    folder = tmp_path / "van"
    job = new_job(folder, "Blue van")
    job.set_channel("sub", "mono", {})
    job.save()
    run(job_command, "add", folder, "before-power", tmp_path / "checks.json", "--amplifier", "sub", "--channel", "mono")
    run(job_command, "add", folder, "supply", tmp_path / "supply.json", "--as", "found")
    run(job_command, "add", folder, "noise", tmp_path / "noise.json")
    kept = json.loads(run(sheet_command, "--job", folder, "--json"))
    assert kept["checks"][0]["channel"] == "sub/mono"
    assert kept["supply_walks"][0]["places"] == alone["supply_walks"][0]["places"]
    assert kept["noise"] == alone["noise"]
    assert not any("No readings" in line for line in kept["not_tested"])
    named = json.loads(run(sheet_command, tmp_path / "checks.json", "--job", folder, "--json"))
    assert named["checks"] == kept["checks"]  # the job says whose it is
    for odd in ({"kind": "before-power"}, {"kind": "supply check", "readings": [1], "legs": [], "sentences": []}):
        (tmp_path / "odd.json").write_text(json.dumps(odd), encoding="utf-8")
        with pytest.raises(RecordingUnreadableError, match="is no result of"):
            run(sheet_command, tmp_path / "odd.json")
    with pytest.raises(RecordingUnreadableError, match="there is no such file"):
        run(sheet_command, tmp_path / "none.json")


def test_losses_are_told_one_by_one(small_analysis: Analysis) -> None:
    health = replace(small_analysis.link_health, n_scans_lost={"link": 38}, n_scans_expected=32_038)
    lossy = Source(replace(small_analysis, link_health=health), "On the road")
    made = compose_sheet([lossy], vehicle="v", date="2026-05-04")
    assert any("38 lost of 32,038 scans" in line for line in made.basis)


def test_text_and_page_say_the_same(small_analysis: Analysis) -> None:
    made = usual_job(small_analysis)
    text, page = text_sheet(made, width=80), html_sheet(made)
    assert max(len(line) for line in text.splitlines()) <= 80
    flat = " ".join(text.split())
    for words in ("41.20 V rms", "33 mohm (21 to 42)", "on purpose", "Soak: left out", "A & B"):
        assert words in flat
    assert "Blue &lt;van&gt;" in page
    assert "A &amp; B" in page
    assert "<script" not in page  # a cause in the material is called so
    assert not re.search(r"https?:|src=|url\(|@import", page)
    for word in ("danger", "destroy", "fatal", "WARNING", "!"):
        assert word not in text
    with pytest.raises(ValueError, match="paper is one of"):
        html_sheet(made, paper="napkin")


class _Structure(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_is_well_formed_and_its_tables_have_captions_and_scopes(small_analysis: Analysis) -> None:
    structure = _Structure()
    structure.feed(html_sheet(usual_job(small_analysis)))
    assert structure.open == []
    tags = [tag for tag, _ in structure.seen]
    assert tags.count("table") == tags.count("caption") == 6
    assert all("scope" in attributes for tag, attributes in structure.seen if tag == "th")


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_usual_job_prints_on_one_page(small_analysis: Analysis, tmp_path: Path, paper: str) -> None:
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("chromium is not installed: the page cannot be printed here")
    (tmp_path / "s.html").write_text(html_sheet(usual_job(small_analysis), paper=paper), encoding="utf-8")
    command = [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    command += [
        f"--user-data-dir={tmp_path / 'profile'}",
        f"--print-to-pdf={tmp_path / 's.pdf'}",
        str(tmp_path / "s.html"),
    ]
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    pdf = (tmp_path / "s.pdf").read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1
    box = [float(v) for v in re.findall(rb"/MediaBox \[([^\]]*)\]", pdf)[0].split()]
    assert box[2:] == pytest.approx({"A4": [595, 842], "Letter": [612, 792]}[paper], abs=1)  # ISO 216; ANSI A


def test_an_analysis_survives_its_json(small_analysis: Analysis) -> None:
    plain = json.loads(json.dumps(analysis_to_json(small_analysis)))
    assert is_report(plain)
    again = analysis_to_json(analysis_from_json(plain))
    assert {**again, "sessions": plain["sessions"]} == plain
    del plain["recording"]
    with pytest.raises(ValueError, match="not a whole report"):
        analysis_from_json(plain)


def run(command: Any, *arguments: object) -> str:
    done = CliRunner().invoke(command, [str(a) for a in arguments])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.output


def test_a_job_folder_gives_its_sheet(small_recording: Path, tmp_path: Path) -> None:
    folder = tmp_path / "van"
    made = new_job(folder, "Blue van")
    made.set_channel("sub", "mono", {"load_ohm": 4.0, "rated_w": 500.0})
    made.add_entry("soak", "skipped", reason="no cut-off")
    made.save()
    where = ["--amplifier", "sub", "--channel", "mono", "--as", "left"]
    run(job_command, "add", folder, "gain", small_recording, *where)
    opened = open_job(folder)
    opened.add_entry("before-power", "done", note="coil 3.4 ohm")
    opened.save()
    plain = json.loads(run(sheet_command, "--job", folder, "--json"))
    assert plain["vehicle"] == "Blue van"
    assert plain["verdicts"][0]["label"] == "Gain, sub/mono, as left"
    assert plain["verdicts"][0]["cells"][0]["verdict"] == "found"
    assert {step["key"]: step["state"] for step in plain["steps"]}["soak"] == "skipped"
    assert any("Soak: left out: no cut-off." in line for line in plain["not_tested"])
    assert "coil 3.4 ohm" in run(sheet_command, "--job", folder)
    analysed = json.loads(run(sheet_command, folder / "recordings" / "small.mcap", "--job", folder, "--json"))
    assert analysed == plain
    run(sheet_command, "--job", folder, "--html", tmp_path / "s.html", "--paper", "Letter", "--vehicle", "Red van")
    page = (tmp_path / "s.html").read_text(encoding="utf-8")
    assert "<h1>Red van</h1>" in page
    assert "size: Letter" in page
    (findings,) = (folder / "findings").iterdir()
    findings.write_text("{", encoding="utf-8")
    with pytest.raises(JobError, match="cannot be read"):
        run(sheet_command, "--job", folder)


def test_recordings_alone_and_nothing_at_all(small_recording: Path) -> None:
    text = run(sheet_command, small_recording)
    assert "JOB SHEET  =sub & amp" in text
    assert "Gain: no recording shows it being set (50.0 Hz: the edge was not reached" in " ".join(text.split())
    assert "on purpose" not in text
    with pytest.raises(UsageError):
        run(sheet_command)
