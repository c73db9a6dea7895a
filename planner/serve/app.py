"""The web face of a session: a page, a handful of questions in JSON, and nothing else of this machine."""

from __future__ import annotations

import asyncio
import json
import secrets
import socket
from collections.abc import Callable, Mapping
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from planner.ledger import OutputError, PlannerError
from planner.serve.guard import App, Guard
from planner.serve.page import card_answer, closer_answer, page_html
from planner.serve.session import Session, change_from, number, place, text_of
from planner.show.say import point as say

LOOPBACK = "127.0.0.1"
GONE = 499  # nobody reads it

Answer = Mapping[str, Any]


def application(session: Session, stop: Callable[[], None]) -> Starlette:
    """The questions and their answers, without the guard.

    One question at a time is worked on, for the answers share the session; one that nobody waits for any more is
    passed over.
    """
    lock = asyncio.Lock()

    async def asked(request: Request, answer: Callable[[Mapping[str, Any]], Answer]) -> Response:
        try:
            given = json.loads(await request.body())
            if not isinstance(given, dict):
                raise ValueError
        except (ValueError, RecursionError):
            return JSONResponse(_fault("the question", "it is no JSON object", "Reload the page"), 400)
        try:
            async with lock:
                if await request.is_disconnected():  # a drag went on while this waited
                    return Response(status_code=GONE)
                return JSONResponse(await run_in_threadpool(answer, given))
        except OutputError as fault:
            return JSONResponse(_fault(fault.where, fault.what, fault.todo), 409)
        except PlannerError as fault:
            return JSONResponse(_fault(fault.where, fault.what, fault.todo), 422)

    def card(given: Mapping[str, Any]) -> Answer:
        at = place(given)
        up = None if given.get("height_m") is None else number(given, "height_m", 0.0, 500.0)
        now, was = session.point(*at, up)
        return {"revision": session.revision, **card_answer(now, was)}

    def closer(given: Mapping[str, Any]) -> Answer:
        found, runs = session.closely(*place(given), number(given, "height_m", 0.0, 500.0))
        return {"revision": session.revision, **closer_answer(found, runs)}

    def change(given: Mapping[str, Any]) -> Answer:
        session.change(change_from(session, given))
        return session.drawn()

    def undo(given: Mapping[str, Any]) -> Answer:
        session.undo()
        return session.drawn()

    def redo(given: Mapping[str, Any]) -> Answer:
        session.redo()
        return session.drawn()

    def state(given: Mapping[str, Any]) -> Answer:
        return session.drawn()

    def decide(given: Mapping[str, Any]) -> Answer:
        session.decide()
        rows = say.decided_said(session.decided, session.decided_now)
        return {"revision": session.revision, "compared": [row._asdict() for row in rows]}

    def save(given: Mapping[str, Any]) -> Answer:
        files = session.save(text_of(given, "name", 80))
        return {"files": [path.name for path in files], **session.drawn()}

    def end(given: Mapping[str, Any]) -> Answer:
        stop()
        return {"stopped": True}

    def route(name: str, answer: Callable[[Mapping[str, Any]], Answer]) -> Route:
        async def endpoint(request: Request) -> Response:
            return await asked(request, answer)

        return Route(f"/{name}", endpoint, methods=["POST"])

    async def page(request: Request) -> Response:
        nonce = secrets.token_urlsafe(16)
        async with lock:
            html = await run_in_threadpool(page_html, session, nonce)
        policy = (
            f"default-src 'none'; script-src 'nonce-{nonce}'; style-src 'unsafe-inline'; img-src data:; "
            "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        )
        return HTMLResponse(html, headers={"content-security-policy": policy})

    answers = {
        "card": card, "closer": closer, "change": change, "undo": undo, "redo": redo, "state": state,
        "decide": decide, "save": save, "stop": end,
    }  # fmt: skip
    return Starlette(routes=[Route("/", page), *(route(name, answer) for name, answer in answers.items())])


def _fault(where: str, what: str, todo: str) -> dict[str, Any]:
    return {"error": {"where": where, "what": what, "todo": todo}}


def run(session: Session, announce: Callable[[str], None], port: int = 0) -> None:
    """Serve a session until Ctrl-C or the page's own button; `announce` is given the address once it answers.

    The socket is bound to the loopback address before anything is said; port 0: any that is free. Raises OSError
    where the port is taken.
    """
    with socket.create_server((LOOPBACK, port)) as bound:
        host = f"{LOOPBACK}:{bound.getsockname()[1]}"
        token = secrets.token_urlsafe(24)

        def stop() -> None:
            server.should_exit = True

        app: App = Guard(application(session, stop), host, token)
        config = uvicorn.Config(
            app,
            log_level="critical",
            access_log=False,
            ws="none",
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=2,
            limit_concurrency=128,
        )
        server = uvicorn.Server(config)
        announce(f"http://{host}/{token}/")
        server.run(sockets=[bound])
