"""Serve the live page: a few files, one stream of news per reader, and remarks that come back.

Loopback alone unless told otherwise, then with a token in every request. Pages from elsewhere are kept out by their
Origin and, on the loopback interface, by the Host they name. Everything comes from this machine: nothing is loaded
from the net.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import os
import signal
import socket
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tornado.httpserver
import tornado.netutil
import tornado.web
import tornado.websocket

from glowledger import __version__
from glowledger.errors import GlowledgerError, RunError
from glowledger.live.access import Access
from glowledger.live.board import Board
from glowledger.live.drawing import bokeh_script, page_html
from glowledger.live.following import Ended, Following, follow_run
from glowledger.live.peeking import Peek
from glowledger.live.remarks import LONGEST, NOTE
from glowledger.report import documents

FILES = Path(__file__).with_name("page")
READERS = 32  # pages open at once
LARGEST_REQUEST = 8 * LONGEST  # bytes: a note of four-byte characters, escaped
READY = "ready"  # what a reader sends when it has shown the last news
PING_S = 10.0
WHOLE = ("spectrum", "axis")  # parts without NaN, written without a look at each number


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the page is served.

    Attributes
    ----------
    access : Access
        Host and token.
    port : int
        0 takes a free one.
    """

    access: Access
    port: int


class Hub:
    """The readers of a board; each is sent what it lacks when it is ready for more."""

    def __init__(self, board: Board, *, on_note: Callable[[str], None]) -> None:
        """Keep the board, and whom to tell of notes."""
        self.board = board
        self.readers: set[Reader] = set()
        self.on_note = on_note
        self.build = _build()
        self._texts: dict[str, tuple[Any, str]] = {}

    def wake(self) -> None:
        """Send news to every reader that is ready."""
        for reader in list(self.readers):
            reader.send()

    def text(self, told: dict[str, Any], now: dict[str, Any]) -> str:
        """Return news as JSON; large parts are written once for all readers."""
        parts = []
        for name, content in told.items():
            if name in WHOLE:
                version, text = self._texts.get(name, (None, ""))
                if version != now[name]:
                    text = json.dumps(content, separators=(",", ":"))
                    self._texts[name] = (now[name], text)
            else:
                text = documents.dumps(content)
            parts.append(f'"{name}":{text}')
        return f'{{"build":"{self.build}",{",".join(parts)}}}' if parts else ""


