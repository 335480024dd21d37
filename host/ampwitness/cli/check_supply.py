"""`ampwitness check-supply`: a guided walk along the supply with the probe."""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ampwitness.cli import INTERRUPTED_EXIT_CODE
from ampwitness.cli.finite import FINITE, FiniteRange
from ampwitness.cli.keyboard import Keyboard
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.recording_notes import SAFETY, recording_notes
from ampwitness.cli.settings_folder import calibration_of
from ampwitness.cli.stopping import stop_on_signals
from ampwitness.cli.wrapped import as_typed, say, wrapped
from ampwitness.errors import AmpwitnessError, RecordingUnreadableError, UsageError
from ampwitness.findings.as_json import to_plain
from ampwitness.guide.check_supply import MEASURE_S, CheckSupplyWalk, check_answers, make_points
from ampwitness.guide.supply_finding import conclude_walk
from ampwitness.guide.supply_judged import check_to_plain, check_to_table, conclude_check
from ampwitness.guide.supply_readings import STATES, Reading, SupplyCheck
from ampwitness.guide.supply_taken import read_answers, read_taken
from ampwitness.guide.supply_textbook import BATTERY_KINDS, CHARGING_KINDS, REST_HOURS
from ampwitness.link.finding import find_board
from ampwitness.link.session import BoardSession
from ampwitness.live import LiveFeed
from ampwitness.plain_json import UnreadableTextError, read_json
from ampwitness.recording import RecordingWriter
from ampwitness.recording.writer import refuse_existing
from ampwitness.whole_file import write_whole

BETWEEN = ("main fuse in", "main fuse out", "distribution block out")
_SHOWN_S = 0.2
_OLD_S = 1.0  # volts shown are no older


@click.command(
    "check-supply",
    epilog="Example: ampwitness check-supply --nominal 12 --battery AGM --charging fixed --out supply-check.json",
)
@click.option("--port", help="Serial port of the board. Without it every port is asked.")
@click.option("--nominal", type=FINITE, help="Nominal volts of the system: 12. 24 V systems are refused.")
@click.option("--battery", type=click.Choice(BATTERY_KINDS, case_sensitive=False), help="Kind of battery.")
@click.option("--charging", type=click.Choice(CHARGING_KINDS, case_sensitive=False), help="How it is charged.")
@click.option("--rest-hours", type=FiniteRange(min=0), help="Hours since the battery was charged or loaded.")
@click.option("--point", "between", multiple=True, help="Fuse holder or block on the way, in order. Repeatable.")
@click.option("--answers", type=NAMED_PATH, help="JSON file: all answers, and when to measure what.")
@click.option("--go-on", type=NAMED_PATH, help="Result of a walk that was broken off: measure what it left.")
@click.option("--out", type=NAMED_PATH, help="File for the result. Default: a name by date and time.")
@click.option("--record", "recording", type=NAMED_PATH, help="Keep what was measured here.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, and no progress.")
def check_supply(
    port: str | None,
    nominal: float | None,
    battery: str | None,
    charging: str | None,
    rest_hours: float | None,
    between: tuple[str, ...],
    answers: Path | None,
    go_on: Path | None,
    out: Path | None,
    recording: Path | None,
    as_json: bool,
) -> None:
    """Walk along the supply with the probe: where are volts lost, and is each reading plausible?

    The probe is the board's supply channel. At each place, press Enter when it is held there; s skips a place, b
    goes back to the one before, q ends; Ctrl-C too, with exit code 130: what was measured is saved all the same.
    With a second lead on a `battery` channel every reading is compared with the battery at the same moment.

    A walk that was broken off goes on with --go-on and its result: what it has is kept, the rest is measured.

    \b
    An answers file for scripts:
    {"nominal_v": 12, "battery_kind": "AGM",
     "charging_kind": "fixed", "rest_hours": 6,
     "points": ["main fuse in", "main fuse out"],
     "steps": {"battery plus post@at rest": [1.0, 5.0],
               "main fuse in@at rest": [6.0, 10.0]}}

    Steps are named POINT@STATE, states are "at rest", "engine running", "under a tone"; spans are recording time.
    """
    earlier = _read_answers(go_on) if go_on is not None else {}
    typed = read_answers(earlier, str(go_on)) if go_on is not None else {}
    typed.update(_read_answers(answers) if answers is not None else {})
    given = {"nominal_v": nominal, "battery_kind": battery, "charging_kind": charging, "rest_hours": rest_hours}
    typed.update({key: value for key, value in given.items() if value is not None})
    check_answers(typed)  # in vain is no terminal asked for, and no board looked for
    is_live = sys.stdin is not None and sys.stdin.isatty() and "steps" not in typed
    if not is_live and "steps" not in typed:
        raise UsageError(
            "There is no terminal to guide at: give --answers with `steps`, when to measure what (see --help)."
        )
    out = out or Path(datetime.now().strftime("supply-check-%Y%m%d-%H%M%S.json"))
    refuse_existing(out)
    if recording is not None:
        refuse_existing(recording)
    with ProgressLine() as progress:
        progress("looking for the board")
        found_port = find_board(port)
    if is_live and not as_json:
        _ask(typed)
    facts = check_answers(typed)
    say(f"{SAFETY} Fuse the probe's lead; take power off before a clip moves at a fuse.", err=True)
    facts["points"] = list(between or tuple(facts.get("points") or BETWEEN))  # those that --go-on walks too
    walked = _walk_along(found_port, facts, _spans(typed), (earlier, go_on), recording, as_json)
    _save(walked, out, as_json, is_live)


