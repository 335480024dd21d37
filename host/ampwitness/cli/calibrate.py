"""`ampwitness calibrate`: known volts from a meter against what the board reads, channel by channel."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from ampwitness.calibration_file import CalibrationBook, calibration_path, calibration_to_plain, read_book, write_book
from ampwitness.cli.finite import FiniteRange
from ampwitness.cli.settings_folder import settings_folder
from ampwitness.cli.wrapped import say
from ampwitness.errors import CalibrationError, UsageError
from ampwitness.guide.calibrate import CAUTION, METER_PERCENT, METER_V, CalibrationWalk, point_from
from ampwitness.link.finding import find_board
from ampwitness.link.session import BoardSession
from ampwitness.live import read_blocks
from ampwitness.types import Calibration, Channel, Hello
from ampwitness.waveform.calibration import is_of_this_design
from ampwitness.waveform.calibration_fit import (
    CalibrationFit,
    CalibrationPoint,
    ContradictionError,
    StillReading,
    fit_calibration,
    read_still,
)


def _read(port: str, seconds: float, board_id: str) -> tuple[StillReading, ...]:
    """One still reading of all channels. The port is opened for it alone: between two points the board may rest."""
    with BoardSession(port) as session:
        if session.hello.board_id != board_id:
            raise CalibrationError(
                f"Another board ({session.hello.board_id}) answers on {port} now; the points so far are of {board_id}. "
                "Put the first board back, or begin again with --fresh."
            )
        return read_still(read_blocks(session, seconds))


def _parse_known(texts: Sequence[str], hello: Hello) -> dict[str, float]:
    """`supply=12.6,out_p=0` -> volts by role. Raises UsageError."""
    known: dict[str, float] = {}
    for piece in ",".join(texts).split(","):
        role, equals, number = (part.strip() for part in piece.partition("="))
        try:
            volts = float(number)
        except ValueError:
            volts = math.nan
        if not equals or not math.isfinite(volts):
            raise UsageError(f"--at {piece.strip()!r}: say ROLE=VOLTS, for example --at supply=12.60,out_p=0")
        if role not in hello.roles:
            raise UsageError(f"--at {piece.strip()}: the board has {', '.join(hello.roles)}, and no {role}.")
        known[role] = volts
    return known


def _plain_point(point: CalibrationPoint, meter: str) -> dict[str, Any]:
    return {
        **asdict(point),
        "taken_at": datetime.now().astimezone().isoformat(timespec="seconds"),
        "meter": meter,
    }


def _point_of(plain: dict[str, Any], path: Path) -> CalibrationPoint:
    try:
        return CalibrationPoint(
            *(float(plain[n]) for n in ("known_v", "known_uncertainty_v", "mean_code", "code_uncertainty_lsb"))
        )
    except (KeyError, TypeError, ValueError) as error:
        raise CalibrationError(f"{path}: a point lacks a number; begin again with --fresh.") from error


def _fit_line(channel: Channel, fit: CalibrationFit) -> str:
    done = fit.calibration
    wide_v = 2000 * channel.gain_v_per_code  # about half the range
    known_to_v = math.hypot(done.offset_uncertainty_v, wide_v * done.gain_uncertainty_ratio)
    residuals = ", ".join(f"{1e3 * v:+.1f}" for v in fit.residual_v)
    return (
        f"{done.role:8} {1e3 * done.gain_v_per_code:.4f} mV a code: {100 * fit.gain_off_ratio:+.2f} % of the design, "
        f"whose parts allow {100 * fit.gain_limit_ratio:.1f} %\n"
        f"{'':8} 0 V was off by {1e3 * fit.zero_off_v:+.0f} mV, the parts allow {1e3 * fit.zero_limit_v:.0f} mV\n"
        f"{'':8} residuals of the points: {residuals} mV\n"
        f"{'':8} standard uncertainty: {1e3 * done.offset_uncertainty_v:.1f} mV at 0 V, "
        f"{1e3 * known_to_v:.0f} mV at {wide_v:.3g} V"
    )


class _Desk:
    """The book of one board on this computer, and what the options say about the meter."""

    def __init__(
        self, hello: Hello, path: Path, is_fresh: bool, meter: str, meter_percent: float, meter_v: float
    ) -> None:
        self.hello, self.path = hello, path
        found = None if is_fresh else read_book(path)
        if found is not None and found.board_id != hello.board_id:
            raise CalibrationError(f"{path} belongs to board {found.board_id}, not to {hello.board_id}; move it away.")
        self.book = found or CalibrationBook(hello.board_id)
        self.meter = meter
        self.meter_ratio = meter_percent / 100 / math.sqrt(3)
        self.meter_v = meter_v
        self.channels = {channel.role: channel for channel in hello.channels}
        self._drop_other_design()

    def _drop_other_design(self) -> None:
        """A network that was changed since makes older points of that channel worthless."""
        for role, calibration in list(self.book.calibrations.items()):
            if role in self.channels and not is_of_this_design(calibration, self.channels[role]):
                del self.book.calibrations[role]
                self.book.points.pop(role, None)

    def add(self, role: str, point: CalibrationPoint) -> None:
        self.book.points.setdefault(role, []).append(_plain_point(point, self.meter))

    def fit(self, role: str) -> CalibrationFit:
        points = [_point_of(plain, self.path) for plain in self.book.points.get(role, [])]
        today = datetime.now().astimezone().date().isoformat()
        return fit_calibration(
            self.channels[role], points, meter_ratio=self.meter_ratio, made_on=today, meter=self.meter
        )

    def keep(self, fits: Sequence[CalibrationFit]) -> None:
        for fit in fits:
            self.book.calibrations[fit.calibration.role] = fit.calibration
        write_book(self.path, self.book)


def _walk(desk: _Desk, port: str, seconds: float, roles: tuple[str, ...]) -> list[CalibrationFit]:
    """Ask at the terminal until every channel is done."""
    walk = CalibrationWalk(desk.hello, roles)
    for role in walk.roles:
        desk.book.points.pop(role, None)  # a walk begins afresh
    while (question := walk.next_question()) is not None:
        say("\n" + question.text)
        if question.role is None:
            click.prompt("Enter when they are", default="", show_default=False, prompt_suffix=": ")
            known_v: float | None = 0.0
        else:
            known_v = _ask_volts("nothing: next channel" if question.is_optional else "s: leave this channel out")
        if known_v is None:
            walk.skip(question)
            continue
        for sentence in walk.take(question, known_v, _read(port, seconds, desk.hello.board_id), desk.meter_v):
            say(f"Not taken. {sentence}", err=True)
    fits = []
    for role in walk.roles:
        for point in walk.points.get(role, []):
            desk.add(role, point)
        if len(walk.points.get(role, [])) > 1:
            fits.append(desk.fit(role))
    return fits


def _ask_volts(how_to_skip: str) -> float | None:
    while True:
        text = str(click.prompt(f"Volts on the meter ({how_to_skip})", default="", show_default=False)).strip()
        if text.lower() in ("", "s"):
            return None
        try:
            return float(text.removesuffix("V").removesuffix("v").replace(",", "."))
        except ValueError:
            click.echo("A number like 12.60, please.", err=True)


def _take_at(desk: _Desk, port: str, seconds: float, known: dict[str, float]) -> list[CalibrationFit]:
    """One reading for the given volts; a line for each channel that has enough points by now."""
    readings = {reading.role: reading for reading in _read(port, seconds, desk.hello.board_id)}
    for role, known_v in known.items():
        if role not in readings:
            raise CalibrationError(f"The board sent no samples of {role}; try again.")
        point, why_not = point_from(desk.channels[role], readings[role], known_v, desk.meter_v)
        if point is None:
            raise CalibrationError(f"Nothing is kept. {why_not}")
        desk.add(role, point)
    fits = []
    for role in known:
        if len(desk.book.points[role]) > 1:
            try:
                fits.append(desk.fit(role))
            except ContradictionError:
                desk.book.points[role].pop()
                raise
    return fits


def _show_book(board_id: str, path: Path, book: CalibrationBook | None, as_json: bool) -> None:
    calibrations: list[Calibration] = [] if book is None else list(book.calibrations.values())
    if as_json:
        plain = {
            "board_id": board_id,
            "file": str(path),
            "calibrations": [calibration_to_plain(calibration) for calibration in calibrations],
        }
        click.echo(json.dumps(plain, indent=1))
        return
    if not calibrations:
        say(f"Board {board_id} has no measured calibration on this computer: nominal values of its parts are used.")
    for calibration in calibrations:
        say(
            f"{calibration.role:8} {1e3 * calibration.gain_v_per_code:.4f} mV a code "
            f"+-{100 * calibration.gain_uncertainty_ratio:.2f} %, "
            f"0 V +-{1e3 * calibration.offset_uncertainty_v:.1f} mV; {calibration.source}, {calibration.made_on}"
        )
    if calibrations:
        click.echo(f"Kept in {path}")


@click.command(
    epilog="Example: ampwitness calibrate --meter 'hand-held, 0.5 %'. Without questions: ampwitness calibrate --at "
    "supply=2.00,out_p=2.00, then again with another voltage: ampwitness calibrate --at supply=12.60,out_p=12.60"
)
@click.option("--port", help="Serial port of the board. Without it every port is asked.")
@click.option("--channel", "roles", multiple=True, help="Only this channel. Repeatable. Default: all.")
@click.option(
    "--at", "known_texts", multiple=True, metavar="ROLE=VOLTS,...", help="Take one reading now, at these known volts."
)
@click.option("--meter", default="a hand-held meter", show_default=True, help="What measured the volts, in your words.")
@click.option(
    "--meter-percent",
    default=METER_PERCENT,
    show_default=True,
    type=FiniteRange(0, 20),
    help="The meter's limit of error: per cent of the reading.",
)
@click.option(
    "--meter-volts",
    default=METER_V,
    show_default=True,
    type=FiniteRange(0, 10),
    help="The meter's limit of error: its last digits, in volts.",
)
@click.option("--seconds", default=2.0, show_default=True, type=FiniteRange(0.2, 60), help="Length of a reading.")
@click.option("--fresh", "is_fresh", is_flag=True, help="Forget all earlier points of this board first.")
@click.option("--on-board", is_flag=True, help="Keep the result on the board as well: it then brings it along.")
@click.option("--show", is_flag=True, help="Only show what is kept for the board.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def calibrate(
    port: str | None,
    roles: tuple[str, ...],
    known_texts: tuple[str, ...],
    meter: str,
    meter_percent: float,
    meter_volts: float,
    seconds: float,
    is_fresh: bool,
    on_board: bool,
    show: bool,
    as_json: bool,
) -> None:
    """Calibrate the board's channels against a meter: zero first, then known volts on each lead.

    The result is kept beside your settings, one file a board; `record` writes it into every recording from then on.
    """
    port = port or find_board()
    with BoardSession(port) as session:
        hello = session.hello
    for role in roles:
        if role not in hello.roles:
            raise UsageError(f"--channel {role}: the board has {', '.join(hello.roles)}.")
    path = calibration_path(settings_folder(), hello.board_id)
    if show:
        _show_book(hello.board_id, path, read_book(path), as_json)
        return
    desk = _Desk(hello, path, is_fresh, meter, meter_percent, meter_volts)
    say(CAUTION, err=True)
    try:
        if known_texts:
            fits = _take_at(desk, port, seconds, _parse_known(known_texts, hello))
        elif not sys.stdin.isatty() and as_json:
            raise UsageError("--json asks nothing: give the volts with --at ROLE=VOLTS,...")
        else:
            fits = _walk(desk, port, seconds, roles)
    except ContradictionError as error:
        raise CalibrationError(f"Not kept. {error}") from error
    desk.keep(fits)
    if on_board:
        _keep_on_board(port, fits, meter)
    _tell(desk, fits, as_json)


def _keep_on_board(port: str, fits: Sequence[CalibrationFit], meter: str) -> None:
    with BoardSession(port) as session:
        session.keep_calibration({fit.calibration.role: _for_the_board(fit.calibration, meter) for fit in fits})


def _for_the_board(calibration: Calibration, meter: str) -> dict[str, Any]:
    plain_meter = "".join(c if 32 <= ord(c) < 127 else "?" for c in meter)[:60]
    return {
        "gain_v_per_code": calibration.gain_v_per_code,
        "offset_v": calibration.offset_v,
        "uncertainty_v": calibration.offset_uncertainty_v,
        "gain_uncertainty_ratio": calibration.gain_uncertainty_ratio,
        "made_on": calibration.made_on,
        "meter": plain_meter or "a meter",
    }


def _tell(desk: _Desk, fits: Sequence[CalibrationFit], as_json: bool) -> None:
    waiting = [role for role in desk.book.points if role not in desk.book.calibrations]
    if as_json:
        plain = {
            "board_id": desk.hello.board_id,
            "file": str(desk.path),
            "fits": [{**asdict(fit), "calibration": calibration_to_plain(fit.calibration)} for fit in fits],
            "points": desk.book.points,
        }
        click.echo(json.dumps(plain, indent=1))
        return
    for fit in fits:
        say(_fit_line(desk.channels[fit.calibration.role], fit))
    if waiting:
        say(f"One point so far: {', '.join(waiting)}. Take another at a clearly different voltage.")
    if not fits and not waiting:
        click.echo("No channel was calibrated; nominal values of the parts stay in use.")
    click.echo(f"Kept in {desk.path}")
