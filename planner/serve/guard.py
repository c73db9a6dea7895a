"""Who may ask: only the page that was opened from the address with the token, in a browser on this machine.

A server on the loopback address is still within reach of every page that the browser has open, and of every other
user of the machine. So each request must name our own host and port (else a foreign name that was pointed at
127.0.0.1 would do), must not come from another page, and must carry the token in its path.
"""

from __future__ import annotations

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
MOST_A_SECOND = 60  # questions; a drag asks ten at most
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

    def __init__(self, app: App, host: str, token: str, clock: Callable[[], float] = time.monotonic) -> None:
        self.app, self.host, self.token, self.clock = app, host, token, clock
        self.asked: deque[float] = deque()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # no sockets: close, and say nothing
            await send({"type": "websocket.close", "code": 1008})
            return
        refused = self._refused(scope)
        if refused is None:
            body = b""
            while True:
                part = await receive()
                if part["type"] != "http.request":
                    return  # the browser is gone
                body += part.get("body", b"")
                if len(body) > MOST_BYTES:
                    refused = 413, "too large"
                    break
                if not part.get("more_body"):
                    break
        if refused is not None:
            await _answer(send, *refused)
            return
        given = iter([{"type": "http.request", "body": body, "more_body": False}])

        async def again() -> MutableMapping[str, Any]:
            return next(given, None) or await receive()  # what comes later is that the browser is gone

        async def with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                more = [(k.encode(), v.encode()) for k, v in HEADERS.items()]
                message = {**message, "headers": [*message.get("headers", []), *more]}
            await send(message)

        path = scope["path"][len(self.token) + 1 :] or "/"
        await self.app({**scope, "path": path, "raw_path": path.encode()}, again, with_headers)

    def _refused(self, scope: Scope) -> tuple[int, str] | None:
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
            if kinds != ["application/json"]:
                return 415, "only JSON"
        size = named.get("content-length", ["0"])[0]
        if not size.isdigit() or int(size) > MOST_BYTES:
            return 413, "too large"
        return self._too_many()

    def _too_many(self) -> tuple[int, str] | None:
        now = self.clock()
        while self.asked and self.asked[0] <= now - 1.0:
            self.asked.popleft()
        if len(self.asked) >= MOST_A_SECOND:
            return 429, "too many at a time"
        self.asked.append(now)
        return None


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
