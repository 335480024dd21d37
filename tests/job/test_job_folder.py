"""A job folder: order of work, plain files, and nothing overwritten when two people or two versions meet."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from ampwitness.cli import job as job_module
from ampwitness.cli.job import job as job_command
from ampwitness.errors import AmpwitnessError, JobError
from ampwitness.job.compare import Level, compare_pair, level_of
from ampwitness.job.folder import FILE_NAME, new_job, open_job
from ampwitness.job.steps import STEPS, file_of
from ampwitness.recording import RecordingWriter, RotatingWriter
from ampwitness.types import Chunk
from click.testing import CliRunner, Result


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    job = new_job(tmp_path / "blue-van", "Blue van")
    job.set_channel("front", "left", {"load_ohm": 4.0})
    job.set_channel("front", "right", {"load_ohm": 4.0})
    job.save()
    return job.folder


def test_the_order_of_work(folder: Path) -> None:
    job = open_job(folder)
    assert job.next_step() == "before-power"
    job.add_entry("before-power", "done", amplifier="front", channel="left")
    assert job.state("before-power") == "open"  # the right channel is still to be checked
    assert job.missing_channels("before-power") == ["front/right"]
    job.add_entry("before-power", "done", amplifier="front", channel="right")
    assert job.next_step() == "source"
    for step in STEPS[1:]:
        job.add_entry(step.key, "skipped", reason="shown only")
    assert job.next_step() is None
    job.save()
    again = open_job(folder)
    assert again.state("road") == "skipped"
    again.add_entry("road", "done", note="done after all")
    assert again.state("road") == "done"


def test_a_step_is_skipped_with_a_reason_only(folder: Path) -> None:
    with pytest.raises(JobError, match="say why"):
        open_job(folder).add_entry("soak", "skipped", reason="  ")
    with pytest.raises(JobError, match="front/rear"):
        open_job(folder).add_entry("gain", "done", amplifier="front", channel="rear")
    with pytest.raises(JobError, match="neither"):
        open_job(folder).add_entry("gain", "done", amplifier="front")


def test_two_people_at_once_lose_nothing(folder: Path) -> None:
    mine, theirs = open_job(folder), open_job(folder)
    theirs.add_entry("source", "done", note="theirs")
    theirs.save()
    kept = (folder / FILE_NAME).read_bytes()
    mine.add_entry("source", "done", note="mine")
    with pytest.raises(JobError, match="somebody else"):
        mine.save()
    assert (folder / FILE_NAME).read_bytes() == kept
    theirs.add_entry("supply", "done", note="and on")  # whoever wrote last may go on
    theirs.save()


def test_a_power_cut_while_writing_leaves_the_job_as_it_was(folder: Path) -> None:
    kept = open_job(folder).plain
    (folder / (FILE_NAME + ".part")).write_text('{"what": "ampwitness jo')
    assert open_job(folder).plain == kept
    open_job(folder).save()
    assert not (folder / (FILE_NAME + ".part")).exists()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"version": 99}, "version 99"),
        ({"what": "a cake"}, "no job of this program"),
        ({"equipment": [{"amplifier": "a", "channel": "b"}] * 2}, "twice"),
        ({"equipment": [{"amplifier": "a"}]}, "lacks"),
        ({"steps": {"dance": []}}, "dance"),
        ({"steps": {"gain": [{"state": "perhaps"}]}}, "neither done nor skipped"),
        ({"steps": {"gain": [{"state": "done", "amplifier": "x", "channel": "y"}]}}, "x/y"),
        ({"steps": []}, "missing"),
    ],
)
def test_what_does_not_hold_together_is_refused_and_left(folder: Path, change: dict, says: str) -> None:  # type: ignore[type-arg]
    path = folder / FILE_NAME
    text = json.dumps({**json.loads(path.read_text()), **change})
    path.write_text(text)
    with pytest.raises(JobError, match=says):
        open_job(folder)
    refused = CliRunner().invoke(job_command, ["skip", str(folder), "soak", "--reason", "x"])
    assert refused.exit_code != 0
    assert path.read_text() == text


def test_damaged_missing_and_doubled(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(JobError, match="holds no job"):
        open_job(tmp_path / "nowhere")
    with pytest.raises(JobError, match="holds a job already"):
        new_job(folder, "again")
    (folder / "job (copy of the other laptop).json").write_text("{}")
    with pytest.raises(JobError, match="two people"):
        open_job(folder)
    (folder / "job (copy of the other laptop).json").unlink()
    (folder / FILE_NAME).write_text("{")
    with pytest.raises(JobError, match="line 1"):
        open_job(folder)


def test_files_are_copied_in_and_missing_ones_named(folder: Path, tmp_path: Path) -> None:
    evidence = tmp_path / "checks.json"
    evidence.write_text('{"kind": "before-power"}')
    run = CliRunner()
    done = run.invoke(job_command, ["add", str(folder), "before-power", str(evidence), "--as", "found"])
    assert done.exit_code == 0, done.output
    assert (folder / "findings" / "checks.json").read_text() == evidence.read_text()
    assert open_job(folder).entries("before-power")[0]["moment"] == "as found"
    evidence.write_text('{"kind": "another"}')
    refused = run.invoke(job_command, ["add", str(folder), "before-power", str(evidence)])
    assert "nothing was overwritten" in str(refused.exception)
    (folder / "findings" / "checks.json").unlink()
    assert "MISSING: findings/checks.json" in run.invoke(job_command, ["show", str(folder)]).output
    gone = run.invoke(job_command, ["add", str(folder), "gain", str(tmp_path / "no.mcap")])
    assert "is not there" in str(gone.exception)


def test_a_file_whose_name_is_no_utf_8_comes_in_under_one_that_is(folder: Path, tmp_path: Path) -> None:
    evidence = tmp_path / os.fsdecode(b"pr\xfcfung.json")
    evidence.write_text("{}")
    done = CliRunner().invoke(
        job_command, ["add", str(folder), "supply", str(evidence), "--note", os.fsdecode(b"\xfc")]
    )
    assert done.exit_code == 0, done.output
    assert open_job(folder).missing_files() == []


def test_left_and_right_in_db(folder: Path, tmp_path: Path) -> None:
    """20 lg(11/10) = 0.83 dB, by hand."""
    for name, level_v in (("left", 10.0), ("right", 11.0)):
        path = tmp_path / f"{name}.json"
        path.write_text(
            json.dumps({"findings": [{"kind": "setting", "measured": {"left_at_v": level_v, "knee_v": 20.0}}]})
        )
        done = CliRunner().invoke(
            job_command, ["add", str(folder), "gain", str(path), "--amplifier", "front", "--channel", name]
        )
        assert done.exit_code == 0, done.output
    (match,) = json.loads(CliRunner().invoke(job_command, ["compare", str(folder), "--json"]).output)
    assert match["difference_db"] == pytest.approx(0.828, abs=0.001)
    assert "right is 0.83 dB louder" in match["words"]
    unlike = compare_pair("a", ("l", Level(10, "level of a steady tone")), ("r", Level(10, "level it was left at")))
    assert unlike.difference_db is None
    assert "not judged: no level is noted of l: set" in compare_pair("a", ("l", None), ("r", Level(10, "x"))).words
    assert "no level is noted of l and r: set" in compare_pair("a", ("l", None), ("r", None)).words
    near, far = (compare_pair("a", ("l", Level(10, "x", 40.0)), ("r", Level(10, "x", hz))) for hz in (41.9, 42.1))
    assert (near.difference_db, far.difference_db) == (0.0, None)  # a twentieth apart is another tone
    assert "at 40 Hz" in compare_pair("a", ("l", Level(10, "x", 40.0)), ("r", Level(10, "x", 1000.0))).words
    days = compare_pair("a", ("l", Level(10, "x", day="2024-05-01")), ("r", Level(11, "x", day="2024-05-02")))
    assert days.difference_db == pytest.approx(0.828, abs=0.001)
    assert "holds if the source was as loud both times" in days.words
    assert level_of([]) is None


def test_a_level_from_before_the_gain_was_set_again_is_not_compared(folder: Path, tmp_path: Path) -> None:
    def add(name: str, channel: str, *measured: dict[str, float]) -> None:
        path = tmp_path / f"{name}.json"
        path.write_text(json.dumps({"findings": [{"kind": "setting", "measured": m} for m in measured]}))
        more = ["--amplifier", "front", "--channel", channel]
        assert CliRunner().invoke(job_command, ["add", str(folder), "gain", str(path), *more]).exit_code == 0

    add("left", "left", {"left_at_v": 9.0, "tone_hz": 1000.0})
    add("right", "right", {"left_at_v": 9.0, "tone_hz": 1000.0})
    assert "alike" in CliRunner().invoke(job_command, ["compare", str(folder)]).output
    add("right-again", "right", {"knee_v": 20.0})
    assert "no level is noted of right" in CliRunner().invoke(job_command, ["compare", str(folder)]).output


def test_all_parts_of_a_recording_come_into_the_job(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = RotatingWriter(tmp_path / "soak.mcap", {}, 1000)
    for second in range(4):
        writer.append(Chunk(b"x" * 999 + b"\0", 1e9 + second))
    writer.close()
    assert writer.n_parts >= 2
    monkeypatch.setattr(job_module, "_analyse", lambda *_: "findings/soak.json")
    (folder / "findings" / "soak.json").write_text("{}")
    done = CliRunner().invoke(job_command, ["add", str(folder), "soak", str(tmp_path / "soak-part0001.mcap")])
    assert done.exit_code == 0, done.output
    kept = sorted(path.name for path in (folder / "recordings").iterdir())
    assert kept == [f"soak-part000{at}.mcap" for at in range(1, writer.n_parts + 1)]
    (folder / "recordings" / "soak-part0002.mcap").unlink()
    assert open_job(folder).missing_files() == ["recordings/soak-part0002.mcap"]


def test_what_cannot_be_added_leaves_nothing_behind(folder: Path, tmp_path: Path) -> None:
    RecordingWriter(tmp_path / "empty.mcap", {}).close()
    foreign = tmp_path / "foreign.mcap"
    foreign.write_text("no recording" * 100)
    cases = [
        [foreign],
        [tmp_path / "empty.mcap"],
        [tmp_path / "gone"],
        [foreign, "--amplifier", "no", "--channel", "x"],
    ]
    for case in cases:
        done = CliRunner().invoke(job_command, ["add", str(folder), "road", *map(str, case)])
        assert isinstance(done.exception, AmpwitnessError), case
        assert not list((folder / "recordings").glob("*"))


def test_show_says_what_is_next_and_why(folder: Path) -> None:
    shown = CliRunner().invoke(job_command, ["show", str(folder)]).output
    assert "Next: Checks before power" in shown
    assert "destroys" in shown
    plain = json.loads(CliRunner().invoke(job_command, ["show", str(folder), "--json"]).output)
    assert plain["next"] == "before-power"


def test_no_name_is_taken_that_the_job_could_not_be_read_with_again(tmp_path: Path) -> None:
    made = new_job(tmp_path / "van", "Van")
    for amplifier, channel in (("", "left"), ("sub", " "), ("a/b", "left"), ("sub", "l/r")):
        with pytest.raises(JobError, match="is no name for"):
            made.set_channel(amplifier, channel, {})
    made.set_channel("front amp", "left", {"band": "full"})
    made.add_entry("before-power", "skipped", reason="done before")
    made.add_entry("source", "skipped", reason="done before")
    made.save()
    shown = CliRunner().invoke(job_command, ["show", str(tmp_path / "van")]).output
    assert "--amplifier 'front amp' --channel left" in shown  # can be pasted


def test_a_channel_is_told_as_it_is_spoken_and_a_result_goes_to_its_own_step(tmp_path: Path) -> None:
    def run(*words: str) -> Result:
        return CliRunner().invoke(job_command, list(words))

    folder = str(tmp_path / "van")
    assert run("new", folder).exit_code == 0
    run("channel", folder, "--amplifier", "sub", "--channel", "mono", "--load-ohm", "4", "--band", "sub", "--bridged")
    assert "sub/mono: load 4 ohm, band sub, bridged" in run("show", folder).output
    noise = tmp_path / "n.json"
    rest = {"sources": [], "not_judged": [], "sensitivity_v": 0.02, "line_sensitivity_v": 0.002, "runs": {}}
    noise.write_text(json.dumps({"kind": "find-noise", **rest}))
    done = run("add", folder, "supply", str(noise))
    assert isinstance(done.exception, JobError)
    assert "add it to step noise" in str(done.exception)
    assert run("add", folder, "noise", str(noise)).exit_code == 0


def test_a_channel_named_in_any_language_has_a_file_of_its_own() -> None:
    """Letters beyond A to Z were left out: two channels named by one each had the same file proposed."""
    names = {file_of("gain", {"amplifier": "sub", "channel": name}, 0) for name in ("ä", "ö", "左", "a/b")}
    assert names == {"gain-sub-ä.mcap", "gain-sub-ö.mcap", "gain-sub-左.mcap", "gain-sub-a-b.mcap"}
