"""A small web server for this machine: a table of routes, a token where the network may look, nothing else."""

from __future__ import annotations

import errno
import hmac
import json
import secrets
import socket
import sys
import threading
from collections.abc import Callable, Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from ampwitness.errors import PortAccessError, UsageError

HTTP_PORT = 8712
BODY_BYTES_MOST = 1024
CONNECTIONS_MOST = 32
SEND_WAIT_S = 10.0  # a browser that takes nothing for so long is let go
_SEND_BUFFER_BYTES = 1 << 16  # little lies between a picture's making and its showing
_LOOPBACK = "127.0.0.1"
_STRICT = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"


class RefusalError(Exception):
    """A request that is answered with a sentence and a status other than 200."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status


class Request:
    """One request, authorised, and the ways to answer it."""

    def __init__(self, handler: BaseHTTPRequestHandler, query: Mapping[str, str]) -> None:
        self._handler = handler
        self.query = query

    def number(self, key: str) -> float:
        """A finite number of the query. Raises RefusalError."""
        try:
            value = float(self.query[key])
        except (KeyError, ValueError):
            raise RefusalError(400, f"{key} is missing or no number.") from None
        if not abs(value) < 1e12:
            raise RefusalError(400, f"{key} is out of range.")
        return value

    def body(self) -> dict[str, Any]:
        """The JSON object that was sent. Raises RefusalError."""
        if self._handler.headers.get_content_type() != "application/json":
            raise RefusalError(415, "Send application/json.")  # a form on a foreign page cannot
        length = self._handler.headers.get("Content-Length", "")
        if not length.isdecimal() or int(length) > BODY_BYTES_MOST:
            raise RefusalError(413, "Too long.")
        try:
            content = json.loads(self._handler.rfile.read(int(length)))
        except ValueError:
            raise RefusalError(400, "No JSON.") from None
        if not isinstance(content, dict):
            raise RefusalError(400, "No JSON object.")
        return content

    def answer(self, content: bytes, kind: str, policy: str = _STRICT, status: int = 200) -> None:
        """Send a whole answer; `policy` is its Content-Security-Policy."""
        self._head(status, kind, policy, len(content))
        self._handler.wfile.write(content)

    def answer_json(self, value: object, status: int = 200) -> None:
        """Send JSON."""
        text = json.dumps(value, allow_nan=False, separators=(",", ":"))
        self.answer(text.encode(), "application/json", status=status)

    def begin_stream(self) -> Callable[[bytes], None]:
        """Begin server-sent events; returns what sends a piece and raises OSError once nobody takes it."""
        self._handler.connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER_BYTES)
        self._head(200, "text/event-stream", _STRICT, None)
        connection: socket.socket = self._handler.connection
        return connection.sendall

    def _head(self, status: int, kind: str, policy: str, length: int | None) -> None:
        handler = self._handler
        handler.send_response_only(status)
        handler.send_header("Content-Type", kind if kind.startswith("application") else f"{kind}; charset=utf-8")
        if length is not None:
            handler.send_header("Content-Length", str(length))
        handler.send_header("Content-Security-Policy", policy)
        handler.send_header("X-Content-Type-Options", "nosniff")
        handler.send_header("Referrer-Policy", "no-referrer")
        handler.send_header("Cross-Origin-Resource-Policy", "same-origin")
        handler.send_header("Cache-Control", "no-store")
        handler.end_headers()


Route = Callable[[Request], None]


class PageServer:
    """Serves `routes`, (method, path) -> what answers, in threads of its own from `start` on.

    Parameters
    ----------
    http_port : 0: any that is free
    open_to_network : listen to the network too; every request then has to bring the token that `url` holds

    Raises
    ------
    PortAccessError : the port is taken, or not for this user.
    """

    def __init__(
        self, routes: Mapping[tuple[str, str], Route], http_port: int = HTTP_PORT, *, open_to_network: bool = False
    ) -> None:
        self.token = secrets.token_urlsafe(24) if open_to_network else None
        self._routes = routes
        try:
            self._server = _Server(("0.0.0.0" if open_to_network else _LOOPBACK, http_port), _make_handler(self))
        except OverflowError:
            raise UsageError(f"--http-port {http_port}: a port is a number from 0 to 65535.") from None
        except OSError as error:
            if error.errno == errno.EADDRINUSE:
                raise PortAccessError(
                    f"Port {http_port} is in use by another program on this machine: choose another with --http-port."
                ) from error
            raise PortAccessError(
                f"Port {http_port} cannot be opened ({error.strerror or error}): take one above 1023 by --http-port."
            ) from error
        self.port = int(self._server.server_address[1])
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.1,), name="pages", daemon=True)

    @property
    def url(self) -> str:
        """What to open in a browser."""
        if self.token is None:
            return f"http://{_LOOPBACK}:{self.port}/"
        return f"http://{_own_address()}:{self.port}/?token={self.token}"

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

    def close(self) -> None:
        """Let the port go. Answers that are still being sent are not waited for."""
        if self._thread.is_alive():
            self._server.shutdown()
        self._server.server_close()

    def serve(self, handler: BaseHTTPRequestHandler) -> None:
        """Answer one request; whatever is wrong with it ends as a sentence."""
        try:
            parts = urlsplit(handler.path)
            query = {key: values[0] for key, values in parse_qs(parts.query, max_num_fields=20).items()}
        except ValueError:
            Request(handler, {}).answer(b"That is no address of this page.\n", "text/plain", status=400)
            return
        request = Request(handler, query)
        try:
            self._admit(handler, query)
            route = self._routes.get((handler.command, parts.path))
            if route is None:
                raise RefusalError(404, "There is no such page.")
            route(request)
        except RefusalError as refusal:
            request.answer(f"{refusal}\n".encode(), "text/plain", status=refusal.status)

    def _admit(self, handler: BaseHTTPRequestHandler, query: Mapping[str, str]) -> None:
        """Raise RefusalError for who may not ask."""
        host = handler.headers.get("Host", "")
        if self.token is not None:
            if not hmac.compare_digest(query.get("token", "").encode(), self.token.encode()):
                raise RefusalError(403, "The address lacks its token: copy it whole from the terminal.")
        elif host not in {f"{name}:{self.port}" for name in (_LOOPBACK, "localhost")}:
            raise RefusalError(403, "This page is for this machine alone.")  # a name that somebody made point here
        origin = handler.headers.get("Origin")
        if origin is not None and origin != f"http://{host}":
            raise RefusalError(403, "Another page asked for this.")


class _Server(ThreadingHTTPServer):
    daemon_threads = True  # a browser that takes nothing must not hold up the end
    block_on_close = False
    request_queue_size = CONNECTIONS_MOST
    allow_reuse_address = sys.platform != "win32"  # there it would let two programs have one port

    def __init__(self, address: tuple[str, int], handler: type[BaseHTTPRequestHandler]) -> None:
        self._free = threading.BoundedSemaphore(CONNECTIONS_MOST)
        super().__init__(address, handler)

    def server_bind(self) -> None:
        """As the library's, without asking who we are: that can take seconds where no name server answers."""
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1 if self.allow_reuse_address else 0)
        self.socket.bind(self.server_address)
        self.server_address = self.socket.getsockname()
        self.server_name, self.server_port = str(self.server_address[0]), int(self.server_address[1])

    def process_request(self, request: Any, client_address: Any) -> None:
        """A thread for each, up to a bound."""
        if not self._free.acquire(blocking=False):
            self.shutdown_request(request)
            return
        try:
            super().process_request(request, client_address)
        except BaseException:
            self._free.release()
            raise

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """One request, in its thread."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._free.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that left or takes nothing is no error; anything else is one of ours and is shown."""
        if not isinstance(sys.exc_info()[1], OSError):
            super().handle_error(request, client_address)


def _make_handler(server: PageServer) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        timeout = SEND_WAIT_S

        def do_GET(self) -> None:
            server.serve(self)

        def do_POST(self) -> None:
            server.serve(self)

        def log_message(self, format: str, *args: object) -> None:
            """Not on the terminal: the live line is there, and a log would hold the token."""

    return Handler


def _own_address() -> str:
    """This machine's address on its network, asked of its own routing table: nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737)
            return str(probe.getsockname()[0])
        except OSError:
            return _LOOPBACK