@dataclass(frozen=True, slots=True)
class _Walked:
    """A walk that took readings, and what ended it ahead of time, if anything did."""

    walk: CheckSupplyWalk
    check: SupplyCheck
    failure: AmpwitnessError | None
    is_stopped: bool


def _walk_along(
    port: str, facts: dict[str, Any], spans: dict[str, tuple[float, float]] | None,
    earlier: tuple[dict[str, Any], Path | None], recording: Path | None, as_json: bool,
) -> _Walked:  # fmt: skip
    """Walk with the board at a port; `earlier`: what a walk before took, and its file. A walk without any reading ends
    in an error."""
    walk: CheckSupplyWalk | None = None
    roles: tuple[str, ...] = ()
    failure: AmpwitnessError | None = None
    is_stopped = False
    taken_before, go_on = earlier
    try:
        with BoardSession(port) as session:
            roles = tuple(session.hello.roles)
            if "supply" not in roles:
                raise UsageError("the board logs no supply channel: wire the probe and name it in its board_config.")
            points = make_points(facts["points"], roles)
            taken = read_taken(taken_before, points, go_on.name) if go_on is not None else ()
            walk = CheckSupplyWalk(points, STATES, spans, taken)
            if walk.step is None:
                raise UsageError(f"{go_on} has every reading of this walk: nothing is left to measure.")
            check, is_stopped = _walk(session, walk, facts, recording, as_json)
    except AmpwitnessError as error:  # the cable, the board, the disk: what was measured is kept
        if walk is None or not walk.n_taken:
            raise
        failure, check = error, conclude_check(facts, walk.readings, roles, walk.planned)
    if failure is None and not walk.n_taken:
        if is_stopped:
            raise click.Abort
        raise UsageError("no reading was taken: nothing is saved. Hold the probe at a place and press Enter")
    return _Walked(walk, check, failure, is_stopped)


def _save(walked: _Walked, out: Path, as_json: bool, is_live: bool) -> None:
    """Write and print what was measured, then end as the walk did."""
    walk, check = walked.walk, walked.check
    content = {**check_to_plain(check), "made_at": datetime.now().astimezone().isoformat(timespec="seconds")}
    write_whole(out, json.dumps(to_plain(content), indent=1) + "\n")
    _print(check, content, out, as_json)
    if walk.n_left and is_live:
        say(f"What is left is measured with\n  {as_typed('check-supply', '--go-on', out)}", err=True)
    if walked.failure is not None:
        raise walked.failure
    if walked.is_stopped:
        say(f"Stopped with {walk.n_left} of {len(walk.planned)} readings to go; those taken are saved.", err=True)
        click.get_current_context().exit(INTERRUPTED_EXIT_CODE)


