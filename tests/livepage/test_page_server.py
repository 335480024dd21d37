"""Who may look, who may not, and that nobody who looks holds anything up."""

from __future__ import annotations

import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest
from ampwitness.errors import PortAccessError, UsageError
from ampwitness.livepage import server as server_module
from ampwitness.livepage.hub import MOST_BROWSERS, ROOM, PictureHub
from ampwitness.livepage.pages import build_page
from ampwitness.livepage.server import PageServer, Request

taken: list[object] = []


def _routes() -> dict[tuple[str, str], server_module.Route]:
    def page(request: Request) -> None:
        request.answer(b"<p>here", "text/html")

    def mark(request: Request) -> None:
        taken.append(request.body())
        request.answer_json({"asked": True})

    return {("GET", "/"): page, ("POST", "/mark"): mark}


@pytest.fixture
def local() -> Iterator[PageServer]:
    server = PageServer(_routes(), 0)
    server.start()
    yield server
    server.close()


@pytest.fixture
def opened() -> Iterator[PageServer]:
    server = PageServer(_routes(), 0, open_to_network=True)
    server.start()
    yield server
    server.close()


def ask(
    server: PageServer, path: str, method: str = "GET", body: str | None = None, **headers: str
) -> tuple[int, str, dict[str, str]]:
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=5)
    given = {name.replace("_", "-"): value for name, value in headers.items()}
    connection.request(method, path, body, given)
    answer = connection.getresponse()
    return answer.status, answer.read().decode(), dict(answer.getheaders())


def test_it_listens_to_this_machine_alone(local: PageServer) -> None:
    assert local.url == f"http://127.0.0.1:{local.port}/"
    assert local._server.socket.getsockname()[0] == "127.0.0.1"
    status, text, headers = ask(local, "/")
    assert (status, text) == (200, "<p>here")
    assert headers["Content-Security-Policy"].startswith("default-src 'none'")
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Cache-Control"] == "no-store"


def test_a_foreign_name_or_page_is_refused(local: PageServer) -> None:
    assert ask(local, "/", Host=f"evil.example:{local.port}")[0] == 403
    assert ask(local, "/", Host=f"localhost:{local.port}")[0] == 200
    n_before = len(taken)
    body = json.dumps({"label": "x"})
    assert ask(local, "/mark", "POST", body, Content_Type="application/json", Origin="http://evil.example")[0] == 403
    assert ask(local, "/mark", "POST", body, Content_Type="text/plain")[0] == 415  # what a foreign form can send
    assert len(taken) == n_before
    own = f"http://127.0.0.1:{local.port}"
    assert ask(local, "/mark", "POST", body, Content_Type="application/json", Origin=own)[0] == 200
    assert taken[-1] == {"label": "x"}


def test_nonsense_is_answered_with_a_sentence(local: PageServer) -> None:
    assert ask(local, "/nowhere")[0] == 404
    assert ask(local, "/mark", "POST", "{", Content_Type="application/json")[0] == 400
    assert ask(local, "/mark", "POST", "[1]", Content_Type="application/json")[0] == 400
    assert ask(local, "/mark", "POST", '{"label":"' + "x" * 2000 + '"}', Content_Type="application/json")[0] == 413
    assert ask(local, "/../../etc/passwd")[0] == 404
    assert ask(local, "/?" + "&".join(f"a{k}=1" for k in range(40)))[0] == 400


def test_open_to_the_network_needs_the_token(opened: PageServer) -> None:
    assert opened.token is not None
    assert len(opened.token) >= 32  # 24 random bytes
    parts = urlsplit(opened.url)
    assert parts.query == f"token={opened.token}"
    nearly = opened.token[:-1] + ("y" if opened.token[-1] == "x" else "x")  # one letter off, whatever was drawn
    for path in ("/", "/?token=", f"/?token={nearly}", "/?token=%C3%A9", "/nowhere"):
        status, text, _ = ask(opened, path)
        assert status == 403
        assert opened.token not in text
    assert ask(opened, f"/?{parts.query}")[0] == 200
    body = json.dumps({"label": "x"})
    assert ask(opened, "/mark", "POST", body, Content_Type="application/json")[0] == 403
    assert ask(opened, f"/mark?{parts.query}", "POST", body, Content_Type="application/json")[0] == 200


def test_the_token_is_compared_in_constant_time(opened: PageServer, monkeypatch: pytest.MonkeyPatch) -> None:
    compared = []
    real = server_module.hmac.compare_digest
    monkeypatch.setattr(server_module.hmac, "compare_digest", lambda a, b: compared.append(a) or real(a, b))
    assert ask(opened, "/?token=guess")[0] == 403
    assert compared == [b"guess"]


def test_a_taken_port_is_one_sentence(local: PageServer) -> None:
    with pytest.raises(PortAccessError, match=f"Port {local.port} is in use.*--http-port"):
        PageServer(_routes(), local.port)
    with pytest.raises(UsageError, match="0 to 65535"):
        PageServer(_routes(), 70_000)


def test_idle_connections_do_not_keep_others_out(local: PageServer) -> None:
    idle = [socket.create_connection(("127.0.0.1", local.port)) for _ in range(20)]
    assert ask(local, "/")[0] == 200
    for connection in idle:
        connection.close()


def test_an_old_picture_gives_way_and_nobody_waits() -> None:
    hub = PictureHub()
    slow, quick = hub.subscribe(), hub.subscribe()
    assert slow is not None
    assert quick is not None
    seen = []
    begin_s = time.monotonic()
    for k in range(1000):
        hub.publish(b"%d" % k)
        seen.append(quick.get(1.0))
    assert time.monotonic() - begin_s < 1.0
    assert seen == [b"%d" % k for k in range(1000)]
    assert [slow.get(0.0) for _ in range(3)] == [b"998", b"999", None]
    assert slow.n_dropped == 1000 - ROOM


def test_browsers_are_bounded_and_told_of_the_end() -> None:
    hub = PictureHub()
    boxes = [hub.subscribe() for _ in range(MOST_BROWSERS)]
    assert hub.subscribe() is None
    waiting = boxes[0]
    assert waiting is not None
    got: list[bytes | None] = []
    thread = threading.Thread(target=lambda: got.append(waiting.get(10.0)))
    thread.start()
    hub.end()
    thread.join(1.0)
    assert got == [None]
    assert waiting.is_over
    hub.unsubscribe(waiting)
    late = hub.subscribe()
    assert late is not None
    assert late.is_over


@pytest.mark.parametrize("name", ["live", "span"])
def test_a_page_is_one_file_that_fetches_nothing(name: str) -> None:
    words = dict.fromkeys(("board", "mode", "where", "name", "length", "events"), "<b>&")
    content, policy = build_page(name, {"text": "</script><script>"}, words)
    text = content.decode()
    assert "http://" not in text
    assert "https://" not in text
    assert "src=" not in text
    assert "{{" not in text
    assert "<b>&" not in text
    assert "</script><script>" not in text
    nonce = policy.split("script-src 'nonce-")[1].split("'")[0]
    assert text.count(f'nonce="{nonce}"') == 2
    assert "unsafe" not in policy
    assert build_page(name, {}, words)[1] != policy  # a nonce is used once
