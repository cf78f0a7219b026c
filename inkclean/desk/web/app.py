"""The app: routes of the desk, each one short; what they do stands in the modules beside."""

from __future__ import annotations

import asyncio
import json
import re
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from inkclean.base.errors import InkcleanError, UsageError
from inkclean.desk import pictures
from inkclean.desk.acts import check_act
from inkclean.desk.config import Config
from inkclean.desk.desk import Desk
from inkclean.desk.shelf import ShelfPage
from inkclean.desk.web.guard import App, Guard, TooLargeError
from inkclean.desk.work.task import GOALS, USES

STATIC = Path(__file__).with_name("static")
_TYPES = {".html": "text/html", ".js": "text/javascript", ".css": "text/css"}
_TYPES[".svg"] = "image/svg+xml"
_PICTURE = re.compile(r"(photo|firstflat|first|flat|sheet|ink|labels|relief|lettering)-\d{1,6}")
_API = "/api/pages/{id}"
# Seconds between two signs of life on the line of events.
_PULSE = 15.0
# Seconds after which a silent line looks whether the server is to end.
_GLANCE = 0.5


def create_app(config: Config) -> App:
    """Return the desk's ASGI app for one folder; its address begins with the config's token."""
    desk = Desk(config)

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        warm = threading.Thread(target=_warm, daemon=True)
        warm.start()
        yield
        await run_in_threadpool(desk.close)
        await run_in_threadpool(warm.join)

    inner = Starlette(routes=_routes(desk), lifespan=life, exception_handlers=_handlers())
    return Guard(inner, config)


def _warm() -> None:
    """Import what the first answers need, while nobody waits for it."""
    import inkclean.curves.trace
    import inkclean.deliver.flats_record
    import inkclean.desk.work.printing
    import inkclean.desk.work.stages
    import inkclean.page  # noqa: F401


def _handlers() -> Any:
    def answer_with(status: int) -> Callable[[Request, Exception], Response]:
        return lambda request, error: JSONResponse({"why": str(error)}, status)

    def missing(request: Request, error: Exception) -> Response:
        return JSONResponse({"why": "this is not on the desk"}, 404)

    def large(request: Request, error: Exception) -> Response:
        return JSONResponse({"why": "too large"}, 413)

    return {
        UsageError: answer_with(400),
        InkcleanError: answer_with(422),
        LookupError: missing,
        TooLargeError: large,
    }


def _routes(desk: Desk) -> list[Route]:
    files = {path.name: path for path in STATIC.iterdir() if path.suffix in _TYPES}
    bodies = {name: path.read_bytes() for name, path in files.items()}

    async def static(request: Request) -> Response:
        name = request.path_params.get("name") or "index.html"
        kind = _TYPES[files[name].suffix]  # a KeyError is an answer of 404
        return Response(bodies[name], media_type=kind, headers={"cache-control": "no-cache"})

    return [
        Route("/", static),
        Route("/static/{name}", static),
        *_shelf_routes(desk),
        *_page_routes(desk),
        *_picture_routes(desk),
    ]


def _shelf_routes(desk: Desk) -> list[Route]:
    shelf = desk.shelf

    def rows() -> list[dict[str, Any]]:
        return [
            {
                "id": page.id,
                "name": page.name,
                "photos": 1 + len(page.more.others) + len(page.more.newer),
            }
            for page in shelf.pages()
        ]

    async def listed(request: Request) -> Response:
        await run_in_threadpool(shelf.scan)
        return JSONResponse(rows())

    async def photos(request: Request) -> Response:
        called = request.query_params.get("name", "page")[:200]
        goal = request.query_params.get("goal", "")
        draft = shelf.draft()
        try:
            with draft.open("xb") as handle:
                async for chunk in request.stream():
                    await run_in_threadpool(handle.write, chunk)
            pages = await run_in_threadpool(shelf.take_in, draft, called)
        finally:
            draft.unlink(missing_ok=True)
        if goal in GOALS and pages:  # it is opened next: the work begins meanwhile
            await run_in_threadpool(desk.bring, pages[0], goal)
        desk.publish({"event": "shelf"})
        return JSONResponse([{"id": page.id, "name": page.name} for page in pages])

    async def order(request: Request) -> Response:
        words = await _json(request)
        if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
            raise UsageError("an order must be a list of pages")
        await run_in_threadpool(shelf.lay_out, words)
        desk.publish({"event": "shelf"})
        return JSONResponse(rows())

    async def join(request: Request) -> Response:
        words = await _json(request)
        if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
            raise UsageError("photos of one page must be a list of pages")
        page = await run_in_threadpool(desk.join, words)
        return JSONResponse({"id": page.id})

    async def events(request: Request) -> Response:
        queue = desk.listen()

        async def lines() -> AsyncIterator[str]:
            try:
                yield ": here\n\n"
                quiet = 0.0
                while not desk.config.ending.is_set():
                    try:
                        event = await asyncio.wait_for(queue.get(), _GLANCE)
                        yield f"data: {json.dumps(event)}\n\n"
                        quiet = 0.0
                    except TimeoutError:
                        quiet += _GLANCE
                        if quiet >= _PULSE:
                            yield ": still here\n\n"
                            quiet = 0.0
            finally:
                desk.unlisten(queue)

        headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
        return StreamingResponse(lines(), media_type="text/event-stream", headers=headers)

    return [
        Route("/api/shelf", listed),
        Route("/api/photos", photos, methods=["POST"]),
        Route("/api/order", order, methods=["POST"]),
        Route("/api/join", join, methods=["POST"]),
        Route("/api/events", events),
    ]