def _print(check: SupplyCheck, content: dict[str, Any], out: Path, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(to_plain({**content, "saved_as": str(out)}), indent=1))
        return
    if sys.stderr.isatty():
        click.echo("", err=True)  # below the line that was rewritten
    lines = check_to_table(check)
    blank = lines.index("", lines.index("") + 1) if check.legs else lines.index("")
    for line in lines[:blank]:
        click.echo(line)
    click.echo("")
    for sentence in lines[blank + 1 :]:
        click.echo(wrapped(sentence))
    then = as_typed("job", "add", "JOB", "supply", out)
    click.echo(f"Saved for the job sheet in {out}. Next, where there is a job:\n  {then}")


def _read_answers(path: Path) -> dict[str, Any]:
    try:
        loaded = read_json(path)
    except UnreadableTextError as error:
        raise RecordingUnreadableError(f"{path} cannot be read as JSON: {error}") from error
    if not isinstance(loaded, dict):
        raise UsageError(f"{path}: an object of answers was expected (see `ampwitness check-supply --help`)")
    return loaded


def _spans(typed: dict[str, Any]) -> dict[str, tuple[float, float]] | None:
    if "steps" not in typed:
        return None
    spans = {}
    steps = typed["steps"]
    if not isinstance(steps, dict):
        raise UsageError("steps: an object POINT@STATE -> [start_s, stop_s] was expected")
    for key, span in steps.items():
        is_pair = isinstance(span, list) and len(span) == 2 and all(isinstance(t, int | float) for t in span)
        if not is_pair or not 0 <= span[0] < span[1]:
            raise UsageError(f"steps, {key}: [start_s, stop_s] was expected, not {span!r}")
        spans[str(key)] = (float(span[0]), float(span[1]))
    return spans


if TYPE_CHECKING:
    _ParamType = click.ParamType[Any]
else:
    _ParamType = click.ParamType  # generic only in later releases of click


class _OneOf(_ParamType):
    """One of some words, by any beginning that no other shares, in capitals or not."""

    name = "word"

    def __init__(self, words: tuple[str, ...]) -> None:
        self._words = words

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        meant = [word for word in self._words if word.lower().startswith(str(value).strip().lower())]
        if len(meant) != 1:
            self.fail(f"{value!r} is none of {', '.join(self._words)}", param, ctx)
        return meant[0]


