"""A network socket with an HTTP server of its own: the peer of the `http` relay.

Written on the standard library's server, which knows nothing of our client. It is an
invented device; its requests are:

    PUT  /outlet/1        {"supply": "on"}, {"supply": "off"}, perhaps "for_s": 120
    GET  /outlet/1        {"outlets": [{"on": true}]}
    GET  /plain/on, /plain/off[?for=120], /plain   text: SUPPLY ON
    GET  /asked/on?user=…&password=…               secrets in the address

It acts when it has read a request, and says so afterwards. Moods spoil what it says:

    sound          answers as above
    held           acts, and keeps the answer back until the mood changes
    error          500
    missing        404
    busy           503
    elsewhere      302 to another address, which counts who follows
    garbage        bytes that are not HTTP
    echo           200, and the request's own head as the body
    not-json       200 with a text
    other-json     200 with an object that has none of the keys
    other-state    says the opposite of what it did
    closes         closes without a byte
    cut            closes in the middle of the body
    drip           a byte a tenth of a second, for ever
    huge           a body without end
"""

from __future__ import annotations

import base64
import json
import ssl
import threading
import time
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Self
from urllib.parse import parse_qs, urlsplit

from support.ports import free_port


@dataclass(frozen=True)
class Heard:
    """One request as it arrived."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes
    at_s: float


@dataclass
class HttpSocket:
    """The socket; everything public may be used from any thread.

    ``user`` and ``token``: what it lets in, else everybody. ``tls``: serve https.
    ``second_s``: how long one second of its own timer lasts.
    """

    user: str | None = None  # user:password
    token: str | None = None
    challenge: str = 'Basic realm="socket"'
    tls: ssl.SSLContext | None = None
    port: int = 0
    mood: str = "sound"
    heard: list[Heard] = field(default_factory=list)
    followed: int = 0
    second_s: float = 1.0

    def __post_init__(self) -> None:
        self.changed = threading.Condition(threading.RLock())
        self._on = True
        self._on_again_at_s: float | None = None
        self._server: _Server | None = None
        self._thread: threading.Thread | None = None
        if self.tls is not None:
            self.tls.sslsocket_class = _Closing

    def __enter__(self) -> Self:
        self.plug_in()
        return self

    def __exit__(self, *_: object) -> None:
        self.feel("sound")
        self.unplug()

    # ---- life

    def plug_in(self) -> None:
        """Appear, at the same port as before."""
        self.port = self.port or free_port()
        self._server = _Server(("127.0.0.1", self.port), _Handler)
        self._server.peer = self
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(0.05,), daemon=True
        )
        self._thread.start()

    def unplug(self) -> None:
        """Vanish from the network; what it feeds stays as it is."""
        server, self._server = self._server, None
        if server is not None:
            server.shutdown()
            server.server_close()
            assert self._thread is not None
            self._thread.join(timeout=10)

    @property
    def base(self) -> str:
        return f"{'https' if self.tls else 'http'}://127.0.0.1:{self.port}"

    # ---- the contact

    @property
    def on(self) -> bool:
        """The supply, as the socket's own timer has it by now."""
        with self.changed:
            until_s = self._on_again_at_s
            if until_s is not None and time.monotonic() >= until_s:
                self._on, self._on_again_at_s = True, None
            return self._on

    def turn(self, *, on: bool, for_s: float | None = None) -> None:
        """Move the contact, as a request or a hand does."""
        with self.changed:
            self._on = on
            timed = not on and for_s is not None
            lasts_s = (for_s or 0.0) * self.second_s
            self._on_again_at_s = time.monotonic() + lasts_s if timed else None
            self.changed.notify_all()

    def until(self, on: bool, *, within_s: float = 20.0) -> bool:
        """Wait until the supply is as said; return whether it is."""
        with self.changed:
            return self.changed.wait_for(lambda: self.on is on, timeout=within_s)

    # ---- the mood

    def feel(self, mood: str) -> None:
        """Answer like this from now on; answers that are kept back go out."""
        with self.changed:
            self.mood = mood
            self.changed.notify_all()

    def forget(self) -> None:
        """Forget what was heard."""
        with self.changed:
            self.heard.clear()

    def hears(self, *, count: int = 1, within_s: float = 20.0) -> bool:
        """Wait until so many requests were heard; return whether they were."""
        with self.changed:
            return self.changed.wait_for(
                lambda: len(self.heard) >= count, timeout=within_s
            )