def _page_routes(desk: Desk) -> list[Route]:
    def page_of(request: Request) -> ShelfPage:
        return desk.shelf.page(request.path_params["id"])

    async def _do(act: Callable[[], Any], page: ShelfPage) -> Response:
        await run_in_threadpool(act)
        return JSONResponse(await run_in_threadpool(desk.state, page))

    async def show(request: Request) -> Response:
        page = page_of(request)
        return await _do(lambda: None, page)

    async def bring(request: Request) -> Response:
        page, goal = page_of(request), request.path_params["goal"]
        if goal not in GOALS:
            raise LookupError
        await run_in_threadpool(desk.bring, page, goal)
        return JSONResponse({})

    async def _told(request: Request, act: Callable[[ShelfPage], str], name: str) -> Response:
        """Answer an edit, which the page follows to the goal that is looked at, if it says one."""
        page, goal = page_of(request), request.query_params.get("goal", "")

        def follow() -> dict[str, Any]:
            words = act(page)
            if goal in GOALS:
                desk.bring(page, goal)
            return {**desk.brief(page), name: words}

        return JSONResponse(await run_in_threadpool(follow))

    async def act(request: Request) -> Response:
        checked = check_act(await _json(request))
        return await _told(request, lambda page: desk.act(page, checked), "note")

    async def undo(request: Request) -> Response:
        return await _told(request, lambda page: desk.step(page, True), "note")

    async def redo(request: Request) -> Response:
        return await _told(request, lambda page: desk.step(page, False), "note")

    async def pencil(request: Request) -> Response:
        asked = await _words(request)
        x, y = check_act({"kind": "speck", "at": asked.get("at")})["at"]
        return await _told(request, lambda page: desk.pencil(page, x, y), "touched")

    async def renew(request: Request) -> Response:
        page, asked = page_of(request), await _words(request)
        newer = asked.get("photo")
        if not isinstance(newer, str):
            raise UsageError("a photo is missing")
        return await _do(lambda: desk.renew(page, newer), page)

    async def part(request: Request) -> Response:
        page = page_of(request)
        return await _do(lambda: desk.part(page), page)

    async def take(request: Request) -> Response:
        page = page_of(request)
        asked = await _words(request)
        from inkclean.desk.work.printing import printing_of

        use, printing = asked.get("use"), printing_of(asked.get("printing"))
        if use not in USES:
            raise UsageError(f"choose what you need the files for: {', '.join(USES)}")
        await run_in_threadpool(desk.take, page, use, printing)
        return JSONResponse({})

    return [
        Route(_API, show),
        Route(_API + "/bring/{goal}", bring, methods=["POST"]),
        Route(_API + "/acts", act, methods=["POST"]),
        Route(_API + "/undo", undo, methods=["POST"]),
        Route(_API + "/redo", redo, methods=["POST"]),
        Route(_API + "/pencil", pencil, methods=["POST"]),
        Route(_API + "/renew", renew, methods=["POST"]),
        Route(_API + "/part", part, methods=["POST"]),
        Route(_API + "/take", take, methods=["POST"]),
    ]


def _picture_routes(desk: Desk) -> list[Route]:
    def page_of(request: Request) -> ShelfPage:
        return desk.shelf.page(request.path_params["id"])

    async def curves(request: Request) -> Response:
        page, asked = page_of(request), request.query_params
        try:
            x, y, within = (float(asked[key]) for key in ("x", "y", "within"))
        except (KeyError, ValueError):
            raise UsageError("a place and a length are missing") from None
        at = check_act({"kind": "speck", "at": [x, y]})["at"]
        piece = await run_in_threadpool(lambda: desk.curves(page, at[0], at[1], within))
        return JSONResponse(asdict(piece))

    async def file(request: Request) -> Response:
        page = page_of(request)
        path = desk.taken(page, request.path_params["name"])
        return FileResponse(path, filename=path.name, content_disposition_type="attachment")

    async def thumb(request: Request) -> Response:
        path = await run_in_threadpool(desk.thumb, page_of(request))
        return FileResponse(path, media_type="image/jpeg")

    async def tile(request: Request) -> Response:
        page, at = page_of(request), request.path_params
        if not _PICTURE.fullmatch(at["picture"]):
            raise LookupError
        try:
            folder = desk.picture(page, at["picture"])
        except LookupError:
            return Response(status_code=204)  # a newer one has taken its place meanwhile
        place = (at["level"], at["column"], at["row"])
        try:
            body, kind = await run_in_threadpool(pictures.tile, folder, *place)
        except FileNotFoundError:
            return Response(status_code=204)
        headers = {"cache-control": "private, max-age=86400, immutable"}
        if kind == pictures.NUMBERS:
            headers["content-encoding"] = "deflate"
        return Response(body, media_type=kind, headers=headers)

    return [
        Route(_API + "/curves", curves),
        Route(_API + "/thumb", thumb),
        Route(_API + "/files/{name}", file),
        Route(_API + "/tiles/{picture}/{level:int}/{column:int}/{row:int}", tile),
    ]


async def _json(request: Request) -> Any:
    try:
        return json.loads(await request.body())
    except (ValueError, RecursionError):
        raise UsageError("this is not JSON") from None


async def _words(request: Request) -> dict[str, Any]:
    found = await _json(request)
    if not isinstance(found, dict):
        raise UsageError("this is not a JSON object")
    return found
