"""A board that was unplugged: it comes back on its old port or on another one, and never in another's place."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, cast

import pytest
from ampwitness.errors import PortNotFoundError
from ampwitness.link import resume
from ampwitness.link.session import BoardSession


@dataclass
class FakeSession:
    """What `wait_for_board` asks of a conversation."""

    name: str
    board_id: str
    mode: str
    modes_set: list[str] = field(default_factory=list)
    is_closed: bool = False

    @property
    def hello(self) -> SimpleNamespace:
        return SimpleNamespace(board_id=self.board_id, mode=self.mode)

    def set_mode(self, mode: str) -> None:
        self.modes_set.append(mode)
        self.mode = mode

    def close(self) -> None:
        self.is_closed = True


@pytest.fixture
def boards(monkeypatch: pytest.MonkeyPatch) -> dict[str, FakeSession]:
    """Which board answers on which port."""
    there: dict[str, FakeSession] = {}

    def answer(name: str, *_: Any) -> FakeSession:
        if name not in there:
            raise PortNotFoundError(f"nothing on {name}")
        return there[name]

    monkeypatch.setattr(resume, "BoardSession", answer)
    monkeypatch.setattr(resume, "list_ports", lambda: [SimpleNamespace(name=name) for name in there])
    monkeypatch.setattr(resume, "OTHERS_EVERY_S", 0.0)
    monkeypatch.setattr(resume, "TRY_EVERY_S", 0.01)
    return there


def wait(mode: str = "bass") -> FakeSession | None:
    was = cast(BoardSession, FakeSession("port0", "mine", mode))
    return cast(FakeSession | None, resume.wait_for_board(was, 0.3, lambda: False))


def test_it_is_found_on_another_port(boards: dict[str, FakeSession]) -> None:
    """A computer often gives a plugged-in board the next free name, as the old one is still held."""
    boards["port1"] = FakeSession("port1", "mine", "bass")
    found = wait()
    assert found is boards["port1"]
    assert found.modes_set == []


def test_it_is_put_back_into_its_mode(boards: dict[str, FakeSession]) -> None:
    """Else the rest of a soak would come at another rate."""
    boards["port0"] = FakeSession("port0", "mine", "slow")
    found = wait("bass")
    assert found is boards["port0"]
    assert found.modes_set == ["bass"]


def test_another_board_is_not_taken_for_it(boards: dict[str, FakeSession]) -> None:
    boards["port0"] = boards["port1"] = FakeSession("port0", "somebody else's", "bass")
    assert wait() is None
    assert boards["port0"].is_closed