class _Number(_ParamType):
    """A number from zero up, with a point or a comma."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            number = float(str(value).replace(",", "."))
        except ValueError:
            number = -1.0
        if not 0.0 <= number < float("inf"):
            self.fail(f"{value!r} is no number from zero up", param, ctx)
        return number


def _ask(typed: dict[str, Any]) -> None:
    """Ask what decides how readings are compared; Enter takes the answer in brackets."""
    if "nominal_v" not in typed:
        typed["nominal_v"] = click.prompt("Nominal volts of the system", default="12", type=_Number(), err=True)
    check_answers({"nominal_v": typed["nominal_v"]})  # a 24 V system is refused before anything else is asked
    for key, text, kinds in (
        ("battery_kind", "Battery", BATTERY_KINDS),
        ("charging_kind", "Charging", CHARGING_KINDS),
    ):
        if key not in typed:
            typed[key] = click.prompt(f"{text} ({', '.join(kinds)})", default=kinds[0], type=_OneOf(kinds), err=True)
    if "rest_hours" not in typed:
        text = f"Hours since the battery was charged or loaded\n({REST_HOURS:g} or more tell its charge)"
        typed["rest_hours"] = click.prompt(text, default="0", type=_Number(), err=True)


class _Screen:
    """One line that is rewritten on a terminal; each step and its reading on a line of its own otherwise."""

    def __init__(self, is_quiet: bool) -> None:
        self._is_quiet = is_quiet
        self._is_terminal = sys.stderr.isatty()
        self._step_key = ""
        self._shown_s = 0.0
        self._last: tuple[float, float] | None = None  # volts, and when they came

    def show(self, walk: CheckSupplyWalk, supply_v: float | None) -> None:
        if self._is_quiet or walk.step is None:
            return
        if walk.step.key != self._step_key:
            self._step_key = walk.step.key
            say(f"\n{walk.n_left} to go. {walk.step.instruction}", err=True)
            if self._is_terminal:
                say("Enter measures, s skips, b goes back, q ends.", err=True)
        if not self._is_terminal or time.monotonic() - self._shown_s < _SHOWN_S:
            return
        self._shown_s = time.monotonic()
        if supply_v is not None:
            self._last = supply_v, self._shown_s
        is_old = self._last is None or self._shown_s - self._last[1] > _OLD_S
        volts = "no samples" if is_old or self._last is None else f"{self._last[0]:6.2f} V"
        doing = f"measuring, {100 * walk.share_done:3.0f} % of {MEASURE_S:.0f} s" if walk.is_measuring else "waiting"
        sys.stderr.write(f"\r  {volts}   {doing}".ljust(60))
        sys.stderr.flush()

    def tell(self, reading: Reading) -> None:
        if self._is_quiet:
            return
        key = reading.step.key.replace("@", ", ")
        if reading.not_judged is not None:
            again = " Press Enter to measure again." if self._is_terminal else ""
            text = f"  {key}: not judged, {reading.not_judged}.{again}"
        else:
            text = (
                f"  {key}: mean {reading.mean_v:.3f} V, lowest {reading.lowest_v:.3f} V, "
                f"ripple {reading.ripple_v:.3f} V."
            )
        if self._is_terminal:
            click.echo(f"\r{'':60s}\r", nl=False, err=True)
        say(text, err=True)


def _walk(
    session: BoardSession, walk: CheckSupplyWalk, facts: dict[str, Any], recording: Path | None, as_json: bool
) -> tuple[SupplyCheck, bool]:
    """Measure every step, or as many as the person wants; a recording keeps the outcome as a finding.

    Returns the outcome, and whether a signal ended the walk before its time.
    """
    typed = {"what": "supply check", "nominal_supply_v": facts["nominal_v"], "battery_kind": facts["battery_kind"]}
    writer = None if recording is None else RecordingWriter(recording, recording_notes(session, typed))
    known = calibration_of(session.hello.board_id)
    screen = _Screen(as_json)
    feed = LiveFeed(session, writer, calibrations=None if known is None else known.calibrations)
    is_over = False  # what was on its way when the person stopped is recorded, but gives no more readings
    with Keyboard() as keyboard, feed, stop_on_signals() as signals:
        for window in feed.windows():
            keys = keyboard.pressed().lower()
            if "\r" in keys or "\n" in keys:
                walk.begin()
            elif "s" in keys:
                walk.skip()
            elif "b" in keys:
                walk.back()
            supply_v = None
            if window is not None and not is_over:
                for reading in walk.push(window):
                    screen.tell(reading)
            if window is not None:
                segments = window.traces["supply"].segments if "supply" in window.traces else ()
                supply_v = float(segments[-1].volts.mean()) if segments and len(segments[-1].volts) else None
            screen.show(walk, supply_v)
            if walk.step is None or "q" in keys or signals:
                is_over = True
                feed.request_stop()
        for reading in walk.finish():
            screen.tell(reading)
        check = conclude_check(facts, walk.readings, session.hello.roles, walk.planned)
        if writer is not None and writer.is_open:
            found = conclude_walk(check)
            names = ("kind", "start_s", "stop_s", "measured", "threshold", "evidence")
            writer.keep_finding(time.time(), to_plain({name: getattr(found, name) for name in names}))
    return check, bool(signals) and walk.step is not None