class _Closing(ssl.SSLSocket):
    """One whose client went away before its handshake is left open by the library."""

    def __del__(self) -> None:
        self.close()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    peer: HttpSocket

    def finish_request(self, request: Any, client_address: Any) -> None:
        """In the connection's thread: a handshake that hangs delays no other."""
        if self.peer.tls is None:
            super().finish_request(request, client_address)
            return
        try:
            with self.peer.tls.wrap_socket(request, server_side=True) as secure:
                secure.settimeout(20)
                super().finish_request(secure, client_address)
        except (ssl.SSLError, OSError):
            return  # a client that does not trust us, or went away

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that went away is no event of a socket's life."""


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: _Server
    timeout = 20

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002
        """Say nothing."""

    def do_GET(self) -> None:
        self._serve()

    def do_PUT(self) -> None:
        self._serve()

    def do_POST(self) -> None:
        self._serve()

    def _serve(self) -> None:
        peer = self.server.peer
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        heard = Heard(
            self.command, self.path, dict(self.headers), body, time.monotonic()
        )
        if self.path == "/elsewhere":
            peer.followed += 1
        if not self._let_in():
            self._note(heard)
            self._say(401, b"{}", **{"WWW-Authenticate": peer.challenge})
            return
        status, said = self._act(body)
        self._note(heard)
        self._tell(status, said)

    def _note(self, heard: Heard) -> None:
        peer = self.server.peer
        with peer.changed:
            peer.heard.append(heard)
            peer.changed.notify_all()

    def _let_in(self) -> bool:
        peer = self.server.peer
        given = self.headers.get("Authorization")
        if self.path.startswith("/asked/"):
            asked = parse_qs(urlsplit(self.path).query)
            pair = f"{asked.get('user', [''])[0]}:{asked.get('password', [''])[0]}"
            return given is None and pair == peer.user
        if peer.user is not None:
            coded = base64.b64encode(peer.user.encode()).decode()
            return given == f"Basic {coded}"
        return peer.token is None or given == f"Bearer {peer.token}"

    def _act(self, body: bytes) -> tuple[int, bytes]:
        """Do what is asked; return what there is to say."""
        peer = self.server.peer
        parts = urlsplit(self.path)
        spoilt = peer.mood in ("missing", "error", "busy", "elsewhere", "garbage")
        if spoilt or peer.mood in ("closes",):
            return 500, b""
        if parts.path == "/outlet/1":
            if self.command == "PUT":
                wanted = json.loads(body)
                peer.turn(on=wanted["supply"] == "on", for_s=wanted.get("for_s"))
            on = peer.on != (peer.mood == "other-state")
            return 200, json.dumps({"outlets": [{"on": on}]}).encode()
        first, _, word = parts.path[1:].partition("/")
        if first not in ("plain", "asked"):
            return 404, b"{}"
        if word:
            seconds = parse_qs(parts.query).get("for")
            peer.turn(on=word == "on", for_s=float(seconds[0]) if seconds else None)
        on = peer.on != (peer.mood == "other-state")
        return 200, b"SUPPLY ON\r\n" if on else b"SUPPLY OFF\r\n"

    def _tell(self, status: int, said: bytes) -> None:
        peer = self.server.peer
        match peer.mood:
            case "held":
                with peer.changed:
                    peer.changed.wait_for(lambda: peer.mood != "held", timeout=60)
                self._say(status, said)
            case "error":
                self._say(500, b"oops")
            case "missing":
                self._say(404, b"{}")
            case "busy":
                self._say(503, b"")
            case "elsewhere":
                self._say(302, b"", Location=f"{peer.base}/elsewhere")
            case "garbage":
                self._raw(b"\x16\x03\x01 this is no answer\r\n\r\n")
            case "echo":
                self._say(200, str(self.headers).encode() + self.path.encode())
            case "not-json":
                self._say(200, b"all is well")
            case "other-json":
                self._say(200, b'{"hello": "visitor"}')
            case "closes":
                self.close_connection = True
            case "cut":
                self._raw(b"HTTP/1.1 200 OK\r\nContent-Length: 900\r\n\r\n{")
            case "drip":
                self._drip()
            case "huge":
                self._huge()
            case _:
                self._say(status, said)

    def _say(self, status: int, body: bytes, **headers: str) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def _raw(self, data: bytes) -> None:
        self.wfile.write(data)
        self.close_connection = True

    def _drip(self) -> None:
        peer = self.server.peer
        self.close_connection = True
        self.wfile.write(b"HTTP/1.1 200 OK\r\nContent-Length: 9000\r\n\r\n")
        while peer.mood == "drip":
            self.wfile.write(b" ")
            with peer.changed:
                peer.changed.wait(0.1)

    def _huge(self) -> None:
        self.close_connection = True
        self.wfile.write(b"HTTP/1.1 200 OK\r\n\r\n")
        while self.server.peer.mood == "huge":
            self.wfile.write(b"x" * 65_536)
