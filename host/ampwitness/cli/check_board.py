"""`ampwitness check-board`: let the board test itself, and say in plain words what it found."""

from __future__ import annotations

import json

import click

from ampwitness.cli.wrapped import say
from ampwitness.errors import SelfTestError, UsageError
from ampwitness.installing import Installer
from ampwitness.link.finding import find_board
from ampwitness.link.self_test import SelfTest, describe_self_test, judge_self_test
from ampwitness.link.session import BoardSession


def _print_table(result: SelfTest) -> None:
    say(f"{'channel':10} {'at rest':>10} {'noise':>10}")
    for one in result.channels:
        say(f"{one.role:10} {one.rest_v:+8.2f} V {1000 * one.noise_v:7.1f} mV  {one.words}")
    for problem in result.problems:
        say(f"Wrong: {problem}")
    if result.is_ok:
        say(result.board_says)
    say("Not judged:")
    for what in result.not_judged:
        say(f"  {what}")


def _check_thoroughly(port: str) -> None:
    printed = Installer(port, say=lambda text: click.echo(f"  {text}", err=True)).run_board_check()
    click.echo(printed.strip())
    last = printed.strip().splitlines()[-1:] or [""]
    if last[0] != "ALL PASS":
        raise SelfTestError(f"The board on {port} did not pass: {last[0] or 'it printed nothing'}")


@click.command(epilog="Example: ampwitness check-board --port /dev/ttyACM0")
@click.option("--port", help="Serial port of the board; not needed when there is only one.")
@click.option("--thorough", is_flag=True, help="Run board_check.py at the board's prompt instead; needs mpremote.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def check_board(port: str | None, thorough: bool, as_json: bool) -> None:
    """Let the board test itself: noise, where each channel rests, stuck and swapped channels.

    Do it with everything connected, nothing playing and the engine off. It takes about a second. Ends with code 33 when
    something is wrong.

    --thorough is for a new board: with nothing connected it compares the machine code with plain Python, counts
    conversions while memory is collected, pulls at every pin, and asks for the button. The board resets once before and
    once after.
    """
    if thorough:
        if as_json:
            raise UsageError("--thorough prints PASS and FAIL lines; it has no --json.")
        _check_thoroughly(port or find_board())
        return
    with BoardSession(port or find_board()) as session:
        result = judge_self_test(session.hello, session.self_test())
        board_id = session.hello.board_id
    if as_json:
        click.echo(json.dumps({"board_id": board_id, **describe_self_test(result)}, indent=1))
    else:
        _print_table(result)
    if not result.is_ok:
        n = len(result.problems)
        raise SelfTestError(f"Board {board_id} is not right: {n} {'thing' if n == 1 else 'things'} to see to, above.")
