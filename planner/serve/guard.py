"""Who may ask: only the page that was opened from the address with the token, in a browser on this machine.

A server on the loopback address is still within reach of every page that the browser has open, and of every other
user of the machine. So each request must name our own host and port (else a foreign name that was pointed at
127.0.0.1 would do), must not come from another page, and must carry the token in its path.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import time
from collections import deque
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_BYTES = 64 * 1024  # of a question; a drawn outline takes one or two
MOST_A_SECOND = 200  # questions; a drag asks ten at most. More wait for the next second
MOST_WAITING = 200
FILES = "/bring"  # the one path that takes a file: it comes in pieces, which the application counts
MOST_FILE_BYTES = 100 << 20
HEADERS = {
    "cache-control": "no-store",
    "referrer-policy": "no-referrer",  # the token stands in the address
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


class Guard:
    """An ASGI application before another: refuses, in a word, whatever does not come from our own page.

    host: as browsers name it, with the port. token: first part of every path; the application sees the rest.
    """

    def __init__(
        self,
        app: App,
        host: str,
        token: str,
        clock: Callable[[], float] = time.monotonic,
        pause: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self.app, self.host, self.token, self.clock, self.pause = app, host, token, clock, pause
        self.asked: deque[float] = deque()
        self.waiting = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # no sockets: close, and say nothing
            await send({"type": "websocket.close", "code": 1008})
            return
        path = scope["path"][len(self.token) + 1 :] or "/"
        refused = self._refused(scope, path) or await self._too_many()
        again = receive
        if refused is None and path != FILES:
            body = await _whole(receive)
            if body is None:
                return  # the browser is gone
            refused = (413, "too large") if len(body) > MOST_BYTES else None
            again = _told_again(body, receive)
        if refused is not None:
            await _answer(send, *refused)
            return

        async def with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                more = [(k.encode(), v.encode()) for k, v in HEADERS.items()]
                message = {**message, "headers": [*message.get("headers", []), *more]}
            await send(message)

        await self.app({**scope, "path": path, "raw_path": path.encode()}, again, with_headers)

    def _refused(self, scope: Scope, path: str) -> tuple[int, str] | None:
        """Status and word, or None where the request is our own page's."""
        named: dict[str, list[str]] = {}
        for key, value in scope["headers"]:
            named.setdefault(key.decode("latin-1").lower(), []).append(value.decode("latin-1"))
        if named.get("host") != [self.host]:
            return 421, "this is another host's"
        first = scope["path"].split("/")[1] if scope["path"].startswith("/") else ""
        if not hmac.compare_digest(first.encode(), self.token.encode()):
            return 404, "not found"
        if any(site not in ("same-origin", "none") for site in named.get("sec-fetch-site", ())):
            return 403, "asked by another page"
        origin = named.get("origin", [])
        if any(one != f"http://{self.host}" for one in origin):
            return 403, "asked by another page"
        if scope["method"] not in ("GET", "POST"):
            return 405, "only GET and POST"
        if scope["method"] == "POST":
            if not origin:
                return 403, "asked by no page"
            kinds = [kind.split(";")[0].strip().lower() for kind in named.get("content-type", [])]
            if kinds != ["application/octet-stream" if path == FILES else "application/json"]:
                return 415, "only JSON"
        size = named.get("content-length", ["0"])[0]
        if not size.isdigit() or int(size) > (MOST_FILE_BYTES if path == FILES else MOST_BYTES):
            return 413, "too large"
        return None

    async def _too_many(self) -> tuple[int, str] | None:
        """Waits until there is room in a second; an answer where too many wait already."""
        while True:
            now = self.clock()
            while self.asked and self.asked[0] <= now - 1.0:
                self.asked.popleft()
            if len(self.asked) < MOST_A_SECOND:
                self.asked.append(now)
                return None
            if self.waiting >= MOST_WAITING:
                return 429, "too many at a time"
            self.waiting += 1
            try:
                await self.pause(self.asked[0] + 1.0 - now)
            finally:
                self.waiting -= 1


async def _whole(receive: Receive) -> bytes | None:
    """A question's body, as far as its size may be; None where the browser is gone."""
    body = b""
    while True:
        part = await receive()
        if part["type"] != "http.request":
            return None
        body += bytes(part.get("body", b""))
        if len(body) > MOST_BYTES or not part.get("more_body"):
            return body


def _told_again(body: bytes, receive: Receive) -> Receive:
    """The body as one piece; what comes later is that the browser is gone."""
    given = iter([{"type": "http.request", "body": body, "more_body": False}])

    async def again() -> MutableMapping[str, Any]:
        return next(given, None) or await receive()

    return again


async def _answer(send: Send, status: int, word: str) -> None:
    body = json.dumps({"error": {"where": "", "what": word, "todo": ""}}).encode()
    headers = {
        **HEADERS,
        "content-type": "application/json",
        "content-length": str(len(body)),
        "connection": "close",
    }
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
        }
    )
    await send({"type": "http.response.body", "body": body})
