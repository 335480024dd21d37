"""Which ports there are and which of them has a board behind it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from ampwitness.errors import AmpwitnessError, NotOurBoardError, PortNotFoundError
from ampwitness.link.port import PortListing, describe_ports, list_ports
from ampwitness.link.session import BoardSession
from ampwitness.types import Hello


@dataclass(frozen=True, slots=True)
class PortAnswer:
    """What a port answered: the board's hello, or a sentence why there is none."""

    port: PortListing
    hello: Hello | None
    error: AmpwitnessError | None


def probe_ports(ports: tuple[PortListing, ...] | None = None, wait_s: float = 1.5) -> list[PortAnswer]:
    """Ask every port (default: all of this computer) at once who is there; answers in the order of the ports."""
    ports = list_ports() if ports is None else ports

    def probe(port: PortListing) -> PortAnswer:
        try:
            with BoardSession(port.name, wait_s) as session:
                return PortAnswer(port, session.hello, None)
        except AmpwitnessError as error:
            return PortAnswer(port, None, error)

    if not ports:
        return []
    with ThreadPoolExecutor(max_workers=min(16, len(ports))) as pool:
        return list(pool.map(probe, ports))


def find_board(name: str | None = None) -> str:
    """Name of the one port on which a board answers; `name`: of this one, having answered.

    Raises
    ------
    PortNotFoundError : there is no port, none answered, or more than one did (then --port has to say which).
    Any other AmpwitnessError : the named one, or the only port there is, has this reason of its own.
    """
    if name is not None:
        BoardSession(name).close()
        return name
    ports = list_ports()
    if not ports:
        raise PortNotFoundError(
            "This computer has no serial port: is the board plugged in, with a cable that carries data?"
        )
    answers = probe_ports(ports)
    boards = [answer for answer in answers if answer.hello is not None]
    if len(boards) == 1:
        return boards[0].port.name
    if boards:
        names = describe_ports(answer.port for answer in boards)
        raise PortNotFoundError(f"More than one board answers ({names}): say which with --port.")
    telling = [a.error for a in answers if a.error is not None and not isinstance(a.error, NotOurBoardError)]
    if len(answers) == 1 and answers[0].error is not None:
        if isinstance(answers[0].error, NotOurBoardError):
            raise NotOurBoardError(f"The only port here is no board's: is the board plugged in? {answers[0].error}")
        raise answers[0].error
    hint = f" {telling[0]}" if telling else " Is it plugged in, and does its firmware run?"
    raise PortNotFoundError(f"No board answers on any port ({describe_ports(ports)}).{hint}")
