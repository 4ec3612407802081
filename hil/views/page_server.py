"""One page, what happens on it while it is open, and what it sends back: over HTTP, to this computer alone.

It listens on 127.0.0.1 at an address that holds a random token. A request must name that host (a foreign
name that leads here is refused, so no other site's script gets in by DNS), and one that sends something
must come from the page itself (its Origin). Nothing else is on the way in: two names can be sent to.
"""

from __future__ import annotations

import json
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from queue import Empty, SimpleQueue
from secrets import compare_digest, token_urlsafe
from socketserver import TCPServer
from threading import Condition, Thread
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

HOST = "127.0.0.1"
_TOKEN_BYTES = 16  # 128 bits: not to be guessed
_MOST_BYTES = 4096  # of what a page sends at once
_REQUEST_S = 10.0  # for a request to arrive
_SIGN_OF_LIFE_S = 1.0  # between two, so that a page that was closed is noticed

_NOTHING = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
_FOR_ALL = {
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",  # the token is in the address
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}


class Served(NamedTuple):
    """A text with its media type. `allowed`: what the browser may load for it, as directives of Content
    Security Policy; everything else stays forbidden."""

    kind: str
    text: str
    allowed: str = ""


class PageServer:
    """Serves until `close`. `files` are looked up by name per request; `""` is the page.

    `state` gives what a page that has just been opened must know; `said` takes what one sends: a name and a
    JSON value, and says whether it means anything. Both are called on threads of the server.
    """

    def __init__(
        self,
        files: Callable[[str], Served | None],
        state: Callable[[], Mapping[str, Any]],
        said: Callable[[str, Any], bool],
    ) -> None:
        """Raises OSError if this computer lets nobody listen."""
        self._token = token_urlsafe(_TOKEN_BYTES)
        self._files, self._state, self._said = files, state, said
        self._listening: list[SimpleQueue[str | None]] = []
        self._change = Condition()
        self._closed = False
        self._server = _Server(self)
        self._thread = Thread(target=self._server.serve_forever, args=(0.05,), name="page", daemon=True)
        self._thread.start()

    @property
    def origin(self) -> str:
        return f"http://{self.host}"

    @property
    def host(self) -> str:
        return f"{HOST}:{self._server.server_address[1]}"

    @property
    def address(self) -> str:
        """What to open in a browser."""
        return f"{self.origin}/{self._token}/"

    def send(self, value: Mapping[str, Any]) -> None:
        """To every open page."""
        with self._change:
            for queue in self._listening:
                queue.put(_event(value))

    @property
    def pages(self) -> int:
        """How many are open."""
        with self._change:
            return len(self._listening)

    def wait_until_no_page(self, most_s: float) -> bool:
        """Whether every page was closed within this time."""
        with self._change:
            return self._change.wait_for(lambda: not self._listening, most_s)

    def close(self) -> None:
        """Ends all connections, and returns within a moment whatever a browser does."""
        with self._change:
            self._closed = True
            for queue in self._listening:
                queue.put(None)
        self.wait_until_no_page(1.0)
        self._server.shutdown()
        self._server.server_close()

    # -- on the server's threads -------------------------------------------------------------------

    def name_in(self, path: str) -> str | None:
        """What follows the token; None without the right one."""
        _, _, rest = path.partition("/")
        token, slash, name = rest.partition("?")[0].partition("/")
        right = compare_digest(token.encode(), self._token.encode())
        return name if right and slash else None

    def file(self, name: str) -> Served | None:
        return self._files(name)

    def said(self, name: str, value: object) -> bool:
        return self._said(name, value)

    def tell_all(self, write: Callable[[bytes], None]) -> None:
        """What happens, from what is known already, until the page or the server is closed."""
        queue: SimpleQueue[str | None] = SimpleQueue()
        with self._change:
            if self._closed:
                return
            queue.put(_event(self._state()))
            self._listening.append(queue)
        try:
            while True:
                try:
                    text = queue.get(timeout=_SIGN_OF_LIFE_S)
                except Empty:
                    text = ": still here\n\n"
                if text is None:
                    return
                write(text.encode())
        except OSError:
            pass  # the page was closed
        finally:
            with self._change:
                self._listening.remove(queue)
                self._change.notify_all()


def _event(value: Mapping[str, Any]) -> str:
    """A server-sent event; JSON has no line end in it (HTML Living Standard, section 9.2)."""
    return f"data: {json.dumps(value, ensure_ascii=True)}\n\n"


class _Server(ThreadingHTTPServer):
    daemon_threads = True  # none of them keeps the command from ending
    allow_reuse_address = False  # elsewhere than on Linux that would let another program in

    def __init__(self, page: PageServer) -> None:
        self.page = page
        super().__init__((HOST, 0), _Handler)

    def server_bind(self) -> None:
        # HTTPServer's own asks the name service who 127.0.0.1 is, which can take seconds.
        TCPServer.server_bind(self)

    def handle_error(self, request: object, client_address: object) -> None:
        """A browser that goes away in mid-sentence is no news."""


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    timeout = _REQUEST_S
    server_version, sys_version = "hil", ""

    def do_GET(self) -> None:
        page = self.server.page
        name = self._name(must_be_page=False)
        if name is None:
            return
        if name == "events":
            self._head(HTTPStatus.OK, "text/event-stream")
            page.tell_all(self._write)
            return
        found = page.file(name)
        if found is None:
            self._refuse(HTTPStatus.NOT_FOUND, "there is nothing here")
            return
        body = found.text.encode()
        self._head(HTTPStatus.OK, f"{found.kind}; charset=utf-8", len(body), found.allowed)
        self._write(body)

    def do_POST(self) -> None:
        name = self._name(must_be_page=True)
        if name is None:
            return
        length = self.headers.get("Content-Length", "")
        if not length.isascii() or not length.isdecimal() or int(length) > _MOST_BYTES:
            self._refuse(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "too much at once")
            return
        try:
            value = json.loads(self.rfile.read(int(length)))
            good = self.server.page.said(name, value)
        except (ValueError, RecursionError):
            good = False
        if good:
            self._head(HTTPStatus.NO_CONTENT, "text/plain")
        else:
            self._refuse(HTTPStatus.BAD_REQUEST, "this means nothing here")

    def _name(self, *, must_be_page: bool) -> str | None:
        """What is wanted; None if the request was refused."""
        page = self.server.page
        origin = self.headers.get("Origin")
        if self.headers.get_all("Host") != [page.host]:
            self._refuse(HTTPStatus.FORBIDDEN, "this host isn't served")
        elif origin != page.origin and (must_be_page or origin is not None):
            self._refuse(HTTPStatus.FORBIDDEN, "only the page itself may ask for this")
        else:
            name = page.name_in(self.path)
            if name is None:
                self._refuse(HTTPStatus.NOT_FOUND, "there is nothing here")
            return name
        return None

    def _refuse(self, status: HTTPStatus, words: str) -> None:
        body = f"{words}\n".encode()
        self._head(status, "text/plain; charset=utf-8", len(body))
        self._write(body)

    def _head(self, status: HTTPStatus, kind: str, length: int | None = None, allowed: str = "") -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        if length is not None:
            self.send_header("Content-Length", str(length))
        for name, value in _FOR_ALL.items():
            self.send_header(name, value)
        self.send_header("Content-Security-Policy", f"{_NOTHING}; {allowed}" if allowed else _NOTHING)
        self.end_headers()

    def _write(self, data: bytes) -> None:
        self.wfile.write(data)

    def log_message(self, format: str, *args: object) -> None:
        """Nothing: stderr is the person's."""