class Guarded(tornado.web.RequestHandler):
    """Answers only those who may see the page, and tells browsers to load nothing from elsewhere.

    Attributes
    ----------
    public : bool
        True for files that hold nothing of the run: the page loads them by their bare names, without the token.
    """

    public = False

    def initialize(self, hub: Hub, access: Access) -> None:
        """Take what every handler needs."""
        self.hub, self.access = hub, access

    def set_default_headers(self) -> None:
        """Set what browsers are to heed."""
        host = self.request.headers.get("Host", "")
        safe = "".join(c for c in host if c.isalnum() or c in ".:-[]")
        self.set_header("Content-Security-Policy", (
            "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
            f"connect-src 'self' ws://{safe} wss://{safe}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        ))  # fmt: skip
        self.set_header("X-Content-Type-Options", "nosniff")
        self.set_header("Referrer-Policy", "no-referrer")  # the address may hold the token
        self.set_header("Cache-Control", "no-store")
        self.set_header("Server", "glowledger")

    def prepare(self) -> None:
        """Refuse whoever may not see the page."""
        if not self.access.knows_host(self.request.headers.get("Host", "")):
            raise tornado.web.HTTPError(403, reason="Unknown host")
        given = self.request.headers.get("X-Token") or self.get_query_argument("token", "")
        if not (self.public or self.access.admits(given)):
            raise tornado.web.HTTPError(403, reason="Token missing or wrong")

    def write_error(self, status_code: int, **_: Any) -> None:
        """Say in one line what is wrong, without details."""
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        text = "This page needs the address with its token, as it was printed at the start."
        self.finish(text if status_code == 403 else f"{status_code} {self._reason}")

    def log_exception(self, *_: Any) -> None:
        """Write nothing: the terminal belongs to the run."""


class PageFile(Guarded):
    """One file of the page, held in memory."""

    def initialize(self, hub: Hub, access: Access, content: bytes, kind: str) -> None:  # type: ignore[override]
        """Take the file."""
        super().initialize(hub, access)
        self.content, self.kind = content, kind
        self.public = kind != "text/html"

    def get(self) -> None:
        """Send the file."""
        self.set_header("Content-Type", f"{self.kind}; charset=utf-8")
        if self.kind != "text/html":
            self.set_header("Cache-Control", "no-cache")  # asked for again, and then unchanged by its ETag
        self.finish(self.content)

    def head(self) -> None:
        """Say that somebody is there."""
        self.finish()


class RemarkBox(Guarded):
    """Takes remarks."""

    async def post(self) -> None:
        """Keep a note or a mark; it is safe on disk when this answers."""
        if not self.access.same_site(self.request.headers.get("Origin"), self.request.headers.get("Host", "")):
            raise tornado.web.HTTPError(403, reason="Foreign page")
        if self.request.headers.get("Content-Type", "").partition(";")[0] != "application/json":
            raise tornado.web.HTTPError(415, reason="Expected JSON")
        try:
            asked = json.loads(self.request.body)
            kind, text = asked["kind"], asked.get("text", "")
            if not (isinstance(kind, str) and isinstance(text, str)):
                raise TypeError
        except (ValueError, TypeError, KeyError, AttributeError):
            raise tornado.web.HTTPError(400, reason="Expected kind and text") from None
        self.set_header("Content-Type", "application/json")
        try:
            kept = await asyncio.get_running_loop().run_in_executor(None, self._keep, kind, text)
        except GlowledgerError as error:
            self.set_status(422)
            self.finish(documents.dumps({"problem": f"{error.problem} {error.mend}"}))
            return
        self.set_status(201)
        self.finish(documents.dumps(kept))

    def _keep(self, kind: str, text: str) -> dict[str, Any]:
        kept = self.hub.board.remark(kind, text)
        if kind == NOTE:
            self.hub.on_note(kept["text"])
        return kept


class Reader(tornado.websocket.WebSocketHandler):
    """One open page. It is sent news only after it has shown the last, so nothing piles up for a slow one."""

    def initialize(self, hub: Hub, access: Access) -> None:
        """Take what every handler needs."""
        self.hub, self.access = hub, access
        self.known: dict[str, Any] = {}
        self.ready = False

    def prepare(self) -> None:
        """Refuse whoever may not see the page, before the connection is taken over."""
        header = self.request.headers.get("Host", "")
        if not (self.access.knows_host(header) and self.access.admits(self.get_query_argument("token", ""))):
            raise tornado.web.HTTPError(403)
        if len(self.hub.readers) >= READERS:
            raise tornado.web.HTTPError(503)

    def check_origin(self, origin: str) -> bool:
        """Let in our own page alone."""
        return self.access.same_site(origin, self.request.headers.get("Host", ""))

    def open(self, *_: str, **__: str) -> None:
        """Send everything."""
        self.set_nodelay(True)
        self.ready = True
        self.hub.readers.add(self)
        self.send()

    def on_message(self, message: str | bytes) -> None:
        """Take it that the last news is shown."""
        if message != READY:
            self.close(1008, "unknown message")
            return
        self.ready = True
        self.send()

    def send(self) -> None:
        """Send what this reader lacks, if it is ready."""
        if not self.ready:
            return
        told, self.known = self.hub.board.news(self.known)
        text = self.hub.text(told, self.known)
        if text:
            self.ready = False
            with contextlib.suppress(tornado.websocket.WebSocketClosedError):
                self.write_message(text)

    def on_close(self) -> None:
        """Forget the reader."""
        self.hub.readers.discard(self)

    def log_exception(self, *_: Any) -> None:
        """Write nothing: the terminal belongs to the run."""


def _build() -> str:
    """Return a mark of this version of the page; a page of another one loads itself anew."""
    digest = hashlib.sha256(__version__.encode())
    for file in sorted(FILES.iterdir()):
        digest.update(file.read_bytes())
    return digest.hexdigest()[:12]


def application(hub: Hub, access: Access) -> tornado.web.Application:
    """Return all that is served."""
    common = {"hub": hub, "access": access}
    own = {"page.css": "text/css", "page.js": "text/javascript", "draw.js": "text/javascript"}
    files = {f"/{name}": ((FILES / name).read_bytes(), kind) for name, kind in own.items()} | {
        "/": (page_html(hub.board.name, hub.build).encode(), "text/html"),
        "/bokeh.js": (bokeh_script(), "text/javascript"),
        "/favicon.ico": ((FILES / "icon.svg").read_bytes(), "image/svg+xml"),  # browsers ask for it unasked
    }
    routes: list[Any] = [
        (path, PageFile, {**common, "content": content, "kind": kind}) for path, (content, kind) in files.items()
    ]
    routes += [("/remark", RemarkBox, common), ("/news", Reader, common)]
    return tornado.web.Application(
        routes, compress_response=True, log_function=lambda _: None, websocket_ping_interval=PING_S,
        websocket_max_message_size=64, default_handler_class=Guarded, default_handler_args=common,
    )  # fmt: skip


def listen(place: Place) -> list[socket.socket]:
    """Return open sockets.

    Raises
    ------
    RunError
        If the port is taken, or the host is none of this machine's.
    """
    host = place.access.host
    try:
        if place.port == 0:  # a name may stand for two addresses: the second is to have the port of the first
            first = tornado.netutil.bind_sockets(0, host, family=socket.AF_INET if host != "::1" else socket.AF_INET6)
            return first[:1]
        return tornado.netutil.bind_sockets(place.port, host)
    except OSError as error:
        problem = f"the page cannot be served on {host}, port {place.port} ({error.strerror})."
        mend = "Choose another with --port, or --port 0 for any free one; or end what uses it."
        raise RunError(problem, mend=mend) from None


def address(place: Place, port: int) -> str:
    """Return the address to open in a browser."""
    host = place.access.host
    if host in ("0.0.0.0", "::", ""):
        host = socket.gethostname()
    shown = f"[{host}]" if ":" in host else host
    return f"http://{shown}:{port}/" + (f"?token={place.access.token}" if place.access.token else "")


def follow_and_serve(
    asked: Following, board: Board, place: Place, *, told: Callable[[str], None], on_note: Callable[[str], None]
) -> Ended:
    """Follow a run and serve its page until it ends.

    Parameters
    ----------
    asked : Following
        What and how; the board observes.
    board : Board
        What is shown.
    place : Place
        Where.
    told : callable
        Called with the address once it can be opened.
    on_note : callable
        Called with every note, in a thread of its own; what it raises is shown to who wrote the note.

    Returns
    -------
    Ended

    Raises
    ------
    RunError
        If the page cannot be served; and what `follow_run` raises.
    """
    return asyncio.run(_serve(asked, board, place, told, on_note))


async def _serve(
    asked: Following, board: Board, place: Place, told: Callable[[str], None], on_note: Callable[[str], None]
) -> Ended:
    loop = asyncio.get_running_loop()
    hub = Hub(board, on_note=on_note)
    sockets = listen(place)
    server = tornado.httpserver.HTTPServer(
        application(hub, place.access), max_body_size=LARGEST_REQUEST, max_header_size=16384, max_buffer_size=1 << 20,
        idle_connection_timeout=60,
    )  # fmt: skip
    server.add_sockets(sockets)
    stop = threading.Event()
    _stop_on_signals(loop, stop)
    board.changed = lambda: _call(loop, hub.wake)
    told(address(place, sockets[0].getsockname()[1]))
    peeking = asyncio.create_task(_peek(board, Peek(asked.path, asked.reading), asked.poll_s))
    with ThreadPoolExecutor(1, thread_name_prefix="follower") as follower:
        try:
            return await loop.run_in_executor(follower, follow_run, asked, board, stop)
        except GlowledgerError as error:
            board.ended(f"Following has stopped: {error.paragraph()}")
            raise
        finally:
            stop.set()
            peeking.cancel()
            board.ended("Following has ended; this is how the run stood.")
            hub.wake()
            server.stop()
            await asyncio.sleep(0)
            for reader in list(hub.readers):
                reader.close(1001, "ended")
            with contextlib.suppress(asyncio.TimeoutError):
                await asyncio.wait_for(server.close_all_connections(), 1.0)


async def _peek(board: Board, peek: Peek, poll_s: float) -> None:
    """Show the newest frame for as long as the follower learns."""

    def look() -> None:
        if (found := peek.look()) is not None:
            board.peeked(*found)

    while True:
        await asyncio.sleep(poll_s)
        if board.learning:
            await asyncio.to_thread(look)


def _call(loop: asyncio.AbstractEventLoop, what: Callable[[], None]) -> None:
    with contextlib.suppress(RuntimeError):  # the loop has ended
        loop.call_soon_threadsafe(what)


def _stop_on_signals(loop: asyncio.AbstractEventLoop, stop: threading.Event) -> None:
    """Let INT and TERM end the following after the frames in hand are kept; a second INT ends at once."""

    def ask(number: int) -> None:
        if stop.is_set() and number == signal.SIGINT:
            signal.signal(number, signal.SIG_DFL)  # the journal stands it
            os.kill(os.getpid(), number)
        stop.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):  # not on every system
            loop.add_signal_handler(number, ask, number)
