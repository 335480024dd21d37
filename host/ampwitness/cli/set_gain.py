"""`ampwitness set-gain`: guided and live, for someone with one hand on a knob."""

from __future__ import annotations

import json
import sys
from datetime import datetime
from pathlib import Path

import click

from ampwitness.cli import INTERRUPTED_EXIT_CODE
from ampwitness.cli.finite import FiniteRange
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.recording_notes import SAFETY, recording_notes
from ampwitness.cli.set_gain_run import SetGainRun
from ampwitness.cli.set_gain_screen import GainScreen
from ampwitness.cli.wrapped import as_typed, say
from ampwitness.errors import AmpwitnessError, UsageError
from ampwitness.findings.as_json import to_plain
from ampwitness.findings.wording import NOT_ASKED
from ampwitness.guide.set_gain_words import QUESTIONS
from ampwitness.guide.tone_tracks import CAUTION, HIGH_TONE_CAUTION, HIGH_TONE_HZ
from ampwitness.link.finding import find_board
from ampwitness.link.session import BoardSession
from ampwitness.recording.writer import refuse_existing
from ampwitness.types import Finding
from ampwitness.waveform.response import PASS_FRACTION

_KEYS = ", ".join(question.key.removeprefix("gain_") for question in QUESTIONS)  # of --answer


@click.command(
    "set-gain", epilog="Example: ampwitness set-gain --tone 40 --load 4 --load-kind speaker --out gain.mcap --sound"
)
@click.option("--tone", "tone_hz", type=FiniteRange(18, 11_000), default=40.0, show_default=True, help="Hz.")
@click.option("--load", "load_ohm", type=FiniteRange(min=0, min_open=True), help="Nominal ohms of the load.")
@click.option(
    "--load-kind", type=click.Choice(["none", "resistor", "speaker"]), required=True, help="What the output drives."
)
@click.option("--port", help="Serial port of the board. Without it every port is asked.")
@click.option("--out", type=NAMED_PATH, help="File to record into. Default: a name by date and time.")
@click.option(
    "--mode", type=click.Choice(["bass", "wide"]), help="Mode of the board. Default: wide above 300 Hz, else bass."
)
@click.option("--seconds", type=FiniteRange(min=0, min_open=True), help="Stop after this long.")
@click.option("--amplifier", help="What is being measured, in your words.")
@click.option(
    "--answer",
    "given",
    multiple=True,
    metavar="KEY=TEXT",
    help=f"Answers a question beforehand; repeatable. KEY is one of {_KEYS}.",
)
@click.option("--sound", is_flag=True, help="Ring the terminal's bell at the edge.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, and no level line.")
def set_gain(
    tone_hz: float,
    load_ohm: float | None,
    load_kind: str,
    port: str | None,
    out: Path | None,
    mode: str | None,
    seconds: float | None,
    amplifier: str | None,
    given: tuple[str, ...],
    sound: bool,
    as_json: bool,
) -> None:
    """Set a gain against the logger: source first, then the amplifier, up to the edge and back.

    Play the tone's track (`ampwitness tones`). Keys: Enter next step, f the gain is full up, t turned up one step,
    q end. Everything is recorded; Ctrl-C keeps it. Without a terminal it runs by itself and prints plain lines.
    """
    if load_kind == "none" and load_ohm is not None:
        raise UsageError("--load with --load-kind none makes no sense: leave one of them out.")
    if load_kind != "none" and load_ohm is None:
        raise UsageError("--load is missing: give the load's nominal ohms, or --load-kind none.")
    out = out or Path(datetime.now().strftime("ampwitness-gain-%Y%m%d-%H%M%S.mcap"))
    refuse_existing(out)
    answers = _parse_answers(given)
    caution = f"{SAFETY} {CAUTION}"
    if load_kind == "speaker" and tone_hz > HIGH_TONE_HZ:
        caution += f" {HIGH_TONE_CAUTION}"
    say(caution, err=True)
    with ProgressLine() as progress:  # before eight questions are asked in vain
        progress("looking for the board")
        found_port = find_board(port)
    if sys.stdin is not None and sys.stdin.isatty() and not as_json:
        answers = _ask(answers)
    for question in QUESTIONS:
        answers.setdefault(question.key, NOT_ASKED)
    with BoardSession(found_port) as session:
        wanted = mode or ("wide" if tone_hz > 300 else "bass")
        if wanted != session.hello.mode:
            session.set_mode(wanted)
        band_hz = PASS_FRACTION * float(session.hello.rate_hz) / 2
        if tone_hz > band_hz:
            other = "a lower tone" if wanted == "wide" else "--mode wide, or a lower tone"
            raise UsageError(
                f"{tone_hz:g} Hz lies outside the {wanted} mode's band (up to {band_hz:.0f} Hz): choose {other}."
            )
        if "out_p" not in session.hello.roles and "output" not in session.hello.roles:
            raise UsageError("the board logs no amplifier output: wire one and name it out_p in its board_config.")
        notes = recording_notes(session, {
            "amplifier": amplifier, "load_ohm": load_ohm, "load_kind": load_kind, "asked_mode": wanted,
            "set_gain_tone_hz": tone_hz, **answers,
        })  # fmt: skip
        with ProgressLine() as progress:
            progress("getting ready")
            run = SetGainRun(session, out, notes, tone_hz, load_ohm, load_kind, answers)
        if run.walk.goes_by_level:
            said = f"Distortion of {tone_hz:g} Hz is mostly not judged at this sample rate: {run.walk.other_ways}."
            say(said, err=True)
        failure: AmpwitnessError | None = None
        try:
            run.go(GainScreen(is_quiet=as_json, wants_sound=sound), seconds)
        except AmpwitnessError as error:  # what is known so far is said all the same, and then what stopped it
            failure = error
    if run.finding is not None:
        _say(run, run.finding, out, as_json)
    if failure is not None:
        raise failure
    if run.is_interrupted:
        click.get_current_context().exit(INTERRUPTED_EXIT_CODE)


def _say(run: SetGainRun, finding: Finding, out: Path, as_json: bool) -> None:
    if as_json:
        result = {"recording": str(out), "result": to_plain(finding.measured), "delay": run.delays.summary(),
                  "step_reached": run.walk.step}  # fmt: skip
        click.echo(json.dumps(result, indent=1))
        return
    say(str(finding.measured["line"]))
    if finding.measured["next"]:
        say(f"To do: {finding.measured['next']}.")
    say(run.delays.words())
    say(f"Recorded in {out}. Next:")
    click.echo(f"  {as_typed('report', out, '--html', out.with_suffix('.html'))}")
    click.echo(f"Where there is a job:\n  {as_typed('job', 'add', 'JOB', 'gain', out)}")


def _parse_answers(given: tuple[str, ...]) -> dict[str, str]:
    known = {question.key for question in QUESTIONS}
    answers = {}
    for text in given:
        key, sign, value = text.partition("=")
        key = key if key.startswith("gain_") else f"gain_{key}"
        if not sign or key not in known:
            raise UsageError(f"--answer {text}: give KEY=TEXT, KEY one of {_KEYS}")
        answers[key] = value
    return answers


def _ask(answers: dict[str, str]) -> dict[str, str]:
    if all(question.key in answers for question in QUESTIONS):
        return answers
    said = "Before the tone: what decides the result. Enter takes the answer in brackets."
    say(said, err=True)
    asked = dict(answers)
    for question in QUESTIONS:
        if question.key not in asked:
            asked[question.key] = click.prompt(f"  {question.text}", default=question.wanted, err=True)
    return asked
