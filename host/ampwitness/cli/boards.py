"""`ampwitness boards`: which serial ports there are, and what answered on each."""

from __future__ import annotations

import json
from typing import Any

import click

from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.wrapped import wrapped
from ampwitness.link.finding import PortAnswer, probe_ports
from ampwitness.link.messages import is_streaming
from ampwitness.link.port import PortListing


def _as_json(answer: PortAnswer) -> dict[str, Any]:
    hello = answer.hello
    found: dict[str, Any] = {
        "port": answer.port.name,
        "description": answer.port.description,
        "is_board": hello is not None,
        "error": None if answer.error is None else str(answer.error),
    }
    if hello is not None:
        found |= {
            "board_id": hello.board_id,
            "firmware": hello.firmware,
            "mode": hello.mode,
            "rate_hz": float(hello.rate_hz),
            "roles": list(hello.roles),
            "is_streaming": is_streaming(hello),
            "remarks": hello.raw.get("remarks", []),
        }
    return found


def _as_line(answer: PortAnswer) -> str:
    hello = answer.hello
    name = f"{answer.port.name}  {answer.port.description}".rstrip()
    if hello is None:
        return f"{name}\n    no board: {answer.error}"
    state = "streaming" if is_streaming(hello) else "idle"
    return (
        f"{name}\n    board {hello.board_id}, firmware {hello.firmware}, "
        f"mode {hello.mode}, {float(hello.rate_hz):g} scans a second of {', '.join(hello.roles)}; {state}"
    )


@click.command(epilog="Example: ampwitness boards")
@click.option("--port", "names", multiple=True, help="Ask only this port, also one that is not listed. Repeatable.")
@click.option("--json", "as_json", is_flag=True, help="Print the list as JSON.")
def boards(names: tuple[str, ...], as_json: bool) -> None:
    """List the serial ports of this computer and which board answers on each.

    Every port is sent a short question. A board that is recording for another program is not disturbed: its port is
    held.
    """
    with ProgressLine() as progress:
        progress("asking the ports")
        answers = probe_ports(tuple(PortListing(name, "") for name in names) or None)
    if as_json:
        click.echo(json.dumps([_as_json(answer) for answer in answers], indent=1))
        return
    if not answers:
        click.echo(wrapped("No serial port here. Is the board plugged in, with a cable that carries data?"))
    for answer in answers:
        click.echo(wrapped(_as_line(answer)))
