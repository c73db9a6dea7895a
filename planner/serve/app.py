"""The web face of a session: a page, a handful of questions in JSON, and nothing else of this machine."""

from __future__ import annotations

import asyncio
import json
import secrets
import socket
from collections.abc import Awaitable, Callable, Mapping
from typing import Any
from urllib.parse import unquote

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from planner.ledger import OutputError, PlanError, PlannerError
from planner.pieces import no_scratch
from planner.serve.brought import check_archive, present
from planner.serve.desk import Desk, Full, Rank
from planner.serve.guard import FILES, App, Guard
from planner.serve.page import card_answer, closer_answer, page_html
from planner.serve.session import Session, change_from, number, place, text_of, told_from
from planner.show.say import point as say
from planner.show.say.brought import told_said

LOOPBACK = "127.0.0.1"
GONE = 499  # nobody reads it

Answer = Mapping[str, Any]
Asked = Callable[[Mapping[str, Any], Request], Awaitable[bytes | None]]


def application(session: Session, stop: Callable[[], None]) -> Starlette:
    """The questions and their answers, without the guard.

    A card is a question of one world, and its answer is kept; what changes the world waits for its turn, and cards
    do not wait for it.
    """
    cards, decisions, turn = Desk(), Desk(), asyncio.Lock()

    async def told(request: Request, answer: Callable[[Mapping[str, Any]], Awaitable[bytes | None]]) -> Response:
        try:
            given = json.loads(await request.body())
            if not isinstance(given, dict):
                raise ValueError
        except (ValueError, RecursionError):
            return JSONResponse(_fault("the question", "it is no JSON object", "Reload the page"), 400)
        return await _said(answer(given))

    async def card(given: Mapping[str, Any], request: Request) -> bytes | None:
        world, at = session.now, place(given)
        up = None if given.get("height_m") is None else number(given, "height_m", 0.0, 500.0)

        def work() -> bytes:
            return _json({"revision": world.revision, **card_answer(*session.point(*at, up, world), world.alone)})

        return await cards.answer(("card", world.revision, at, up), Rank.QUICK, work, request.is_disconnected)

    async def closer(given: Mapping[str, Any], request: Request) -> bytes | None:
        world, at, up = session.now, place(given), number(given, "height_m", 0.0, 500.0)

        def work() -> bytes:
            return _json({"revision": world.revision, **closer_answer(*session.closely(*at, up, world))})

        return await cards.answer(("closer", world.revision, at, up), Rank.SLOW, work, request.is_disconnected)

    async def decide(given: Mapping[str, Any], request: Request) -> bytes | None:
        world = session.now

        def work() -> bytes:
            session.decide()
            rows = say.decided_said(session.decided, session.decided_now)
            return _json({"compared": [row._asdict() for row in rows], **session.drawn()})

        return await decisions.answer(("decide", world.revision), Rank.SLOW, work, request.is_disconnected)

    def stepwise(act: Callable[[Mapping[str, Any]], Answer]) -> Asked:
        """What changes the session: one after the other, whoever still waits."""

        async def answer(given: Mapping[str, Any], request: Request) -> bytes | None:
            async with turn:
                return _json(await run_in_threadpool(act, given))

        return answer

    def end(given: Mapping[str, Any]) -> Answer:
        stop()
        return {"stopped": True}

    async def bring(request: Request) -> Response:
        return await _said(_taken_in(session, request))

    def route(name: str, answer: Asked) -> Route:
        async def endpoint(request: Request) -> Response:
            return await told(request, lambda given: answer(given, request))

        return Route(f"/{name}", endpoint, methods=["POST"])

    async def page(request: Request) -> Response:
        nonce = secrets.token_urlsafe(16)
        html = await run_in_threadpool(page_html, session, nonce)
        policy = (
            f"default-src 'none'; script-src 'nonce-{nonce}'; style-src 'unsafe-inline'; img-src data:; "
            "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        )
        return HTMLResponse(html, headers={"content-security-policy": policy})

    acts = _acts(session)
    answers = {"card": card, "closer": closer, "decide": decide, "stop": stepwise(end)}
    answers |= {name: stepwise(act) for name, act in acts.items()}
    files = Route(FILES, bring, methods=["POST"])
    return Starlette(routes=[Route("/", page), files, *(route(name, answer) for name, answer in answers.items())])


def _acts(session: Session) -> dict[str, Callable[[Mapping[str, Any]], Answer]]:
    """What changes the session, or needs it to stand still; each by its name in the address."""

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

    def told(given: Mapping[str, Any]) -> Answer:
        there = present(session.now.base.site)
        return {"parts": [told_said(one, there) for one in told_from(session, given)]}

    def save(given: Mapping[str, Any]) -> Answer:
        files = session.save(text_of(given, "name", 80))
        return {"files": [path.name for path in files], **session.drawn()}

    return {"change": change, "undo": undo, "redo": redo, "state": state, "told": told, "save": save}


async def _taken_in(session: Session, request: Request) -> bytes:
    """A file that comes in pieces, kept in the session's own folder; its name and its drop stand in two headers."""
    if session.inbox is None:
        raise PlanError("the file", "layers cannot be brought in here", "Name it in the plan")
    name = unquote(request.headers.get("x-name", ""), errors="replace")
    path = session.inbox.place(request.headers.get("x-drop", ""), name)
    try:
        with path.open("xb") as file:
            async for chunk in request.stream():
                session.inbox.write(path, file, chunk)
        await run_in_threadpool(check_archive, path)
    except OSError as fault:
        session.inbox.forget(path)
        raise no_scratch(fault) from None
    except BaseException:  # the browser is gone, or the file is not wanted
        session.inbox.forget(path)
        raise
    return _json({"file": path.name})


async def _said(answer: Awaitable[bytes | None]) -> Response:
    """An answer as it is sent, and faults in words."""
    try:
        found = await answer
    except Full:
        return JSONResponse(_fault("", "too many questions wait already", "Try again in a moment"), 503)
    except ClientDisconnect:
        return Response(status_code=GONE)
    except OutputError as fault:
        return JSONResponse(_fault(fault.where, fault.what, fault.todo), 409)
    except PlannerError as fault:
        return JSONResponse(_fault(fault.where, fault.what, fault.todo), 422)
    if found is None:
        return Response(status_code=GONE)
    return Response(found, media_type="application/json")


def _json(answer: Answer) -> bytes:
    return json.dumps(answer, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _fault(where: str, what: str, todo: str) -> dict[str, Any]:
    return {"error": {"where": where, "what": what, "todo": todo}}


def bound(port: int = 0) -> socket.socket:
    """A socket on the loopback address; port 0: any that is free. Raises OSError where the port is taken."""
    return socket.create_server((LOOPBACK, port))


def run(session: Session, announce: Callable[[str], None], at: socket.socket | None = None) -> None:
    """Serve a session until Ctrl-C or the page's own button.

    Parameters
    ----------
    session
        One plan, and what is tried on it.
    announce
        Is given the address once it answers.
    at
        As :func:`bound` gives it; without it any free port of the loopback address is taken.
    """
    with at or bound() as there:
        host = f"{LOOPBACK}:{there.getsockname()[1]}"
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
            limit_concurrency=300,
        )
        server = uvicorn.Server(config)
        announce(f"http://{host}/{token}/")
        server.run(sockets=[there])
